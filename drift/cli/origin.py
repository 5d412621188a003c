"""`drift origin`: which rows of which files a night's number came from."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.night.result import NightAxis

_NEAREST = 3


@click.command(
    "origin",
    help="Say where a night's number came from, down to file and line.\n\n"
    "NIGHT is the date of the evening on which it began, such as 2024-02-11, or `last`.  Rows that were not "
    "used are listed with the reason.",
)
@click.argument("night")
@pier_option
@click.option("--rows", "every_row", is_flag=True, help="Show the text of every row as it came.")
@click.option("--json", "as_json", is_flag=True, help="Print it as one JSON document, in arcseconds.")
def command(night: str, pier: str | None, every_row: bool, as_json: bool) -> None:
    """Print the rows behind a night."""
    from drift.api import answer_readings, open_book
    from drift.cli.progress import working
    from drift.readings import COLUMNS
    from drift.show.origin import as_lines, as_mapping, night_origin

    site = site_of(pier)
    with open_book(site) as book:
        readings = book.readings()
        with working("Working out the axis of each night and the pier's lean"):
            answer = answer_readings(site, readings, book)
        wanted = _wanted(answer, night)
        there = {kind: frozenset(readings[kind]["row_id"].tolist()) for kind in COLUMNS}
        found = [night_origin(answer, one, book.held, book.origins, there) for one in wanted]
    if as_json:
        import json

        parts = [as_mapping(one) for one in found]
        document = {"format": "drift-origin", "version": 1, "night": night, "parts": parts}
        click.echo(json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False))
        return
    for one in found:
        for line in as_lines(one, site.site.timezone, every_row):
            click.echo(line)


def _wanted(answer: Answer, night: str) -> tuple[NightAxis, ...]:
    from drift.errors import BookError
    from drift.show.origin import nights_of
    from drift.show.times import evening_of

    nights = answer.nights.nights
    if not nights:
        raise BookError("the record holds no reading of the sky, so that no night has a number yet.")
    longitude = answer.site.site.longitude_deg
    evening = evening_of(nights[-1].time_us, longitude) if night == "last" else _date(night)
    found = nights_of(answer, evening)
    if not found:
        known = sorted(
            {evening_of(one.time_us, longitude) for one in nights}, key=lambda one: abs(one - evening)
        )
        raise BookError(
            f"the record holds no night that began on {evening}.  The nearest ones began on "
            f"{', '.join(map(str, sorted(known[:_NEAREST])))}."
        )
    return found


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise click.UsageError(
            f"NIGHT is {text!r}, which is no date: write that of the evening on which it began, such as "
            "2024-02-11, or `last`."
        ) from error
