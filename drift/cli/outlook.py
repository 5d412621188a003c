"""`drift outlook`: the coming twelve months, what the frost did, and what can be done about the pier."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from drift.forecast.hindcast import Hindcast
    from drift.readings import Readings
    from drift.render.sections import Section
    from drift.types import Analysis


@click.command(
    "outlook",
    help="Look ahead a year: what the frost did and whether it reaches the pier's base, what the tilt "
    "follows, axis and tilt month by month with 80 % bands, when they peak and are back, and whether "
    "re-aligning is worth it.\n\n"
    "A weather log (daily minimum and maximum) makes it better: without one the calendar stands for the "
    "frost.",
)
@click.option(
    "--score",
    is_flag=True,
    help="Also hide the last two winters, forecast them from what was known before, and compare.",
)
@click.option(
    "--ground",
    "for_pier",
    is_flag=True,
    help="Say instead what can be done about the pier and its ground, with sources.",
)
@click.option("--json", "as_json", is_flag=True, help="Print all of it as JSON, in arcseconds.")
@pier_option
def command(score: bool, for_pier: bool, as_json: bool, pier: str | None) -> None:
    """Print the outlook on stdout, in words or as JSON."""
    from drift.api import analyse_readings, ground_at_pier, open_record
    from drift.cli.options import working
    from drift.record.engine import now_us

    if score and for_pier and not as_json:
        raise click.UsageError("--score and --ground don't go together: ask for one after the other.")
    site = site_of(pier)
    with open_record(site) as record:
        with working("Reading the record"):
            readings = record.readings()
        if for_pier and not as_json:
            from drift.render.outlook import pier_sections

            with working("Following the frost into the ground"):
                found = ground_at_pier(site, readings)
            print_all("The pier and its ground", "Sources in brackets.", pier_sections(found))
            return
        with working("Working out the axis of each night and the pier's tilt"):
            analysis = analyse_readings(site, readings, record, now_us())
    hindcasts = _scored(analysis, readings) if score else None
    if as_json:
        _print_json(analysis, readings, hindcasts)
    else:
        _print_words(analysis, readings, hindcasts)


def _scored(analysis: Analysis, readings: Readings) -> tuple[Hindcast, ...]:
    from drift.api import score_forecasts
    from drift.cli.options import working

    with working("Hiding the last winters and forecasting them"):
        return score_forecasts(analysis, readings)


def _print_json(analysis: Analysis, readings: Readings, hindcasts: tuple[Hindcast, ...] | None) -> None:
    import json

    from drift.advice.situation import coming_of
    from drift.api import ground_at_pier
    from drift.render.status_json import document

    outlook = coming_of(analysis)
    found = document(outlook, ground_at_pier(analysis.site, readings), hindcasts)
    click.echo(json.dumps(found, indent=1, allow_nan=False))


def _print_words(analysis: Analysis, readings: Readings, hindcasts: tuple[Hindcast, ...] | None) -> None:
    from drift.advice.situation import coming_of
    from drift.api import ground_at_pier
    from drift.cli.options import working
    from drift.render.outlook import outlook_sections
    from drift.render.status import span, title

    outlook = coming_of(analysis)
    with working("Following the frost into the ground"):
        ground = ground_at_pier(analysis.site, readings)
    print_all(title(analysis), span(analysis), outlook_sections(analysis, outlook, ground, hindcasts))


def print_all(title: str, note: str, sections: Iterable[Section]) -> None:
    """Print sections: in colour on a terminal, else as plain text of 80 columns."""
    import sys

    from rich.console import Console

    from drift.render.sections import Lead, print_sections, sections_text

    console = Console()
    if console.is_terminal and sys.stdout.isatty():
        print_sections(Lead(title, note), sections, console)
    else:
        click.echo(sections_text(Lead(title, note), sections), nl=False)
