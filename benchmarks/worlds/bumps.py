"""A pier that is knocked: is it told within two clear nights, and is the right part named?

The log up to the knock goes in, is checked and acknowledged, as an owner's scheduler would have done; then
the two clear nights after it go in, and `drift check` is asked again.
"""

from __future__ import annotations

import csv
import json
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from goals import Goal
from logs import clear_days
from run import command, make, prepared
from score import mjd_of
from worlds import World

#: Clear nights after the knock that are given, and the share of knocks that may go untold.
NIGHTS_AFTER, UNTOLD_MOST = 2, 0.02
#: Kinds of news that tell a sudden change (drift check --json).
TELLING = ("event", "gap")


@dataclass(frozen=True)
class Knock:
    """What was made of one knock."""

    seed: int
    zero: str
    told: bool
    what: str  # the part named by the status, "" when it shows no event there
    gap_days: float  # between the last night before and the first after
    seconds: float


def knock(task: tuple[int, Path]) -> Knock:
    """Cut a record of the world `bumped` two clear nights after its knock, and check it."""
    seed, cache = task
    world = make("bumped", seed)
    at = world.course.steps[0].day
    days = clear_days(world)
    after = days[days + 0.5 > at][:NIGHTS_AFTER]
    gap = float(after[0] - days[days + 0.5 <= at].max())
    seconds = 0.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pier = str(folder / "pier.toml")
        logs = prepared(world, cache, folder)
        news: dict[str, Any] = {}
        for stage, until in (("before", at), ("after", float(after[-1]) + 1.0)):
            cut = [_cut(path, folder / stage, world.mjd(np.array([until]))[0]) for path in logs]
            command("import", *map(str, cut), "--pier", pier)
            said = command("check", "--json", "--no-send", "--pier", pier)
            news = json.loads(said.out) if said.code in (0, 1) else {}
            seconds += said.seconds
            command("acknowledge", "--pier", pier)
        status = command("status", "--json", "--pier", pier)
    told = any(item["kind"] in TELLING for item in news.get("new", []))
    return Knock(
        seed,
        world.zero,
        told,
        _named(json.loads(status.out), world, at) if not status.code else "",
        gap,
        seconds,
    )


def _named(status: dict[str, Any], world: World, at: float) -> str:
    for event in status["events"]:
        first, last = world.day(np.array([mjd_of(event["after_utc"]), mjd_of(event["before_utc"])]))
        if not event.get("recorded") and first - 1.0 <= at <= last + 1.0:
            return str(event["what"])
    return ""


def _cut(path: Path, folder: Path, until_mjd: float) -> Path:
    """Write the rows of a log up to a moment."""
    folder.mkdir(exist_ok=True)
    with path.open(newline="") as file:
        header, *rows = csv.reader(file)
    dated = header[0] == "date"
    kept = [r for r in rows if mjd_of(f"{r[0]}T00:00:00Z" if dated else r[0]) <= until_mjd]
    out = folder / path.name
    with out.open("w", newline="") as file:
        csv.writer(file).writerows([header, *kept])
    return out


def report(knocks: Sequence[Knock]) -> list[Goal]:
    """Print what was made of all knocks; return the goals."""
    for zero in ("kept", "synced"):
        own = [k for k in knocks if k.zero == zero]
        if own:
            told, seconds = sum(k.told for k in own), np.mean([k.seconds for k in own])
            names = {name or "nothing": sum(k.what == name for k in own) for name in {k.what for k in own}}
            print(f"{zero:7s} {len(own):4d} knocks: told within {NIGHTS_AFTER} clear nights {told}")
            print(f"        named {names}; {seconds:.1f} s of processor for both checks")
    late = [(k.seed, round(k.gap_days)) for k in knocks if not k.told]
    print(f"not told (seed, days without a night): {late or 'none'}")
    wrong = [k.seed for k in knocks if k.what not in ("", "pier", "undetermined")]
    untold = len(late) / len(knocks)
    return [
        Goal(
            f"knocks not told in two clear nights at most {UNTOLD_MOST}",
            f"{untold:.3f}",
            untold <= UNTOLD_MOST,
        ),
        Goal("knocks laid at a wrong door: none", f"{wrong or 'none'}", not wrong),
    ]
