"""`drift report`: pictures and words in one file that opens offline."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.book.store import Book
    from drift.show.second_pen import SecondPen


@click.command(
    "report",
    help="Write one HTML file with the verdict, what to do, pictures and tables.\n\n"
    "It holds everything it shows and opens offline.  An earlier report is written over; any other file "
    "is left alone.",
)
@click.option(
    "-o",
    "--output",
    default="report.html",
    show_default=True,
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Where to write it.",
)
@pier_option
def command(output: Path, pier: str | None) -> None:
    """Work out the answer, draw it, and write the file whole or not at all."""
    from drift.api import answer_readings, open_book, with_ground
    from drift.book.clock import now_us
    from drift.cli.progress import working
    from drift.show.report import check_target, save_report
    from drift.show.second_pen import second_pen

    site = site_of(pier)
    check_target(output)
    with open_book(site) as book:
        with working("Reading the record"):
            readings = book.readings()
        pen = second_pen(len(readings["solves"]))
        try:
            with working("Working out the axis of each night and the pier's lean"):
                answer = with_ground(answer_readings(site, readings, book, now_us()), readings, book)
            text = _drawn(answer, book, pen)
        finally:
            if pen is not None:
                pen.put_down()
    save_report(text, output)
    click.echo(f"Wrote {output} ({len(text.encode()) / 1000:.0f} kB).", err=True)


def _drawn(answer: Answer, book: Book, pen: SecondPen | None) -> str:
    from drift.cli.progress import working
    from drift.show.report import report_of_record

    with working("Drawing"):
        return report_of_record(answer, book, pen)
