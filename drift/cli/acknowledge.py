"""`drift acknowledge`: take note of what `check` reported."""

from __future__ import annotations

import click


@click.command(
    "acknowledge",
    help="Take note of all that is known now, so that `drift check` is quiet until something else is new.\n\n"
    "An event seen on one night only is not taken note of: it is told again once a second night shows it.",
)
@click.option("--pier", metavar="FILE", help="The site file; ./pier.toml, or $DRIFT_PIER, when not given.")
@click.option("--note", default="", help="Why, in your words; kept with the date.")
def command(pier: str | None, note: str) -> None:
    """Store what is known now and print what of it was new."""
    from drift.api import answer_readings, open_book, read_site
    from drift.cli.talk import working
    from drift.errors import BookError
    from drift.pierfile import find_pier
    from drift.watch.changes import news, state_text

    site = read_site(find_pier(pier))
    with open_book(site) as book:
        with working("Working out the axis of each night and the pier's lean"):
            answer = answer_readings(site, book.readings())
        last = book.last_acknowledged()
        before = None if last is None else last[2]
        try:
            found = news(answer, before)
        except BookError:  # a kept state that can't be read must not stand in the way of a new one
            before, found = None, news(answer, None)
        book.acknowledge(note, state_text(answer, before))
    for item in found.new:
        click.echo(f"Acknowledged: {item.sentence}")
    if not found.new:
        click.echo("Acknowledged; nothing was new.")
    for item in found.provisional:
        click.echo(f"Not acknowledged: {item.sentence}")
