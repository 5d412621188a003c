"""The readings of one pier, as tables: what every numerical part takes in.

A table is a pandas DataFrame with the columns listed here, one row a reading,
in any order.  Text that is not given is ``""``; a number that is not given is
NaN.  ``time_us`` is UTC in microseconds since 1970-01-01 (int64, the POSIX
convention: a leap second is not counted).  ``row_id`` is the row's number in
the record, so that anything said about a reading can be traced to its file and
line.  ``readings_id`` names the content of all tables (see `Readings`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

#: Columns of each table: name -> "int", "float" or "text".
COLUMNS: dict[str, dict[str, str]] = {
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
        "lean_north_arcsec": "float",  # as read on the instrument's own axes (face 180: not yet negated)
        "lean_east_arcsec": "float",
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
        "kind": "text",  # azimuth altitude shim nuts tighten service remount zero pier
        "amount_arcmin": "float",
        "bearing_deg": "float",
        "thickness_mm": "float",
        "turns": "float",
        "note": "text",
    },
}


@dataclass(frozen=True)
class Readings:
    """All readings of one pier.

    Parameters
    ----------
    tables
        Kind -> DataFrame with the columns of `COLUMNS`; every kind is present,
        empty where there are no readings.
    readings_id
        A digest of the content of all tables, or "" when it is not known.
    """

    tables: Mapping[str, pd.DataFrame] = field(repr=False)
    readings_id: str = ""

    def __getitem__(self, kind: str) -> pd.DataFrame:
        return self.tables[kind]


def empty_table(kind: str) -> pd.DataFrame:
    """Return a table of `kind` with its columns and no rows."""
    import pandas as pd

    dtypes = {"int": "int64", "float": "float64", "text": "object"}
    return pd.DataFrame({name: pd.Series([], dtype=dtypes[sort]) for name, sort in COLUMNS[kind].items()})


def as_readings(tables: Mapping[str, pd.DataFrame], readings_id: str = "") -> Readings:
    """Complete `tables` with empty ones for the kinds that are missing.

    Raises
    ------
    KeyError
        If a table is of no known kind or lacks a column; names both.
    """
    for kind, table in tables.items():
        if kind not in COLUMNS:
            raise KeyError(f"no kind of reading is called {kind!r}; the kinds are {', '.join(COLUMNS)}")
        lacking = [name for name in COLUMNS[kind] if name not in table.columns]
        if lacking:
            raise KeyError(f"table {kind!r} lacks the columns {', '.join(lacking)}")
    whole = {kind: tables[kind] if kind in tables else empty_table(kind) for kind in COLUMNS}
    return Readings(whole, readings_id)
