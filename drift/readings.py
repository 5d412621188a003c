"""The readings of one pier as tables, and a log that was read and is to become part of them.

Every column of every kind of reading stands here, with its unit and sign.  Nothing heavy is imported, so that
the record can name its columns without loading what works with numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any

from drift.notebook import ShowsItself
from drift.notices import Code, Notice

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd


# ---- The readings of one pier, as tables: what every numerical part takes in.
#
# A table is a pandas DataFrame with the columns listed here, one row a reading,
# in any order.  Text that is not given is ``""``; a number that is not given is
# NaN.  ``time_us`` is UTC in microseconds since 1970-01-01 (int64, the POSIX
# convention: a leap second is not counted).  ``row_id`` is the row's number in
# the record, so that anything said about a reading can be traced to its file and
# line.  ``readings_id`` names the content of all tables (see `Readings`).


#: Microseconds in a day; times are int64 microseconds since 1970-01-01 UTC.
DAY_US = 86_400_000_000
#: Columns that had another name in the first version: former name -> name.
FORMER_COLUMNS = {"lean_north_arcsec": "tilt_north_arcsec", "lean_east_arcsec": "tilt_east_arcsec"}
#: Columns of each table: name -> "int", "float" or "text".
READING_COLUMNS: dict[str, dict[str, str]] = {
    "solves": {
        "row_id": "int",
        "time_us": "int",
        "ra_deg": "float",  # solved place, ICRS
        "dec_deg": "float",
        "mount_ra_deg": "float",  # the mount's own, of date (true equinox, apparent sidereal time), or NaN
        "mount_dec_deg": "float",
        "tube_side": "text",  # "east", "west" (side of the pier the tube is on) or ""
        "session": "text",
        "before_sync": "float",  # 1 taken before the session's sync, 0 after it, NaN not said
        "temp_c": "float",
        "pressure_hpa": "float",  # at the station, not reduced to sea level
        "exposure_s": "float",
        "pa_deg": "float",
        "sweep": "text",  # the sweep or unguided run that it is part of, "none" for none, "" not said
        "run": "text",
    },
    "sweeps": {
        "row_id": "int",
        "time_us": "int",
        "ra_deg": "float",
        "dec_deg": "float",
        "sweep": "text",
        "temp_c": "float",
        "pressure_hpa": "float",
    },
    "runs": {
        "row_id": "int",
        "time_us": "int",
        "ra_deg": "float",
        "dec_deg": "float",
        "run": "text",
        "dec_offset_arcsec": "float",  # how the star moved against the tracking mount, north +
        "ra_offset_arcsec": "float",  # times cos(dec), east +
    },
    "alignments": {
        "row_id": "int",
        "time_us": "int",
        "az_error_arcmin": "float",
        "alt_error_arcmin": "float",
        "sigma_arcmin": "float",
    },
    "levels": {
        "row_id": "int",
        "time_us": "int",
        "tilt_north_arcsec": "float",  # as read on the instrument's own axes (face 180: not yet negated)
        "tilt_east_arcsec": "float",
        "place": "text",  # "pier", "plate", "mount" or ""
        "face_deg": "float",  # 0, 180 or NaN
        "sigma_arcsec": "float",
    },
    "weather": {
        "row_id": "int",
        "day": "int",  # days since 1970-01-01, local calendar date
        "t_min_c": "float",
        "t_max_c": "float",
        "t_mean_c": "float",
        "snow_cm": "float",
    },
    "corrections": {
        "row_id": "int",
        "time_us": "int",
        "kind": "text",  # azimuth altitude shim nuts tighten service remount zero pier crack
        "amount_arcmin": "float",
        "bearing_deg": "float",
        "thickness_mm": "float",
        "turns": "float",
        "note": "text",
        "knob_way": "text",  # "clockwise" or "anticlockwise", as one faces the knob; or ""
    },
}


@dataclass(frozen=True, repr=False)
class Readings(ShowsItself):
    """All readings of one pier.

    Parameters
    ----------
    tables
        Kind -> DataFrame with the columns of `READING_COLUMNS`; every kind is present,
        empty where there are no readings.
    readings_id
        A digest of the content of all tables, or "" when it is not known.
    notices
        What is to be said of them, such as rows that could not be used.
    """

    tables: Mapping[str, pd.DataFrame] = field(repr=False)
    readings_id: str = ""
    notices: tuple[Notice, ...] = ()

    def __getitem__(self, kind: str) -> pd.DataFrame:
        return self.tables[kind]


def empty_table(kind: str) -> pd.DataFrame:
    """Return a table of `kind` with its columns and no rows."""
    return _empty(kind).copy()


@cache
def _empty(kind: str) -> pd.DataFrame:
    return as_table(kind, [])


def as_table(kind: str, rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return rows, given as column -> value, as a table of `kind`; a number that is None is NaN."""
    import pandas as pd

    dtypes = {"int": "int64", "float": "float64", "text": "object"}
    columns = READING_COLUMNS[kind].items()
    return pd.DataFrame(
        {name: pd.Series([row[name] for row in rows], dtype=dtypes[sort]) for name, sort in columns}
    )


def as_readings(tables: Mapping[str, pd.DataFrame], readings_id: str = "") -> Readings:
    """Complete `tables` with empty ones for the kinds that are missing.

    Raises
    ------
    KeyError
        If a table is of no known kind or lacks a column; names both.
    """
    for kind, table in tables.items():
        if kind not in READING_COLUMNS:
            raise KeyError(
                f"no kind of reading is called {kind!r}; the kinds are {', '.join(READING_COLUMNS)}"
            )
        lacking = [name for name in READING_COLUMNS[kind] if name not in table.columns]
        if lacking:
            raise KeyError(f"table {kind!r} lacks the columns {', '.join(lacking)}")
    whole = {kind: tables[kind] if kind in tables else empty_table(kind) for kind in READING_COLUMNS}
    return Readings(whole, readings_id)


@dataclass(frozen=True, kw_only=True)
class StepDone:
    """An advised step that was recorded as done: as what kind of correction, and when.

    `row_ids` are the rows of the log of corrections that say so.
    """

    step: str  # its id in the record
    kind: str
    time_us: int  # UTC
    row_ids: tuple[int, ...] = ()


# ---- A log that was read, on its way into the record.


#: Name -> array or list of one value a row; the names of `READING_COLUMNS` without ``row_id``.
Columns = dict[str, "np.ndarray | list[str]"]


#: The value of a reason that names the image concerned.
IMAGE = "image"


@dataclass(frozen=True)
class RowSetAside:
    """A row that can't be used, or a value left out of a row that is kept, and why."""

    file: str
    line: int
    column: str  # "" when it concerns the row as a whole
    value: str
    reason: Notice
    kind: str
    row_kept: bool = False
    raw: str = field(default="", repr=False)

    @property
    def code(self) -> Code:
        """The code of the reason."""
        return self.reason.code

    @property
    def image(self) -> str:
        """The name of the image that it is a row of, "" for a row of a text."""
        return str(self.reason.values.get(IMAGE, ""))


@dataclass(frozen=True)
class LogRead:
    """One log file, read: its good rows with where they came from, and what was set aside."""

    name: str  # the file as it was given
    path: str  # the whole path, or "" for what was recorded by hand
    digest: str  # of the file's bytes
    kind: str
    why: Notice  # why this kind of log was chosen
    header: str
    columns: Columns = field(repr=False)
    lines: npt.NDArray[np.int64] = field(repr=False)
    raws: list[str] = field(repr=False)
    set_aside: tuple[RowSetAside, ...] = field(repr=False)
    left_out: tuple[RowSetAside, ...] = field(repr=False)
    remarks: tuple[Notice, ...] = ()
