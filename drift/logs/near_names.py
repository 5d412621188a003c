"""Columns whose names are the contract's but for a slip of the keys, such as ``mount_dec_dge``."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from drift.logs.layout import Layout
from drift.logs.names import words_of
from drift.logs.table import Heading
from drift.logs.units import own_unit

#: Names this like one another (`difflib.SequenceMatcher.ratio`) are taken for one: two letters exchanged in
#: "ra_deg" come to 0.83, a foreign "mount_ra_h" to 0.82.
_LIKENESS = 0.83
#: With more slips than this a header is not the contract's.
_MOST_SLIPS = 2


@dataclass(frozen=True)
class NearLayout:
    """A layout that a header has but for some slips: contract column -> the name in the file."""

    layout: Layout
    slips: dict[str, str]


def near_column(name: str, columns: Iterable[str]) -> str:
    """Return the contract column that a name is a slip of, "" for none.

    A name that says another unit than the contract's is none: ``temp_f`` is not ``temp_c``.
    """
    columns = list(columns)
    if name.lower() in columns:
        return ""
    near = difflib.get_close_matches(name.lower(), columns, n=1, cutoff=_LIKENESS)
    if not near:
        return ""
    own, said = own_unit(near[0]), words_of(Heading(name)).unit(near[0])
    return near[0] if not said or (own is not None and said == own.name) else ""


def near_layout(header: Sequence[str], layouts: Sequence[Layout]) -> NearLayout | None:
    """Return the layout whose columns a header has but for one or two slips; None for none, or for several.

    All that the layout needs must be there, at least one column besides the slips under its own name, and
    each slip must be of another column.
    """
    found = [near for layout in layouts if (near := _near(header, layout)) is not None]
    best = max((len(set(near.layout.columns) & _names(header)) for near in found), default=0)
    found = [near for near in found if len(set(near.layout.columns) & _names(header)) == best]
    return found[0] if len(found) == 1 else None


def _near(header: Sequence[str], layout: Layout) -> NearLayout | None:
    names = _names(header)
    needed = [column for column in layout.required if column not in names]
    together = [column for column in layout.together if column not in names]
    half = together if len(together) < len(layout.together) else []
    slips: dict[str, str] = {}
    for column in (*needed, *half, *(together if not half else ())):
        for name in header:
            if name not in slips.values() and near_column(name, layout.columns) == column:
                slips[column] = name
                break
    lacking = [column for column in (*needed, *half) if column not in slips]
    own = [column for column in layout.required if column in names]
    if lacking or not own or not 0 < len(slips) <= _MOST_SLIPS:
        return None
    return NearLayout(layout, slips)


def _names(header: Sequence[str]) -> set[str]:
    return {name.lower() for name in header}
