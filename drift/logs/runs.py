"""Unguided runs: how one star moved while the mount tracked; a label a run."""

from __future__ import annotations

from drift.logs import limits
from drift.logs.cells import Cells
from drift.logs.layout import Circumstances, Columns, Layout
from drift.logs.places import Places, check_places


def _read(cells: Cells, around: Circumstances) -> Columns:
    time_us = cells.time(around.now_us)
    ra_deg = cells.number("ra_deg", limits.RIGHT_ASCENSION)
    dec_deg = cells.number("dec_deg", limits.DECLINATION)
    columns: Columns = {
        "time_us": time_us,
        "ra_deg": ra_deg,
        "dec_deg": dec_deg,
        "run": cells.label("run"),
        "dec_offset_arcsec": cells.number("dec_offset_arcsec", limits.OFFSET_ARCSEC),
        "ra_offset_arcsec": cells.spare_number("ra_offset_arcsec", limits.OFFSET_ARCSEC),
    }
    check_places(cells, around, Places(time_us, ra_deg, dec_deg))
    return columns


LAYOUT = Layout(
    kind="runs",
    title="unguided runs",
    required=("time_utc", "ra_deg", "dec_deg", "run", "dec_offset_arcsec"),
    optional=("ra_offset_arcsec",),
    read=_read,
)
