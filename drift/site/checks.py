"""Checks of single values of the site file, each with its reason in words."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from typing import TypeVar
from zoneinfo import ZoneInfo

from pydantic import AfterValidator
from pydantic_core import PydanticCustomError

from drift.errors import PlateError
from drift.site.messages import nearest
from drift.site.threads import ALLOWED as ALLOWED_THREADS
from drift.site.threads import thread_name

#: Two bolts nearer to one another than this would touch on any circle [degrees].
_NEAREST_BOLTS_DEG = 1.0
#: Of some six hundred time zones one is meant when it is this like what was written.
_ZONE_LIKENESS = 0.8
_Number = TypeVar("_Number", int, float)


def _no(reason: str, entry: int | None = None) -> PydanticCustomError:
    """Return the refusal of a value, with the number of the array's element when it is one's fault."""
    return PydanticCustomError("refused", "{reason}", {"reason": reason, "entry": entry})


def one_line(text: str) -> str:
    """Check that a name fits on a line, and strip it."""
    if not text.isprintable() or len(text) > 100:
        raise _no("it must be one line of at most 100 printable characters")
    return text.strip()


def east_positive(value: object) -> str:
    """Say that a longitude is east positive, by the value that was given where it goes round by the east."""
    said = "East is positive, west negative"
    if isinstance(value, int | float) and 180.0 < value < 360.0:
        return f"{said}: {value:g} east is {round(value - 360.0, 9):g}."
    return f"{said}."


def zone(name: str) -> str:
    """Check that a time zone exists."""
    if name != "UTC":  # known without tables
        try:
            ZoneInfo(name)
        except (ValueError, OSError, KeyError) as error:  # unknown names are a KeyError, "America" an OSError
            raise _no(_zone_words(name)) from error
    return name


def _zone_words(name: str) -> str:
    from zoneinfo import available_timezones

    known = available_timezones()
    if not known:
        return "no time zone tables are installed on this machine: install the package tzdata, or use UTC"
    meant = nearest(name, known, _ZONE_LIKENESS)
    return f'the IANA list has no such zone (names in it are like "Europe/Helsinki"){meant}'


def thread(text: str) -> str:
    """Check that a thread is known, and write it in the usual way."""
    try:
        return thread_name(text)
    except PlateError:
        raise _no(f"it must be {ALLOWED_THREADS}") from None


def bolts(bearings: tuple[float, ...]) -> tuple[float, ...]:
    """Check that there are three different bolts or more."""
    if len(bearings) < 3:
        raise _no(f"it must name three bolts or more, and names {len(bearings)}")
    for number, bearing in enumerate(bearings):
        for other in bearings[:number]:
            apart = abs((bearing - other + 180.0) % 360.0 - 180.0)
            if apart < _NEAREST_BOLTS_DEG:
                raise _no(f"it is the same bolt as the one at {other:g}: no two may have one bearing", number)
    return bearings


def months(numbers: tuple[int, ...]) -> tuple[int, ...]:
    """Check that no month is named twice."""
    return _different(numbers, "month")


def shims(thicknesses: tuple[float, ...]) -> tuple[float, ...]:
    """Check that there is a shim, and none twice; thinnest first."""
    if not thicknesses:
        raise _no("it must name one thickness or more")
    return tuple(sorted(_different(thicknesses, "thickness")))


def _different(values: tuple[_Number, ...], what: str) -> tuple[_Number, ...]:
    for number, value in enumerate(values):
        if value in values[:number]:
            raise _no(f"it names the {what} {value:g} twice", number)
    return values


def outline(pairs: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    """Check that a horizon goes once round."""
    for number in range(1, len(pairs)):
        before, here = pairs[number - 1][0], pairs[number][0]
        if here <= before:
            raise _no(f"its bearing {here:g} does not come after {before:g}: bearings must ascend", number)
    if pairs and pairs[-1][0] - pairs[0][0] == 360.0 and pairs[0][1] != pairs[-1][1]:
        raise _no("bearings 0 and 360 are one direction, but have two altitudes", len(pairs) - 1)
    return pairs


def day(value: object) -> date:
    """Check that a value is a day on which something can have been built; text is read as one."""
    if isinstance(value, str):
        try:
            value = date.fromisoformat(value)
        except ValueError:
            raise _no("it is no date of the calendar written as year-month-day") from None
    if not isinstance(value, date) or isinstance(value, datetime):
        raise _no("it must be a date alone, written as year-month-day")
    if not date(1800, 1, 1) <= value <= datetime.now(UTC).date() + timedelta(days=1):
        raise _no("it must lie between 1800-01-01 and today")
    return value


def in_words(allowed: str) -> AfterValidator:
    """Return a check that a short description holds at least one word that means something here."""
    words = allowed.split(", ")

    def check(text: str) -> str:
        plain = " ".join(re.findall(r"[^\W_]+", text.lower()))
        if len(text) > 100 or not set(plain.split()) & set(words):
            raise _no(f"it must hold at least one of the words {allowed}{nearest(plain, words)}")
        return plain

    return AfterValidator(check)


def address(text: str) -> str:
    """Check that something has the form of an address or a database URL."""
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9+.-]*://\S*", text):
        raise _no("it must be an address that begins with its kind and ://, without spaces")
    return text
