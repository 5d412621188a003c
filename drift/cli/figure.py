"""`drift figure`: one picture as a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from drift.answer import Answer


@click.command(
    "figure",
    help="Draw one picture into a PNG, SVG or PDF file; into a CSV file go the numbers behind it.\n\n"
    "Without NAME the pictures are listed, and why some can't be drawn from this record yet.  An earlier "
    "picture is written over; any other file is left alone.",
)
@click.argument("name", required=False)
@click.option(
    "-o",
    "--output",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Where to write it; the ending says the format.  NAME.png when not given.",
)
@click.option("--phone", is_flag=True, help="Lay it out narrow, for a phone.")
@click.option("--dark", is_flag=True, help="Draw on a dark ground.")
@pier_option
def command(name: str | None, output: Path | None, phone: bool, dark: bool, pier: str | None) -> None:
    """Work out the answer and draw one picture of it, or list the pictures."""
    from drift.show.catalogue import picture_named
    from drift.show.figure_file import Look, check_figure_target, save_figure

    if name is None:
        if output is not None:
            raise click.UsageError(
                "-o says where to write a picture: name one, as in `drift figure axis -o FILE`."
            )
        _list(_answer_or_none(pier))
        return
    target = output or Path(f"{name}.png")
    check_figure_target(target)
    answer = _answer(pier)
    save_figure(picture_named(answer, name), answer, target, Look(phone, dark))
    click.echo(f"Wrote {target} ({target.stat().st_size / 1000:.0f} kB).", err=True)


def _answer(pier: str | None) -> Answer:
    from drift.api import answer_readings, open_book, with_ground
    from drift.cli.progress import working

    site = site_of(pier)
    with open_book(site) as book:
        with working("Reading the record"):
            readings = book.readings()
        with working("Working out the axis of each night and the pier's lean"):
            return with_ground(answer_readings(site, readings, book), readings, book)


def _answer_or_none(pier: str | None) -> Answer:
    """Return the answer; where there is nothing to answer from, say so and return that of nothing."""
    from drift.errors import NothingToAnswer
    from drift.show.nothing_yet import answer_of_nothing

    try:
        return _answer(pier)
    except NothingToAnswer as nothing:
        click.echo(f"drift: {nothing}", err=True)
        return answer_of_nothing(site_of(pier))


def _list(answer: Answer) -> None:
    from drift.show.catalogue import pictures_of

    for picture in pictures_of(answer):
        lacking = picture.lacking(answer)
        click.echo(f"{picture.name:<16} {picture.title}{f'  (not yet: {lacking})' if lacking else ''}")
