"""A movement over a stretch without nights: it happened, though nobody saw whether at once or slowly.

After weeks without a night a bump can't be told from frost or settlement, so that the history
names no event.  That the axis is no longer where it was is news all the same.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from drift.advice.season import days_of_year
from drift.advice.words import angle, day
from drift.quantities import DAY_US, Floats
from drift.watch.items import Item

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.answer import Answer
    from drift.history.result import AxisMove, History

#: Less than this share of the warning limit of the axis isn't told: our own rule.
LEAST_SHARE = 0.25
#: What the season usually does over the stretch may be more or less by this share.
WINTERS_DIFFER = 0.5
#: Where nothing was acknowledged yet, stretches that ended longer ago than this are history [days].
RECENT_DAYS = 60.0


def moved_over_gaps(
    answer: Answer, situation: Situation, as_of_us: int | None, sds: float
) -> tuple[Item, ...]:
    """Return what moved over long stretches without nights that have two nights after them.

    Parameters
    ----------
    answer
        The answer of today.
    situation
        Where the axis stands.
    as_of_us
        Time of the latest reading at the last acknowledgement; None when there never was one.
    sds
        By how many standard deviations the movement must be beyond what isn't told, see
        `drift.watch.sure.sds_needed_in_plane`.
    """
    history, to_sky = answer.history, np.array([np.cos(situation.latitude_rad), 1.0])
    if not history.moves:
        return ()
    new_from = int(history.time_us[-1] - RECENT_DAYS * DAY_US) if as_of_us is None else as_of_us
    least = LEAST_SHARE * answer.site.warn.axis_arcmin * 60.0
    found = []
    for move in history.moves:
        # two nights after it, as an event needs them; told once the second is in
        if move.second_us is None or move.second_us <= new_from or _explained(history, move):
            continue
        usual = _usual(history, move) * to_sky
        moved = move.moved * to_sky - usual
        size = float(np.hypot(*moved))
        along = moved / size if size > 0.0 else np.array([1.0, 0.0])
        own = along @ (move.cov * np.outer(to_sky, to_sky)) @ along
        sd = float(np.sqrt(own + (WINTERS_DIFFER * np.hypot(*usual)) ** 2))
        if size - sds * sd > least:
            found.append(_item(situation, move, size, sd, bool(np.any(usual))))
    return tuple(found)


def _explained(history: History, move: AxisMove) -> bool:
    """Whether a correction or an event lies in the stretch."""
    corrected = any(move.from_us < one.time_us <= move.to_us for one in history.corrections)
    return corrected or any(e.after_us < move.to_us and e.before_us > move.from_us for e in history.events)


def _usual(history: History, move: AxisMove) -> Floats:
    """Return what the season usually does to az_error and alt_error over a stretch, (2,) [arcsec]."""
    days = days_of_year(np.array([move.from_us, move.to_us]))
    first, last = history.seasonal_axis_offset[days]
    return np.asarray(last - first)


def _item(situation: Situation, move: AxisMove, size: float, sd: float, seasonal: bool) -> Item:
    first, last = (day(time_us, situation.zone) for time_us in (move.from_us, move.to_us))
    days = (move.to_us - move.from_us) / DAY_US
    beyond = " more than the season usually does" if seasonal else ""
    sentence = (
        f"Between {first} and {last}, {days:.0f} days without a night, the axis moved by {angle(size, sd)} "
        f"on the sky{beyond}.  Whether at once or little by little nobody saw, so no cause is named."
    )
    mark = {"from_us": move.from_us, "to_us": move.to_us}
    return Item("gap", move.to_us, sentence, mark, {"value": size, "value_sd": sd, "after_us": move.from_us})
