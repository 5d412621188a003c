"""Angles, directions and days as the words of an advice sentence."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from drift.types import CorrectionFound


# ---- Angles, directions and days as the words of an advice sentence.
#
# Arcseconds are written ``"`` and arcminutes ``'``; an uncertainty is one
# standard deviation and follows ``±``.


_COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
#: Fractions of a turn that a person sets by eye.
_FRACTIONS = (
    ("none", 0.0),
    ("1/8", 0.125),
    ("1/4", 0.25),
    ("1/3", 1.0 / 3.0),
    ("3/8", 0.375),
    ("1/2", 0.5),
    ("5/8", 0.625),
    ("2/3", 2.0 / 3.0),
    ("3/4", 0.75),
    ("7/8", 0.875),
    ("whole", 1.0),
)
#: A fraction is named where it is at most this far off [turns].
_NEAR_FRACTION = 0.04
#: From here on an angle is written in arcminutes [arcsec].
_ARCMIN_FROM = 120.0
#: A part that is less probable than this is left out of the odds.
_NEGLIGIBLE = 0.01
#: Nearer to a limit than this many standard deviations nobody can say on which side of it a value lies.
CLOSE_SDS = 2.0


def angle(value_arcsec: float, sd_arcsec: float) -> str:
    """Return ``34" ± 3"``, or arcminutes from two arcminutes on."""
    if max(abs(value_arcsec), sd_arcsec) >= _ARCMIN_FROM:
        return arcmin(value_arcsec, sd_arcsec)
    return _with_sd(value_arcsec, sd_arcsec, '"', most=1)


def arcmin(value_arcsec: float, sd_arcsec: float) -> str:
    """Return ``2.3' ± 0.2'``."""
    return _with_sd(value_arcsec / 60.0, sd_arcsec / 60.0, "'", most=2)


def pair(value: float, sd: float, unit: str) -> str:
    """Return ``0.35 ± 0.02 pixels``, two decimals at most."""
    text = _with_sd(value, sd, "", most=2)
    return f"{text}{unit}"


def plain_arcmin(value_arcmin: float, places: int | None = None) -> str:
    """Return an arcminute value without uncertainty: ``2'``, ``0.63'``, ``45'``; or to so many places."""
    text = f"{value_arcmin:.{_plain_places(value_arcmin) if places is None else places}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text) + "'"


def rounded_arcmin(value_arcsec: float, sd_arcsec: float) -> str:
    """Return as `plain_arcmin` where its rounding hides the uncertainty, else as `arcmin`."""
    value, sd = value_arcsec / 60.0, sd_arcsec / 60.0
    hidden = sd < 0.5 * 10.0 ** -_plain_places(value)
    return plain_arcmin(value) if hidden else arcmin(value_arcsec, sd_arcsec)


def _plain_places(value_arcmin: float) -> int:
    return 0 if abs(value_arcmin) >= 10.0 else 1 if abs(value_arcmin) >= 2.0 else 2


def plain_angle(value_arcsec: float) -> str:
    """Return an angle without uncertainty: ``3"`` or, from two arcminutes on, ``2.3'``."""
    if abs(value_arcsec) >= _ARCMIN_FROM:
        return plain_arcmin(value_arcsec / 60.0)
    return f'{value_arcsec:.0f}"' if abs(value_arcsec) >= 3.0 else f'{value_arcsec:.1f}"'


def turns_in_words(turns: float) -> str:
    """Return the nearest usual fraction, ``about 2/3 of a turn`` or ``about 2 1/4 turns``; or ""."""
    whole, part = divmod(abs(turns), 1.0)
    name, size = min(_FRACTIONS, key=lambda fraction: abs(fraction[1] - part))
    if abs(size - part) > _NEAR_FRACTION or abs(turns) < _NEAR_FRACTION:
        return ""
    whole = int(whole) + (size == 1.0)
    name = "" if size in (0.0, 1.0) else name
    if not whole:
        return f"about {name} of a turn" if name else ""
    return f"about {whole}{f' {name}' if name else ''} turn{'' if whole == 1 and not name else 's'}"


def azimuth_side(change: float, latitude_deg: float) -> str:
    """Return the side to which the elevated axis end goes: clockwise is east of a north pole."""
    return "east" if (change >= 0.0) == (latitude_deg >= 0.0) else "west"


def toward(bearing_deg: float) -> str:
    """Return ``toward the north-east (bearing 47°)``."""
    name = _COMPASS[round((bearing_deg % 360.0) / 45.0) % 8]
    return f"toward the {name} (bearing {bearing_deg % 360.0:.0f}°)"


def day(time_us: int, zone: ZoneInfo) -> str:
    """Return the date on the site's calendar."""
    return as_utc(time_us).astimezone(zone).strftime("%Y-%m-%d")


def as_utc(time_us: int) -> datetime:
    """Return UTC microseconds since 1970 as an aware time."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(time_us))


def percent(probability: float) -> str:
    """Return a posterior probability in percent, which is never 0 or 100 % whatever its digits say."""
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{probability * 100.0:.0f} %"


def ranked(probability: Mapping[str, float]) -> list[tuple[str, float]]:
    """Return the parts with their probability, the likeliest first; what is below a percent is left out."""
    return sorted(
        ((name, p) for name, p in probability.items() if p >= _NEGLIGIBLE), key=lambda item: -item[1]
    )


def size_of(north: float, east: float, north_sd: float, east_sd: float) -> tuple[float, float]:
    """Return the size of a tilt and its standard deviation, its components taken as independent."""
    size = math.hypot(north, east)
    if size == 0.0:
        return 0.0, max(north_sd, east_sd)
    return size, math.hypot(north * north_sd, east * east_sd) / size


def toward_of(north: float, east: float) -> str:
    """Return in which direction a tilt goes, as `toward` writes it."""
    return toward(math.degrees(math.atan2(east, north)))


def counted(count: int, one: str, many: str | None = None) -> str:
    """Return ``1 night`` or ``3 nights``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def listed(parts: Sequence[str]) -> str:
    """Return ``a``, ``a and b`` or ``a, b and c``."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _with_sd(value: float, sd: float, unit: str, most: int) -> str:
    """Write both to the decimal that the first digit of `sd` stands at, two digits when that is a 1."""
    places = most
    if sd > 0.0 and math.isfinite(sd):
        first = math.floor(math.log10(sd))
        places = min(most, max(0, -first + (sd < 2.0 * 10.0**first)))
    return f"{value:.{places}f}{unit} ± {sd:.{places}f}{unit}"


# ---- What was asked of a correction and what was found, in the one way in which it is said everywhere.


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
        Geodetic: it says whether clockwise is east or west.
    """
    write = arcmin if kind in KNOBS else angle
    known = sd_arcsec is not None and math.isfinite(sd_arcsec)
    size = write(abs(amount_arcsec), float(sd_arcsec or 0.0) if known else 0.0)
    if not known:
        size = size.split(" ± ")[0] + ("" if sd_arcsec is None else " (uncertainty not known)")
    return f"{size}{_way(kind, amount_arcsec, latitude_deg)}"


def _way(kind: str, amount: float, latitude_deg: float) -> str:
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
    said = f"asked {amount_words(correction.kind, asked, None, latitude_deg)}"
    if found is None or not math.isfinite(found):
        return said
    sd = math.nan if correction.found_sd is None else correction.found_sd
    return f"{said}, found {amount_words(correction.kind, found, sd, latitude_deg)}"
