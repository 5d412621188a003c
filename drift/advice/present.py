"""Of when advice is: of today while a pier is watched, of its last reading when old logs are looked at.

Logs of years ago that were read in today say what the pier did then; nobody waited for
them, and what they say is best said as of their end.  But a record that is kept up
and has fallen silent grows old, and then its last night is no guide to today.
Both end long ago; when the readings came in tells them apart.
"""

from __future__ import annotations

from drift.quantities import DAY_US

#: A last night older than this is too old to turn a knob by [days].
OLD_DAYS = 60


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
