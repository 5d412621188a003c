"""The nightly job of many piers: time on one worker and on two, memory, database size; kills at random.

    python benchmarks/piers.py [--piers 12] [--seeds 3] [--years 3] [--kills 20] [--cores 2]
    python benchmarks/piers.py --server postgresql+psycopg://me@localhost/empty [--piers 4]

Each pier has three years of 100 nights, ten solves a night, with a weather log; all but the last night are in
its record already, worked out, and the last night waits in its folder, as each morning.  A few invented
piers are made and copied: to the program the copies are different piers.  The peer is the same job on the
same piers, one after the other.

Wall times tell little where the machine has other work, so that processor time stands beside them: what
working side by side costs of it is lost whatever else goes on.  "Efficiency" is (time on one worker) /
(workers x wall time on all of them), or the ratio of the processor times.  Then each answer is compared, bit
for bit, with that of the same pier alone; and the job is done once more while its processes are killed at
random.

With --server all readings of all piers are taken into one empty database of a server instead, and its size is
given; a server brings no copies to begin with, so that its times are those of a first import.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import shutil
import signal
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT)]
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))

from sqlalchemy import create_engine  # noqa: E402

from drift.analysis import WORKED  # noqa: E402
from drift.api import open_record, read_site  # noqa: E402
from drift.demo.files import make, write_world  # noqa: E402
from drift.demo.scenario import family  # noqa: E402
from drift.nightly import nightly_of_listed  # noqa: E402
from drift.piers.listing import listed_piers  # noqa: E402
from drift.piers.running import Done, Task, run_here  # noqa: E402
from drift.stamp import program_stamp  # noqa: E402

FAMILIES = ("heave", "slips", "bump", "settle", "quiet")
NIGHTS_A_YEAR = 100.0
START = "2023-10-01"
TASK = "drift.nightly:nightly_of_listed"


# ---- Piers as they are each morning.


def prepared(folder: Path, seed: int, years: float) -> Path:
    """Make a pier whose record holds all but the last night, which waits in a folder of its own."""
    scenario = family(
        FAMILIES[seed % len(FAMILIES)],
        seed,
        years=years - 0.05,
        start=START,
        nights_a_year=NIGHTS_A_YEAR,
        solves_a_night=10,
    )
    write_world(make(scenario), folder, {"logs": {"folders": ["in"]}})
    waiting = folder / "in"
    waiting.mkdir()
    head, *rows = (folder / "solves.csv").read_text().splitlines()
    evening = rows[-1][: len("2024-01-31T00")]
    last = next(at for at, row in enumerate(rows) if hours_before(row, evening) < 12.0)
    for path, some in ((waiting / "a.csv", rows[:last]), (folder / "last.csv", rows[last:])):
        path.write_text("\n".join([head, *some]) + "\n")
    for name in ("weather.csv", "corrections.csv"):
        if (folder / name).exists():
            (folder / name).rename(waiting / name)
    let_rest(waiting)
    nightly_of_listed(str(folder / "pier.toml"), name="first", send=False)
    (folder / "last.csv").rename(waiting / "b.csv")
    let_rest(waiting)
    return folder


def hours_before(row: str, hour: str) -> float:
    """Return how long before an hour a row was logged [h]."""
    at, until = (datetime.fromisoformat(f"{text[: len(hour)]}:00") for text in (row, hour))
    return (until - at).total_seconds() / 3600.0


def let_rest(folder: Path) -> None:
    """Make files look complete: nothing has written to them for an hour."""
    for path in folder.iterdir():
        os.utime(path, (time.time() - 3600.0,) * 2)


def copies(templates: Sequence[Path], count: int, folder: Path) -> Path:
    """Copy piers into a folder, as many as wanted, each with the number of its template in its name."""
    for number in range(count):
        shutil.copytree(templates[number % len(templates)], folder / f"p{number:05d}")
    return folder


# ---- The job, and what it costs.


@dataclass(frozen=True)
class Run:
    """One run over all piers."""

    wall_s: float
    processor_s: float
    most_mb: float
    done: list[Done]


def timed(folder: Path, workers: int, tries: int = 3) -> Run:
    """Do the nightly job of all piers in a folder."""
    piers = listed_piers(folder)
    before, begun = os.times(), time.monotonic()
    done = run_here(Task(TASK, {"send": False}, tries=tries), piers, workers)
    after, wall_s = os.times(), time.monotonic() - begun
    bad = [one for one in done if one.failure is not None]
    assert not bad, f"{len(bad)} piers failed, such as {bad[0]}"
    spent = sum(after[:4]) - sum(before[:4])  # user and system, of this process and of its children
    return Run(wall_s, spent, max(one.most_bytes or 0 for one in done) / 1e6, done)


def answers(folder: Path) -> list[str]:
    """Return a digest of the whole answer of each pier, as its record keeps it, and of its readings."""
    key = f"{program_stamp()[:16]} {WORKED}"
    found = []
    for pier in listed_piers(folder):
        with open_record(read_site(pier.site_path)) as record:
            blob = record.cached_blobs([key]).get(key, b"")
            assert blob, f"{pier.name} has no answer"
            found.append(f"{record.state().readings_id} {hashlib.sha256(blob).hexdigest()}")
    return found


def sizes_mb(folder: Path) -> list[float]:
    """Return the size of each record [MB]."""
    return [path.stat().st_size / 1e6 for path in folder.glob("*/*.sqlite")]


def killing(kills: int, seed: int, over: threading.Event, every_s: float) -> int:
    """Kill children of this process at random until there were enough; return how many."""
    chance, killed = random.Random(seed), 0
    while killed < kills and not over.wait(chance.uniform(0.2, every_s)):
        now = children()
        if now:
            os.kill(chance.choice(now), signal.SIGKILL)
            killed += 1
    return killed


def children() -> list[int]:
    """Return the processes that work for this one."""
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            if parent == os.getpid() and b"drift.workers" in (entry / "cmdline").read_bytes():
                found.append(int(entry.name))
        except (OSError, ValueError):
            continue
    return found


def shown(words: str, run: Run, same: Sequence[bool]) -> None:
    """Print what a run took."""
    each = statistics.median(done.seconds for done in run.done)
    print(
        f"{len(run.done)} piers, {words:11s} {run.wall_s:7.1f} s of wall, {run.processor_s:7.1f} s of "
        f"processor, a pier {each:5.2f} s, most memory of a worker {run.most_mb:.0f} MB"
    )
    print(f"   answers equal to those of single piers bit for bit: {sum(same)} of {len(same)}")


def with_kills(folder: Path, kills: int, workers: int, single: Sequence[str], every_s: float) -> None:
    """Do the job while processes are killed at random, and print whether anything was lost or doubled."""
    over, counted = threading.Event(), []
    killer = threading.Thread(target=lambda: counted.append(killing(kills, 1, over, every_s)))
    killer.start()
    run = timed(folder, workers, tries=10 * kills)
    over.set()
    killer.join()
    expected = [single[k % len(single)] for k in range(len(run.done))]
    pairs = list(zip(answers(folder), expected, strict=True))
    readings = sum(got.split()[0] == wanted.split()[0] for got, wanted in pairs)
    print(
        f"{counted[0]} workers killed at random in {run.wall_s:.0f} s, {sum(one.tries for one in run.done)} "
        f"tries for {len(pairs)} piers: readings neither lost nor doubled at {readings}, answers equal bit "
        f"for bit at {sum(got == wanted for got, wanted in pairs)}"
    )


def on_server(templates: Sequence[Path], count: int, folder: Path, url: str, workers: int) -> None:
    """Take the readings of all piers into one database, and print its size and how long it took."""
    copies(templates, count, folder)
    for pier in listed_piers(folder):
        for record in pier.site_path.parent.glob("*.sqlite*"):
            record.unlink()
        store = f'\n[store]\nurl = "{url}"\npier = "{pier.name}"\n'
        text = pier.site_path.read_text()
        pier.site_path.write_text(text[: text.index("\n[store]")] + store)
    engine = create_engine(url)

    def size_mb() -> float:
        with engine.connect() as connection:
            asked = connection.exec_driver_sql("SELECT pg_database_size(current_database())")
            return float(asked.scalar_one()) / 1e6

    empty_mb = size_mb()
    run, grown_mb = timed(folder, workers), size_mb() - empty_mb
    engine.dispose()
    print(
        f"{count} piers into one database on a server, {workers} workers: {run.wall_s:.1f} s of wall, "
        f"{run.processor_s:.1f} s of processor here; {grown_mb / count:.2f} MB a pier, beside "
        f"{empty_mb:.1f} MB that an empty one has"
    )


def main() -> None:
    """Print times, memory, sizes and whether all answers agree."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--piers", type=int, default=12)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--years", type=float, default=3.0)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--server", help="URL of an empty database")
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        begun = time.monotonic()
        templates = [prepared(work / f"seed{k}", k, wanted.years) for k in range(wanted.seeds)]
        print(f"{wanted.seeds} piers invented and worked out once: {time.monotonic() - begun:.0f} s")
        if wanted.server:
            on_server(templates, wanted.piers, work / "server", wanted.server, wanted.cores)
            return
        alone = copies(templates, wanted.seeds, work / "alone")
        for pier in listed_piers(alone):
            nightly_of_listed(str(pier.site_path), name=pier.name, send=False)
        single = answers(alone)

        runs = []
        for words, workers in (("one worker", 1), (f"{wanted.cores} workers", wanted.cores)):
            folder = copies(templates, wanted.piers, work / words)
            runs.append(timed(folder, workers))
            same = [got == single[k % len(single)] for k, got in enumerate(answers(folder))]
            shown(words, runs[-1], same)
        one, side_by_side = runs
        by_wall = one.wall_s / (wanted.cores * side_by_side.wall_s)
        by_processor = one.processor_s / side_by_side.processor_s
        print(f"efficiency by wall {by_wall:.2f}, by processor {by_processor:.2f}")
        print(f"record of a pier {statistics.mean(sizes_mb(alone)):.2f} MB on average", flush=True)
        if wanted.kills:
            folder = copies(templates, wanted.piers, work / "killed")
            with_kills(folder, wanted.kills, wanted.cores, single, 2.0 * one.wall_s / wanted.kills)


if __name__ == "__main__":
    main()
