"""What a form says: texts, times on the site's clock, amounts with their direction in words."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from starlette.datastructures import FormData

from drift.advice.words import as_utc
from drift.errors import DriftError

#: A text longer than this is no note [signs].
_LONGEST = 2_000
UTC_CLOCK = "utc"


class FormError(DriftError):
    """A form says something that can't be: what, and what to do."""


def text_of(form: FormData, name: str) -> str:
    """Return a field's text, "" where it is not given.

    Raises
    ------
    FormError
        If it is no text, or longer than any note.
    """
    value = form.get(name, "")
    if not isinstance(value, str):
        raise FormError(f"the field {name} holds a file where a text belongs.")
    if len(value) > _LONGEST:
        raise FormError(f"the field {name} has {len(value)} signs; {_LONGEST} are the most.")
    return value.strip().replace("\u2212", "-")


def time_of(form: FormData, zone: ZoneInfo) -> str:
    """Return the time of a form in UTC as the record takes it; that of now where none is given.

    Raises
    ------
    FormError
        If it is no time, or one that the site's clock shows twice or never.
    """
    given = text_of(form, "when")
    if not given:
        return _utc(datetime.now(UTC).replace(microsecond=0))
    try:
        when = datetime.fromisoformat(given)
    except ValueError as error:
        raise FormError(f"the time {given!r} is none: write it such as 2024-03-01T23:14.") from error
    if when.tzinfo is not None:
        return _utc(when)
    if text_of(form, "clock") == UTC_CLOCK:
        return _utc(when.replace(tzinfo=UTC))
    first, second = (when.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() != second.utcoffset():
        how = "twice" if _is_shown(when, zone) else "never"
        raise FormError(
            f"the clock of {zone.key} shows {given.replace('T', ' ')} {how}, because it is changed then: "
            "give the time in UTC instead."
        )
    return _utc(first)


def _is_shown(when: datetime, zone: ZoneInfo) -> bool:
    there = when.replace(tzinfo=zone).astimezone(UTC)
    return there.astimezone(zone).replace(tzinfo=None) == when


def _utc(when: datetime) -> str:
    return when.astimezone(UTC).isoformat().replace("+00:00", "Z")


def clock_value(time_us: int, zone: ZoneInfo) -> str:
    """Return a time on the site's clock as a field for dates and times takes it, to the second."""
    return as_utc(time_us).astimezone(zone).strftime("%Y-%m-%dT%H:%M:%S")


def signed(form: FormData, name: str, way: str, backward: str) -> str:
    """Return an amount with the sign that its direction gives it; "" where none is given.

    Raises
    ------
    FormError
        If both a sign and the backward direction are given.
    """
    amount = text_of(form, name)
    if not amount or text_of(form, way) != backward:
        return amount
    if amount[:1] in "+-":
        raise FormError(
            f"{amount} has a sign, and its direction says {backward!r} as well: leave the sign away."
        )
    return f"-{amount}"
