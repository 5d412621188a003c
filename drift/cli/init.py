"""`drift init` and `drift site`: a commented site file for a new pier; its place shown and corrected."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from drift.cli.options import NUMBER, pier_option, site_of, working
from drift.errors import SiteFileError

if TYPE_CHECKING:
    from drift.importer.mending import Judged
    from drift.site.file import PierFile


# ---- `drift init`: a commented site file for a new pier.

#: Option -> the section and key of the site file that it fills in.
KEYS = {
    "latitude_deg": ("site", "latitude_deg"),
    "longitude_deg": ("site", "longitude_deg"),
    "elevation_m": ("site", "elevation_m"),
    "zero": ("mount", "hour_angle_zero"),
    "reports": ("mount", "reports"),
    "name": ("site", "name"),
    "timezone": ("site", "timezone"),
}
#: Without these there is no site file.
NEEDED = ("latitude_deg", "longitude_deg", "elevation_m")
#: What `mount.hour_angle_zero` may be.
ZEROS = ("kept", "synced", "unknown")
#: What `mount.reports` may be.
REPORTS = ("raw", "modelled", "unknown")


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
@click.option(
    "--reports",
    type=click.Choice(REPORTS),
    help="Does a multi-star model inside the mount alter the places that it reports (modelled), or not "
    "(raw)?  [default: unknown]",
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
@click.option(
    "--from-record",
    is_flag=True,
    help="Write a lost site file again, from what the record beside it knows of it.",
)
def command(pier: str, force: bool, from_record: bool, **options: Any) -> None:
    """Write the site file and print what comes next."""
    from drift.site.file import load_pier, template

    path = Path(pier)
    _refuse_what_is_there(path, force)
    sections = _sections_in_record(path) if from_record else {}
    given = {option: value for option, value in options.items() if value is not None}
    known = {option for option, (section, key) in KEYS.items() if key in sections.get(section, {})}
    values = _asked(given, known)
    for option, value in values.items():
        _refuse_what_is_wrong(option, value)
        section, key = KEYS[option]
        sections.setdefault(section, {})[key] = value
    _write(path, template(sections), force)
    load_pier(path)
    click.echo(f"Wrote {path}.")
    click.echo(_next_steps(path), err=True)


def on_terminal() -> bool:
    """Tell whether a person can be asked."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def _flag(option: str) -> str:
    return f"--{option.replace('_', '-')}"


def _sections_in_record(path: Path) -> dict[str, dict[str, object]]:
    """Return the keys of a lost site file from the record beside it: section -> key -> value."""
    import json

    from drift.record.engine import in_words, open_to_read
    from drift.record.piers import owner_of
    from drift.site.text import RECORD_FILE

    place = open_to_read(path.parent / RECORD_FILE)
    try:
        with in_words(place.words, "reading whose it is", place.file), place.reading() as connection:
            owner = owner_of(connection)
    finally:
        place.engine.dispose()
    if owner is None:
        return {}
    noted = json.loads(owner.site) if owner.site else {}
    sections: dict[str, dict[str, object]] = {section: dict(keys) for section, keys in noted.items()}
    site = sections.setdefault("site", {})
    site.update(latitude_deg=owner.latitude_deg, longitude_deg=owner.longitude_deg)
    if owner.name:
        site["name"] = owner.name
    return sections


def _asked(given: dict[str, Any], known: Collection[str] = ()) -> dict[str, Any]:
    """Complete the given keys by asking for the rest, or say what is missing where nobody can be asked.

    What is `known` need not be given.
    """
    lacking = [option for option in NEEDED if option not in given and option not in known]
    if not lacking:
        return given
    if not on_terminal():
        raise click.UsageError(
            f"missing {', '.join(map(_flag, lacking))}: where the pier stands must be given, such as "
            "--latitude-deg 47.3 --longitude-deg -92.4 --elevation-m 410."
        )
    answers: dict[str, Any] = {option: _ask_number(option) for option in lacking}
    for option, choices in (("zero", ZEROS), ("reports", REPORTS)):
        if option not in (*given, *known):
            answers[option] = click.prompt(
                _question(option), type=click.Choice(choices), default="unknown", err=True
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
    from drift.site.checks import key_of
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
    if not force and os.path.lexists(path) and not _is_blank(path):
        raise SiteFileError(
            f"{path} exists already and is left as it is.  Change it with a text editor, name another file "
            "with --pier, or write it anew with --force, by which what it holds now is lost."
        )


def _write(path: Path, text: str, force: bool) -> None:
    """Write the file whole or not at all, readable by its owner only: addresses in it may hold passwords."""
    from drift.site.text import clear_leftovers, write_whole

    clear_leftovers(path)
    try:
        write_whole(path, text.encode(), mode=0o600, replace=force or _is_blank(path))
    except FileExistsError:  # another program was quicker
        _refuse_what_is_there(path, force)
    except OSError as error:
        raise SiteFileError(
            f"{path} can't be written ({error.strerror or error}).  See that its folder exists, may be "
            "written to and has room, or name another file with --pier."
        ) from error


def _is_blank(path: Path) -> bool:
    """Tell whether there is an empty file, as a full disk or a kill may leave it."""
    return path.is_file() and not path.stat().st_size


def _next_steps(path: Path) -> str:
    named = "" if path == Path("pier.toml") else f" --pier {path}"
    steps = [
        f"Next: fill in what you know in {path}: knobs, bolts, optics, horizon.  Each answer says which "
        "defaults it uses.  Then",
        f"  drift import FILE-OR-FOLDER{named}    reads your logs",
        f"  drift status{named}                   says what axis and pier are doing",
    ]
    if named:
        steps.append(f"Set the variable DRIFT_PIER to {path.absolute()} to leave --pier out.")
    return "\n".join(steps)


# ---- `drift site`: where the pier stands, shown, and put right when it was wrong.


#: Keys that can be corrected here; all others are changed in the file, and need nothing more.
_PLACE = ("latitude_deg", "longitude_deg", "elevation_m", "name")
_LOGS_SHOWN = 10


@click.command(
    "site",
    help="Show where the pier stands, and put it right when it was wrong.\n\n"
    "What is given is written into the site file, and the record is taken along: its rows are judged anew, "
    "as if "
    "their logs came in now, because which solves are believed depends on the place.  Nothing that was typed "
    "is "
    "lost, and giving the former values brings everything back.",
)
@click.option("--latitude-deg", type=NUMBER, metavar="DEG", help="Geodetic latitude, north positive: 47.3.")
@click.option("--longitude-deg", type=NUMBER, metavar="DEG", help="Longitude, east positive: -92.4.")
@click.option("--elevation-m", type=NUMBER, metavar="M", help="Height above sea level: 410.")
@click.option("--name", metavar="TEXT", help="What the pier is called in reports.")
@pier_option
def site_command(pier: str | None, **options: Any) -> None:
    """Show the place, or correct it and print what that changed."""
    site = site_of(pier)
    given = {option: value for option, value in options.items() if value is not None}
    if given:
        _put_right(site, given)
        return
    for line in _place_lines(site):
        click.echo(line)


def _place_lines(site: PierFile) -> Iterator[str]:
    from drift.record.engine import record_url, sqlite_path

    place, url = site.site, record_url(site)
    file = sqlite_path(url)
    yield f"Site file   {site.path}"
    yield f"Name        {place.name or '(none)'}"
    yield f"Latitude    {place.latitude_deg:.6g} deg ({'north' if place.latitude_deg >= 0 else 'south'})"
    yield f"Longitude   {place.longitude_deg:.7g} deg ({'east' if place.longitude_deg >= 0 else 'west'})"
    yield f"Elevation   {place.elevation_m:g} m"
    yield f"Time zone   {place.timezone or 'UTC'}"
    there = "" if file is None or file.exists() else "  (not there yet)"
    yield f"Record      {file or url.render_as_string(hide_password=True)}{there}"
    if site.path is not None and _may_be_read_by_others(site.path) and _holds_addresses(site):
        yield (
            f"Note: {site.path} holds addresses, which may hold passwords, and other users of this machine "
            "may read "
            f"it; `chmod 600 {site.path}` keeps it to you."
        )


def _holds_addresses(site: PierFile) -> bool:
    return bool(site.warn.notify) or "store.url" in site.given


def _may_be_read_by_others(path: Path) -> bool:
    return os.name == "posix" and bool(path.stat().st_mode & 0o044)


def _put_right(former: PierFile, given: Mapping[str, Any]) -> None:
    from drift.importer.mending import put_site_right
    from drift.site.file import load_pier, pier_from_mapping
    from drift.site.text import write_whole

    path = former.path
    assert path is not None
    for option, value in given.items():
        _refuse_what_is_wrong(option, value)
    text = path.read_text(encoding="utf-8-sig")
    new_text = _with_keys(path, text, {KEYS[option][1]: value for option, value in given.items()})
    import tomllib

    site = pier_from_mapping(tomllib.loads(new_text), path)
    changed = [
        (key, getattr(former.site, key), getattr(site.site, key))
        for key in _PLACE
        if getattr(former.site, key) != getattr(site.site, key)
    ]
    if not os.access(path, os.W_OK):
        raise SiteFileError(f"{path} can't be written: it is read-only for you.  Change its permissions.")
    why = ", ".join(f"{key} {before} -> {after}" for key, before, after in changed) or "taken along"
    with working("Judging the rows of the record anew"):
        done = put_site_right(site, former, why)
    if changed:
        write_whole(path, new_text.encode(), replace=True)
        load_pier(path)
    for key, before, after in changed:
        click.echo(f"{key}: {before if before is not None else '(none)'} -> {after}, in {path}.")
    if not changed:
        click.echo(f"{path} says so already; the record was taken along.")
    for line in _judged_lines(done):
        click.echo(line)


def _judged_lines(done: Judged) -> Iterator[str]:
    from drift.render.by_hand import counted

    parts = [counted(done.stayed, "row stays", "rows stay")]
    if done.went_in:
        parts.append(counted(done.went_in, "went in that was set aside", "went in that were set aside"))
    if done.went_out:
        parts.append(counted(done.went_out, "left, being set aside now", "left, being set aside now"))
    yield f"Judged anew, of what was seen in the sky: {', '.join(parts)}."
    if done.went_in or done.went_out:
        yield "`drift status` says what that changes; `drift import --set-aside` lists what is set aside now."
    shown, more = done.by_horizon_only[:_LOGS_SHOWN], len(done.by_horizon_only) - _LOGS_SHOWN
    for name in shown:
        yield (
            f"{name}: its rows were asked for the horizon only, because the record does not hold the log as "
            "it was "
            "(images, say); import it again to take in what was set aside of it."
        )
    if more > 0:
        yield f"... and {more:,} more such logs."


def _with_keys(path: Path, text: str, values: Mapping[str, object]) -> str:
    """Return the text of a site file with keys of [site] changed, and everything else as it was."""
    import tomllib

    from drift.site.checks import toml
    from drift.site.text import line_of, lines_of

    wanted = tomllib.loads(text)
    for key, value in values.items():
        lines, places = text.split("\n"), lines_of(text)
        line = f"{key} = {toml(value)}"
        at = places.get(("site", key))
        template = next((n for n, one in enumerate(lines) if re.match(rf"#\s*{key}\s*=", one)), None)
        if at is not None:
            remark = re.search(r"\s+#[^\"']*$", lines[at - 1])
            lines[at - 1] = line + (remark.group() if remark else "")
        elif template is not None:
            lines[template] = line
        else:
            lines.insert(line_of(places, ("site",)) or 0, line)
        text = "\n".join(lines)
        wanted = {**wanted, "site": {**wanted["site"], key: value}}
    try:
        same = tomllib.loads(text) == wanted
    except tomllib.TOMLDecodeError:
        same = False
    if not same:
        raise SiteFileError(
            f"{path} is written in a way that drift can't change safely: put {', '.join(values)} right there "
            "with a "
            "text editor, and run the same command again, which takes the record along."
        )
    return text
