"""The faults of a site file: what is known about each key, checks across keys, a message for each fault."""

from __future__ import annotations

import difflib
import re
import typing
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import annotated_types
from pydantic import AfterValidator, BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from drift.errors import PlateError
from drift.site.text import RECORD_FILE, Place, line_of
from drift.site.threads import ALLOWED as ALLOWED_THREADS
from drift.site.threads import thread_name

# ---- What is known about a key beside its type.


#: Longer values are cut in messages [characters].
_SHOWN_AT_MOST = 60


@dataclass(frozen=True)
class Key:
    """One key, in words.

    Parameters
    ----------
    about
        What it is, for a remark above it: starts with a capital, has no full stop.
    example
        A valid value.
    unit
        Of the number, or "".
    allowed
        What it must be; when "" it is worked out from the type and its bounds.
    each
        What each element of a list must be.
    fix
        What to do about a wrong value, beside writing it like the example; "" or whole sentences, or what
        makes them of the value.
    assumed
        What is assumed when it isn't given, where the plain default would not be understood.
    silent
        What holds when it isn't given, for the remark in a new file; "" for the same as `assumed`.
    weighs
        Whether results can depend on its default.
    secret
        Whether the value may hold a password, so that messages must not show it.
    """

    about: str
    example: object
    unit: str = ""
    allowed: str = ""
    each: str = ""
    fix: str | Callable[[object], str] = ""
    assumed: str = ""
    silent: str = ""
    weighs: bool = False
    secret: bool = False

    def fix_of(self, value: object) -> str:
        """Return what to do about a wrong value."""
        return self.fix(value) if callable(self.fix) else self.fix


def key_of(field: FieldInfo) -> Key:
    """Return the `Key` of a model's field."""
    return next(item for item in field.metadata if isinstance(item, Key))


def section_models(file: type[BaseModel]) -> dict[str, type[BaseModel]]:
    """Return the model of each section of a file, by name."""
    return {
        name: field.annotation
        for name, field in file.model_fields.items()
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel)
    }


def allowed_words(field: FieldInfo) -> str:
    """Return what a field must be: ``a number from -180 to 180 degrees``."""
    key = key_of(field)
    if key.allowed:
        return key.allowed
    kinds = list(typing.get_args(field.annotation) or (field.annotation,))
    if bool in kinds:
        return "true or false"
    if typing.get_origin(field.annotation) is typing.Literal:
        return f"one of {', '.join(toml(kind) for kind in kinds)}"
    if float in kinds:
        return f"a number {_bounds(field)}{' ' if key.unit else ''}{key.unit}"
    return "text in quotes"


def _bounds(field: FieldInfo) -> str:
    low, high = "", ""
    for bound in field.metadata:
        if isinstance(bound, annotated_types.Ge):
            low = f"from {bound.ge:g}"
        elif isinstance(bound, annotated_types.Gt):
            low = f"above {bound.gt:g}"
        elif isinstance(bound, annotated_types.Le):
            high = f"to {bound.le:g}" if low.startswith("from") else f"and at most {bound.le:g}"
        elif isinstance(bound, annotated_types.Lt):
            high = f"and below {bound.lt:g}"
    return f"{low} {high}"


def toml(value: object) -> str:
    """Write a value as it would stand in the file."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, str):
        return f'"{"".join(_escaped(letter) for letter in value)}"'
    if isinstance(value, list | tuple):
        return f"[{', '.join(toml(item) for item in value)}]"
    return str(value)


def _escaped(letter: str) -> str:
    if letter in '"\\':
        return f"\\{letter}"
    return letter if letter.isprintable() else f"\\u{ord(letter):04X}" if ord(letter) < 0x10000 else "?"


def shown(value: Any, key: Key | None = None) -> str:
    """Return a value for a message: as written, cut when long, and of a secret only its beginning."""
    if isinstance(value, dict) or (
        isinstance(value, list | tuple) and any(isinstance(v, dict) for v in value)
    ):
        return "a table of keys"
    if key is not None and key.secret:
        return _without_secret(value)
    text = toml(value)
    return text if len(text) <= _SHOWN_AT_MOST else f"{text[: _SHOWN_AT_MOST - 4]} ..."


def _without_secret(value: object) -> str:
    if not isinstance(value, str):
        return f"a value of type {type(value).__name__}"
    scheme, found, _ = value.partition("://")
    if found and scheme.isascii() and len(scheme) < 30:
        return f'"{scheme}://..."'
    return "text without ://"


# ---- The message about a wrong site file: one paragraph for each fault, with its line.


Models = Mapping[str, type[BaseModel]]
#: The next step when a file can't be used.
INIT = "`drift init` writes a complete site file."


@dataclass(frozen=True)
class Fault:
    """One fault: where, and the paragraph about it (without the line)."""

    place: Place
    sentence: str
    said: str = ""  # of a value: "is 147, but it must be ...", and what to do


def refused(path: Path | None, faults: list[Fault], lines: Mapping[Place, int]) -> str:
    """Return the message about all faults of a file, in the order of their lines."""
    found = sorted(
        ((line_of(lines, fault.place), fault.sentence) for fault in faults), key=lambda one: one[0] or 0
    )
    name = "the site" if path is None else str(path)
    if len(found) == 1:
        line, sentence = found[0]
        return f"{name}{'' if line is None else f', line {line}'}: {sentence}"
    told = [f"{'' if line is None else f'line {line}: '}{sentence}" for line, sentence in found]
    return "\n\n".join([f"{name} can't be used; {len(told)} things in it need mending.", *told])


def faults_in(error: ValidationError, models: Models) -> list[Fault]:
    """Return the faults that the models found."""
    return [_fault(one, models) for one in error.errors(include_url=False)]


def nearest(name: str, known: Iterable[str], likeness: float = 0.6) -> str:
    """Return ``; did you mean "x"?`` for the known name most similar to `name`, or nothing.

    `likeness` is the least similarity, 0 to 1 (`difflib.SequenceMatcher.ratio`): higher where there are so
    many names that one resembles anything a little.
    """
    by_plain = {
        plain: real for real in sorted(known) for plain in (real.casefold(), real.casefold().split("/")[-1])
    }
    near = difflib.get_close_matches(name.casefold().replace(" ", "_"), by_plain, n=1, cutoff=likeness)
    return f'; did you mean "{by_plain[near[0]]}"?' if near else ""


def unreadable(path: Path, why: str, todo: str) -> str:
    """Return the message about a file that can't be read as a site file at all."""
    return f"the site file {path} can't be used: {why}.  {todo}"


def missing(path: Path) -> str:
    """Return the message for when there is no site file."""
    record = path.parent / RECORD_FILE
    if record.is_file():
        named = "" if path == Path("pier.toml") else f" --pier {path}"
        return (
            f"there is no site file {path}, but the record is there, {record}: it knows the site, and "
            f"`drift init --from-record{named}` writes the file again.  Only addresses, such as those of "
            "[warn] notify, have to be given anew; nothing of the record is lost."
        )
    return (
        f"there is no site file {path}.  Write one with `drift init`, or name one with --pier FILE or "
        "the variable DRIFT_PIER."
    )


def _fault(one: Any, models: Models) -> Fault:
    place, value = tuple(one["loc"]), one["input"]
    if one["type"] == "extra_forbidden":
        return Fault(place, _unknown(place, value, models))
    if len(place) < 2:
        return Fault(place, _no_section(place, value, one["type"], models))
    key = models[str(place[0])].model_fields[str(place[1])]
    if one["type"] == "missing" and len(place) == 2:
        wanted = (
            f"It must be {allowed_words(key)}.  Write it like this: {place[1]} = {toml(key_of(key).example)}"
        )
        return Fault(place[:1], f"[{place[0]}] {place[1]} is missing.  {wanted}")
    if one["type"] == "missing":  # half of a pair: the whole pair is meant
        place = place[:-1]
    entry = one.get("ctx", {}).get("entry")
    if entry is not None:
        place, value = (*place, entry), value[entry]
    allowed = key_of(key).each if len(place) > 2 else allowed_words(key)
    reason = one["ctx"]["reason"] if one["type"] == "refused" else f"it must be {allowed}"
    stop = "" if reason.endswith("?") else "."
    parts = (
        f"is {shown(value, key_of(key))}, but {reason}{stop}",
        _form(value, one["type"]),
        key_of(key).fix_of(value),
    )
    text = "  ".join(part for part in parts if part)
    named = f"[{place[0]}] {place[1]}{_entry(place[2:])}"
    return Fault(place, f"{named} {text}  {_write(str(place[1]), key)}", text)


def _entry(rest: Place) -> str:
    """Return which element of a list it is: ``, entry 2,`` or ``, entry 2, number 1,``."""
    words = [f"{word} {int(part) + 1}" for word, part in zip(("entry", "number"), rest, strict=False)]
    return "".join(f", {word}" for word in words) + ("," if words else "")


def _form(value: object, kind: str) -> str:
    """Return what is wrong with the form of a value, where that is clear."""
    if kind == "float_type" and isinstance(value, str):
        return "A number stands without quotes, with a decimal point and without its unit."
    if kind == "bool_type":
        return "true and false stand without quotes."
    return "Text stands in quotes." if kind == "string_type" else ""


def _write(name: str, field: FieldInfo) -> str:
    return f"Write it like this: {name} = {toml(key_of(field).example)}"


def _no_section(place: Place, value: object, kind: str, models: Models) -> str:
    if not place:
        return f"it holds {_sort(value)} in place of sections.  {INIT}"
    name = str(place[0])
    needed = [key for key, field in models[name].model_fields.items() if field.is_required()]
    if kind == "missing":
        return f"the section [{name}] is missing, in which {', '.join(needed)} must be given.  {INIT}"
    return (
        f"{name} is {_sort(value)}, but it must be a section: write [{name}] once on a line of its own and "
        f"the keys below it ({', '.join(models[name].model_fields)})."
    )


def _sort(value: object) -> str:
    """Describe a value without showing it, because it may hold a password."""
    sorts: dict[type, str] = {str: "text", list: "a list", tuple: "a list", bool: "true or false"}
    return sorts.get(type(value), "a number" if isinstance(value, int | float) else "a single value")


def _unknown(place: Place, value: object, models: Models) -> str:
    """Return the message that there is no such key or section, with a guess and those there are."""
    name, known = str(place[-1]), models[str(place[0])].model_fields if len(place) > 1 else models
    if len(place) > 1:
        text, others = f"[{place[0]}] has no key {toml(name)}", f"Its keys are {', '.join(known)}."
    else:
        what = (
            f"section [{name}]" if isinstance(value, dict) else f"key {toml(name)} before the first section"
        )
        text, others = f"there is no {what}", f"The sections are {', '.join(f'[{one}]' for one in known)}."
    homes = [section for section, model in models.items() if name in model.model_fields]
    if homes:
        return f"{text}.  It belongs below [{homes[0]}].  {others}"
    return f"{text}{nearest(name, known) or '.'}  {others}"


# ---- Checks of single values.


#: Two bolts nearer to one another than this would touch on any circle [degrees].
_NEAREST_BOLTS_DEG = 1.0
#: How similar one of some six hundred time zones must be to what was written.
_ZONE_LIKENESS = 0.8
_Number = TypeVar("_Number", int, float)


def _no(reason: str, entry: int | None = None) -> PydanticCustomError:
    """Return the refusal of a value, with the number of the array's element that is wrong."""
    return PydanticCustomError("refused", "{reason}", {"reason": reason, "entry": entry})


def one_line(text: str) -> str:
    """Check that a name fits on a line, and strip it."""
    if not text.isprintable() or len(text) > 100:
        raise _no("it must be one line of at most 100 printable characters")
    return text.strip()


def east_positive(value: object) -> str:
    """Refuse a longitude beyond 180 degrees, with the east-positive value that it means."""
    text = "East is positive, west negative"
    if isinstance(value, int | float) and 180.0 < value < 360.0:
        return f"{text}: {value:g} east is {round(value - 360.0, 9):g}."
    return f"{text}."


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
    """Check that a horizon goes round once."""
    for number in range(1, len(pairs)):
        before, here = pairs[number - 1][0], pairs[number][0]
        if here <= before:
            raise _no(f"its bearing {here:g} does not come after {before:g}: bearings must ascend", number)
    if pairs and pairs[-1][0] - pairs[0][0] == 360.0 and pairs[0][1] != pairs[-1][1]:
        raise _no("bearings 0 and 360 are one direction, but have two altitudes", len(pairs) - 1)
    return pairs


def since(value: object) -> object:
    """Return what a tilt is counted from: a known word as it is, anything else as a day."""
    words = ("first autumn", "last autumn", "last correction", "start")
    return value if value in words else day(value)


def day(value: object) -> date:
    """Check that a value is a possible day of building; text is read as one."""
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
    """Return a check that a short description holds at least one known word."""
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
