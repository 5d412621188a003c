"""`drift check`: for a scheduler, exit 1 when pier or mount has moved."""

from __future__ import annotations

import click

from drift.cli.options import pier_option, site_of


@click.command(
    "check",
    help="Say what is new since it was last acknowledged; nothing at all when nothing is.\n\n"
    "Exit code 0: nothing new.  1: the pier or the mount has moved, a warning limit was passed or a "
    "correction did not hold; again at every check until `drift acknowledge`.  2: the check could not be "
    "made.  What is seen on one night only is told, but counts from the second night on.",
)
@pier_option
@click.option("--json", "as_json", is_flag=True, help="Print the news as JSON, also when there is none.")
@click.pass_context
def command(ctx: click.Context, pier: str | None, as_json: bool) -> None:
    """Compare today's answer with what was acknowledged and leave with the exit code."""
    from drift.api import answer_readings, open_book
    from drift.cli.progress import working
    from drift.watch.changes import news

    site = site_of(pier)
    with open_book(site) as book:
        with working("Working out the axis of each night and the pier's lean"):
            answer = answer_readings(site, book.readings(), book)
        last = book.last_acknowledged()
    found = news(answer, None if last is None else last[2])
    if as_json:
        import json

        from drift.watch.told import as_mapping

        click.echo(json.dumps(as_mapping(found, last), indent=1, allow_nan=False))
    else:
        for item in (*found.new, *found.provisional):
            click.echo(item.sentence)
        if found.moved:
            click.echo("`drift status` says what to do; `drift acknowledge` makes this quiet.", err=True)
    ctx.exit(1 if found.moved else 0)
