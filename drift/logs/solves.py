"""Pointing solves: where the telescope looked, and where the mount said it did."""

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
    mount_ra_deg = cells.number("mount_ra_deg", limits.RIGHT_ASCENSION)
    mount_dec_deg = cells.number("mount_dec_deg", limits.DECLINATION)
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
    }
    check_places(cells, around, Places(time_us, ra_deg, dec_deg, mount_ra_deg, mount_dec_deg))
    return columns


LAYOUT = Layout(
    kind="solves",
    title="pointing solves",
    required=("time_utc", "ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg"),
    optional=("tube_side", "session", "before_sync", "temp_c", "pressure_hpa", "exposure_s", "pa_deg"),
    read=_read,
)
