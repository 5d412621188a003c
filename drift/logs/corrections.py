"""Corrections: what was done to the knobs, the bolts, the mount or the pier, and when."""

from __future__ import annotations

import numpy as np

from drift.logs import limits
from drift.logs.cells import Cells
from drift.logs.layout import Circumstances, Columns, Layout

#: Every kind of correction -> what was done, for people.
KINDS = {
    "azimuth": "azimuth knob turned",
    "altitude": "altitude knob turned",
    "shim": "shim put in or taken out",
    "nuts": "levelling nuts turned",
    "tighten": "bolts or knobs tightened",
    "service": "instrument serviced: its constants restart",
    "remount": "mount taken off and put back: constants, zeros and position restart",
    "zero": "home switch or encoder moved: the hour-angle zero restarts",
    "pier": "work on the pier itself",
}
#: Kind -> the numbers that it can't do without.
NEEDED = {"shim": ("bearing_deg", "thickness_mm"), "nuts": ("bearing_deg", "turns")}


def _read(cells: Cells, around: Circumstances) -> Columns:
    time_us = cells.time(around.now_us)
    kind = cells.choice("kind", tuple(KINDS), required=True)
    numbers = {
        "amount_arcmin": cells.telling_number("amount_arcmin", limits.AXIS_ARCMIN),
        "bearing_deg": cells.telling_number("bearing_deg", limits.BEARING) % 360.0,
        "thickness_mm": cells.telling_number("thickness_mm", limits.THICKNESS),
        "turns": cells.telling_number("turns", limits.TURNS),
    }
    for one, needed in NEEDED.items():
        rows = np.array([word == one for word in kind], dtype=bool)
        for column in needed:
            cells.set_aside(rows & np.isnan(numbers[column]), column, f"is blank, and needed for kind {one}")
    return {"time_us": time_us, "kind": kind, **numbers, "note": cells.text("note")}


LAYOUT = Layout(
    kind="corrections",
    title="corrections",
    required=("time_utc", "kind"),
    optional=("amount_arcmin", "bearing_deg", "thickness_mm", "turns", "note"),
    read=_read,
)
