"""`drift tonight`: which fields to solve now, and what does more than any field."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from drift.importer.importing import FileImported, FileRefused
    from drift.site.file import PierFile


@click.command(
    "tonight",
    help="Say which fields to solve tonight, in the order in which clouds cost least, and what would do more "
    "than any field.\n\n"
    "The fields fit your horizon, your mount's limits and your minutes.  They stay the same in altitude and "
    "bearing from night to night.  In the day the list is for the coming evening.  It drives nothing.",
)
@click.option(
    "--minutes",
    type=click.FloatRange(min=0.0, min_open=True, max=1440.0),
    help="How much time there is; never fewer than 6 fields, in order of what they tell.",
)
@click.option(
    "--fields",
    type=click.IntRange(min=1, max=40),
    help="How many fields; 8 when not given, 3 to verify a turn, 12 for a new instrument; 6 at least.",
)
@click.option(
    "--at",
    metavar="TIME",
    help="When you begin: 21:30 by the pier's clock, or a date and time with Z or an offset; now, when not "
    "given.",
)
@click.option("--json", "as_json", is_flag=True, help="Print all of it as JSON, in arcseconds and degrees.")
@click.option(
    "-o",
    "--output",
    "outputs",
    metavar="FILE",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Also write a target list (.csv) or a chart of the sky (.png, .svg, .pdf); without an ending both.  "
    "May be given more than once.",
)
@click.option(
    "--follow",
    is_flag=True,
    help="Go on: take in the files that come into the folders below [logs] in the site file, say after each "
    "how far the axis is known, what to solve or turn next, and what a turn did.  Ctrl-C stops it; what came "
    "in stays.",
)
@click.option("--phone", is_flag=True, help="Lay the chart out narrow, for a phone.")
@click.option("--dark", is_flag=True, help="Draw the chart on a dark ground.")
@pier_option
def command(
    minutes: float | None,
    fields: int | None,
    at: str | None,
    as_json: bool,
    outputs: tuple[Path, ...],
    follow: bool,
    phone: bool,
    dark: bool,
    pier: str | None,
) -> None:
    """Print the list on stdout, in words or as JSON, and write what -o names; with --follow go on with it."""
    from drift.api import fields_tonight, open_record
    from drift.cli.options import working
    from drift.record.engine import now_us
    from drift.render.drawing import Look
    from drift.render.tonight import check_tonight_target, save_tonight

    site = site_of(pier)
    now = now_us()
    at_us = now if at is None else moment(at, ZoneInfo(site.site.timezone), now)
    if follow and at is not None:
        raise click.UsageError("--follow goes by the present time: leave --at out.")
    if follow and not site.logs.folders:
        raise click.UsageError(
            "--follow watches the folders below [logs] in the site file, and there are none: add a line such "
            'as folders = ["logs"] below [logs].'
        )
    targets = [path for each in outputs for path in check_tonight_target(each)]
    with open_record(site) as record:
        with working("Reading the record"):
            readings = record.readings()
        with working("Choosing fields"):
            tonight = fields_tonight(site, readings, record, at_us=at_us, minutes=minutes, fields=fields)
    if as_json:
        import json

        from drift.render.tonight import tonight_mapping

        click.echo(json.dumps(tonight_mapping(tonight), indent=1, allow_nan=False))
    else:
        from drift.cli.status import print_all
        from drift.render.tonight import tonight_sections, tonight_title

        print_all(*tonight_title(tonight), tonight_sections(tonight))
    for path in targets:
        save_tonight(tonight, path, Look(phone, dark))
        click.echo(f"Wrote {path} ({path.stat().st_size / 1000:.0f} kB).", err=True)
    if follow:
        _follow(site, as_json, minutes, fields)


def _follow(site: PierFile, as_json: bool, minutes: float | None, fields: int | None) -> None:
    """Take in what comes, and say after each file how far the evening is, until Ctrl-C."""
    import threading
    from contextlib import suppress

    from drift.api import follow_tonight, open_record, try_to_analyse
    from drift.importer.folders import WatchedFolders
    from drift.record.engine import now_us
    from drift.render.by_hand import outcome_words
    from drift.render.tonight import following_mapping, following_sections

    with open_record(site) as record:
        analysis = try_to_analyse(site, record.readings(), record, now_us())

        def say(minutes: float | None = None, fields: int | None = None) -> None:
            made = follow_tonight(site, record, analysis, at_us=now_us(), minutes=minutes, fields=fields)
            if as_json:
                import json

                click.echo(json.dumps(following_mapping(made), allow_nan=False))
                return
            from drift.cli.status import print_all

            print_all("", "", following_sections(made))

        def told(outcome: FileImported | FileRefused) -> None:
            click.echo(outcome_words(outcome), err=True)
            say()

        say(minutes, fields)
        with suppress(KeyboardInterrupt):
            WatchedFolders(lambda: (site, record), told).run(threading.Event())


def moment(text: str, zone: ZoneInfo, now_us: int) -> int:
    """Return a moment that was typed [UTC us]: a time of day is the next one by the pier's clock.

    Raises
    ------
    click.BadParameter
        If it is none.
    """
    now = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=now_us)
    try:
        when = _of_day(text, now.astimezone(zone)) if len(text) <= 5 else datetime.fromisoformat(text)
    except ValueError:
        when = None
    if when is None or when.tzinfo is None:
        raise click.BadParameter(
            f"{text!r} is no time.  Write a time of day by the pier's clock ({zone}) such as 21:30, or a "
            "date and time with Z or an offset such as 2026-11-30T21:30Z.",
            param_hint="--at",
        )
    if not 1970 <= when.year < 2100:
        raise click.BadParameter(f"{text!r} lies outside the years 1970 to 2099.", param_hint="--at")
    return round((when - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()) * 1_000_000


def _of_day(text: str, now: datetime) -> datetime:
    """Return the next moment at which the pier's clock shows a time of day."""
    hour, minute = text.split(":")
    when = now.replace(hour=int(hour), minute=int(minute), second=0, microsecond=0)
    if when < now - timedelta(hours=1):
        day = (now + timedelta(days=1)).date()
        when = when.replace(year=day.year, month=day.month, day=day.day)
    return when
