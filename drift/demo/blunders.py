"""A few rows that no reader can use, of the sorts that real logs have, and a list of them."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import asdict, dataclass

import numpy as np

from drift.demo.chance import stream
from drift.demo.csv_text import FILES, quoted
from drift.demo.scenario import Scenario

Row = dict[str, str]
NEVER_RISES_BY_DEG = 10.0
FAR_DEG = 45.0


@dataclass(frozen=True)
class BadRow:
    """Where an unusable row stands, and what is wrong with it."""

    file: str
    line: int
    what: str


@dataclass(frozen=True)
class _Sort:
    kind: str
    what: str
    spoil: Callable[[Row, Scenario], Row]
    fits: Callable[[Row, Scenario], bool] = lambda row, scenario: True


def _below_horizon(row: Row, scenario: Scenario) -> Row:
    never = -np.sign(scenario.latitude_deg) * (90.0 - abs(scenario.latitude_deg) + NEVER_RISES_BY_DEG)
    return row | {"dec_deg": f"{never:.6f}", "mount_dec_deg": f"{never + 0.02:.6f}"}


def _far_away(row: Row, scenario: Scenario) -> Row:
    toward = np.sign(scenario.latitude_deg - float(row["dec_deg"]))
    return row | {"dec_deg": f"{float(row['dec_deg']) + toward * FAR_DEG:.6f}"}


def _room_below_zenith(row: Row, scenario: Scenario) -> bool:
    """A place moved toward the zenith's declination stays above the horizon."""
    return abs(scenario.latitude_deg - float(row["dec_deg"])) > FAR_DEG


_SORTS = (
    _Sort("solves", "time without a zone", lambda row, _: row | {"time_utc": row["time_utc"].rstrip("Z")}),
    _Sort("solves", "right ascension is NaN", lambda row, _: row | {"ra_deg": "NaN"}),
    _Sort("solves", "dated 1970", lambda row, _: row | {"time_utc": "1970-01-01T00:00:07.000Z"}),
    _Sort("solves", "below the horizon", _below_horizon),
    _Sort("solves", "declination out of range", lambda row, _: row | {"dec_deg": "123.456000"}),
    _Sort("solves", "45 degrees from the mount's place", _far_away, _room_below_zenith),
    _Sort("levels", "lean is not a number", lambda row, _: row | {"lean_north_arcsec": "n/a"}),
    _Sort(
        "weather",
        "lowest temperature above the highest",
        lambda row, _: row | {"t_min_c": row["t_max_c"], "t_max_c": row["t_min_c"]},
    ),
    _Sort("corrections", "unknown kind", lambda row, _: row | {"kind": "fiddled", "amount_arcmin": ""}),
)


def _place(rng: np.random.Generator, rows: list[Row], sort: _Sort, scenario: Scenario) -> int:
    """Draw after which row the bad one stands."""
    fitting = [number for number, row in enumerate(rows) if sort.fits(row, scenario)]
    return int(rng.choice(fitting))


def _spoiled_file(
    scenario: Scenario, kind: str, lines: list[str], rng: np.random.Generator
) -> tuple[list[str], list[BadRow]]:
    names, *values = csv.reader(lines)
    rows = [dict(zip(names, texts, strict=True)) for texts in values]
    sorts = [sort for sort in _SORTS if sort.kind == kind and any(sort.fits(row, scenario) for row in rows)]
    placed = sorted(
        ((_place(rng, rows, sort, scenario), sort) for sort in sorts), key=lambda placed: placed[0]
    )
    listed, text = [], list(lines)
    for before, (number, sort) in enumerate(placed):
        at = number + 2 + before  # index in the text, after the row that it was made from
        spoiled = sort.spoil(rows[number], scenario)
        text.insert(at, ",".join(quoted(spoiled[name]) for name in names))
        listed.append(BadRow(FILES[kind], at + 1, sort.what))
    return text, listed


def with_bad_rows(
    scenario: Scenario, files: dict[str, list[str]]
) -> tuple[dict[str, list[str]], tuple[BadRow, ...]]:
    """Put one row of each sort into the files, where there is such a file.

    Parameters
    ----------
    scenario
        Its seed says where they stand.
    files
        Kind of table -> lines of text, header first.

    Returns
    -------
    Files with the rows put in, and where they stand.
    """
    rng, spoiled, listed = stream(scenario.seed, "bad rows"), {}, []
    for kind, lines in files.items():
        spoiled[kind], bad = _spoiled_file(scenario, kind, lines, rng)
        listed += bad
    return spoiled, tuple(listed)


def as_mappings(bad_rows: tuple[BadRow, ...]) -> list[dict[str, str | int]]:
    """Return the list as plain data."""
    return [asdict(bad) for bad in bad_rows]
