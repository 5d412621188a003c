"""The same reading written down twice with different side columns.

A solve exported once without and once with its temperature has two contents but
is one observation; used twice it would count double.  Of such rows the fullest
is used, and of equally full ones always the same, so that the order of imports
changes nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from drift.book.schema import when_column

if TYPE_CHECKING:
    import pandas as pd

#: What makes a reading the observation that it is: beside the time, all that can't differ between two
#: exports of it.
IDENTITY: dict[str, tuple[str, ...]] = {
    "solves": ("ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg"),
    "sweeps": ("ra_deg", "dec_deg", "sweep"),
    "runs": ("ra_deg", "dec_deg", "run", "dec_offset_arcsec"),
    "alignments": ("az_error_arcmin", "alt_error_arcmin"),
    "levels": ("lean_north_arcsec", "lean_east_arcsec", "place", "face_deg"),
    "weather": (),  # one row a day
    "corrections": ("kind", "amount_arcmin", "bearing_deg", "thickness_mm", "turns"),
}


def identity_columns(kind: str) -> list[str]:
    """Return the columns by which two rows are the same observation."""
    return [when_column(kind), *IDENTITY[kind]]


def to_use(table: pd.DataFrame, kind: str) -> npt.NDArray[np.bool_]:
    """Tell which rows of a table, ordered by time and content, are used: one of each observation."""
    when = table[when_column(kind)].to_numpy()
    used = np.ones(len(table), dtype=bool)
    same_time = np.zeros(len(table), dtype=bool)
    if len(table) > 1:
        neighbours = when[1:] == when[:-1]
        same_time[1:] |= neighbours
        same_time[:-1] |= neighbours
    if not same_time.any():
        return used
    some = table[same_time]
    fullness = some.notna().sum(axis=1) - (some == "").sum(axis=1)
    ranked = some.assign(_fullness=fullness).sort_values("_fullness", ascending=False, kind="stable")
    extra = ranked.index[ranked.duplicated(identity_columns(kind))]
    used[table.index.get_indexer(extra)] = False
    return used
