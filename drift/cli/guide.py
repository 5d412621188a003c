"""`drift guide` and `drift demo`: short texts to learn from, and the whole job on invented logs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from drift.demo.samples import SampleSet


# ---- `drift guide`: short texts on what to do and how to read the results.


@click.command(
    "guide",
    help="Read the guide that travels along: short texts, each under a page, offline.\n\n"
    "Without TOPIC the topics are listed: the first night, which solves to take, a level read end for end, "
    'the strip, corrections, winter, when the answer is "can\'t be told", safety, notebooks, and the words '
    "used here.  `drift guide notebook -o FILE` writes a worked notebook.",
)
@click.argument("topic", required=False)
@click.option(
    "-o",
    "output",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="With notebook: write the worked notebook into a new file, such as pier.ipynb.",
)
def command(topic: str | None, output: Path | None) -> None:
    """Print a topic, or list them; write the worked notebook."""
    from drift.cli.options import columns
    from drift.render.guide import guide_text, topics_text

    if output is not None:
        if topic != "notebook":
            raise click.UsageError("-o goes with one topic only: drift guide notebook -o pier.ipynb")
        _write_notebook(output)
        return
    if topic is None:
        click.echo("Topics of `drift guide TOPIC`:\n")
        click.echo(topics_text(), nl=False)
        return
    click.echo(guide_text(topic, columns()), nl=False)


def _write_notebook(path: Path) -> None:
    from drift.errors import DriftError
    from drift.render.guide import worked_notebook
    from drift.site.text import write_whole

    try:
        write_whole(path, worked_notebook(), mode=0o666)
    except FileExistsError:
        raise DriftError(f"there is a file {path} already: name another, or move that one away.") from None
    except OSError as error:
        raise DriftError(f"the notebook can't be written to {path}: {error.strerror or error}.") from error
    click.echo(f"Wrote {path}.")


# ---- `drift demo`: the whole job on invented logs, compared with the truth.


@click.command(
    "demo",
    help="Do the whole job on the logs of an invented observatory.\n\n"
    "Makes the logs from a seed in FOLDER (./drift-demo when not given), then runs init, import, status and "
    "report there, and ends by comparing the answer with the truth.  A folder that holds anything but an "
    "earlier demo is left alone.",
)
@click.argument("folder", required=False, type=click.Path(path_type=Path), metavar="[FOLDER]")
@click.option("--south", is_flag=True, help="The smaller set of a pier in the southern hemisphere.")
@click.pass_context
def demo_command(ctx: click.Context, folder: Path | None, south: bool) -> None:
    """Make the logs, analyse them, and compare."""
    from drift.demo.samples import NORTH, SOUTH, clear_folder

    sample = SOUTH if south else NORTH
    folder = folder or Path("drift-demo-south" if south else "drift-demo")
    clear_folder(folder)
    site_text = _make_logs(folder, sample)
    _write_site_file(ctx, folder, sample, site_text)
    _analysis(ctx, folder)
    _compare(folder, sample)
    _print_where(folder)


def _step(number: int, title: str, about: str, typed: str = "") -> None:
    """Print what comes next, and what one would type for it."""
    click.echo(f"\n{number}. {title}", err=True)
    _print(about)
    if typed:
        click.echo(f"   > {typed}", err=True)


def _print(text: str) -> None:
    import textwrap

    click.echo(textwrap.fill(text, 100, initial_indent="   ", subsequent_indent="   "), err=True)


def _run(ctx: click.Context, name: str, **parameters: Any) -> None:
    """Run a command of the program as if it had been typed."""
    import importlib

    module = importlib.import_module(f"drift.cli.{name}")
    try:
        ctx.invoke(module.command, **parameters)
    except click.exceptions.Exit as leave:
        if leave.exit_code:
            raise


def _make_logs(folder: Path, sample: SampleSet) -> str:
    from drift.demo.samples import LOGS, put_logs

    scenario = sample.scenario
    _step(
        1,
        "The logs",
        f"{scenario.name} does not exist.  Its pier, mount, weather and nights are made from a seed, and "
        f"what its owner would have logged goes into {folder / LOGS}.  What is true is kept in truth.json, "
        "which is opened only in the last step, to compare.",
    )
    return put_logs(folder, sample)


def _write_site_file(ctx: click.Context, folder: Path, sample: SampleSet, site_text: str) -> None:
    from drift.demo.files import SITE_NAME, write_texts

    scenario, pier = sample.scenario, str(folder / SITE_NAME)
    latitude, longitude, elevation = scenario.site
    _step(
        2,
        "The site file",
        "It says where the pier stands and what is known of it.",
        f"drift init --latitude-deg {latitude:g} --longitude-deg {longitude:g} --elevation-m {elevation:g} "
        f"--zero {scenario.zero} --pier {pier}",
    )
    _run(
        ctx,
        "init",
        pier=pier,
        force=False,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation,
        zero=scenario.zero,
    )
    write_texts(folder, {SITE_NAME: site_text})
    _print("Then the owner filled in knobs, bolts, pier, optics and horizon with a text editor.")


def _analysis(ctx: click.Context, folder: Path) -> None:
    from drift.demo.files import SITE_NAME
    from drift.demo.samples import LOGS, REPORT_NAME

    pier, logs, report = str(folder / SITE_NAME), folder / LOGS, folder / REPORT_NAME
    _step(
        3,
        "The record",
        "All logs go in; the kinds are told by their headers.  Rows that can't be used are set aside: this "
        "owner's logs have a few, as all logs do.",
        f"drift import {logs} --pier {pier}",
    )
    _run(ctx, "import_logs", paths=(logs,), pier=pier, list_set_aside=False, as_json=False)
    _step(
        4,
        "The answer",
        "What axis and pier are doing now, and what to do about it.",
        f"drift status --pier {pier}",
    )
    _run(ctx, "status", names=(), pier=pier, full=False, as_json=False)
    _step(
        5,
        "The report",
        "The same with pictures, as one file that opens offline.",
        f"drift report -o {report} --pier {pier}",
    )
    _run(ctx, "report", output=report, pier=pier)


def _compare(folder: Path, sample: SampleSet) -> None:
    from drift.api import analyse_record
    from drift.cli.options import working
    from drift.demo.files import SITE_NAME
    from drift.demo.motion import invent_motion
    from drift.demo.truth import compare_events, compare_history, compare_nights, event_lines, table_lines

    _step(
        6,
        "The truth",
        "The answer beside what was put in, in arcseconds.  Typical is the robust spread; the largest "
        "difference stands with the standard deviation that the answer gave it; about 95 % should lie within "
        "two of them.",
    )
    with working("Comparing"):
        analysis, motion = analyse_record(folder / SITE_NAME), invent_motion(sample.scenario)
        rows = (*compare_nights(motion, analysis), *compare_history(motion, analysis))
        lines = [*table_lines(rows), "", *event_lines(compare_events(motion, analysis))]
    click.echo("\n".join(lines))


def _print_where(folder: Path) -> None:
    from drift.demo.files import SITE_NAME, TRUTH_NAME
    from drift.demo.samples import LOGS, REPORT_NAME

    click.echo("\nLook at", err=True)
    for name, about in (
        (REPORT_NAME, "the report, in a browser"),
        (SITE_NAME, "the site file, with a remark on every key"),
        (f"{LOGS}/", "the logs, in the layouts that `drift import` reads as they are"),
        (TRUTH_NAME, "the truth"),
    ):
        click.echo(f"   {folder / name}{'/' if name.endswith('/') else ''}: {about}", err=True)
