"""Pointing solves: where the telescope looked, and where the mount said it did."""

from __future__ import annotations

import numpy as np

from drift.logs import limits
from drift.logs.air import read_air
from drift.logs.cells import Cells
from drift.logs.finding import NO_LABELS
from drift.logs.layout import Circumstances, Columns, Layout
from drift.logs.looking import find_in, found_words
from drift.logs.places import Places, check_places

_MOUNT = ("mount_ra_deg", "mount_dec_deg")


def _read(cells: Cells, around: Circumstances) -> Columns:
    time_us = cells.time(around.now_us)
    ra_deg = cells.number("ra_deg", limits.RIGHT_ASCENSION)
    dec_deg = cells.number("dec_deg", limits.DECLINATION)
    mount_ra_deg = cells.telling_number("mount_ra_deg", limits.RIGHT_ASCENSION)
    mount_dec_deg = cells.telling_number("mount_dec_deg", limits.DECLINATION)
    bare = np.isnan(mount_ra_deg) & np.isnan(mount_dec_deg)
    for column, values in zip(_MOUNT, (mount_ra_deg, mount_dec_deg), strict=True):
        cells.set_aside(np.isnan(values) & ~bare, column, "is blank, and needed")
    columns: Columns = {
        "time_us": time_us,
        "ra_deg": ra_deg,
        "dec_deg": dec_deg,
        "mount_ra_deg": mount_ra_deg,
        "mount_dec_deg": mount_dec_deg,
        "tube_side": cells.choice("tube_side", ("east", "west")),
        "session": cells.text("session"),
        "before_sync": cells.flag("before_sync"),
        **read_air(cells, around),
        "exposure_s": cells.spare_number("exposure_s", limits.EXPOSURE),
        "pa_deg": cells.spare_number("pa_deg", limits.POSITION_ANGLE),
        "sweep": cells.text("sweep"),
        "run": cells.text("run"),
    }
    # A solve without the mount's place agrees with it wherever it is.
    mount = np.where(bare, ra_deg, mount_ra_deg), np.where(bare, dec_deg, mount_dec_deg)
    places = Places(time_us, ra_deg, dec_deg) if bare.all() else Places(time_us, ra_deg, dec_deg, *mount)
    check_places(cells, around, places)
    if (bare & cells.good).any():
        _remark_on_bare(cells, around, columns, bare & cells.good)
    return columns


def _remark_on_bare(cells: Cells, around: Circumstances, columns: Columns, bare: np.ndarray) -> None:
    """Say what can be made of the solves that come without the mount's coordinates."""
    labels = [column for column in ("sweep", "run") if any(columns[column])]
    told = [text or other for text, other in zip(columns["sweep"], columns["run"], strict=True)]
    named = np.array([bool(text) and text.lower() not in NO_LABELS for text in told], dtype=bool)
    if (bare & named).any():
        cells.remarks.append(
            f"{int((bare & named).sum())} solves belong to the sweeps or runs that the column "
            f"{' and '.join(labels)} names"
        )
    free = np.flatnonzero(bare & ~np.array([bool(text) for text in told], dtype=bool))
    if not free.size:
        return
    where = (around.latitude_deg, around.longitude_deg, around.elevation_m)
    time_us, ra_deg, dec_deg, pa_deg = (
        np.asarray(columns[name])[free] for name in ("time_us", "ra_deg", "dec_deg", "pa_deg")
    )
    sides = [str(columns["tube_side"][at]) for at in free.tolist()]
    finding = find_in(where, time_us, ra_deg, dec_deg, sides, pa_deg, around.guided, around.modelled)
    cells.remarks.append(found_words(finding, free.size))


LAYOUT = Layout(
    kind="solves",
    title="pointing solves",
    required=("time_utc", "ra_deg", "dec_deg"),
    optional=(
        *_MOUNT,
        *("tube_side", "session", "before_sync", "temp_c", "pressure_hpa", "exposure_s", "pa_deg"),
        *("sweep", "run"),
    ),
    read=_read,
    together=_MOUNT,
)
