"""Write a correction or a level reading into the record, and say in words what it says."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from drift.book.store import Book
    from drift.pierfile import PierFile

Row = dict[str, str]


def write_down(site: PierFile, book: Book, table: str, rows: Sequence[Row], time_utc: str) -> bool:
    """Write rows of one time into the record and say what they say; return whether anything was new."""
    from drift.show.by_hand import CAUTION, LOOSENED, alike, remarks, words
    from drift.show.times import zone_of

    before = book.held(table)
    outcome = book.record(table, [{"time_utc": time_utc, **row} for row in rows])
    if not outcome.went_in:
        click.echo(f"Exactly this is in the record already, at {time_utc}; nothing was added.")
        return False
    there = outcome.already_there
    if there:
        are = "is" if there == 1 else "are"
        click.echo(f"{there} of these bolts {are} in the record already; the others were added.")
    click.echo(f"Recorded at {time_utc}: {words(table, rows, site)}")
    twice = alike(book.held(table), before, zone_of(site.site.timezone)) if table == "corrections" else ()
    for remark in (*remarks(rows, site), *twice):
        click.echo(remark)
    if table == "corrections" and rows[0]["kind"] in LOOSENED:
        click.echo(CAUTION)
    return True


def now_text() -> str:
    """Return the present time as the record takes it."""
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
