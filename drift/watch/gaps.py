"""A movement over a stretch without readings: it happened, though nobody saw whether at once or slowly.

After weeks without a night a bump can't be told from frost or settlement, so that the history
names no event.  That the axis is no longer where it was is news all the same.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from drift.advice.words import angle, day
from drift.quantities import DAY_US, Floats
from drift.watch.items import Item
from drift.watch.limits import axis_course

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.answer import Answer
    from drift.history.result import History

#: Shorter stretches than this leave no doubt about an event [days]: our own rule.
GAP_DAYS = 21.0
#: Less than this share of the warning limit of the axis isn't told: our own rule.
LEAST_SHARE = 0.25
#: What the season usually does over the stretch may be more or less by this share.
WINTERS_DIFFER = 0.5
#: Where nothing was acknowledged yet, stretches that ended longer ago than this are history [days].
RECENT_DAYS = 60.0


def moved_over_gaps(
    answer: Answer, situation: Situation, as_of_us: int | None, sds: float
) -> tuple[Item, ...]:
    """Return what moved over long stretches without readings that have two readings after them.

    Parameters
    ----------
    answer
        The answer of today.
    situation
        Where the axis stands.
    as_of_us
        Time of the latest reading at the last acknowledgement; None when there never was one.
    sds
        By how many standard deviations the movement must be beyond what isn't told.
    """
    course = axis_course(answer)
    if course is None or course.time_us.size < 3:
        return ()
    times = course.time_us
    new_from = int(times[-1] - RECENT_DAYS * DAY_US) if as_of_us is None else as_of_us
    found = []
    for k in np.flatnonzero(np.diff(times) >= GAP_DAYS * DAY_US):
        # two readings after it, as an event needs them; told once the second is in
        if k + 2 >= times.size or times[k + 2] <= new_from:
            continue
        before, after = int(times[k]), int(times[k + 1])
        if _explained(answer.history, before, after):
            continue
        usual = _usual(answer.history, situation.latitude_rad, before, after)
        moved = course.on_sky[k + 1] - course.on_sky[k] - usual
        size, own = float(np.hypot(*moved)), float(np.max(course.sds[k : k + 2]))
        sd = float(np.hypot(own, WINTERS_DIFFER * np.hypot(*usual)))
        if size - sds * sd > LEAST_SHARE * answer.site.warn.axis_arcmin * 60.0:
            found.append(_item(situation, before, after, size, sd, bool(np.any(usual))))
    return tuple(found)


def _explained(history: History, before_us: int, after_us: int) -> bool:
    """Whether a correction or an event lies in the stretch."""
    corrected = any(before_us < one.time_us <= after_us for one in history.corrections)
    return corrected or any(e.after_us < after_us and e.before_us > before_us for e in history.events)


def _usual(history: History, latitude_rad: float, before_us: int, after_us: int) -> Floats:
    """Return what the season usually does to the axis over a stretch, on the sky, (2,) [arcsec]."""
    days = np.array([before_us, after_us], dtype="datetime64[us]")
    of_year = (days.astype("datetime64[D]") - days.astype("datetime64[Y]")).astype(int)
    first, last = history.seasonal_axis_offset[np.minimum(of_year, 365)]
    return np.asarray((last - first) * np.array([np.cos(latitude_rad), 1.0]))


def _item(
    situation: Situation, before_us: int, after_us: int, size: float, sd: float, seasonal: bool
) -> Item:
    first, last = (day(time_us, situation.zone) for time_us in (before_us, after_us))
    days = (after_us - before_us) / DAY_US
    beyond = " more than the season usually does" if seasonal else ""
    sentence = (
        f"Between {first} and {last}, {days:.0f} days without a reading, the axis moved by {angle(size, sd)} "
        f"on the sky{beyond}.  Whether at once or little by little nobody saw, so no cause is named."
    )
    mark = {"from_us": before_us, "to_us": after_us}
    return Item("gap", after_us, sentence, mark, {"value": size, "value_sd": sd, "after_us": before_us})
