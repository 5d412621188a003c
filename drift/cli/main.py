"""The command `drift`: finds the subcommand, and turns errors into words and exit codes.

Exit codes: 0 done, 1 something has moved (`check` only), 2 an error.  A subcommand's module is imported
only when it is named, and the modules import numpy, astropy and the like inside their functions, so that
``drift --help`` answers at once.
"""

from __future__ import annotations

import difflib
import errno
import gc
import importlib
import os
import sys

import click

from drift import __version__
from drift.errors import DriftError, NothingToAnalyse, RowRefused

#: Subcommand -> one line of help.  Each lives in drift/cli/<name>.py as `command`.
COMMANDS = {
    "import": "Read log files or folders into the record.",
    "status": "How things stand now and what to do; other parts by name.",
    "tonight": "Which fields to solve tonight, and what beats any field.",
    "report": "Write one HTML file with pictures and words.",
    "serve": "Show everything as a web page, on this machine.",
    "record": "Write down a correction, a level, an alignment; back up.",
    "advise": "What to do step by step; record a step as done.",
    "outlook": "Look ahead a year: frost, axis and tilt month by month.",
    "figure": "Draw one picture into a PNG, SVG or PDF file.",
    "nightly": "The whole morning job: logs in, warn, digest, report.",
    "check": "For a scheduler: exit 1 when something has moved.",
    "acknowledge": "Mark what `check` warned of as seen.",
    "imports": "What came in: list, undo, mend rows set aside, trace a number.",
    "piers": "Several piers at once: a line each, and their nightly job.",
    "init": "Write a commented site file for a new pier.",
    "site": "Where the pier stands; put it right when it was wrong.",
    "demo": "Do the whole job on made-up logs; takes a minute or two.",
    "guide": "Short texts: first night, solves, level, winter, safety.",
}
#: Heading of the help -> subcommands below it; others go below the last heading.
JOBS = {
    "Every night": ("import", "status", "tonight", "report", "serve", "nightly"),
    "After a correction": ("record", "advise"),
    "Looking ahead": ("outlook", "figure"),
    "When something is wrong": ("check", "acknowledge", "imports"),
    "With several piers": ("piers",),
    "Once": ("init", "site", "demo", "guide"),
}
#: Subcommands that share a file with another, or whose name is a word of Python: file, and name in it.
_ELSEWHERE = {
    "site": ("init", "site_command"),
    "import": ("import_logs", "command"),
    "acknowledge": ("check", "acknowledge_command"),
    "figure": ("report", "figure_command"),
    "serve": ("report", "serve_command"),
    "outlook": ("status", "outlook_command"),
    "demo": ("guide", "demo_command"),
}
#: Former names that still work but are not listed: they are below `imports` now.
_FORMER = {
    "undo": ("imports", "undo_command"),
    "aside": ("imports", "aside_command"),
    "origin": ("imports", "origin_command"),
}
#: Subcommands of `drift record` that also work without that word, for people in a hurry.
_SHORT = {"backup": ("keeping", "backup_command"), "restore": ("keeping", "restore_command")}
_UNLISTED = {**_FORMER, **_SHORT}
#: Commands that run once and end.  Searching the objects of a long analysis for cycles, again and again,
#: takes a tenth of their time and frees next to nothing.
_LEAVE_SOON = ("status", "tonight", "report", "figure", "check", "nightly")


class _Commands(click.Group):
    """A group that imports a subcommand only when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS and cmd_name not in _UNLISTED:
            return None
        file, name = {**_ELSEWHERE, **_UNLISTED}.get(cmd_name, (cmd_name, "command"))
        command: click.Command = getattr(importlib.import_module(f"drift.cli.{file}"), name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in COMMANDS and name not in _UNLISTED and not name.startswith("-"):
            close = difflib.get_close_matches(name, (*COMMANDS, *_SHORT), n=1)
            meant = f"; did you mean {close[0]!r}?" if close else "."
            ctx.fail(f"there is no command {name!r}{meant}  The commands are {', '.join(COMMANDS)}.")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        placed = {name for names in JOBS.values() for name in names}
        others = tuple(name for name in COMMANDS if name not in placed)
        for heading, names in JOBS.items():
            names = (*names, *others) if heading == "Once" else names
            with formatter.section(heading):
                formatter.write_dl([(name, COMMANDS[name]) for name in names if name in COMMANDS], col_max=14)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="drift")
@click.option(
    "--debug",
    is_flag=True,
    help="Show the full traceback when something goes wrong; before or after the command.",
)
@click.pass_context
def cli(ctx: click.Context, debug: bool) -> None:
    """Watch the polar alignment of a telescope on a permanent outdoor pier."""
    ctx.obj = {"debug": debug}


def _before_files(arguments: list[str]) -> list[str]:
    """Return the arguments before a ``--``, after which nothing is an option."""
    return arguments[: arguments.index("--")] if "--" in arguments else arguments


def _traceback_if(debug: bool) -> None:
    if debug:
        import traceback

        traceback.print_exc()


def _words_of(error: DriftError) -> str:
    """Return the sentence of an error."""
    if isinstance(error, NothingToAnalyse):
        return f"{error}  `drift guide first-night` says how to begin."
    if not isinstance(error, RowRefused):
        return str(error)
    from drift.render.import_words import error_words

    return error_words(error)


def _refused_by_system(error: OSError) -> str:
    """Return what the operating system refused, and where."""
    where = f"{error.filename}: " if error.filename else ""
    room = "  Make room there, and run the command again." if error.errno == errno.ENOSPC else ""
    what = error.strerror or type(error).__name__
    return (
        f"drift: the system refused to read or write ({where}{what}).{room}  If it isn't clear what was "
        "meant, run the same command as `drift --debug ...`."
    )


def _one_thread_a_process() -> None:
    """Let linear algebra use one thread, unless the environment says otherwise; before numpy is imported.

    The fits solve many small systems: with two threads the processor does twice the work for the same
    answer, most of it in waiting for the other thread.  The second core draws (render/drawing.py).
    """
    os.environ.setdefault("OMP_NUM_THREADS", "1")


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit with its code."""
    _one_thread_a_process()
    arguments = sys.argv[1:] if arguments is None else arguments
    debug = "--debug" in _before_files(arguments)
    if debug:  # it may come after the command as well
        after = arguments[len(_before_files(arguments)) :]
        arguments = ["--debug", *(one for one in _before_files(arguments) if one != "--debug"), *after]
    collecting = gc.isenabled()
    if next((each for each in arguments if each in COMMANDS), "") in _LEAVE_SOON:
        gc.disable()
    try:
        code = cli.main(args=arguments, prog_name="drift", standalone_mode=False)
    except click.exceptions.Exit as leave:
        code = leave.exit_code
    except SystemExit:  # click leaves with 1 when the reader of a pipe has gone: 1 means "moved" here
        code = 2
    except click.ClickException as error:
        error.show()
        code = 2
    except (click.exceptions.Abort, KeyboardInterrupt):
        click.echo("drift: stopped.  Nothing half-done was kept.", err=True)
        code = 2
    except DriftError as error:
        _traceback_if(debug)
        click.echo(f"drift: {_words_of(error)}", err=True)
        code = 2
    except OSError as error:
        _traceback_if(debug)
        click.echo(_refused_by_system(error), err=True)
        code = 2
    except Exception as error:  # the last net: one paragraph instead of a traceback
        _traceback_if(debug)
        click.echo(
            f"drift: something went wrong that should not have ({type(error).__name__}: {error}).  "
            "Run the same command as `drift --debug ...` and send what it prints to the developers.",
            err=True,
        )
        code = 2
    finally:
        if collecting:
            gc.enable()
    sys.exit(code if isinstance(code, int) else 0)
