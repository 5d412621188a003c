"""`drift status`: what axis and pier are doing now, and what to do about it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from drift.record.record import Record
    from drift.site.file import PierFile
    from drift.types import Analysis


@click.command(
    "status",
    help="Say what the axis and the pier are doing now, and what to do about it.\n\n"
    "The verdict stands first, then what to do, then what it rests on.  Exit code 0 whenever it answered, "
    "also when something has moved (`drift check` is for schedulers); 2 when it could not.",
)
@pier_option
@click.option("--json", "as_json", is_flag=True, help="Print the answer as one JSON document, in arcseconds.")
def command(pier: str | None, as_json: bool) -> None:
    """Print the answer on stdout, in words or as JSON."""
    from drift.api import open_record

    site = site_of(pier)
    with open_record(site) as record:
        if as_json:
            click.echo(_json_text(site, record))
        else:
            _print_words(site, record)


def _json_text(site: PierFile, record: Record) -> str:
    """Return the answer as JSON: the kept one when neither readings, site file nor program have changed."""
    import json

    from drift.api import analyse_readings
    from drift.cli.options import working
    from drift.record.engine import now_us
    from drift.render.status_json import as_mapping

    with working("Reading the record"):
        readings = record.readings()
    now = now_us()
    key = _analysis_key(site, readings.readings_id, now, record.latest_import_us())
    kept = record.kept_analysis(key) if readings.readings_id else None
    if kept is not None:
        return kept
    with working("Working out the axis of each night and the pier's tilt"):
        text = json.dumps(
            as_mapping(analyse_readings(site, readings, record, now)), indent=1, allow_nan=False
        )
    if readings.readings_id:
        record.keep_analysis(key, text)
    return text


def _analysis_key(site: PierFile, readings_id: str, now_us: int, arrived_us: int | None) -> str:
    """Name an answer by all that it depends on: readings, site file, today, and what works it out."""
    import hashlib

    from drift.cache import program_stamp
    from drift.quantities import DAY_US

    site_text = site.model_dump_json(exclude={"path", "store"})
    parts = [program_stamp(), site_text, readings_id, str(now_us // DAY_US), str(arrived_us)]
    return "status-json " + hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _print_words(site: PierFile, record: Record) -> None:
    import sys

    from rich.console import Console

    from drift.api import analyse_readings
    from drift.cli.options import working
    from drift.record.engine import now_us
    from drift.render.status import as_text, print_words

    with working("Reading the record"):
        readings = record.readings()
    now = now_us()
    with working("Working out the axis of each night and the pier's tilt"):
        analysis = analyse_readings(site, readings, record, now)
        waiting = _waiting(analysis, record, now)
    console = Console()
    if console.is_terminal and sys.stdout.isatty():
        print_words(analysis, console, waiting)
    else:
        click.echo(as_text(analysis, waiting=waiting), nl=False)


def _waiting(analysis: Analysis, record: Record, now_us: int) -> list[str]:
    """Return what `drift check` would tell: what is new since it was last acknowledged."""
    from drift.watch.changes import news_afresh

    last = record.last_acknowledged()
    found, _ = news_afresh(analysis, None if last is None else last[2], now_us, record.latest_import_us())
    return [item.sentence for item in (*found.new, *found.provisional, *found.notices)]
