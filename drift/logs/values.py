"""Text -> numbers, times, dates: the one place where a log's cells get a meaning.

Each function takes a list of cells with surrounding blanks removed and returns
arrays of the same length.  Nothing raises for a bad cell; the caller decides
what a bad cell means for its row.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Mask = npt.NDArray[np.bool_]

_TIME = re.compile(
    r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(?::\d\d(?:[.,]\d{1,9})?)?(?P<zone> ?[Zz]|[+-]\d\d(?::?\d\d)?)?", re.ASCII
)
#: What nearly all logs write: needs no second look.
_ZULU = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,9})?Z", re.ASCII)
_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_TRUE = frozenset({"true", "1", "yes"})
_FALSE = frozenset({"false", "0", "no"})

US_PER_SECOND = 1_000_000
US_PER_DAY = 86_400 * US_PER_SECOND


@dataclass(frozen=True)
class Times:
    """Instants: UTC microseconds since 1970-01-01, and which cells are none."""

    us: npt.NDArray[np.int64]  # 0 where there is no time
    unreadable: Mask
    naive: Mask  # readable, but without Z or an offset: no instant is known


def parse_times(cells: list[str]) -> Times:
    """Read ISO 8601 times with ``Z`` or an offset from UTC, such as ``2024-03-01T22:14:05.5Z``."""
    none = np.zeros(len(cells), dtype=bool)
    if _all_alike(cells):
        return _instants(cells, none)
    found = [_TIME.fullmatch(cell) for cell in cells]
    naive = np.array([match is not None and match["zone"] is None for match in found], dtype=bool)
    texts = [cell if match and match["zone"] else "" for cell, match in zip(cells, found, strict=True)]
    return _instants([text.upper().replace(",", ".").replace(" Z", "Z") for text in texts], naive)


def _all_alike(cells: list[str]) -> bool:
    """Tell whether all cells are written like the first one, and that one in the usual way.

    Looks at all characters at once: digits where the first cell has digits, else the same sign.
    """
    together = "".join(cells)
    if not cells or len(together) != len(cells) * len(cells[0]) or not together.isascii():
        return False
    signs = np.frombuffer(together.encode(), dtype=np.uint8).reshape(len(cells), -1)
    digit = np.array([sign.isdigit() for sign in cells[0]], dtype=bool)
    alike = (signs[:, ~digit] == signs[0, ~digit]).all() and (signs[:, digit] - ord("0") <= 9).all()
    return bool(alike) and _ZULU.fullmatch(cells[0]) is not None


def _instants(texts: list[str], naive: Mask) -> Times:
    import pandas as pd

    stamps = pd.to_datetime(pd.Series(texts, dtype=object), utc=True, format="ISO8601", errors="coerce")
    none = stamps.isna().to_numpy()
    us = stamps.fillna(pd.Timestamp(0, tz="UTC")).dt.tz_convert(None).to_numpy().astype("datetime64[us]")
    return Times(us.astype(np.int64), none & ~naive, naive)


def parse_days(cells: list[str]) -> tuple[npt.NDArray[np.int64], Mask]:
    """Read calendar dates such as ``2024-03-01``: days since 1970-01-01, and which cells are none."""
    import pandas as pd

    texts = [cell if _DATE.fullmatch(cell) else "" for cell in cells]
    stamps = pd.to_datetime(pd.Series(texts, dtype=object), format="%Y-%m-%d", errors="coerce")
    none = stamps.isna().to_numpy()
    days = stamps.fillna(pd.Timestamp(0)).to_numpy().astype("datetime64[D]").astype(np.int64)
    return days, none


def parse_numbers(cells: list[str]) -> tuple[npt.NDArray[np.float64], Mask]:
    """Read decimal numbers: values (NaN where there is none), and which cells are no finite number.

    A blank cell is NaN and not counted as bad.
    """
    try:
        values = np.fromiter(map(float, cells), np.float64, len(cells))
        if np.isfinite(values).all() and "_" not in "".join(cells):
            return values + 0.0, np.zeros(len(cells), dtype=bool)  # + 0.0 makes -0 and 0 one number
    except ValueError:
        pass
    values = np.array([_number(cell) for cell in cells], dtype=np.float64)
    blank = np.array([not cell for cell in cells], dtype=bool)
    return values + 0.0, np.isnan(values) & ~blank


def _number(cell: str) -> float:
    if not _NUMBER.fullmatch(cell):
        return float("nan")
    value = float(cell)
    return value if abs(value) < float("inf") else float("nan")


def parse_flags(cells: list[str]) -> tuple[npt.NDArray[np.float64], Mask]:
    """Read true/false: 1, 0 or NaN for blank, and which cells are none of these."""
    low = [cell.lower() for cell in cells]
    values = np.array([_flag(cell) for cell in low], dtype=np.float64)
    blank = np.array([not cell for cell in low], dtype=bool)
    return values, np.isnan(values) & ~blank


def _flag(cell: str) -> float:
    if cell in _TRUE:
        return 1.0
    return 0.0 if cell in _FALSE else float("nan")


def why_no_number(cell: str) -> str:
    """Say why a cell is not a number, with the likely slip."""
    if cell.lower().lstrip("+-") in {"nan", "inf", "infinity"}:
        return "is not a finite number"
    if ":" in cell or re.search(r"\d\s*[dhm°]", cell):
        return "is not a decimal number: write degrees as 123.4567, not in parts of sixty"
    if re.fullmatch(r"[+-]?\d+,\d+", cell):
        return "is not a number here: write a decimal point instead of the comma"
    return "is not a number"
