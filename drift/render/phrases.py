"""Numbers, times and directions as words: which way, how far, how sure."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from drift.advice.words import (
    CLOSE_SDS,
    angle,
    arcmin,
    as_utc,
    azimuth_side,
    percent,
    ranked,
    size_of,
    toward_of,
)
from drift.advice.words import (
    counted as counted,
)
from drift.advice.words import (
    toward as toward,
)

# ---- Times as text: UTC for data, the site's own clock for people.


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


# ---- Numbers as plain data.


#: Decimals kept of a number in arcsec: far below what any reading can say, and
#: enough that sums over the columns hold to rounding.
ARCSEC_DECIMALS = 4


def number(value: float | None, decimals: int | None = ARCSEC_DECIMALS) -> float | None:
    """Return a plain float, or None for what is not known (None, NaN, infinite)."""
    if value is None or not math.isfinite(value):
        return None
    plain = float(value) if decimals is None else round(float(value), decimals)
    return plain + 0.0  # turns -0.0 into 0.0


# ---- Numbers as words: which way, how far, how sure.
#
# The signs are those of the rest of the package (azimuth error clockwise
# positive, altitude error up positive, tilt toward north and east positive);
# here they become the words that people use at the pier.  Angles are in arcsec.


NOT_KNOWN = "not known"
#: Writes a value with its sd [arcsec].
Writer = Callable[[float | None, float | None], str]
#: A value this many standard deviations from 0 has a side.
SIDE_SDS = CLOSE_SDS
#: Least probability -> what is said of it; the last is for all that is less.
_LIKELY = (
    (0.99, "almost certain"),
    (10.0 / 11.0, "very probable"),
    (2.0 / 3.0, "probable"),
    (1.0 / 3.0, "possible"),
    (0.0, "improbable"),
)
PART_WORDS = {
    "pier": "pier",
    "mount_az": "mount in azimuth",
    "mount_alt": "mount in altitude",
    "zero": "hour-angle zero",
    "nothing": "nothing moved",
    "undetermined": "can't be told",
}
CORRECTION_WORDS = {
    "azimuth": "azimuth knob",
    "altitude": "altitude knob",
    "shim": "shim",
    "nuts": "levelling nut",
    "tighten": "bolts tightened",
    "service": "instrument serviced",
    "remount": "mount taken off and put back",
    "zero": "hour-angle zero moved",
    "pier": "work on the pier",
}


def known(*values: float | None) -> bool:
    """Whether all `values` are numbers."""
    return all(value is not None and math.isfinite(value) for value in values)


def any_angle(value: float | None, sd: float | None) -> str:
    """Return ``34.0" ± 3.0"`` (arcminutes when large), also for a value that is not known."""
    return _tolerant(angle, value, sd)


def any_arcmin(value: float | None, sd: float | None) -> str:
    """Return ``2.3' ± 0.2'``, also for a value that is not known."""
    return _tolerant(arcmin, value, sd)


def one_unit(pairs: Iterable[tuple[float | None, float | None]]) -> Writer:
    """Return how all values of one list are written: in arcminutes where one of them would be.

    Two steps of 117" and 2.12' look as if one were fifty times the other.
    """
    written = [any_angle(value, sd) for value, sd in pairs]
    return any_arcmin if any("'" in text for text in written) else any_angle


def _tolerant(write: Callable[[float, float], str], value: float | None, sd: float | None) -> str:
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    if sd is None or not math.isfinite(sd):
        return f"{without_sd(write(value, 0.0))} (uncertainty not known)"
    return write(value, sd)


def without_sd(text: str) -> str:
    """Return ``2.00'`` of ``2.00' ± 0.00'``, for what was asked for and so has no uncertainty."""
    return text.split(" ± ")[0]


def plain_pair(value: float | None, sd: float | None, most: int = 1) -> str:
    """Return ``12.3 ± 0.8`` without a unit, for a table whose heading has it."""
    if value is None or not math.isfinite(value):
        return "–"
    if sd is None or not math.isfinite(sd):
        return f"{value:.{most}f} ± ?"
    places = most if sd <= 0 else min(most, max(0, 1 - math.floor(math.log10(sd))))
    return f"{_unsigned_zero(value, places)} ± {sd:.{places}f}"


def has_side(value: float, sd: float) -> bool:
    """Whether `value` is far enough from 0, against `sd`, to say on which side it lies."""
    return abs(value) >= SIDE_SDS * sd


def azimuth_words(az_error: float | None, sd: float | None, latitude_deg: float) -> str:
    """Return ``2.10' ± 0.07' east of the pole``."""
    if az_error is None or not math.isfinite(az_error):
        return NOT_KNOWN
    side = azimuth_side(az_error, latitude_deg)
    return f"{any_arcmin(abs(az_error), sd)} {side} of the pole{_doubt(az_error, sd)}"


def altitude_words(alt_error: float | None, sd: float | None) -> str:
    """Return ``0.80' ± 0.06' too high``."""
    if alt_error is None or not math.isfinite(alt_error):
        return NOT_KNOWN
    height = "too high" if alt_error >= 0 else "too low"
    return f"{any_arcmin(abs(alt_error), sd)} {height}{_doubt(alt_error, sd)}"


def tilt_words(
    tilt: float | None, sd: float | None, positive: str, negative: str, write: Writer = any_angle
) -> str:
    """Return ``12.3" ± 0.8" toward the north`` for one component of a tilt."""
    if tilt is None or not math.isfinite(tilt):
        return NOT_KNOWN
    return f"{write(abs(tilt), sd)} toward the {positive if tilt >= 0 else negative}{_doubt(tilt, sd)}"


def mount_azimuth_words(
    change: float | None, sd: float | None, latitude_deg: float, write: Writer = any_angle
) -> str:
    """Return how far the mount has turned about the vertical, and which way the axis end went."""
    if change is None or not math.isfinite(change):
        return NOT_KNOWN
    way = "clockwise" if change >= 0 else "anticlockwise"
    side = azimuth_side(change, latitude_deg)
    return f"{write(abs(change), sd)} {way}, the axis going {side}{_doubt(change, sd)}"


def mount_altitude_words(change: float | None, sd: float | None, write: Writer = any_angle) -> str:
    """Return how far the altitude adjuster has raised or lowered the axis."""
    if change is None or not math.isfinite(change):
        return NOT_KNOWN
    way = "up" if change >= 0 else "down"
    return f"{write(abs(change), sd)}, the axis going {way}{_doubt(change, sd)}"


def _doubt(value: float, sd: float | None) -> str:
    if sd is None or not math.isfinite(sd) or has_side(value, sd):
        return ""
    return " (may be none)"


def whole_tilt(north: float, east: float, north_sd: float, east_sd: float, write: Writer = any_angle) -> str:
    """Return the tilt as one angle and a bearing; the two components are taken as independent."""
    size, sd = size_of(north, east, north_sd, east_sd)
    if size == 0.0:
        return "none"
    if not has_side(size, sd):
        return f"{write(size, sd)}, too little to name a direction"
    return f"{write(size, sd)} {toward_of(north, east)}"


def likely(probability: float) -> str:
    """Return how sure one may be, in a word or two."""
    return next(word for least, word in _LIKELY if probability >= least)


def odds(probability: Mapping[str, float]) -> str:
    """Return the parts with their probability, the likeliest first, the negligible left out."""
    return ", ".join(f"{PART_WORDS.get(part, part)} {percent(p)}" for part, p in ranked(probability))


def day_of_year_words(day_of_year: int) -> str:
    """Return ``about 14 February`` for day 45 (1 is 1 January)."""
    day = date(2023, 1, 1) + timedelta(days=min(max(day_of_year, 1), 365) - 1)
    return f"about {day.day} {day.strftime('%B')}"


def harmless(text: str) -> str:
    """Return a user's text on one line, without control characters that a terminal would obey."""
    return " ".join("".join(" " if unicodedata.category(c).startswith("C") else c for c in text).split())


def _unsigned_zero(value: float, places: int) -> str:
    text = f"{value:.{places}f}"
    return text[1:] if float(text) == 0.0 and text.startswith("-") else text
