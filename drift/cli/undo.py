"""`drift undo`: take an import back, or bring back one that was undone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from drift.book.undoing import FileUndone, Undone

_FILES_SHOWN = 10


@click.command(
    "undo",
    help="Undo the import with NUMBER, as `drift imports` lists it.\n\n"
    "Its rows leave the answer, but for those that another file still in force carries as well.  Nothing is "
    "lost: the number of the undoing, given to `drift undo` in turn, brings everything back, and so does "
    "importing the files again.  It happens wholly or not at all.",
)
@click.argument("number", type=int)
@click.option("--file", "file", default="", help="Only this file of the import, named as it is listed.")
@click.option("--reason", default="", help="Why, in your words; kept with it.")
@pier_option
def command(number: int, file: str, reason: str, pier: str | None) -> None:
    """Undo, and say what left and what stayed."""
    from drift.api import open_book

    with open_book(site_of(pier)) as book:
        done = book.undo(number, file, reason)
    for one in done.files[:_FILES_SHOWN]:
        click.echo("\n".join(_lines(one, done)))
    if len(done.files) > _FILES_SHOWN:
        click.echo(f"... and {len(done.files) - _FILES_SHOWN:,} more files.")
    click.echo(_summary(done, number))


def _lines(one: FileUndone, done: Undone) -> Iterator[str]:
    if done.brought_back:
        yield f"{one.file} ({one.kind}): {_rows(one.went_in)} came back"
        return
    yield f"{one.file} ({one.kind}): {_rows(one.went_out)} left"
    for name, count in one.stayed:
        yield f"  {_rows(count)} stayed, because {name} carries {'it' if count == 1 else 'them'} as well"
    if one.unsure and one.went_out:
        yield (
            f"  {', '.join(one.unsure)} came in before it was noted which rows each file carries: if rows of "
            "it are gone now, import it again"
        )


def _summary(done: Undone, number: int) -> str:
    if done.brought_back:
        rows = _rows(sum(one.went_in for one in done.files))
        return f"In all {rows} came back; undoing {number} counts no more."
    rows = _rows(sum(one.went_out for one in done.files))
    return f"In all {rows} left by undoing {number}.  `drift undo {done.number}` brings all of it back."


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count:,} rows"
