"""Weather, a row a day: what drives the frost."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drift.logs import limits
from drift.logs.cells import Cells
from drift.logs.layout import Circumstances, Columns, Layout

#: Days that lack are told from this share of the days of a file on: before, filling them in moves no frost.
_WORTH_TELLING = 0.05


def _read(cells: Cells, around: Circumstances) -> Columns:
    day = cells.day("date", around.now_us)
    t_min_c = cells.number("t_min_c", limits.TEMPERATURE)
    t_max_c = cells.number("t_max_c", limits.TEMPERATURE)
    cells.set_aside(
        t_min_c > t_max_c,
        "t_min_c",
        lambda at: f"is above t_max_c = {t_max_c[at]:g}: are the two columns exchanged?",
    )
    _remark_on_gaps(day[cells.good], cells)
    return {
        "day": day,
        "t_min_c": t_min_c,
        "t_max_c": t_max_c,
        "t_mean_c": cells.spare_number("t_mean_c", limits.TEMPERATURE),
        "snow_cm": cells.spare_number("snow_cm", limits.SNOW),
    }


def _remark_on_gaps(day: npt.NDArray[np.int64], cells: Cells) -> None:
    """Say of a file in which many days lack that they will be filled in."""
    days = np.unique(day)
    if not days.size:
        return
    whole = int(days[-1] - days[0]) + 1
    lacking = whole - days.size
    if lacking < max(2, _WORTH_TELLING * whole):
        return
    cells.remarks.append(
        f"{lacking:,} of the {whole:,} days from {_date(days[0])} to {_date(days[-1])} have no row that can "
        "be used: where no other file has them either, the usual temperature of the season is taken, led "
        "over from the days beside it"
    )


def _date(day: int) -> str:
    return str(np.datetime64(int(day), "D"))


LAYOUT = Layout(
    kind="weather",
    title="weather",
    required=("date", "t_min_c", "t_max_c"),
    optional=("t_mean_c", "snow_cm"),
    read=_read,
)
