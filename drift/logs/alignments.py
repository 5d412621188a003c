"""Alignment errors typed in, as another tool or method gave them."""

from __future__ import annotations

from drift.logs import limits
from drift.logs.cells import Cells
from drift.logs.layout import Circumstances, Columns, Layout


def _read(cells: Cells, around: Circumstances) -> Columns:
    return {
        "time_us": cells.time(around.now_us),
        "az_error_arcmin": cells.number("az_error_arcmin", limits.AXIS_ARCMIN),
        "alt_error_arcmin": cells.number("alt_error_arcmin", limits.AXIS_ARCMIN),
        "sigma_arcmin": cells.telling_number("sigma_arcmin", limits.SIGMA),
    }


LAYOUT = Layout(
    kind="alignments",
    title="alignment errors",
    required=("time_utc", "az_error_arcmin", "alt_error_arcmin"),
    optional=("sigma_arcmin",),
    read=_read,
)
