"""The side of the pier that the tube is on, from the words and numbers that programs write for it."""

from __future__ import annotations

import re

ON, LOOKS = "the side the tube is on", "the side the tube looks to"
#: What a column of sides may mean.
MEANINGS = (ON, LOOKS)
_EAST = frozenset({"east", "e", "piereast", "eastofpier", "ost", "o", "est", "0"})
_WEST = frozenset({"west", "w", "pierwest", "westofpier", "ouest", "oeste", "1"})
#: Minus one says "not known" where 0 is east and 1 is west (common practice of mount drivers).
_UNKNOWN = frozenset({"", "unknown", "pierunknown", "-1", "?", "none", "n/a", "-", "--"})
_OTHER = {"east": "west", "west": "east"}


def side_of(cell: str, meaning: str = ON) -> str | None:
    """Return "east" or "west" for the side that the tube is on, "" for not known, None for another word."""
    plain = re.sub(r"[\s_.]", "", cell).lower()
    if plain in _UNKNOWN:
        return ""
    side = "east" if plain in _EAST else "west" if plain in _WEST else None
    return _OTHER[side] if side and meaning == LOOKS else side
