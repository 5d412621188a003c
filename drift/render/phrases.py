"""Numbers, times and directions as words: which way, how far, how sure."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, TypeVar
from zoneinfo import ZoneInfo

from drift.codes import Constant, Misrecorded, Part, Since
from drift.mount.axis_error import size_of
from drift.quantities import as_utc

if TYPE_CHECKING:
    from drift.types import CorrectionFound

#: A word of a closed list.
Name = TypeVar("Name", bound=str)


# ---- Angles, directions and days as the words of an advice sentence.
#
# Arcseconds are written ``"`` and arcminutes ``'``; an uncertainty is one
# standard deviation and follows ``±``.  Where the axis is, and what a knob is
# turned by, is told in arcminutes; what pier and mount moved by, in arcseconds.
# Dates are ISO 8601 on every screen, as one has to type them.


_COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
#: Step of a turn in words [deg], one below ten: nobody sets a knob by eye any finer.
_TURN_STEP_DEG = 5.0
#: Angles from this size on are written in arcminutes [arcsec].
ARCMIN_FROM = 600.0
#: Angles from this size on are written in whole arcseconds where their sd is not much below one.
_WHOLE_FROM, _WHOLE_SD = 10.0, 0.75
#: Parts less probable than this are left out of the odds.
_NEGLIGIBLE = 0.01
#: Nearer to a limit than this many standard deviations its side is uncertain.
CLOSE_SDS = 2.0


def angle(value_arcsec: float, sd_arcsec: float, mark: str = '"') -> str:
    """Return ``34" ± 3"``, or arcminutes from ten arcminutes on; `mark` stands behind arcseconds."""
    if max(abs(value_arcsec), sd_arcsec) >= ARCMIN_FROM:
        return arcmin(value_arcsec, sd_arcsec)
    whole = abs(value_arcsec) >= _WHOLE_FROM and sd_arcsec >= _WHOLE_SD
    return _with_sd(value_arcsec, sd_arcsec, mark, most=0 if whole else 1)


def arcmin(value_arcsec: float, sd_arcsec: float) -> str:
    """Return ``2.3' ± 0.2'``."""
    return _with_sd(value_arcsec / 60.0, sd_arcsec / 60.0, "'", most=2)


def arcmin_to_sd(value_arcsec: float, sd_arcsec: float) -> str:
    """Return the value alone, as `arcmin` writes it beside its uncertainty: ``2.3'``."""
    return f"{value_arcsec / 60.0:.{_places(sd_arcsec / 60.0, most=2)}f}'"


def angle_alone(value_arcsec: float) -> str:
    """Return ``34.0"``, for a value without uncertainty; arcminutes from ten arcminutes on."""
    return arcmin_alone(value_arcsec) if abs(value_arcsec) >= ARCMIN_FROM else f'{value_arcsec:.1f}"'


def arcmin_alone(value_arcsec: float) -> str:
    """Return ``2.00'``, for a value without uncertainty."""
    return f"{value_arcsec / 60.0:.2f}'"


def uncertainty_arcmin(sd_arcsec: float) -> str:
    """Return an uncertainty alone, as `arcmin` writes it: ``0.2'``."""
    sd = sd_arcsec / 60.0
    return f"{sd:.{_places(sd, most=2)}f}'"


def pair(value: float, sd: float, unit: str) -> str:
    """Return ``0.35 ± 0.02 pixels``, two decimals at most."""
    text = _with_sd(value, sd, "", most=2)
    return f"{text}{unit}"


def plain_arcmin(value_arcmin: float, places: int | None = None) -> str:
    """Return an arcminute value without uncertainty: ``2'``, ``0.63'``, ``45'``; or to so many places."""
    text = f"{value_arcmin:.{_plain_places(value_arcmin) if places is None else places}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text) + "'"


def rounded_arcmin(value_arcsec: float, sd_arcsec: float) -> str:
    """Return like `plain_arcmin` where rounding hides the uncertainty, else like `arcmin`."""
    value, sd = value_arcsec / 60.0, sd_arcsec / 60.0
    hidden = sd < 0.5 * 10.0 ** -_plain_places(value)
    return plain_arcmin(value) if hidden else arcmin(value_arcsec, sd_arcsec)


def _plain_places(value_arcmin: float) -> int:
    return 0 if abs(value_arcmin) >= 10.0 else 1 if abs(value_arcmin) >= 2.0 else 2


def plain_angle(value_arcsec: float) -> str:
    """Return an angle without uncertainty: ``3"`` or, from ten arcminutes on, ``12'``."""
    if abs(value_arcsec) >= ARCMIN_FROM:
        return plain_arcmin(value_arcsec / 60.0)
    return f'{value_arcsec:.0f}"' if abs(value_arcsec) >= 3.0 else f'{value_arcsec:.1f}"'


def turns_in_words(turns: float) -> str:
    """Return turns as whole ones and degrees: ``about 35°`` or ``about 2 turns and 90°``; or ""."""
    degrees = abs(turns) * 360.0
    step = _TURN_STEP_DEG if degrees >= 10.0 else 1.0
    whole, rest = divmod(step * round(degrees / step), 360.0)
    if not whole:
        return f"about {rest:.0f}°" if rest else ""
    text = f"about {counted(int(whole), 'turn')}"
    return f"{text} and {rest:.0f}°" if rest else text


def since_words(values: Mapping[str, Any]) -> str:
    """Return a tilt's baseline, as it follows "than": ``in the autumn of 2023``."""
    since, day = values.get("since", Since.START), values.get("since_date")
    if since in (Since.FIRST_AUTUMN, Since.LAST_AUTUMN):
        return f"in the autumn of {str(day)[:4]}"
    if since == Since.LAST_CORRECTION:
        return f"after the last correction, on {day}"
    return f"on {day}" if since == Since.DATE else "at the start"


def counted_from(values: Mapping[str, Any]) -> str:
    """Return a tilt's baseline, as it follows a size: ``counted from the autumn of 2023``."""
    return f"counted from {baseline_words(values)}"


def baseline_words(values: Mapping[str, Any]) -> str:
    """Return a tilt's baseline, as it follows "since": ``the autumn of 2023``."""
    since, day = values.get("since", Since.START), values.get("since_date")
    if since in (Since.FIRST_AUTUMN, Since.LAST_AUTUMN):
        return f"the autumn of {str(day)[:4]}"
    if since == Since.LAST_CORRECTION:
        return f"the last correction, before {day}"
    if since == Since.DATE:
        return str(day)
    return "the start" if day is None else f"the start, {day}"


_WRONGLY = {
    Misrecorded.SIGN: "its sign may be the wrong way round",
    Misrecorded.TWICE: "it may be another one, written down twice",
    Misrecorded.DATE: "it may have been made on another day",
    Misrecorded.NEVER: "it may never have been made",
    Misrecorded.UNIT: "its amount may be in arcseconds",
    Misrecorded.KNOB: "it may have been made on the other knob, which turned by as much",
}


def misrecorded_words(wrong: str, probability: float) -> str:
    """Return how a correction seems to have been written down wrongly: a clause after its name."""
    return f"looks written down wrongly, {_WRONGLY[Misrecorded(wrong)]} ({percent(probability)} sure)"


def azimuth_side(change: float, latitude_deg: float) -> str:
    """Return the side to which the elevated axis end goes: clockwise is east of a north pole."""
    return "east" if (change >= 0.0) == (latitude_deg >= 0.0) else "west"


def compass(bearing_deg: float) -> str:
    """Return ``north-east`` for 47 degrees."""
    return _COMPASS[round((bearing_deg % 360.0) / 45.0) % 8]


def toward(bearing_deg: float) -> str:
    """Return ``toward the north-east (bearing 47°)``."""
    return f"toward the {compass(bearing_deg)} (bearing {bearing_deg % 360.0:.0f}°)"


def percent(probability: float) -> str:
    """Return a posterior probability in percent, never rounded to 0 or 100 %."""
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{probability * 100.0:.0f} %"


def ranked(probability: Mapping[Name, float]) -> list[tuple[Name, float]]:
    """Return the parts with their probability, the likeliest first; what is below a percent is left out."""
    return sorted(
        ((name, p) for name, p in probability.items() if p >= _NEGLIGIBLE), key=lambda item: -item[1]
    )


def toward_of(north: float, east: float) -> str:
    """Return in which direction a tilt goes, as `toward` writes it."""
    return toward(math.degrees(math.atan2(east, north)))


#: Constants of an instrument, in words.
CONSTANT_WORDS: dict[Constant, str] = {
    Constant.CONE_ERROR: "cone error",
    Constant.NON_PERPENDICULARITY: "axis non-perpendicularity",
    Constant.SIDE_OFFSET: "declination offset between tube sides",
    Constant.TUBE_DROOP: "tube droop",
}


def counted(count: int, one: str, many: str | None = None) -> str:
    """Return ``1 night`` or ``3 nights``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def listed(parts: Sequence[str]) -> str:
    """Return ``a``, ``a and b`` or ``a, b and c``."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _with_sd(value: float, sd: float, unit: str, most: int) -> str:
    """Write both to the decimal of the first digit of `sd`, or the second when the first is a 1."""
    places = _places(sd, most)
    return f"{value:.{places}f}{unit} ± {sd:.{places}f}{unit}"


def _places(sd: float, most: int) -> int:
    if not sd > 0.0 or not math.isfinite(sd):
        return most
    first = math.floor(math.log10(sd))
    return min(most, max(0, -first + (sd < 2.0 * 10.0**first)))


def as_advised_note(step: str) -> str:
    """Return the note of a correction that was recorded by the id of its step."""
    return f"as advised ({step})"


# ---- Corrections: asked and found.


#: Kinds of correction whose amount is a change in arcsec of az_error or alt_error.
KNOBS = ("azimuth", "altitude")


def amount_words(kind: str, amount_arcsec: float, sd_arcsec: float | None, latitude_deg: float) -> str:
    """Return ``2.80' ± 0.05' east``, ``1.5' up`` or, of shims and nuts, ``34" ± 3"``.

    Parameters
    ----------
    kind
        Of the correction.
    amount_arcsec
        Signed as az_error or alt_error.
    sd_arcsec
        None for what was asked for, which has no uncertainty; nan where it isn't known.
    latitude_deg
        Geodetic: it decides whether clockwise is east or west.
    """
    write, bare = (arcmin, arcmin_alone) if kind in KNOBS else (angle, angle_alone)
    if sd_arcsec is None:
        size = bare(abs(amount_arcsec))
    elif math.isfinite(sd_arcsec):
        size = write(abs(amount_arcsec), sd_arcsec)
    else:
        size = f"{bare(abs(amount_arcsec))} (uncertainty not known)"
    return f"{size}{_direction_words(kind, amount_arcsec, latitude_deg)}"


def _direction_words(kind: str, amount: float, latitude_deg: float) -> str:
    if kind == "azimuth":
        return f" {azimuth_side(amount, latitude_deg)}"
    if kind == "altitude":
        return " up" if amount >= 0 else " down"
    return ""


def asked_and_found(correction: CorrectionFound, latitude_deg: float) -> str:
    """Return ``asked 2.80' east, found 0.03' ± 0.04' west``; "" where no amount was asked."""
    asked, found = correction.asked, correction.found
    if asked is None or not math.isfinite(asked):
        return ""
    text = f"asked {amount_words(correction.kind, asked, None, latitude_deg)}"
    if found is None or not math.isfinite(found):
        return text
    sd = math.nan if correction.found_sd is None else correction.found_sd
    return f"{text}, found {amount_words(correction.kind, found, sd, latitude_deg)}"


# ---- Times as text: UTC for data, the site's own clock for people.


def utc_text(time_us: Any) -> str:
    """Return ISO 8601 to the nearest second with ``Z``, as in ``2024-02-11T21:40:03Z``."""
    rounded = as_utc(time_us) + timedelta(microseconds=500_000)
    return rounded.strftime("%Y-%m-%dT%H:%M:%SZ")


def zone_of(name: str | None) -> ZoneInfo:
    """Return the time zone of the site, UTC when it has none."""
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


def local_day(time_us: Any, longitude_deg: float) -> date:
    """Return the date by local mean time, as `evening_of` counts: days between them are nights ago."""
    return (as_utc(time_us) + timedelta(days=longitude_deg / 360.0)).date()


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
#: Least probability -> its words; the last is for everything below.
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
    "crack": "crack seen",
}


def known(*values: float | None) -> bool:
    """Whether all `values` are known."""
    return all(value is not None and math.isfinite(value) for value in values)


def any_angle(value: float | None, sd: float | None) -> str:
    """Return ``34.0" ± 3.0"`` (arcminutes when large), also for a value that is not known."""
    return _tolerant(angle, angle_alone, value, sd)


def any_arcmin(value: float | None, sd: float | None) -> str:
    """Return ``2.3' ± 0.2'``, also for a value that is not known."""
    return _tolerant(arcmin, arcmin_alone, value, sd)


def one_unit(pairs: Iterable[tuple[float | None, float | None]]) -> Writer:
    """Return how all values of one list are written: in arcminutes where one of them would be.

    Otherwise two steps of 590" and 10.2' look as if one were fifty times the other.
    """
    large = any(max(abs(value), sd) >= ARCMIN_FROM for value, sd in map(_known_pair, pairs))
    return any_arcmin if large else any_angle


def _known_pair(pair: tuple[float | None, float | None]) -> tuple[float, float]:
    """Return a value with its sd, 0 for unknown ones; an sd without a value counts as unknown."""
    value, sd = pair
    if value is None or not math.isfinite(value):
        return 0.0, 0.0
    return value, sd if sd is not None and math.isfinite(sd) else 0.0


def _tolerant(
    write: Callable[[float, float], str], bare: Callable[[float], str], value: float | None, sd: float | None
) -> str:
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    if sd is None or not math.isfinite(sd):
        return f"{bare(value)} (uncertainty not known)"
    return write(value, sd)


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
    return f"{any_arcmin(abs(az_error), sd)} {side} of the pole{_uncertainty(az_error, sd)}"


def altitude_words(alt_error: float | None, sd: float | None) -> str:
    """Return ``0.80' ± 0.06' too high``."""
    if alt_error is None or not math.isfinite(alt_error):
        return NOT_KNOWN
    height = "too high" if alt_error >= 0 else "too low"
    return f"{any_arcmin(abs(alt_error), sd)} {height}{_uncertainty(alt_error, sd)}"


def tilt_words(
    tilt: float | None, sd: float | None, positive: str, negative: str, write: Writer = any_angle
) -> str:
    """Return ``12.3" ± 0.8" toward the north`` for one component of a tilt."""
    if tilt is None or not math.isfinite(tilt):
        return NOT_KNOWN
    return f"{write(abs(tilt), sd)} toward the {positive if tilt >= 0 else negative}{_uncertainty(tilt, sd)}"


def mount_azimuth_words(
    change: float | None, sd: float | None, latitude_deg: float, write: Writer = any_angle
) -> str:
    """Return how far the mount has turned about the vertical, and which way the axis end went."""
    if change is None or not math.isfinite(change):
        return NOT_KNOWN
    direction = "clockwise" if change >= 0 else "anticlockwise"
    side = azimuth_side(change, latitude_deg)
    return f"{write(abs(change), sd)} {direction}, the axis going {side}{_uncertainty(change, sd)}"


def mount_altitude_words(change: float | None, sd: float | None, write: Writer = any_angle) -> str:
    """Return how far the altitude adjuster has raised or lowered the axis."""
    if change is None or not math.isfinite(change):
        return NOT_KNOWN
    direction = "up" if change >= 0 else "down"
    return f"{write(abs(change), sd)}, the axis going {direction}{_uncertainty(change, sd)}"


def _uncertainty(value: float, sd: float | None) -> str:
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


def odds(probability: Mapping[Part, float]) -> str:
    """Return the parts with their probability, the likeliest first, negligible ones left out."""
    return ", ".join(f"{PART_WORDS.get(part, part)} {percent(p)}" for part, p in ranked(probability))


#: The last days of the first and of the second third of a month.
_EARLY, _MIDDLE = 10, 20


def day_of_year_words(day_of_year: int) -> str:
    """Return ``mid-February`` for day 45 (1 is 1 January): of what comes every year no day is known."""
    day = date(2023, 1, 1) + timedelta(days=min(max(day_of_year, 1), 365) - 1)
    third = "early " if day.day <= _EARLY else "mid-" if day.day <= _MIDDLE else "late "
    return f"{third}{day.strftime('%B')}"


def largest(value_arcsec: float, sd_arcsec: float) -> str:
    """Return a size as ``about 2.37' ± 0.11'``, or the size it hardly exceeds where it may be nothing."""
    if value_arcsec >= sd_arcsec:
        return f"about {arcmin(value_arcsec, sd_arcsec)}"
    return f"under {plain_arcmin(math.ceil((value_arcsec + SIDE_SDS * sd_arcsec) / 6.0) / 10.0)}"


def harmless(text: str) -> str:
    """Return a user's text on one line, without control characters that a terminal would obey."""
    return " ".join("".join(" " if unicodedata.category(c).startswith("C") else c for c in text).split())


def _unsigned_zero(value: float, places: int) -> str:
    text = f"{value:.{places}f}"
    return text[1:] if float(text) == 0.0 and text.startswith("-") else text
