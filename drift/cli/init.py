"""`drift init`: a commented site file for a new pier."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import click

from drift.cli.options import NUMBER
from drift.errors import SiteFileError

#: Option -> the section and key of the site file that it fills in.
KEYS = {
    "latitude_deg": ("site", "latitude_deg"),
    "longitude_deg": ("site", "longitude_deg"),
    "elevation_m": ("site", "elevation_m"),
    "zero": ("mount", "hour_angle_zero"),
    "name": ("site", "name"),
    "timezone": ("site", "timezone"),
}
#: Without these there is no site file.
NEEDED = ("latitude_deg", "longitude_deg", "elevation_m")
#: What `mount.hour_angle_zero` may be.
ZEROS = ("kept", "synced", "unknown")


@click.command(
    "init",
    help="Write a commented site file for a new pier.\n\n"
    "It holds every key there is, with its meaning, unit, range and default.  Latitude, longitude and "
    "elevation are asked for on a terminal when they are not given.  An existing file is left as it is.",
)
@click.option("--latitude-deg", type=NUMBER, metavar="DEG", help="Geodetic latitude, north positive: 47.3.")
@click.option("--longitude-deg", type=NUMBER, metavar="DEG", help="Longitude, east positive: -92.4.")
@click.option("--elevation-m", type=NUMBER, metavar="M", help="Height above sea level: 410.")
@click.option(
    "--zero",
    type=click.Choice(ZEROS),
    help="Is the hour-angle zero kept from session to session (home switch, absolute encoders, park), or set "
    "anew by a sync?  [default: unknown]",
)
@click.option("--name", metavar="TEXT", help="What the pier is called in reports.")
@click.option("--timezone", metavar="ZONE", help="IANA time zone, such as Europe/Helsinki.  [default: UTC]")
@click.option(
    "--pier",
    metavar="FILE",
    default="pier.toml",
    show_default=True,
    help="The file to write.",
)
@click.option("--force", is_flag=True, help="Write it anew when it exists; what it held is lost.")
def command(pier: str, force: bool, **options: Any) -> None:
    """Write the site file and say what comes next."""
    from drift.site.file import load_pier, template

    path = Path(pier)
    _refuse_what_is_there(path, force)
    values = _asked({option: value for option, value in options.items() if value is not None})
    sections: dict[str, dict[str, object]] = {}
    for option, value in values.items():
        _refuse_what_is_wrong(option, value)
        section, key = KEYS[option]
        sections.setdefault(section, {})[key] = value
    _write(path, template(sections), force)
    load_pier(path)
    click.echo(f"Wrote {path}.")
    click.echo(_next_steps(path), err=True)


def on_terminal() -> bool:
    """Tell whether somebody is there who can be asked."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def _flag(option: str) -> str:
    return f"--{option.replace('_', '-')}"


def _asked(given: dict[str, Any]) -> dict[str, Any]:
    """Complete what is given by asking for the rest, or say what is missing where nobody can be asked."""
    lacking = [option for option in NEEDED if option not in given]
    if not lacking:
        return given
    if not on_terminal():
        raise click.UsageError(
            f"missing {', '.join(map(_flag, lacking))}: where the pier stands must be given, such as "
            "--latitude-deg 47.3 --longitude-deg -92.4 --elevation-m 410."
        )
    answers: dict[str, Any] = {option: _ask_number(option) for option in lacking}
    if "zero" not in given:
        answers["zero"] = click.prompt(
            _question("zero"), type=click.Choice(ZEROS), default="unknown", err=True
        )
    return {**given, **answers}


def _ask_number(option: str) -> float:
    def understood(text: str) -> float:
        value: float = NUMBER.convert(text, None, None)
        _refuse_what_is_wrong(option, value)
        return value

    number: float = click.prompt(_question(option), value_proc=understood, err=True)
    return number


def _question(option: str) -> str:
    from drift.site.keys import key_of
    from drift.site.sections import SECTIONS

    section, key = KEYS[option]
    return key_of(SECTIONS[section].model_fields[key]).about


def _refuse_what_is_wrong(option: str, value: object) -> None:
    from drift.site.file import fault_of

    fault = fault_of(*KEYS[option], value)
    if fault:
        raise click.UsageError(f"{_flag(option)} {fault}")


def _refuse_what_is_there(path: Path, force: bool) -> None:
    if path.is_dir():
        inside = path / "pier.toml"
        raise SiteFileError(f"{path} is a folder.  Name the file to write, such as --pier {inside}.")
    if not force and os.path.lexists(path):
        raise SiteFileError(
            f"{path} exists already and is left as it is.  Change it with a text editor, name another file "
            "with --pier, or write it anew with --force, by which what it holds now is lost."
        )


def _write(path: Path, text: str, force: bool) -> None:
    """Write the file whole or not at all; without `force` never over another."""
    real = path.resolve() if force else path  # a link to the file stays one
    target = real.with_name(f".{real.name}.new") if force else path
    made = False
    try:
        with target.open("w" if force else "x", encoding="utf-8", newline="\n") as file:
            made = True
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if force:
            target.replace(real)
    except OSError as error:
        if made:
            target.unlink(missing_ok=True)
        raise SiteFileError(
            f"{path} can't be written ({error.strerror or error}).  See that its folder exists, may be "
            "written to and has room, or name another file with --pier."
        ) from error


def _next_steps(path: Path) -> str:
    named = "" if path == Path("pier.toml") else f" --pier {path}"
    steps = [
        f"Next: fill in what you know in {path}: knobs, bolts, optics, horizon.  Each answer tells on which "
        "defaults it rests.  Then",
        f"  drift import FILE-OR-FOLDER{named}    reads your logs",
        f"  drift status{named}                   says what axis and pier are doing",
    ]
    if named:
        steps.append(f"Set the variable DRIFT_PIER to {path.absolute()} to leave --pier out.")
    return "\n".join(steps)
