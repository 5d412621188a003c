"""`drift nightly`: the job of one pier for a scheduler, and the lines that let a scheduler run it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, say, schedule_option, site_of

if TYPE_CHECKING:
    from drift.nightly import Step
    from drift.watch.nightly import NightlyResult


@click.command(
    "nightly",
    help="Take in what is new in [logs] folders, work it out, warn, send the digest, and write the "
    "report.\n\n"
    "For a scheduler: it may run at any time and as often as wanted, and nothing is taken in or sent twice.  "
    "A file with an open question, or one that is still being written, holds up no other.\n\n"
    "Exit code 0: done, nothing new to warn of.  1: done, and the pier or the mount has moved, a warning "
    "limit was passed or a correction did not hold; again each time until `drift acknowledge`.  2: it could "
    "not be done.  3: done, nothing has moved, but something needs you: a file with an open question, a "
    "folder that is not there, a mail or a report that could not be sent or written.\n\n"
    "[warn] notify in the site file says to whom warnings go, and [warn] digest how often those addresses "
    "hear how things stand.",
)
@pier_option
@click.option(
    "--report",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write a report there; [nightly] report in the site file says it for each time.",
)
@click.option("--no-send", is_flag=True, help="Send nothing; what is to be sent waits for the next run.")
@click.option("--quiet", is_flag=True, help="Print only what needs someone.")
@click.option("--json", "as_json", is_flag=True, help="Print what came of it as one JSON document.")
@schedule_option(
    "Print ready lines that let this scheduler run it each morning, and do nothing else; without a name "
    "those that fit this machine."
)
@click.pass_context
def command(
    ctx: click.Context,
    pier: str | None,
    report: Path | None,
    no_send: bool,
    quiet: bool,
    as_json: bool,
    schedule: str | None,
) -> None:
    """Do the job, print what came of it, and set the exit code."""
    from drift.site.text import find_pier

    if schedule is not None:
        from drift.cli.check import NIGHTLY, schedule_lines

        click.echo(schedule_lines(schedule, site_of(pier), NIGHTLY), nl=False)
        return
    from drift.nightly import run_nightly

    result = run_nightly(find_pier(pier), send=not no_send, report=report, progress=_told)
    _print(result, quiet, as_json)
    ctx.exit(result.exit_code)


def _told(step: Step) -> None:
    """Say what is being done, only on a terminal."""
    import sys

    from drift.render.nightly_words import STEPS

    if sys.stderr.isatty():
        click.echo(f"{STEPS[step]} ...", err=True)


def _print(result: NightlyResult, quiet: bool, as_json: bool) -> None:
    if as_json:
        import json

        from drift.render.nightly_words import result_mapping

        click.echo(json.dumps(result_mapping(result), indent=1, ensure_ascii=False, allow_nan=False))
        return
    from drift.render.nightly_words import result_lines

    for text, needs_care in result_lines(result, quiet):
        say(text, rest="  ", style="yellow" if needs_care else "")
    if result.news.new or result.news.notices:
        say("`drift status` says what to do; `drift acknowledge` marks this as seen.", err=True)
