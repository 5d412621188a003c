"""`drift report`, `drift figure`, `drift serve`: all in one file, one picture, or a local page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from socket import socket

    from drift.record.record import Record
    from drift.render.drawing import SecondPen
    from drift.types import Analysis
    from drift.web.guard import Rules


# ---- `drift report`: pictures and words in one file that opens offline.


@click.command(
    "report",
    help="Write one HTML file with how things stand, what to do, pictures and tables.\n\n"
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
    """Work out the analysis, draw it, and write the file whole or not at all."""
    from drift.api import analyse_readings, open_record, with_ground
    from drift.cli.options import working
    from drift.record.engine import now_us
    from drift.render.drawing import second_pen
    from drift.render.report import check_report_target, save_report

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


# ---- `drift figure`: one picture as a file.


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
def figure_command(name: str | None, output: Path | None, phone: bool, dark: bool, pier: str | None) -> None:
    """Work out the analysis and draw one picture of it, or list the pictures."""
    from drift.render.catalogue import picture_named
    from drift.render.drawing import Look, check_figure_target, save_figure

    if name is None:
        if output is not None:
            raise click.UsageError(
                "-o says where to write a picture: name one, as in `drift figure axis -o FILE`."
            )
        _list(_analysis_or_none(pier))
        return
    target = output or Path(f"{name}.png")
    check_figure_target(target)
    analysis = _analysis(pier)
    save_figure(picture_named(analysis, name), analysis, target, Look(phone, dark))
    click.echo(f"Wrote {target} ({target.stat().st_size / 1000:.0f} kB).", err=True)


def _analysis(pier: str | None) -> Analysis:
    from drift.api import analyse_readings, open_record, with_ground
    from drift.cli.options import working
    from drift.record.engine import now_us

    site = site_of(pier)
    with open_record(site) as record:
        with working("Reading the record"):
            readings = record.readings()
        with working("Working out the axis of each night and the pier's tilt"):
            return with_ground(analyse_readings(site, readings, record, now_us()), readings, record)


def _analysis_or_none(pier: str | None) -> Analysis:
    """Return the analysis; without any readings say so and return the empty one."""
    from drift.errors import NothingToAnalyse
    from drift.render.catalogue import analysis_of_nothing

    try:
        return _analysis(pier)
    except NothingToAnalyse as nothing:
        click.echo(f"drift: {nothing}", err=True)
        return analysis_of_nothing(site_of(pier))


def _list(analysis: Analysis) -> None:
    from drift.render.catalogue import pictures_of

    for picture in pictures_of(analysis):
        lacking = picture.lacking(analysis)
        click.echo(f"{picture.name:<16} {picture.title}{f'  (not yet: {lacking})' if lacking else ''}")


# ---- `drift serve`: the local page.


_WHY_PASSWORD = (
    "Other machines can reach this address, and whoever opens the page can change the record: so it asks for "
    "a password.  The connection is not encrypted: use it in a network that you trust."
)


@click.command(
    "serve",
    help="Show verdict, pictures, nights and events as a local page in a browser; import files, record and "
    "change corrections, and take note of warnings there.\n\n"
    "With PLACE, a folder of several piers or their piers.toml, it shows the list of them first, each a link "
    "to its own pages.\n\n"
    "It listens on 127.0.0.1, which only this machine reaches.  On any other --host it asks for the password "
    "in the environment variable DRIFT_PAGE_PASSWORD; without one, it makes one and prints it once.  Ctrl-C "
    "stops it.",
)
@click.option("--host", default="127.0.0.1", show_default=True, help="The address to listen on.")
@click.option(
    "--port",
    default=8437,
    show_default=True,
    type=click.IntRange(0, 65535),
    help="The port; 0: any free one.",
)
@click.option(
    "--upload-mb",
    default=200.0,
    show_default=True,
    type=click.FloatRange(0.001, 100_000),
    help="The most that is taken in at once, in megabytes.",
)
@click.argument("place", required=False, type=click.Path(path_type=Path), metavar="[PLACE]")
@pier_option
@click.pass_context
def serve_command(
    ctx: click.Context, host: str, port: int, upload_mb: float, place: Path | None, pier: str | None
) -> None:
    """Print where the page is, and serve it until stopped."""
    import os
    from contextlib import suppress

    from drift.web.app import address_of, listen, rules_for

    debug = bool(ctx.obj and ctx.obj["debug"])
    serve_page = _page_of(place, pier, debug)
    rules, made = rules_for(host, os.environ, upload_mb)
    with listen(host, port) as listening:
        click.echo(address_of(listening))
        if not rules.own_hosts_only:
            click.echo(_WHY_PASSWORD, err=True)
        if made:
            click.echo(f"The password for this start: {made}", err=True)
        click.echo("Open that address in a browser; Ctrl-C stops the page.", err=True)
        with suppress(KeyboardInterrupt):  # this is how it is stopped
            serve_page(listening, rules)


def _page_of(place: Path | None, pier: str | None, debug: bool) -> Callable[[socket, Rules], None]:
    """Return what serves the page of one pier or of a list; faults are reported here, not in the browser."""
    from drift.piers.listing import is_list, listed_piers

    if place is not None and pier is not None:
        raise click.UsageError("name several piers by their folder or list, or one with --pier; not both.")
    if place is not None and is_list(place):
        listed_piers(place)

        def serve_list(listening: socket, rules: Rules) -> None:
            from drift.web.app import serve_app
            from drift.web.piers_page import Overview, make_piers_app

            serve_app(make_piers_app(Overview(place, rules, debug)), listening)

        return serve_list
    from drift.api import open_record

    site = site_of(str(place) if place is not None else pier)
    open_record(site).close()

    def serve_one(listening: socket, rules: Rules) -> None:
        from drift.web.app import serve

        assert site.path is not None
        serve(site.path, listening, rules, debug)

    return serve_one
