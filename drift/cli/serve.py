"""`drift serve`: the local page."""

from __future__ import annotations

import click

from drift.cli.options import pier_option, site_of

_WHY_PASSWORD = (
    "Other machines can reach this address, and whoever opens the page can change the record: so it asks for "
    "a password.  The connection is not encrypted: use it in a network that you trust."
)


@click.command(
    "serve",
    help="Show verdict, pictures, nights and events as a local page in a browser; import files, record and "
    "change corrections, and take note of warnings there.\n\n"
    "It listens on 127.0.0.1, which only this machine reaches.  On any other --host it asks for the password "
    "in the environment variable DRIFT_PAGE_PASSWORD; without one, it makes one and prints it once.  Ctrl-C "
    "stops it.",
)
@click.option("--host", default="127.0.0.1", show_default=True, help="The address to listen on.")
@click.option(
    "--port",
    default=8437,
    show_default=True,
    type=click.IntRange(0, 65535),
    help="The port; 0: any free one.",
)
@click.option(
    "--upload-mb",
    default=200.0,
    show_default=True,
    type=click.FloatRange(0.001, 100_000),
    help="The most that is taken in at once, in megabytes.",
)
@pier_option
@click.pass_context
def command(ctx: click.Context, host: str, port: int, upload_mb: float, pier: str | None) -> None:
    """Say where the page is, and serve it until stopped."""
    import os
    from contextlib import suppress

    from drift.api import open_record
    from drift.web.app import address_of, listen, rules_for, serve

    site = site_of(pier)
    open_record(site).close()  # what is wrong with it is said here, and not in the browser
    assert site.path is not None
    rules, made = rules_for(host, os.environ, upload_mb)
    with listen(host, port) as listening:
        click.echo(address_of(listening))
        if not rules.own_hosts_only:
            click.echo(_WHY_PASSWORD, err=True)
        if made:
            click.echo(f"The password for this start: {made}", err=True)
        click.echo("Open that address in a browser; Ctrl-C stops the page.", err=True)
        with suppress(KeyboardInterrupt):  # this is how it is stopped
            serve(site.path, listening, rules, bool(ctx.obj and ctx.obj["debug"]))
