"""What was recorded before: change it, withdraw it, put it back; nothing is lost by either."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drift.cli.options import Signed, pier_option, plain_minus, site_of
from drift.cli.record_list import KINDS, row_line, telling_of_pairs

if TYPE_CHECKING:
    from drift.book.acts import RowHeld
    from drift.book.store import Book

#: Option of `edit` -> column, by kind of row.
_COLUMNS = {
    "corrections": {
        "amount": "amount_arcmin",
        "bearing": "bearing_deg",
        "thickness": "thickness_mm",
        "turns": "turns",
        "note": "note",
    },
    "levels": {
        "north": "lean_north_arcsec",
        "east": "lean_east_arcsec",
        "place": "place",
        "face": "face_deg",
        "sigma": "sigma_arcsec",
    },
}
_NUMBERED = "ROW is the number that `drift record list` shows."


@click.command(
    "withdraw",
    help=f"Take rows out of use: a correction that never was, a level read wrongly.\n\n{_NUMBERED}  The rows "
    "are kept, with when and why; importing their file again does not bring them back, `drift record "
    "put-back` does.",
)
@click.argument("rows", metavar="ROW...", type=int, nargs=-1, required=True)
@click.option("--why", default="", help="Why, in your words; kept with them.")
@pier_option
def withdraw(rows: tuple[int, ...], why: str, pier: str | None) -> None:
    """Withdraw rows, all or none."""
    from drift.api import open_book

    site = site_of(pier)
    with open_book(site) as book:
        found = _wanted(book, rows)
        with telling_of_pairs(book, found) as told:
            book.withdraw(rows, why)
    for row in found:
        click.echo(f"Withdrawn: {row_line(row, site).strip()}")
    for sentence in told:
        click.echo(sentence)


@click.command("put-back", help=f"Take withdrawn rows into use again.\n\n{_NUMBERED}")
@click.argument("rows", metavar="ROW...", type=int, nargs=-1, required=True)
@click.option("--why", default="", help="Why, in your words; kept with them.")
@pier_option
def put_back(rows: tuple[int, ...], why: str, pier: str | None) -> None:
    """Put rows back, all or none."""
    from drift.api import open_book

    site = site_of(pier)
    with open_book(site) as book:
        with telling_of_pairs(book, _wanted(book, rows)) as told:
            book.put_back(rows, why)
        found = _wanted(book, rows)
    for row in found:
        click.echo(f"In use again: {row_line(row, site).strip()}")
    for sentence in told:
        click.echo(sentence)


def _wanted(book: Book, rows: tuple[int, ...]) -> list[RowHeld]:
    """Return the rows of some numbers.

    Raises
    ------
    drift.errors.BookError
        If one is neither a correction nor a level reading.
    """
    from drift.errors import BookError

    held = {row.row_id: row for kind in KINDS for row in book.held(kind)}
    for number in rows:
        if number not in held:
            raise BookError(
                f"row {number} is neither a correction nor a level reading of this record.  `drift record "
                "list --all` shows their numbers."
            )
    return [held[number] for number in rows]


@click.command(
    "edit",
    cls=Signed,
    help=f"Put something right in a correction or a level reading.\n\n{_NUMBERED}  The row as it was is "
    "withdrawn and kept; a new one takes its place, with what is given here changed.  Give an empty text, as "
    'in --amount "", to blank a value.',
)
@click.argument("row", type=int)
@click.option("--time", metavar="TIME", help="When it was done, with Z or an offset.")
@click.option("--amount", metavar="ARCMIN", callback=plain_minus, help="Change meant by a knob.")
@click.option("--turns", metavar="TURNS", callback=plain_minus, help="Turns of the knob, or of the nut.")
@click.option("--bearing", metavar="DEG", callback=plain_minus, help="Bearing of the bolt.")
@click.option("--thickness", metavar="MM", callback=plain_minus, help="Shim put in (+) or taken out (-).")
@click.option("--north", metavar="ARCSEC", callback=plain_minus, help="Lean toward north.")
@click.option("--east", metavar="ARCSEC", callback=plain_minus, help="Lean toward east.")
@click.option("--place", metavar="PLACE", help="What the level stood on: pier, plate or mount.")
@click.option("--face", metavar="DEG", help="180 when the level was turned end for end, else 0.")
@click.option(
    "--sigma", metavar="ARCSEC", callback=plain_minus, help="One standard deviation of the reading."
)
@click.option("--note", help="In your words; kept with it.")
@click.option("--why", default="", help="Why it is changed; kept with the row as it was.")
@pier_option
def edit(row: int, time: str | None, why: str, pier: str | None, **given: str | None) -> None:
    """Replace a row by one with some values changed."""
    from drift.api import open_book
    from drift.show.by_hand import as_text, whole_time
    from drift.show.times import clock_text, zone_of

    site = site_of(pier)
    changed = {name: value for name, value in given.items() if value is not None}
    if time is None and not changed:
        raise click.UsageError("nothing is to be changed: give what is, such as --amount or --time.")
    with open_book(site) as book:
        (old,) = _wanted(book, (row,))
        columns = _COLUMNS[old.kind]
        strange = [f"--{name}" for name in changed if name not in columns]
        if strange:
            kind = "correction" if old.kind == "corrections" else "level reading"
            allowed = ", ".join(f"--{name}" for name in ("time", *columns))
            raise click.UsageError(
                f"row {row} is a {kind}, which has no {', '.join(strange)}; it has {allowed}."
            )
        new = {
            "time_utc": time if time is not None else whole_time(old.values["time_us"]),
            **as_text(old),
            **{columns[name]: value for name, value in changed.items()},
        }
        with telling_of_pairs(book, [old]) as told:
            book.amend(row, new, why)
        last = book.history([row])[row][-1]
        (now,) = _wanted(book, (last.other_row_id or row,))
    when = clock_text(old.values["time_us"], zone_of(site.site.timezone))
    click.echo(f"Row {row} of {when} is kept as withdrawn.")
    click.echo(f"In its place: {row_line(now, site).strip()}")
    for sentence in told:
        click.echo(sentence)
