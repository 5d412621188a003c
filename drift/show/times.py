"""Times as text: UTC for data, the site's own clock for people."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from drift.advice.words import as_utc


def utc_text(time_us: Any) -> str:
    """Return ISO 8601 to the nearest second with ``Z``, as in ``2024-02-11T21:40:03Z``."""
    rounded = as_utc(time_us) + timedelta(microseconds=500_000)
    return rounded.strftime("%Y-%m-%dT%H:%M:%SZ")


def zone_of(name: str | None) -> ZoneInfo:
    """Return the time zone of the site, UTC when none is given."""
    return ZoneInfo(name or "UTC")


def clock_text(time_us: Any, zone: ZoneInfo) -> str:
    """Return the site's clock with UTC beside it: ``2024-02-11 22:40 CET (21:40 UTC)``."""
    utc = as_utc(time_us)
    local = utc.astimezone(zone)
    if local.utcoffset() == timedelta(0):
        return utc.strftime("%Y-%m-%d %H:%M UTC")
    day = "" if utc.date() == local.date() else utc.strftime("%m-%d ")
    return f"{local.strftime('%Y-%m-%d %H:%M %Z')} ({day}{utc.strftime('%H:%M')} UTC)"


def evening_of(time_us: Any, longitude_deg: float) -> date:
    """Return the date of the evening on which a night began, from any time in it.

    A night runs from local mean noon to noon by longitude, whatever the site's clock shows.
    """
    half_turns = longitude_deg / 180.0 - 1.0
    return (as_utc(time_us) + timedelta(days=half_turns / 2.0)).date()
