"""Which kind of log a header belongs to, typing slips allowed for, and why."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from drift.errors import LogFileError
from drift.ingest import values
from drift.ingest.names import words_of
from drift.ingest.row_check import LogLayout
from drift.ingest.text import Heading, our_name
from drift.ingest.units import own_unit
from drift.notices import IngestCode, Notice, info

# ---- Column names with a typing slip, such as ``mount_dec_dge``.


#: Names this similar (`difflib.SequenceMatcher.ratio`) are taken for one: two letters exchanged in
#: "ra_deg" come to 0.83, a foreign "mount_ra_h" to 0.82.
_LIKENESS = 0.83
#: With more slips than this a header is not drift's own.
_MOST_SLIPS = 2
#: ... and with more columns than this no slip is looked for.
_MOST_LOOKED_AT = 200


@dataclass(frozen=True)
class NearLayout:
    """A layout that a header has except for slips: our column -> the name in the file."""

    layout: LogLayout
    slips: dict[str, str]


def near_column(name: str, columns: Iterable[str]) -> str:
    """Return our column that a name is a slip of, "" for none.

    A name with another unit than ours is no slip: ``temp_f`` is not ``temp_c``.
    """
    columns = list(columns)
    if our_name(name) in columns:
        return ""
    near = difflib.get_close_matches(name.lower(), columns, n=1, cutoff=_LIKENESS)
    if not near:
        return ""
    words = words_of(Heading(name))
    if words.has("ha"):  # an hour angle is no slip of a right ascension
        return ""
    own, written = own_unit(near[0]), words.unit(near[0])
    return near[0] if written is None or written.name is own else ""


def near_layout(header: Sequence[str], layouts: Sequence[LogLayout]) -> NearLayout | None:
    """Return the layout whose columns a header has except for one or two slips; None for none or several.

    All that the layout needs must be there, at least one column besides the slips under its own name, and
    each slip must be of another column.
    """
    if len(header) > _MOST_LOOKED_AT:
        return None
    found = [near for layout in layouts if (near := _near(header, layout)) is not None]
    best = max((len(set(near.layout.columns) & _names(header)) for near in found), default=0)
    found = [near for near in found if len(set(near.layout.columns) & _names(header)) == best]
    return found[0] if len(found) == 1 else None


def _near(header: Sequence[str], layout: LogLayout) -> NearLayout | None:
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
    return {our_name(name) for name in header}


# ---- Which kind of log a header belongs to, and why.


def recognise(
    header: Sequence[str], header_line: int, layouts: Sequence[LogLayout], name: str
) -> tuple[LogLayout, Notice]:
    """Choose the layout whose required columns are all in the header; return it with the reason.

    When more than one fits, the one that uses most of the columns is taken, and among those the one that
    requires most of them.

    Raises
    ------
    drift.errors.LogFileError
        If none fits (names what the nearest one lacks), two fit equally well,
        or a column that would be used stands in the header twice.
    """
    names = [our_name(column) for column in header]
    fitting = [layout for layout in layouts if set(layout.required) <= set(names)]
    if not fitting:
        raise fits_none(header, layouts, where=f"{name}, line {header_line}: ")
    used = {layout.kind: sum(column in names for column in layout.columns) for layout in fitting}
    most = max((used[layout.kind], len(layout.required)) for layout in fitting)
    best = [layout for layout in fitting if (used[layout.kind], len(layout.required)) == most]
    best += [layout for layout in fitting if layout not in best and _requires_more(layout, best[0])]
    if len(best) > 1:
        raise LogFileError(
            f"{name}, line {header_line}: the header fits {' and '.join(one.kind for one in best)} equally "
            "well.  Put them in a file each."
        )
    _refuse_repeated(names, best[0], header_line, name)
    _refuse_half(names, best[0], header_line, name)
    also = [column for column in best[0].together if column in names]
    return best[0], info(IngestCode.KIND_BY_COLUMNS, columns=(*best[0].required, *also))


def fits_any(header: Sequence[str], layouts: Sequence[LogLayout]) -> bool:
    """Tell whether a header has all required columns of some layout."""
    names = {our_name(column) for column in header}
    return any(set(layout.required) <= names for layout in layouts)


def unused_columns(header: Sequence[str], layout: LogLayout) -> list[str]:
    """Return the header's columns that the layout has no use for."""
    return [column for column in header if column and our_name(column) not in layout.columns]


def _requires_more(layout: LogLayout, best: LogLayout) -> bool:
    """Tell whether a layout is a special case of the best one that requires more."""
    needed = set(layout.required)
    return set(best.required) < needed and bool(needed - set(best.columns))


def _refuse_half(names: Sequence[str], layout: LogLayout, header_line: int, name: str) -> None:
    if _half_of(names, layout):
        raise fits_none(names, [layout], where=f"{name}, line {header_line}: ")


def _half_of(names: Sequence[str], layout: LogLayout) -> list[str]:
    """Return the missing ones of columns that belong together, when a header has some of them."""
    lacking = [column for column in layout.together if column not in names]
    return lacking if len(lacking) < len(layout.together) else []


def _refuse_repeated(names: Sequence[str], layout: LogLayout, header_line: int, name: str) -> None:
    repeated = [column for column, count in Counter(names).items() if count > 1 and column in layout.columns]
    if repeated:
        raise LogFileError(
            f"{name}, line {header_line}: the header names {', '.join(repeated)} more than once, so that "
            "it is not "
            "clear which column is meant.  Rename or remove one of them."
        )


def fits_none(
    header: Sequence[str], layouts: Sequence[LogLayout], row: Sequence[str] = (), where: str = ""
) -> LogFileError:
    """Return the refusal of a header that fits no layout: why, and what the nearest one lacks.

    `row` is the first one below the header; `where` is put before it all.
    """
    names = [our_name(column) for column in header]
    shown = shown_names(header) + (f"; its first row: {shown_names(row)}" if any(row) else "")
    if _looks_like_data(header):
        return LogFileError(
            f"{where}the header is missing: the first row is already data ({shown}).  Put a line with the "
            f"column names above it, such as: {','.join(layouts[0].required)}"
        )
    nearest = max(layouts, key=lambda layout: (_share(layout, names), len(layout.required)))
    if _share(nearest, names) < 0.5:
        known = "; ".join(f"{layout.kind}: {', '.join(layout.required)}" for layout in layouts)
        return LogFileError(
            f"{where}the header fits no log that is known here (it has: {shown}).  Needed are - {known}."
        )
    lacking = ", ".join(
        [*(column for column in nearest.required if column not in names), *_half_of(names, nearest)]
    )
    return LogFileError(
        f"{where}this looks like a log of {nearest.kind}, but lacks {lacking} (the header has: {shown}).  "
        "Add or rename the column, and import again."
    )


#: Most columns named in a message, and most characters of each.
_MOST_NAMED, _LONGEST_NAMED = 30, 60


def shown_names(names: Iterable[str]) -> str:
    """Return names of columns for a message, many of them and long ones shortened."""
    given = [name for name in names if name]
    short = [name if len(name) <= _LONGEST_NAMED else f"{name[:_LONGEST_NAMED]}..." for name in given]
    more = f" and {len(given) - _MOST_NAMED:,} more" if len(given) > _MOST_NAMED else ""
    return ", ".join(short[:_MOST_NAMED]) + more


def _share(layout: LogLayout, names: Sequence[str]) -> float:
    own = [column for column in layout.required if column != "time_utc"]
    return sum(column in names for column in own) / len(own)


def _looks_like_data(header: Sequence[str]) -> bool:
    cells = [cell for cell in header if cell]
    numbers, bad = values.parse_numbers(cells)
    times = values.parse_times(cells)
    return bool((~bad).sum() + (~times.unreadable).sum() > 0)
