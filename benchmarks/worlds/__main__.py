"""How far the answers can be trusted where the world is hostile: one command, seeded, a table.

    python benchmarks/worlds [--only NAME ...] [--seeds 20] [--workers N] [--json FILE] [--no-oracle]
    python benchmarks/worlds --bumps 100

Each world is a kind of history that nothing in the product's own demo makes: references that creep or go
with the temperature, ground that settles by the logarithm, mounts with a star model of their own.  Histories
are made by a code path of their own (sky.py, geometry.py), written as logs, and answered by the commands
`drift import` and `drift status --json`; then the answer is judged against the truth.  Set PYTHONPATH to
judge another tree.  Exit code 1 when a goal is missed.

Columns: share of nights whose 95 % intervals hold the truth (tilt north and east, mount azimuth and
altitude; worst: of one history and part); error, stated sd, the oracle's error [arcsec]; errors of the
nights by themselves over their sd; axes now known, within 95 %, worst error over sd, median sd; true steps,
missed, named at ten to one, named wrongly, events that never were, further events made of one shock;
verdicts that accuse a part that never moved, histories in which the rates of all moving references are
told and hold, in which rivals are named, which carry a warning; seconds of processor for the status.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import goals
from bumps import knock, report
from check import check
from oracle import oracle_error
from run import cached_logs, default_cache, make, status_of
from score import Scored, score
from worlds import WORLDS


def main() -> int:
    """Run the worlds asked for and print what came of them."""
    options = _options()
    check()
    if options.check:
        print("the generator does what it says")
        return 0
    began = time.perf_counter()
    if options.bumps:
        with ProcessPoolExecutor(options.workers) as pool:
            knocks = [(1000 + k, options.cache) for k in range(options.bumps)]
            return _told(report(list(pool.map(knock, knocks, chunksize=1))), began)
    names = options.only or list(WORLDS)
    seeds = range(options.first_seed, options.first_seed + options.seeds)
    tasks = [(name, seed, options.cache, not options.no_oracle) for name in names for seed in seeds]
    rows: dict[str, list[Scored]] = {name: [] for name in names}
    print(goals.HEAD, flush=True)
    lines = []
    with ProcessPoolExecutor(options.workers) as pool:
        for row in pool.map(judged, tasks, chunksize=1):
            rows[row.name].append(row)
            if options.each:
                print(goals.text_of(goals.line_of([row])), *row.events, row.verdict, sep="\n    ", flush=True)
            if len(rows[row.name]) == len(seeds):
                lines.append(goals.line_of(rows[row.name]))
                print(goals.text_of(lines[-1]), flush=True)
                _write(options.json, lines, [row for name in names for row in rows[name]])
    every = [row for name in names for row in rows[name]]
    print("\n" + goals.pooled_text(lines, every) + "\n")
    found = goals.goals_of(lines, every)
    return _told(found, began)


def _write(path: Path | None, lines: list[goals.Line], rows: list[Scored]) -> None:
    """Write what there is so far; a long run that is stopped leaves its worlds behind."""
    if path:
        found = goals.goals_of(lines, rows)
        path.write_text(json.dumps(goals.as_data(lines, rows, found), indent=1))


def _told(found: list[goals.Goal], began: float) -> int:
    """Print which goals were reached; return the exit code."""
    for goal in found:
        print(f"{'reached' if goal.reached else 'MISSED '}  {goal.what}: {goal.value}")
    print(f"({time.perf_counter() - began:.0f} s)")
    return 0 if all(goal.reached for goal in found) else 1


def judged(task: tuple[str, int, Path, bool]) -> Scored:
    """Make, answer and judge one history."""
    name, seed, cache, with_oracle = task
    world = make(name, seed)
    folder = cached_logs(world, cache)
    answered = status_of(world, cache)
    out = score(world, answered.status, answered.seconds)
    if answered.status is None:
        out.verdict = f"exit {answered.code}: {answered.said[-2000:]}"
    known = not world.star_model and not any(world.bends) and world.synced_from > world.days
    if with_oracle and known and not world.habits.sensor_every_minutes:
        out.oracle = oracle_error(world, folder)[1][1:]
    return out


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", nargs="+", choices=list(WORLDS), metavar="NAME", help=", ".join(WORLDS))
    parser.add_argument("--seeds", type=int, default=20, help="histories a world")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=os.cpu_count(), help="processes")
    parser.add_argument("--json", type=Path, help="write everything to this file")
    parser.add_argument("--each", action="store_true", help="a line a history too, with its events")
    parser.add_argument("--no-oracle", action="store_true", help="leave out the least squares that is told")
    parser.add_argument("--cache", type=Path, default=default_cache(), help="where logs are kept")
    parser.add_argument("--bumps", type=int, default=0, help="knock so many piers instead, and check nightly")
    parser.add_argument("--check", action="store_true", help="only check the generator")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
