"""What is said about a wrong site file: each fault in one short paragraph, with its line."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from drift.site.keys import allowed_words, key_of, shown, toml
from drift.site.lines import Place, line_of

Models = Mapping[str, type[BaseModel]]
#: The next step when a file is of no use.
INIT = "`drift init` writes a complete site file."


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong: where, and the paragraph about it (without the line)."""

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
    """Return ``; did you mean "x"?`` for the known name that is most like `name`, or nothing.

    `likeness` from 0 to 1 is what it takes (`difflib.SequenceMatcher.ratio`): more of it where there are
    so many names that one is a little like anything.
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
    if one["type"] == "missing":  # half a pair: the whole of it is meant
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
    said = "  ".join(part for part in parts if part)
    named = f"[{place[0]}] {place[1]}{_entry(place[2:])}"
    return Fault(place, f"{named} {said}  {_write(str(place[1]), key)}", said)


def _entry(rest: Place) -> str:
    """Say which element of a list: ``, entry 2,`` or ``, entry 2, number 1,``."""
    words = [f"{word} {int(part) + 1}" for word, part in zip(("entry", "number"), rest, strict=False)]
    return "".join(f", {word}" for word in words) + ("," if words else "")


def _form(value: object, kind: str) -> str:
    """Say what is odd about the form of a value, where that is plain."""
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
    """Say what a value is without showing it, for it may hold a password."""
    sorts: dict[type, str] = {str: "text", list: "a list", tuple: "a list", bool: "true or false"}
    return sorts.get(type(value), "a number" if isinstance(value, int | float) else "a single value")


def _unknown(place: Place, value: object, models: Models) -> str:
    """Say that a key or a section is none, which one may be meant, and which there are."""
    name, known = str(place[-1]), models[str(place[0])].model_fields if len(place) > 1 else models
    if len(place) > 1:
        said, others = f"[{place[0]}] has no key {toml(name)}", f"Its keys are {', '.join(known)}."
    else:
        what = (
            f"section [{name}]" if isinstance(value, dict) else f"key {toml(name)} before the first section"
        )
        said, others = f"there is no {what}", f"The sections are {', '.join(f'[{one}]' for one in known)}."
    homes = [section for section, model in models.items() if name in model.model_fields]
    if homes:
        return f"{said}.  It belongs below [{homes[0]}].  {others}"
    return f"{said}{nearest(name, known) or '.'}  {others}"
