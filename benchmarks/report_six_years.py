"""Time the report of a long record, part by part, and the command as a whole.

    python benchmarks/report_six_years.py [--years 10] [--nights 2000] [--solves 25]

The record is on disk, as it is for its owner, and has been answered once (the
scheduler's `drift check` does that each night); then one night is new.  The goal
is 5 s for the report of ten years on a machine that does nothing else.  Seconds
of the processor stand beside those of the clock, because the two differ on a
machine that does.  Last, the command once more, when nothing is
new since the last answer.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from long_record import asked_size, written_logs

from drift.api import analyse_readings, open_record, read_site, with_ground
from drift.importer.importing import import_files
from drift.render.catalogue import pictures_of
from drift.render.drawing import inline_svg, pictures_to_draw
from drift.render.figures.canvas import PHONE_IN, WIDE_IN
from drift.render.report import report_html

GOAL_S = 5.0
#: No picture may keep a page waiting for longer [s].
PICTURE_GOAL_S = 0.3


@contextmanager
def timed(what: str) -> Iterator[None]:
    """Print how long a block took, by the clock and by the processor."""
    clock, processor = time.perf_counter(), time.process_time()
    yield
    took = time.perf_counter() - clock, time.process_time() - processor
    print(f"{what:<52} {took[0]:6.2f} s   {took[1]:6.2f} s of the processor")


def record(folder: Path, years: float, nights: int, solves: int) -> Path:
    """Make logs of some years, import all but the last night, and return the site file."""
    made = written_logs(folder, years, nights, solves)
    written = [path for path in made if path.suffix == ".csv" and not path.name.startswith("truth")]
    site = folder / "pier.toml"
    for path in written:
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        count = solves if path.name == "solves.csv" else 1
        (folder / f"last_{path.name}").write_text("".join([lines[0], *lines[-count:]]), encoding="utf-8")
        path.write_text("".join(lines[:-count]), encoding="utf-8")
    with open_record(read_site(site)) as record:
        list(import_files(record, sorted(written)))
    return site


def add_last_night(path: Path) -> None:
    """Import the night that was held back."""
    with open_record(read_site(path)) as record:
        list(import_files(record, sorted(path.parent.glob("last_*.csv"))))


def pictures(analysis: Any) -> None:
    """Print the time of each picture on a wide page and on a phone."""
    for picture in pictures_to_draw(analysis)[0]:
        told = [f"   {picture.name:<18}"]
        for width in (PHONE_IN,) if picture.narrow else (WIDE_IN, PHONE_IN):
            start = time.process_time()
            text = inline_svg(picture.figure(analysis, width_in=width), "k", "t", "d")
            took = time.process_time() - start
            mark = "  over the goal" if took > PICTURE_GOAL_S else ""
            told.append(f"{took:5.2f} s {len(text) / 1000:5.0f} kB{mark}")
        print("   ".join(told))


def main() -> None:
    """Print the times."""
    options = asked_size(__doc__.splitlines()[0], 6.0, 1200, 9)
    with tempfile.TemporaryDirectory() as name:
        path = record(Path(name), options.years, options.nights, options.solves)
        report(path)


def report(path: Path) -> None:
    """Time the parts in this process, then the command in a fresh one."""
    site = read_site(path)
    with open_record(site) as record:
        readings = record.readings()
        # as the scheduler has done before; imports are warm then
        report_html(with_ground(analyse_readings(site, readings, record), readings, record))
    add_last_night(path)
    before = {kept: kept.read_bytes() for kept in path.parent.glob("*.sqlite*")}
    with open_record(site) as record:
        print("in a warm process, one night new")
        with timed("   the record is read"):
            readings = record.readings()
        with timed("   the answer"):
            analysis = analyse_readings(site, readings, record)
        print(f"   ({len(analysis.nights.nights)} nights, {len(readings['solves'])} solves)")
        with timed("   the ground under the pier"):
            analysis = with_ground(analysis, readings, record)
        with timed("   words and tables"):
            tables(analysis)
        with timed("   the page, pictures included"):
            page = report_html(analysis)
        with timed("   the answer again, nothing new"):
            analyse_readings(site, readings, record)
        print(
            f"   {len(page) / 1e6:.1f} MB; seconds of the processor for each picture, wide and for a phone:"
        )
        pictures(analysis)
    for kept, content in before.items():
        kept.write_bytes(content)
    print(f"the command in a fresh process (goal {GOAL_S:g} s for ten years)")
    for what in ("one night new", "nothing new since"):
        with timed_child(f"   drift report, {what}"):
            command(path, "report", "-o", str(path.parent / "report.html"))
    with timed_child("   drift status, nothing new"):
        command(path, "status")


def command(path: Path, *words: str) -> None:
    """Run a command in a process of its own."""
    start = [sys.executable, "-c", "from drift.cli.main import main; main()"]
    subprocess.run([*start, *words, "--pier", str(path)], check=True, capture_output=True)


@contextmanager
def timed_child(what: str) -> Iterator[None]:
    """Print how long the processes started in a block took, by the clock and by the processor."""
    clock, before = time.perf_counter(), os.times()
    yield
    after = os.times()
    used = after.children_user + after.children_system - before.children_user - before.children_system
    print(f"{what:<52} {time.perf_counter() - clock:6.2f} s   {used:6.2f} s of the processor")


def tables(analysis: Any) -> None:
    """Make the words and the numbers behind all pictures."""
    for picture in pictures_of(analysis):
        parts: tuple[Callable[..., Any], ...] = (picture.describe, picture.caption, picture.table)
        if not picture.lacking(analysis):
            for part in parts:
                part(analysis)


if __name__ == "__main__":
    main()
