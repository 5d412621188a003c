"""How good the split of pier and mount is: one command, seeded, a table.

    python benchmarks/accuracy [--histories 34] [--intervals 167] [--steps 60] [--quiet 250] [--only PART]

Invented piers of six families, both hemispheres, 1 to 6 years, 20 to 150 nights
a year, their logs taken by the same road as a user's.  Exit code 1 when a goal is missed.
"""

from __future__ import annotations

import argparse
import sys
import time
from functools import partial
from multiprocessing import Pool
from pathlib import Path

import goals
import numpy as np
import peers
import steps
from histories import FAMILIES, Invented, work_on
from score import Scored, score

PARTS = ("oracle", "intervals", "steps", "odds", "quiet", "control", "peers")


def main() -> int:
    options = _options()
    missed: list[str] = []
    for part in PARTS:
        if options.only in (None, part):
            start = time.perf_counter()
            missed += globals()[f"_{part}"](options)
            print(f"  ({time.perf_counter() - start:.0f} s)\n", flush=True)
    print("every goal reached" if not missed else "goals missed:\n  " + "\n  ".join(missed))
    return 1 if missed else 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--histories", type=int, default=34, help="per family, against the oracle")
    parser.add_argument("--intervals", type=int, default=167, help="per family, for the intervals")
    parser.add_argument("--steps", type=int, default=60, help="steps of each part, cut two nights after")
    parser.add_argument("--quiet", type=int, default=250, help="quiet piers of four years")
    parser.add_argument("--peers", type=int, default=5, help="per family, side by side with others")
    parser.add_argument("--only", choices=PARTS, help="one part of the table only")
    parser.add_argument("--keep", type=Path, help="folder in which the invented nights are kept")
    return parser.parse_args()


def _judged(options: argparse.Namespace, names: tuple[str, ...], count: int, oracle: bool) -> list[Scored]:
    work = partial(_score, oracle=oracle)
    return list(work_on(work, names, range(count), options.keep))


def _score(name: str, seed: int, history: Invented, oracle: bool) -> Scored:
    return score(name, seed, history, oracle)


def _oracle(options: argparse.Namespace) -> list[str]:
    return goals.against_oracle(_judged(options, FAMILIES, options.histories, True))


def _intervals(options: argparse.Namespace) -> list[str]:
    return goals.intervals(_judged(options, FAMILIES, options.intervals, False))


def _steps(options: argparse.Namespace) -> list[str]:
    tasks = [(part, seed) for seed in range(options.steps) for part in ("pier", "mount_az", "mount_alt")]
    with Pool() as pool:
        return goals.prompt(pool.starmap(steps.prompt, tasks, chunksize=2))


def _odds(options: argparse.Namespace) -> list[str]:
    names = ("north_south", "slips", "bump", "sky_only")
    return goals.odds(_judged(options, names, options.steps, False))


def _quiet(options: argparse.Namespace) -> list[str]:
    with Pool() as pool:
        return goals.quiet(pool.map(steps.quiet, range(options.quiet), chunksize=2))


def _control(options: argparse.Namespace) -> list[str]:
    """Run the split with what is deliberately wrong: the goals must then be missed."""
    controls = list(work_on(_controlled, ("heave", "bump"), range(6), options.keep))
    return goals.controls(controls)


def _controlled(name: str, seed: int, history: Invented) -> dict[str, np.ndarray]:
    return {what: steps.inside(history, found) for what, found in steps.negative_controls(history).items()}


def _peers(options: argparse.Namespace) -> list[str]:
    print(peers.table(list(work_on(peers.compare, FAMILIES, range(options.peers), options.keep))))
    return []


if __name__ == "__main__":
    sys.exit(main())
