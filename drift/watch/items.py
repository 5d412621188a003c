"""One thing to tell, and all that is to be told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

#: What means that the pier or the mount has moved; the others are told without an alarm.
MOVED = ("event", "axis_limit", "lean_limit", "correction", "gap")
#: What does not: a limit that will be passed soon; no new night for long; too few or too vague ones.
NOTICES = ("soon", "old", "thin")


@dataclass(frozen=True)
class Item:
    """One thing to tell.

    Parameters
    ----------
    kind
        One of `MOVED` or `NOTICES`.
    time_us
        Of what it tells.
    sentence
        For people.
    mark
        By which the same news is known again, as plain numbers and text.
    facts
        Its numbers, for `drift check --json`.
    """

    kind: str
    time_us: int
    sentence: str
    mark: Mapping[str, Any] = field(default_factory=dict)
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class News:
    """What is new: movements, notices, and what is seen on one night only and doesn't count yet."""

    new: tuple[Item, ...]
    provisional: tuple[Item, ...]
    notices: tuple[Item, ...] = ()

    @property
    def moved(self) -> bool:
        """Whether the pier or the mount has moved."""
        return bool(self.new)
