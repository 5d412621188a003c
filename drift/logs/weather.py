"""Weather, a row a day: what drives the frost."""

from __future__ import annotations

from drift.logs import limits
from drift.logs.cells import Cells
from drift.logs.layout import Circumstances, Columns, Layout


def _read(cells: Cells, around: Circumstances) -> Columns:
    day = cells.day("date", around.now_us)
    t_min_c = cells.number("t_min_c", limits.TEMPERATURE)
    t_max_c = cells.number("t_max_c", limits.TEMPERATURE)
    cells.set_aside(
        t_min_c > t_max_c,
        "t_min_c",
        lambda at: f"is above t_max_c = {t_max_c[at]:g}: are the two columns exchanged?",
    )
    return {
        "day": day,
        "t_min_c": t_min_c,
        "t_max_c": t_max_c,
        "t_mean_c": cells.spare_number("t_mean_c", limits.TEMPERATURE),
        "snow_cm": cells.spare_number("snow_cm", limits.SNOW),
    }


LAYOUT = Layout(
    kind="weather",
    title="weather",
    required=("date", "t_min_c", "t_max_c"),
    optional=("t_mean_c", "snow_cm"),
    read=_read,
)
