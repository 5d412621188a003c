"""`drift report`: pictures and words in one file that opens offline."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from drift.record.record import Record
    from drift.render.second_pen import SecondPen
    from drift.types import Analysis


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
    from drift.api import analyse_readings, open_record, with_ground
    from drift.cli.options import working
    from drift.record.engine import now_us
    from drift.render.report import check_report_target, save_report
    from drift.render.second_pen import second_pen

    site = site_of(pier)
    check_report_target(output)
    with open_record(site) as record:
        with working("Reading the record"):
            readings = record.readings()
        pen = second_pen(len(readings["solves"]))
        try:
            with working("Working out the axis of each night and the pier's tilt"):
                analysis = with_ground(analyse_readings(site, readings, record, now_us()), readings, record)
            text = _drawn(analysis, record, pen)
        finally:
            if pen is not None:
                pen.put_down()
    save_report(text, output)
    click.echo(f"Wrote {output} ({len(text.encode()) / 1000:.0f} kB).", err=True)


def _drawn(analysis: Analysis, record: Record, pen: SecondPen | None) -> str:
    from drift.cli.options import working
    from drift.render.report import report_of_record

    with working("Drawing"):
        return report_of_record(analysis, record, pen)
