"""`drift piers`: the state of several piers in one line each, and the nightly job for all of them."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.options import columns, no_colour, say, schedule_option

if TYPE_CHECKING:
    from drift.nightly import Runner
    from drift.notices import Notice
    from drift.piers.lending import Loan
    from drift.piers.line import PierLine, PierNight
    from drift.piers.listing import Listed, PierList
    from drift.piers.running import Done, Task


@click.group(
    "piers",
    help="Look after several piers at once: those of a club, or of a site that houses telescopes.\n\n"
    "PLACE is a folder with a pier.toml in it or in each of its subfolders, or a piers.toml that names the "
    "site files; by default ./piers.toml, or else this folder.  `drift guide clubs` says how to begin.",
)
def command() -> None:
    """Look after several piers."""


_place = click.argument("place", required=False, type=click.Path(path_type=Path), metavar="[PLACE]")
_workers = click.option(
    "--workers",
    type=click.IntRange(1, 1024),
    help="How many piers are worked on at a time; by default one for each core.",
)
#: What a line's colour is on a terminal.
_STYLES = {
    "moved": "bright_red",
    "failed": "bright_red",
    "beyond": "yellow",
    "seen_once": "yellow",
    "notice": "yellow",
    "close": "yellow",
}


@command.command(
    "status",
    help="Say how each pier stands, the most urgent first: axis and tilt of their limits, the age of the "
    "last night that shows the axis, and what waits.\n\n"
    "A ! stands before a pier that has moved and a ? before one that can't be looked at, with the reason; ~ "
    "before a value that is nearer to its limit than its uncertainty.\n\n"
    "Exit code 0: nothing waits.  1: at least one pier has news that `drift check` exits with 1 for, until "
    "`drift acknowledge`.  2: none has, but at least one could not be looked at.",
)
@_place
@_workers
@click.option("--json", "as_json", is_flag=True, help="Print the list as one JSON document, in arcseconds.")
@click.option(
    "--exact-positions",
    is_flag=True,
    help="Give positions in the JSON as the site files have them, and not rounded to 0.1 degrees.",
)
@click.pass_context
def status_command(
    ctx: click.Context, place: Path | None, workers: int | None, as_json: bool, exact_positions: bool
) -> None:
    """Print one line a pier, and set the exit code."""
    from drift.api import common_of, pier_lines

    if exact_positions and not as_json:
        raise click.UsageError("--exact-positions is for --json: the list in words has no positions.")
    place, found = _listed(place)
    piers = found.piers
    with _progress("Looking at the piers", len(piers)) as told:
        lines = pier_lines(piers, workers, told)
    common = common_of(piers, lines)
    if as_json:
        import json

        from drift.render.piers import as_mapping

        click.echo(json.dumps(as_mapping(lines, place, common, exact_positions), indent=1, allow_nan=False))
    else:
        from drift.render.piers import common_words, summary

        print_lines(lines)
        for sentence in common_words(common):
            say(sentence)
        say(summary(lines), err=True)
    ctx.exit(exit_code(lines))


def _listed(place: Path | None) -> tuple[Path, PierList]:
    """Return the folder or list, and what is in it."""
    from drift.piers.listing import LIST_NAME, pier_list

    if place is None:
        place = Path(LIST_NAME) if Path(LIST_NAME).is_file() else Path()
    return place, pier_list(place)


def print_lines(lines: tuple[PierLine, ...]) -> None:
    """Print one line a pier, in the width of the terminal."""
    from drift.render.piers import shown_lines

    plain = no_colour() or not sys.stdout.isatty()
    for shown in shown_lines(lines, columns()):
        style = None if shown.urgency is None else _STYLES.get(shown.urgency)
        click.echo(shown.text if plain or style is None else click.style(shown.text, fg=style))


def exit_code(lines: tuple[PierLine, ...]) -> int:
    """Return 1 where something has moved, 2 where a pier could not be looked at, else 0."""
    from drift.codes import Urgency

    if any(line.waits for line in lines):
        return 1
    return 2 if any(line.urgency is Urgency.FAILED for line in lines) else 0


@contextmanager
def _progress(sentence: str, count: int) -> Iterator[Callable[[Done], None] | None]:
    """Show how many piers are done, only on a terminal, while the block runs."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    shown = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*shown, console=Console(stderr=True), transient=True) as progress:
        bar = progress.add_task(sentence, total=count)
        yield lambda done: progress.advance(bar)


# ---- `drift piers nightly`: the nightly job of all piers.


@command.command(
    "nightly",
    help="Do for each pier what `drift nightly` does: take in what is new in its [logs] folders, work it "
    "out, warn, send its digest, write its report.\n\n"
    "The piers are worked on side by side on the cores of this machine, or by the workers of a Dask "
    "cluster that is there already.  What fails at one pier costs that pier another try and the others "
    "nothing; the command may run at any time and as often as wanted, and nothing is taken in or "
    "sent twice.\n\n"
    "`weather` in a piers.toml names folders with weather logs that all its piers share: what is new there "
    "goes into each record.  A pier that has not seen a whole winter borrows from what three or more of "
    "its site did in theirs, from its next answer on, unless its pier.toml says [site] borrow = false.\n\n"
    "Exit code 0: done, nothing to warn of.  1: something has moved at one pier at least, again each "
    "time until `drift acknowledge`.  2: nothing has, but a pier could not be worked on.  3: neither, "
    "but something needs you: a file with an open question, a folder that is not there, a mail that "
    "could not be sent.",
)
@_place
@_workers
@click.option("--no-send", is_flag=True, help="Send nothing; what is to be sent waits for the next run.")
@click.option("--quiet", is_flag=True, help="Print only what needs someone.")
@click.option("--json", "as_json", is_flag=True, help="Print what came of it as one JSON document.")
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Let the workers of the Dask cluster with this scheduler do it, such as tcp://192.0.2.20:8786.  "
    "They need the same version of drift, and the site files and records at the same paths.  Whoever "
    "reaches a scheduler can run programs through it: keep it in a network that you trust.",
)
@schedule_option(
    "Print ready lines that let a scheduler of this machine run it each morning, and do nothing else."
)
@click.pass_context
def nightly_command(
    ctx: click.Context,
    place: Path | None,
    workers: int | None,
    no_send: bool,
    quiet: bool,
    as_json: bool,
    scheduler: str | None,
    schedule: str | None,
) -> None:
    """Do the nightly job of all piers, print what came of it, and set the exit code."""
    from drift.api import common_of
    from drift.nightly import lend_among
    from drift.piers.line import by_urgency
    from drift.record.engine import now_us
    from drift.render.piers import shared_care_words

    if scheduler is not None and workers is not None:
        raise click.UsageError("--workers is for this machine: a cluster has the workers that it has.")
    place, found = _listed(place)
    piers = found.piers
    if schedule is not None:
        click.echo(_schedule(schedule, place, scheduler), nl=False)
        return
    run = _runner(workers, scheduler)
    nights = _nights(found, run, not no_send)
    loans = lend_among(piers, nights, run, now_us())
    lines = by_urgency(night.line for night in nights)
    by_name = {night.line.name: night for night in nights}
    nights = [by_name[line.name] for line in lines]
    if as_json:
        import json

        from drift.render.piers import nights_mapping

        data = nights_mapping(nights, place, common_of(piers, lines), loans)
        click.echo(json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False))
    else:
        _print_nights(nights, common_of(piers, lines), loans, quiet)
    code = exit_code(lines)
    needs_care = any(night.needs_care for night in nights) or any(loan.trouble for loan in loans)
    needs_care = needs_care or bool(shared_care_words(nights))
    ctx.exit(3 if code == 0 and needs_care else code)


def _runner(workers: int | None, scheduler: str | None) -> Runner:
    """Return what does a task for some piers: on this machine, or on a cluster."""
    from drift.piers.running import run_here, run_on_cluster

    def run(task: Task, piers: Sequence[Listed], told: Callable[[Done], None] | None = None) -> list[Done]:
        if scheduler is None:
            return run_here(task, piers, workers, told)
        return run_on_cluster(scheduler, task, piers, told)

    return run


def _nights(found: PierList, run: Runner, send: bool) -> list[PierNight]:
    from drift.api import line_of_done
    from drift.piers.line import PierNight
    from drift.piers.running import Task
    from drift.record.engine import now_us

    weather = tuple(str(folder.absolute()) for folder in found.weather)
    task = Task("drift.nightly:nightly_of_listed", {"send": send, "weather": weather})
    with _progress("The nightly job of all piers", len(found.piers)) as told:
        done = run(task, found.piers, told)
    now = now_us()
    return [
        one.result if one.failure is None else PierNight(line=line_of_done(one, now), result=None)
        for one in done
    ]


def _print_nights(
    nights: list[PierNight], common: tuple[Notice, ...], loans: tuple[Loan, ...], quiet: bool
) -> None:
    from drift.codes import Urgency
    from drift.render.piers import (
        care_words,
        common_words,
        loan_troubles,
        loans_words,
        shared_care_words,
        summary,
        taken_words,
    )

    lines = tuple(night.line for night in nights)
    wanted = (Urgency.MOVED, Urgency.FAILED)
    shown = tuple(line for line in lines if not quiet or line.urgency in wanted)
    if shown:
        print_lines(shown)
    for sentence in common_words(common):
        say(sentence)
    lent = "" if quiet else loans_words(loans)
    if lent:
        say(lent)
    care = [sentence for night in nights for sentence in care_words(night)]
    for sentence in (*shared_care_words(nights), *care, *loan_troubles(loans)):
        say(sentence, rest="  ", style="yellow")
    if not quiet:
        say(f"{taken_words(nights)}  {summary(lines)}", err=True)


def _schedule(system: str, place: Path, scheduler: str | None) -> str:
    from dataclasses import replace

    from drift.cli.check import NIGHTLY, schedule_lines

    command = ["piers", *NIGHTLY.command, *(["--scheduler", scheduler] if scheduler else [])]
    job = replace(NIGHTLY, command=(*command, str(place.absolute())))
    return schedule_lines(system, None, job)
