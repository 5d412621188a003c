"""`drift acknowledge`: take note of what `check` reported."""

from __future__ import annotations

import click

from drift.cli.options import pier_option, site_of


@click.command(
    "acknowledge",
    help="Take note of all that is known now, so that `drift check` is quiet until something else is new.\n\n"
    "An event seen on one night only is not taken note of: it is told again once a second night shows it.  "
    "Warnings that could not be sent are not sent any more.",
)
@pier_option
@click.option("--note", default="", help="Why, in your words; kept with the date.")
def command(pier: str | None, note: str) -> None:
    """Store what is known now and print what of it was new."""
    from drift.api import answer_readings, open_book
    from drift.book.clock import now_us as clock
    from drift.cli.progress import working
    from drift.watch.changes import acknowledged_sentences, news_afresh, state_text

    site = site_of(pier)
    with open_book(site) as book:
        with working("Working out the axis of each night and the pier's lean"):
            answer = answer_readings(site, book.readings(), book)
        last = book.last_acknowledged()
        when = (clock(), book.latest_import_us())
        found, before = news_afresh(answer, None if last is None else last[2], *when)
        dropped = book.acknowledge(note, state_text(answer, before, *when))
    for sentence in acknowledged_sentences(found, dropped):
        click.echo(sentence)
