"""What is known about a key of the site file beside its type: for messages and for the file's remarks."""

from __future__ import annotations

import typing
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any

import annotated_types
from pydantic import BaseModel
from pydantic.fields import FieldInfo

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
        What is assumed when it isn't given, where the bare default would not be understood.
    silent
        What holds when it isn't given, for the remark in a new file; when "" as `assumed`.
    weighs
        Whether an answer can rest on its default.
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
    """Return what a model's field carries about itself."""
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
    """Return a value for a message: as written, cut when long, and nothing of a secret but its beginning."""
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
