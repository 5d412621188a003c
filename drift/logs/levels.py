"""Level and inclinometer readings: the lean of what the instrument stood on."""

from __future__ import annotations

import numpy as np

from drift.logs import limits
from drift.logs.cells import Cells
from drift.logs.layout import Circumstances, Columns, Layout, Limits

PLACES = ("pier", "plate", "mount")
_FACE = Limits(0.0, 180.0, "0 or 180 (180: the instrument turned end for end)")


def _read(cells: Cells, around: Circumstances) -> Columns:
    columns: Columns = {
        "time_us": cells.time(around.now_us),
        "lean_north_arcsec": cells.number("lean_north_arcsec", limits.OFFSET_ARCSEC),
        "lean_east_arcsec": cells.number("lean_east_arcsec", limits.OFFSET_ARCSEC),
        "place": cells.choice("place", PLACES),
        "sigma_arcsec": cells.telling_number("sigma_arcsec", limits.SIGMA),
    }
    face = cells.telling_number("face_deg", _FACE)
    between = ~np.isnan(face) & (face != _FACE.low) & (face != _FACE.high)
    cells.set_aside(between, "face_deg", lambda at: _FACE.reason(float(face[at])))
    if cells.good.any() and not any(columns["place"]):
        cells.remarks.append(
            "no row says what the level stood on, so it is taken to be the pier; a column place with pier, "
            "plate or mount says otherwise"
        )
    if np.any(face[cells.good] == 0.0) and np.any(face[cells.good] == 180.0):
        cells.remarks.append(
            "readings of one place with face 0 and face 180 within an hour are pairs: each counts as one "
            "reading, free of the level's own error"
        )
    return {**columns, "face_deg": face}


LAYOUT = Layout(
    kind="levels",
    title="level readings",
    required=("time_utc", "lean_north_arcsec", "lean_east_arcsec"),
    optional=("place", "face_deg", "sigma_arcsec"),
    read=_read,
)
