"""What is to be said, as data: a code, how grave it is, and the numbers and names that belong to it.

The rooms that work things out make notices; sentences are made of them in `drift.render` alone
(`drift.render.notices`), so that rewording one changes no number and a script can filter by code.
A room has a class of codes of its own below; a code's text begins with the room's name and is a promise
to other people's scripts: it is added to, never renamed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

#: What may stand in a notice: numbers with their unit in the name (`sd_arcsec`), codes, names, times [us].
Value = str | int | float | bool | None | tuple[Any, ...]


class Severity(StrEnum):
    """How grave a notice is."""

    INFO = "info"  # good to know
    WARNING = "warning"  # the answer is trusted less for it, or something should be looked at


class Code(StrEnum):
    """The codes of one room; each room's class of codes derives from it."""


@dataclass(frozen=True, kw_only=True)
class Notice:
    """One thing to say.

    Attributes
    ----------
    code
        What it is.
    severity
        How grave it is.
    values
        The numbers and names that its sentence needs; units in the names.
    """

    code: Code
    severity: Severity = Severity.WARNING
    values: Mapping[str, Value] = field(default_factory=dict)


def info(code: Code, **values: Value) -> Notice:
    """Return a notice that is good to know."""
    return Notice(code=code, severity=Severity.INFO, values=values)


def warning(code: Code, **values: Value) -> Notice:
    """Return a notice for which the answer is trusted less."""
    return Notice(code=code, severity=Severity.WARNING, values=values)


def code_of(text: str) -> Code:
    """Return the code whose text it is.

    Raises
    ------
    ValueError
        If no room has such a code.
    """
    for room in Code.__subclasses__():
        if text in room._value2member_map_:
            return room(text)
    raise ValueError(f"{text!r} is no code of a notice")
