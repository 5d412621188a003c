"""`drift record list`: corrections and level readings with the numbers of their rows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from drift.book.acts import RowHeld
    from drift.book.store import Book
    from drift.pierfile import PierFile

#: In the order in which they are listed: few corrections first, which many level readings would bury.
KINDS = ("corrections", "levels")
#: Those of `drift.logs.corrections.KINDS`, which loads numpy.
_OF_CORRECTIONS = ("azimuth", "altitude", "shim", "nuts", "tighten", "service", "remount", "zero", "pier")
_PAIR_NOTE = (
    'Note: "turned" marks readings with the instrument turned end for end; the lean is given with the sign '
    "that it has unturned."
)


@click.command("list", help="List corrections, then level readings, with the numbers of their rows.")
@click.option("--all", "whole", is_flag=True, help="Also those that were withdrawn or changed, and why.")
@click.option(
    "--kind",
    type=click.Choice((*KINDS, *_OF_CORRECTIONS)),
    help="Only corrections, only level readings, or only one kind of correction.",
)
@pier_option
def listing(pier: str | None, whole: bool, kind: str | None) -> None:
    """Print a line a row, the oldest first, in the site's zone with UTC beside it."""
    from drift.api import open_book
    from drift.show.by_hand import event_words, is_turned
    from drift.show.times import zone_of

    site = site_of(pier)
    with open_book(site) as book:
        held = {table: book.held(table) for table in KINDS if kind not in KINDS or kind == table}
        rows = [row for table in held for row in _in_order(held[table]) if _is_wanted(row, whole, kind)]
        done = book.history([row.row_id for row in rows]) if whole else {}
    if not rows:
        click.echo(f"{_none_words(kind)} is in the record.")
    for row in rows:
        click.echo(row_line(row, site))
        for event in done.get(row.row_id, ()):
            click.echo(f"       {event_words(event, zone_of(site.site.timezone))}")
    if any(row.kind == "levels" and is_turned(row.values) for row in rows):
        click.echo(_PAIR_NOTE)


def _in_order(rows: Iterable[RowHeld]) -> list[RowHeld]:
    return sorted(rows, key=lambda row: (row.values["time_us"], row.row_id))


def _is_wanted(row: RowHeld, whole: bool, kind: str | None) -> bool:
    own = kind is None or kind in KINDS or row.values.get("kind") == kind
    return own and (whole or row.in_use)


def _none_words(kind: str | None) -> str:
    if kind is None:
        return "No correction and no level reading"
    named = {"corrections": "No correction", "levels": "No level reading"}
    return named.get(kind, f"No correction of the kind {kind}")


def row_line(row: RowHeld, site: PierFile) -> str:
    """Return a row with its number, the site's clock, what it says, and where it came from."""
    from pathlib import Path

    from drift.show.by_hand import as_text, words
    from drift.show.times import clock_text, zone_of

    note = f'  "{row.values["note"]}"' if row.values.get("note") else ""
    state = "" if row.in_use else f"  [{row.state}]"
    said = words(row.kind, [as_text(row)], site, brief=True).rstrip(".")
    when = clock_text(row.values["time_us"], zone_of(site.site.timezone))
    where = f"({Path(row.file).name}, line {row.line})"
    return f"{row.row_id:>5}  {when}  {said}{note}  {where}{state}"


@contextmanager
def telling_of_pairs(book: Book, rows: Iterable[RowHeld]) -> Iterator[list[str]]:
    """Fill the list that is given with what an act on some rows does to end-for-end pairs of level readings.

    The other half of a pair whose one half is withdrawn counts alone, which nobody sees otherwise.
    """
    told: list[str] = []
    if not any(row.kind == "levels" for row in rows):
        yield told
        return
    before = _halves(book)
    yield told
    told += _pair_words(before, _halves(book))


def _halves(book: Book) -> dict[int, int]:
    """Return of each level reading in use its other half, 0 for one that counts alone."""
    from drift.prepare.level_pairs import find_pairs

    levels = book.readings()["levels"]
    ids = [int(one) for one in levels["row_id"]]
    halves = dict.fromkeys(ids, 0)
    for pair in find_pairs(levels):
        first, second = ids[pair.first], ids[pair.second]
        halves[first], halves[second] = second, first
    return halves


def _pair_words(before: dict[int, int], after: dict[int, int]) -> Iterator[str]:
    for row, other in before.items():
        if other and row in after and not after[row]:
            yield (
                f"Row {row} was the other half of an end-for-end pair with row {other}: it now counts alone, "
                "less surely, for only a pair is free of the level's own error."
            )
    for row, other in after.items():
        if other > row and before.get(row) != other:
            yield f"Rows {row} and {other} are now read as an end-for-end pair."
