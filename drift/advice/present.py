"""Of when advice is: of today while a pier is watched, of its last reading when old logs are looked at.

Logs of years ago that were read in today say what the pier did then; nobody waited for
them, and what they say is best said as of their end, with a night to be taken before
anything is turned by it.  But a record that is kept up
and has fallen silent grows old, and then its last night is no guide to today.
Both end long ago; when the readings came in tells them apart.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drift.advice.result import Action
from drift.advice.words import day
from drift.quantities import DAY_US

if TYPE_CHECKING:
    from drift.advice.situation import Situation

#: A last night older than this is too old to turn a knob by [days].
OLD_DAYS = 60
_ADJUSTING = ("turn_azimuth", "turn_altitude", "shim", "nuts")


def silent_days(latest_us: int, now_us: int, arrived_us: int | None) -> float:
    """Return for how long nothing has been heard: neither measured nor read in [days].

    Parameters
    ----------
    latest_us
        The time of the latest reading [UTC microseconds].
    now_us
        The present time.
    arrived_us
        When readings of axis or lean last came into the record; None when that isn't known.
    """
    return (now_us - max(latest_us, arrived_us or latest_us)) / DAY_US


def looked_at(latest_us: int, now_us: int, arrived_us: int | None) -> bool:
    """Whether the readings were long past when they came in, lately: looked at, not watched by."""
    return now_us - latest_us > OLD_DAYS * DAY_US and silent_days(latest_us, now_us, arrived_us) <= OLD_DAYS


def night_first(actions: tuple[Action, ...], situation: Situation) -> tuple[Action, ...]:
    """Put a night before what logs of long ago would have turned or lifted."""
    if not any(action.do in _ADJUSTING for action in actions):
        return actions
    sentence = (
        f"Take a night first, and ask again: the last one, of {day(situation.time_us, situation.zone)}, was "
        "long past when it was read in, too old to turn or lift anything by; what follows is what it said."
    )
    return (Action("measure", sentence), *actions)
