"""Which kind of log a header belongs to, and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from drift.errors import LogFileError
from drift.logs import values
from drift.logs.layout import Layout


def recognise(
    header: Sequence[str], header_line: int, layouts: Sequence[Layout], name: str
) -> tuple[Layout, str]:
    """Choose the layout whose required columns are all in the header; return it with the reason in words.

    When more than one fits, the one that uses most of the columns is taken, and of such ones that which
    needs most of them.

    Raises
    ------
    drift.errors.LogFileError
        If none fits (names what the nearest one lacks), two fit equally well,
        or a column that would be used stands in the header twice.
    """
    names = [column.lower() for column in header]
    fitting = [layout for layout in layouts if set(layout.required) <= set(names)]
    if not fitting:
        raise LogFileError(f"{name}, line {header_line}: {why_none(header, layouts)}")
    used = {layout.kind: sum(column in names for column in layout.columns) for layout in fitting}
    most = max((used[layout.kind], len(layout.required)) for layout in fitting)
    best = [layout for layout in fitting if (used[layout.kind], len(layout.required)) == most]
    best += [layout for layout in fitting if layout not in best and _says_more(layout, best[0])]
    if len(best) > 1:
        titles = " and ".join(layout.title for layout in best)
        raise LogFileError(
            f"{name}, line {header_line}: the header fits {titles} equally well.  Put them in a file each."
        )
    _refuse_repeated(names, best[0], header_line, name)
    _refuse_half(names, best[0], header_line, name)
    also = [column for column in best[0].together if column in names]
    return best[0], f"the header has {', '.join((*best[0].required, *also))}"


def fits_any(header: Sequence[str], layouts: Sequence[Layout]) -> bool:
    """Tell whether a header has all required columns of some layout."""
    names = {column.lower() for column in header}
    return any(set(layout.required) <= names for layout in layouts)


def unused_columns(header: Sequence[str], layout: Layout) -> list[str]:
    """Return the header's columns that the layout has no use for."""
    return [column for column in header if column and column.lower() not in layout.columns]


def _says_more(layout: Layout, best: Layout) -> bool:
    """Tell whether a layout is a special case of the best one, with a need of its own."""
    needed = set(layout.required)
    return set(best.required) < needed and bool(needed - set(best.columns))


def _refuse_half(names: Sequence[str], layout: Layout, header_line: int, name: str) -> None:
    if _half_of(names, layout):
        raise LogFileError(f"{name}, line {header_line}: {why_none(names, [layout])}")


def _half_of(names: Sequence[str], layout: Layout) -> list[str]:
    """Return what a header lacks of columns that belong together, when it has some of them."""
    lacking = [column for column in layout.together if column not in names]
    return lacking if len(lacking) < len(layout.together) else []


def _refuse_repeated(names: Sequence[str], layout: Layout, header_line: int, name: str) -> None:
    repeated = [column for column, count in Counter(names).items() if count > 1 and column in layout.columns]
    if repeated:
        raise LogFileError(
            f"{name}, line {header_line}: the header names {', '.join(repeated)} more than once, so that "
            "it is not "
            "clear which column is meant.  Rename or remove one of them."
        )


def why_none(header: Sequence[str], layouts: Sequence[Layout]) -> str:
    """Say why a header fits no layout, and what the nearest one lacks."""
    names = [column.lower() for column in header]
    shown = ", ".join(column for column in header if column)
    if _looks_like_data(header):
        return (
            f"the header is missing: the first row is already data ({shown}).  Put a line with the column "
            "names "
            "above it, such as: " + ",".join(layouts[0].required)
        )
    nearest = max(layouts, key=lambda layout: (_share(layout, names), len(layout.required)))
    if _share(nearest, names) < 0.5:
        known = "; ".join(f"{layout.title}: {', '.join(layout.required)}" for layout in layouts)
        return f"the header fits no log that is known here (it has: {shown}).  Needed are - {known}."
    lacking = ", ".join(
        [*(column for column in nearest.required if column not in names), *_half_of(names, nearest)]
    )
    return (
        f"this looks like {nearest.title}, but lacks {lacking} (the header has: {shown}).  "
        "Add or rename the column, and import again."
    )


def _share(layout: Layout, names: Sequence[str]) -> float:
    own = [column for column in layout.required if column != "time_utc"]
    return sum(column in names for column in own) / len(own)


def _looks_like_data(header: Sequence[str]) -> bool:
    cells = [cell for cell in header if cell]
    numbers, bad = values.parse_numbers(cells)
    times = values.parse_times(cells)
    return bool((~bad).sum() + (~times.unreadable).sum() > 0)
