"""`drift guide`: short texts on what to do and how to read what is said."""

from __future__ import annotations

import click


@click.command(
    "guide",
    help="Read the guide that travels along: short texts, each under a page, offline.\n\n"
    "Without TOPIC the topics are listed: the first night, which solves to take, a level read end for end, "
    'the strip, corrections, winter, when the answer is "can\'t be told", safety, and the words used here.',
)
@click.argument("topic", required=False)
def command(topic: str | None) -> None:
    """Print a topic, or list them."""
    from drift.cli.options import columns
    from drift.render.guide import guide_text, topics_text

    if topic is None:
        click.echo("Topics of `drift guide TOPIC`:\n")
        click.echo(topics_text(), nl=False)
        return
    click.echo(guide_text(topic, columns()), nl=False)
