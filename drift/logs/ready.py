"""One contract column of a file as values, before anyone asks whether they can be true."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from drift.logs import values as spelled
from drift.readings import COLUMNS

Mask = npt.NDArray[np.bool_]

_READINGS_NAMES = {"time_utc": "time_us", "date": "day"}


@dataclass(frozen=True)
class Ready:
    """Values of one column; `bad` are cells that are none, and `why` says why by a cell's text."""

    values: npt.NDArray[Any] | list[str] = field(repr=False)
    bad: Mask = field(repr=False)
    blank: Mask = field(repr=False)
    naive: Mask | None = field(repr=False, default=None)  # of times: no zone is known
    why: Callable[[str], str] = field(repr=False, default=spelled.why_no_number)


def sort_of(kind: str, column: str) -> str:
    """Return what a contract column of a kind of log holds: "time", "day", "text", "flag" or "number"."""
    if column == "time_utc":
        return "time"
    if column == "date":
        return "day"
    if column == "before_sync":
        return "flag"
    return "text" if COLUMNS[kind].get(_READINGS_NAMES.get(column, column)) == "text" else "number"


def read_plain(cells: list[str], sort: str) -> Ready:
    """Read cells that are written as the contract has them."""
    blank = blanks(cells)
    none = np.zeros(len(cells), dtype=bool)
    if sort == "time":
        times = spelled.parse_times(cells)
        return Ready(times.us, times.unreadable, blank, times.naive)
    if sort == "day":
        days, bad = spelled.parse_days(cells)
        return Ready(days, bad, blank)
    if sort == "flag":
        flags, bad = spelled.parse_flags(cells)
        return Ready(flags, bad, blank)
    if sort == "number":
        numbers, bad = spelled.parse_numbers(cells)
        return Ready(numbers, bad, blank)
    return Ready(cells, none, blank)


def blanks(cells: list[str]) -> Mask:
    """Tell which cells are blank."""
    if "" not in cells:
        return np.zeros(len(cells), dtype=bool)
    return np.array([not cell for cell in cells], dtype=bool)


def joined(parts: Sequence[Ready]) -> Ready:
    """Put the parts of a column one after the other."""
    if len(parts) == 1:
        return parts[0]
    first = parts[0]
    together: npt.NDArray[Any] | list[str]
    if isinstance(first.values, list):
        known: dict[str, str] = {}  # equal texts are kept once
        together = [known.setdefault(text, text) for part in parts for text in part.values]
    else:
        together = np.concatenate([part.values for part in parts])
    naive = None
    if first.naive is not None:
        naive = np.concatenate([part.naive for part in parts if part.naive is not None])
    return Ready(
        together,
        np.concatenate([part.bad for part in parts]),
        np.concatenate([part.blank for part in parts]),
        naive,
        first.why,
    )
