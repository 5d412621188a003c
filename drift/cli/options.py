"""Shared by several commands: the site file, numbers in plain decimals, progress and printing."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from drift.site.file import PierFile

Function = TypeVar("Function", bound=Callable[..., Any])

# ---- Which scheduler ready lines are for.

#: The schedulers, and the one that fits this machine.
SCHEDULERS, FITS_HERE = ("cron", "systemd", "windows"), "auto"


def schedule_option(help_text: str) -> Callable[[Function], Function]:
    """Return ``--schedule [SCHEDULER]``: without a name the one that fits this machine."""
    return click.option(
        "--schedule",
        is_flag=False,
        flag_value=FITS_HERE,
        type=click.Choice((FITS_HERE, *SCHEDULERS)),
        help=help_text,
    )


# ---- Progress on stderr, only on a terminal.


@contextmanager
def working(sentence: str) -> Iterator[None]:
    """Show what is being done, only on a terminal, while the block runs."""
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console
    from rich.text import Text

    with Console(stderr=True).status(Text(f"{sentence} ...")):
        yield


# ---- The width of text, and how it is printed.


#: Greatest width, so that sentences stay readable on a wide terminal; also the default.
WIDEST, USUAL = 100, 80


def columns() -> int:
    """Return the width for printing: by $COLUMNS or the terminal, but no wider than `WIDEST`."""
    import shutil

    return max(20, min(shutil.get_terminal_size((USUAL, 24)).columns, WIDEST))


def say(text: str, first: str = "", rest: str | None = None, *, err: bool = False, style: str = "") -> None:
    """Print a text wrapped to `columns`, with `first` before it and `rest` before its further lines.

    In a file or a pipe it is one line, for searching, unless $COLUMNS gives a width.  `style`
    colours it on a terminal that takes colours, unless the user wants none ($NO_COLOR).
    """
    import os
    import textwrap

    if not (os.environ.get("COLUMNS") or (sys.stderr if err else sys.stdout).isatty()):
        click.echo(f"{first}{text}", err=err)
        return

    rest = " " * len(first) if rest is None else rest
    lines = textwrap.wrap(
        text,
        columns(),
        initial_indent=first,
        subsequent_indent=rest,
        break_on_hyphens=False,
        break_long_words=False,
    )
    shown = "\n".join(lines or [first.rstrip()])
    click.echo(click.style(shown, fg=style) if style and not no_colour() else shown, err=err)


def no_colour() -> bool:
    """Whether the user wants no colours."""
    import os

    return bool(os.environ.get("NO_COLOR"))


# ---- Options that several commands share: the site file, and numbers.


_NEGATIVE = re.compile(r"-[.,]?\d.*", re.DOTALL)  # also bad numbers, such as -2,83: their reader says why
#: Prefix of a negative number while options are parsed.
TRUE_MINUS = "\u2212"


class Signed(click.Command):
    """A command that takes ``-2.83`` as a number and not as an option."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Keep negative numbers from looking like options."""
        return super().parse_args(
            ctx, [TRUE_MINUS + one[1:] if _NEGATIVE.fullmatch(one) else one for one in args]
        )


def plain_minus(ctx: click.Context, option: click.Parameter, value: str | None) -> str | None:
    """Restore the minus sign of a number that `Signed` let through."""
    return value.replace(TRUE_MINUS, "-") if value else value


class Number(click.ParamType):
    """A number with a decimal point; says how to write it when it is none."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number."""
        try:
            return float(str(value).strip().replace("\u2212", "-"))
        except ValueError:
            self.fail(
                f"{str(value)!r} is not a number.  Write it in decimals with a point and without its unit, "
                "such as 47.3 or -92.4.",
                param,
                ctx,
            )


NUMBER = Number()


def pier_option(function: Function) -> Function:
    """Add the option --pier, as the parameter `pier`: the site file's path as text, or None."""
    return click.option(
        "--pier", metavar="FILE", help="The site file; ./pier.toml, or $DRIFT_PIER, when not given."
    )(function)


def site_time(site: PierFile, text: str) -> str:
    """Return a time for the record: one without an offset is by the clock of the site.

    Anything but a date with a time of day is returned as it is: the reader of logs says what is wrong.

    Raises
    ------
    click.UsageError
        If the site's clock shows that time twice or never, because it is put forward or back.
    """
    from datetime import datetime
    from zoneinfo import ZoneInfo

    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        return text
    if when.tzinfo is not None or len(text.strip()) <= len("2025-01-31"):
        return text
    zone = ZoneInfo(site.site.timezone or "UTC")
    first, second = (when.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() != second.utcoffset():
        raise click.UsageError(
            f"{text} is a time that the clock of {zone.key} shows twice or never, as it is put back or "
            f"forward: give it with its offset, as in {first.isoformat()} or {second.isoformat()}."
        )
    return first.isoformat()


def site_of(pier: str | None) -> PierFile:
    """Load the site file that --pier names, or else the one that is found without it.

    Raises
    ------
    drift.errors.SiteFileError
        If there is none or it is wrong.
    """
    from drift.site.file import load_pier
    from drift.site.text import find_pier

    return load_pier(find_pier(pier))
