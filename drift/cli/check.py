"""`drift check` (exit 1 when pier or mount has moved), lines for a scheduler, and `drift acknowledge`."""

from __future__ import annotations

import shlex
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from drift.cli.options import FITS_HERE, SCHEDULERS, pier_option, say, site_of

if TYPE_CHECKING:
    from drift.record.record import Record
    from drift.site.file import PierFile
    from drift.types import Analysis
    from drift.watch.coming import News


# ---- `drift acknowledge`: mark what `check` reported as seen.


@click.command(
    "acknowledge",
    help="Mark all that is known now as seen, so that `drift check` is quiet until something else is new.\n\n"
    "What one night only shows is not marked: it is told again once a second night shows it.  "
    "Warnings that could not be sent are not sent any more.",
)
@pier_option
@click.option("--note", default="", help="Why, in your words; kept with the date.")
def acknowledge_command(pier: str | None, note: str) -> None:
    """Store what is known now and print what was new."""
    from drift.api import analyse_readings, open_record
    from drift.cli.options import working
    from drift.record.engine import now_us as clock
    from drift.render.watch_words import acknowledged_sentences
    from drift.watch.changes import news_afresh, state_text

    site = site_of(pier)
    with open_record(site) as record:
        with working("Working out the axis of each night and the pier's tilt"):
            analysis = analyse_readings(site, record.readings(), record)
        last = record.last_acknowledged()
        when = (clock(), record.latest_import_us())
        found, before = news_afresh(analysis, None if last is None else last[2], *when)
        dropped = record.acknowledge(note, state_text(analysis, before, *when))
    for sentence in acknowledged_sentences(found, dropped):
        say(sentence)


# ---- `drift check`: for a scheduler, exit 1 when pier or mount has moved.


#: How to start the command where it is not installed as a program.
_BY_HAND = "from drift.cli.main import main; main()"


@click.command(
    "check",
    help="Say what is new since it was last acknowledged; nothing at all when nothing is.\n\n"
    "Exit code 0: nothing new.  1: the pier or the mount has moved, a warning limit was passed or a "
    "correction did not hold; again at every check until `drift acknowledge`.  2: the check could not be "
    "made.  What is seen on one night only is told, but counts from the second night on; so are a limit that "
    "will likely be passed soon, and readings too old or too thin to watch by.\n\n"
    "Each warning is sent once to each address of [warn] notify in the site file.  In an address, ${NAME} "
    "stands for an environment variable and ${keyring:SERVICE/USER} for a password of the keyring; a "
    "whole address may be env://NAME or keyring://SERVICE/USER.",
)
@pier_option
@click.option("--json", "as_json", is_flag=True, help="Print the news as JSON, also when there is none.")
@click.option("--no-send", is_flag=True, help="Send nothing; what is to be sent waits for the next check.")
@click.option(
    "--try-addresses", is_flag=True, help="Send a trial message to each address, and do nothing else."
)
@click.option(
    "--schedule",
    type=click.Choice(SCHEDULERS),
    help="Print ready lines that let this scheduler run the check once a day, and do nothing else.",
)
@click.pass_context
def command(
    ctx: click.Context,
    pier: str | None,
    as_json: bool,
    no_send: bool,
    try_addresses: bool,
    schedule: str | None,
) -> None:
    """Compare today's analysis with what was acknowledged, print and send the news, and set the exit code."""
    site = site_of(pier)
    if schedule is not None:
        click.echo(schedule_lines(schedule, site), nl=False)
        return
    if try_addresses:
        ctx.exit(0 if _tried(site) else 2)
    from drift.api import open_record

    with open_record(site) as record:
        moved = check(site, record, as_json, not no_send)
    ctx.exit(1 if moved else 0)


def check(
    site: PierFile, record: Record, as_json: bool = False, send: bool = True, now_us: int | None = None
) -> bool:
    """Print what is new and send what was not sent; return whether something has moved.

    Parameters
    ----------
    site, record
        The pier and its record.
    as_json
        Whether to print JSON.
    send
        Whether to send.
    now_us
        The present time [us]; that of the clock when None.
    """
    from drift.api import analyse_readings
    from drift.cli.options import working
    from drift.nightly import post_warnings
    from drift.record.engine import now_us as clock
    from drift.watch.changes import news

    now_us = clock() if now_us is None else now_us
    with working("Working out the axis of each night and the pier's tilt"):
        analysis = analyse_readings(site, record.readings(), record, now_us)
    last = record.last_acknowledged()
    found = news(analysis, None if last is None else last[2], now_us, record.latest_import_us())
    _print(found, last, analysis, as_json)
    if site.warn.notify and not record.read_only:
        post_warnings(analysis, record, found, None if last is None else last[0], now_us)
        if send:
            _send(site, record)
    elif site.warn.notify and (found.new or found.notices):
        click.echo("Nothing is sent: the record can't be written, so it could not be noted.", err=True)
    return found.moved


def _print(found: News, last: tuple[int, str, str] | None, analysis: Analysis, as_json: bool) -> None:
    from drift.render.headline import rests_on, rests_on_words

    if as_json:
        import json

        from drift.render.notices import as_data
        from drift.render.watch_words import as_mapping

        data = {**as_mapping(found, last), "rests_on": [as_data(one) for one in rests_on(analysis)]}
        click.echo(json.dumps(data, indent=1, allow_nan=False))
        return
    from drift.render.watch_words import item_sentence

    for item in (*found.new, *found.provisional, *found.notices):
        say(item_sentence(item), rest="  ", style="bright_red" if item in found.new else "yellow")
    for line in rests_on_words(analysis) if found.new or found.provisional or found.notices else ():
        say(line)
    if found.new or found.notices:
        say("`drift status` says what to do; `drift acknowledge` marks this as seen.", err=True)


def _send(site: PierFile, record: Record) -> None:
    import os

    from drift.notify import deliver

    for trouble in deliver(record, site.warn.notify, os.environ).troubles:
        click.echo(trouble, err=True)


def _tried(site: PierFile) -> bool:
    """Send a trial message to each address, print the outcome, and return whether all arrived."""
    import os

    from drift.notify import try_all

    if not site.warn.notify:
        click.echo(f"{site.path}, [warn] notify names no address.", err=True)
        return False
    pier = site.site.name or "the pier"
    tried = try_all(site.warn.notify, os.environ, f"drift: {pier}: a trial", "Warnings will come this way.")
    for went, sentence in tried:
        click.echo(sentence, err=not went)
    return all(went for went, _ in tried)


# ---- Ready lines that let a scheduler run a command of ours once a day.


@dataclass(frozen=True)
class Job:
    """A command for a scheduler: when it runs, what it is for, and which exit codes are no failure."""

    command: tuple[str, ...]
    hour: int
    minute: int
    purpose: str
    exit_codes: tuple[tuple[int, str], ...]

    @property
    def name(self) -> str:
        """What its unit or task is called."""
        return f"drift {self.command[0]}"


#: Around noon all nights are imported, and a clock change at night does no harm.
CHECK = Job(("check",), 12, 20, "Look whether the pier or the mount has moved", ((1, "something has moved"),))
NIGHTLY = Job(
    ("nightly", "--quiet"),
    8,
    20,
    "Take in the night's logs, work them out, warn and report",
    ((1, "something has moved"), (3, "something needs you")),
)


def system_here() -> str:
    """Return the scheduler that fits this machine."""
    import sys
    from pathlib import Path

    if sys.platform == "win32":
        return "windows"
    return "systemd" if Path("/run/systemd/system").is_dir() else "cron"


def schedule_lines(system: str, site: PierFile | None, job: Job = CHECK) -> str:
    """Return the lines by which a scheduler runs a command on a pier, with whole paths.

    Without a site the job's own command says on what it works.
    """
    import shutil
    import sys
    from pathlib import Path

    system = system_here() if system == FITS_HERE else system
    running = Path(sys.argv[0])
    found = str(running) if running.stem == "drift" and running.is_file() else shutil.which("drift")
    # a scheduler knows no folders of programs: whole paths only
    program = [str(Path(found).absolute())] if found else [sys.executable, "-c", _BY_HAND]
    pier = None if site is None else str(Path(site.path or "pier.toml").absolute())
    return lines_for(system, program, pier, job)


def lines_for(system: str, program: Sequence[str], pier: str | None, job: Job = CHECK) -> str:
    """Return the lines for one scheduler.

    Parameters
    ----------
    system
        "cron", "systemd" or "windows".
    program
        The program and its first arguments.
    pier
        Whole path of the site file; None where the job's command says on what it works.
    job
        What is run.
    """
    command = [*program, *job.command, *([] if pier is None else ["--pier", pier])]
    return {"cron": _cron, "systemd": _systemd, "windows": _windows}[system](command, job)


def _cron(command: Sequence[str], job: Job) -> str:
    line = shlex.join(command).replace("%", r"\%")  # cron takes a bare % for the end of the line
    return (
        "# For `crontab -e`: once a day, silent when nothing is new.  cron mails what is printed, where the\n"
        "# machine can send mail.  A secret named ${NAME} in pier.toml needs a line NAME=... above it.\n"
        f"{job.minute} {job.hour} * * * {line}\n"
    )


def _systemd(command: Sequence[str], job: Job) -> str:
    words = " ".join(_systemd_word(word) for word in command)
    unit = job.name.replace(" ", "-")
    codes = "; ".join(f"{code} means that {means}" for code, means in job.exit_codes)
    return (
        f"# ~/.config/systemd/user/{unit}.service\n"
        "[Unit]\n"
        f"Description={job.purpose}\n"
        "\n"
        "[Service]\n"
        "Type=oneshot\n"
        f"# {codes}; 2 that it could not be done\n"
        f"SuccessExitStatus={' '.join(str(code) for code, _ in job.exit_codes)}\n"
        "# Secrets named ${NAME} in pier.toml stand in this file as lines NAME=...; it may be missing.\n"
        "EnvironmentFile=-%h/.config/drift/secrets\n"
        f"ExecStart={words}\n"
        "\n"
        f"# ~/.config/systemd/user/{unit}.timer\n"
        "[Unit]\n"
        f"Description=Run {unit} once a day\n"
        "\n"
        "[Timer]\n"
        f"OnCalendar=*-*-* {job.hour:02d}:{job.minute:02d}:00\n"
        "Persistent=true\n"
        "\n"
        "[Install]\n"
        "WantedBy=timers.target\n"
        "\n"
        f"# Then: systemctl --user daemon-reload && systemctl --user enable --now {unit}.timer\n"
        "# so that it runs while you are logged out, too: loginctl enable-linger\n"
        f"# what it said: journalctl --user -u {unit}\n"
    )


def _systemd_word(word: str) -> str:
    """Quote a word of a systemd command line: specifiers, variables, quotes (systemd.service(5))."""
    plain = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{plain}"'


def _windows(command: Sequence[str], job: Job) -> str:
    task = subprocess.list2cmdline(command)
    when = f"{job.hour:02d}:{job.minute:02d}"
    create = ["schtasks", "/Create", "/TN", job.name, "/SC", "DAILY", "/ST", when, "/TR", task]
    codes = ", ".join(f"{code} when {means}" for code, means in job.exit_codes)
    return (
        "rem For a command prompt (not PowerShell): once a day.  The task's last result is "
        f"{codes}\n"
        "rem and 2 when it could not be done.  A secret named ${NAME} in pier.toml is set once with\n"
        "rem setx NAME value.\n"
        f"{subprocess.list2cmdline(create)}\n"
    )
