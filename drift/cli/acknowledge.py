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
    from drift.errors import BookError
    from drift.watch.changes import news, state_text

    site = site_of(pier)
    with open_book(site) as book:
        with working("Working out the axis of each night and the pier's lean"):
            answer = answer_readings(site, book.readings(), book)
        last = book.last_acknowledged()
        before, when = None if last is None else last[2], (clock(), book.latest_import_us())
        try:
            found = news(answer, before, *when)
        except BookError:  # a kept state that can't be read must not stand in the way of a new one
            before, found = None, news(answer, None, *when)
        dropped = book.acknowledge(note, state_text(answer, before, *when))
    for item in (*found.new, *found.notices):
        click.echo(f"Acknowledged: {item.sentence}")
    if not (found.new or found.notices):
        click.echo("Acknowledged; nothing was new.")
    if dropped:
        click.echo(f"Not sent any more, because it is acknowledged: {_messages(dropped)}.")
    for item in found.provisional:
        click.echo(f"Not acknowledged: {item.sentence}")


def _messages(count: int) -> str:
    return "a message" if count == 1 else f"{count} messages"
