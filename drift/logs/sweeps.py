"""Sweeps: solves at several hour angles with the declination clamped; a label a set."""

from __future__ import annotations

from drift.logs import limits
from drift.logs.air import read_air
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
        "sweep": cells.label("sweep"),
        **read_air(cells, around),
    }
    check_places(cells, around, Places(time_us, ra_deg, dec_deg))
    return columns


LAYOUT = Layout(
    kind="sweeps",
    title="sweeps",
    required=("time_utc", "ra_deg", "dec_deg", "sweep"),
    optional=("temp_c", "pressure_hpa"),
    read=_read,
)
