"""`drift status`: what axis and pier are doing now, and what to do about it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.book.store import Book
    from drift.pierfile import PierFile


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
    from drift.api import open_book

    site = site_of(pier)
    with open_book(site) as book:
        if as_json:
            click.echo(_json_text(site, book))
        else:
            _print_words(site, book)


def _json_text(site: PierFile, book: Book) -> str:
    """Return the answer as JSON: the kept one when neither readings, site file nor program have changed."""
    import json

    from drift.api import answer_readings
    from drift.book.clock import now_us
    from drift.cli.progress import working
    from drift.show.status_json import as_mapping

    with working("Reading the record"):
        readings = book.readings()
    now = now_us()
    key = _answer_key(site, readings.readings_id, now, book.latest_import_us())
    kept = book.kept_answer(key) if readings.readings_id else None
    if kept is not None:
        return kept
    with working("Working out the axis of each night and the pier's lean"):
        text = json.dumps(as_mapping(answer_readings(site, readings, book, now)), indent=1, allow_nan=False)
    if readings.readings_id:
        book.keep_answer(key, text)
    return text


def _answer_key(site: PierFile, readings_id: str, now_us: int, arrived_us: int | None) -> str:
    """Name an answer by all that it depends on: readings, site file, today, and what works it out."""
    import hashlib

    from drift.quantities import DAY_US
    from drift.stamp import program_stamp

    site_text = site.model_dump_json(exclude={"path", "store"})
    parts = [program_stamp(), site_text, readings_id, str(now_us // DAY_US), str(arrived_us)]
    return "status-json " + hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _print_words(site: PierFile, book: Book) -> None:
    import sys

    from rich.console import Console

    from drift.api import answer_readings
    from drift.book.clock import now_us
    from drift.cli.progress import working
    from drift.show.words import as_text, print_words

    with working("Reading the record"):
        readings = book.readings()
    now = now_us()
    with working("Working out the axis of each night and the pier's lean"):
        answer = answer_readings(site, readings, book, now)
        waiting = _waiting(answer, book, now)
    console = Console()
    if console.is_terminal and sys.stdout.isatty():
        print_words(answer, console, waiting)
    else:
        click.echo(as_text(answer, waiting=waiting), nl=False)


def _waiting(answer: Answer, book: Book, now_us: int) -> list[str]:
    """Return what `drift check` would tell: what is new since it was last acknowledged."""
    from drift.watch.changes import news_afresh

    last = book.last_acknowledged()
    found, _ = news_afresh(answer, None if last is None else last[2], now_us, book.latest_import_us())
    return [item.sentence for item in (*found.new, *found.provisional, *found.notices)]
