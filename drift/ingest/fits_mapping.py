"""What the keywords of a pier's FITS headers mean, where the standard leaves it open.

It is kept as the section ``[fits]`` of ``logs.toml`` beside the site file.  The right ascension and
declination of the mount are the point of it.  ``RADESYS`` and ``EQUINOX`` speak of the WCS (Calabretta and
Greisen 2002, A&A 395, 1077, sect. 3.1), not of ``RA`` and ``DEC``, for which no standard gives a frame.  So
it is taken from the mapping, or from the differences between the mount's places and the solved ones, or it
is asked for.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from drift.codes import AlsoWritten
from drift.errors import LogFileError
from drift.ingest.mapping import EQUATORIAL, START, Instant, PlaceFrame, change_text
from drift.ingest.values import SideMeans

SECTION = "fits"


class RaUnit(AlsoWritten):
    """The unit of a right ascension that is a plain number."""

    DEGREES = "degrees"
    HOURS = "hours"


class SolveWrittenBack(AlsoWritten):
    """Whether a program has written the solved place over the mount's own."""

    YES = "yes"
    NO = "no"


#: Key -> its allowed values; keys that are not here name a keyword.
CHOICES: dict[str, tuple[AlsoWritten, ...]] = {
    "mount_places": EQUATORIAL,
    "mount_ra_unit": tuple(RaUnit),
    "written_back": tuple(SolveWrittenBack),
    "tube_side_means": tuple(SideMeans),
    "date_obs_means": tuple(Instant),
}


@dataclass(frozen=True)
class FitsMapping:
    """Which keyword gives what; "" for a keyword means that it is not read, None that the headers decide.

    Parameters
    ----------
    mount_ra, mount_dec
        Where the mount says it points: degrees as numbers, or parts of sixty as text (hours for
        right ascension).
    mount_places
        Their frame.
    mount_ra_unit
        Of a right ascension that is a plain number.
    written_back
        Whether a program has written the solved place over the mount's own.
    date_obs_means
        Which instant of the exposure it is; the start by the standard.
    tube_side, tube_side_means
        Side of the pier, and whether it is the one that the tube is on or looks to.
    temp_c, pressure_hpa, session
        Air temperature [deg C], pressure at the station [hPa], label of the session.
    sweep, run
        Labels of sweeps and unguided runs.
    """

    mount_ra: str = "RA"
    mount_dec: str = "DEC"
    mount_places: PlaceFrame | None = None
    mount_ra_unit: RaUnit | None = None
    written_back: SolveWrittenBack | None = None
    date_obs_means: Instant = START
    tube_side: str = "PIERSIDE"
    tube_side_means: SideMeans | None = None
    temp_c: str = "AMBTEMP"
    pressure_hpa: str = ""
    session: str = ""
    sweep: str = ""
    run: str = ""

    def with_answers(self, answers: Mapping[str, str]) -> FitsMapping:
        """Return the mapping with answers such as ``{"fits.mount_places": "ICRS"}``.

        Raises
        ------
        drift.errors.LogFileError
            If one names no key of this mapping, or a value that is not allowed.
        """
        prefix = f"{SECTION}."
        own = {key.removeprefix(prefix): value for key, value in answers.items() if key.startswith(prefix)}
        return replace(self, **_checked(own, "--answer fits.KEY=VALUE"))


def _checked(values: Mapping[str, object], where: str) -> dict[str, Any]:
    known = [one.name for one in fields(FitsMapping)]
    found: dict[str, Any] = {}
    for key, value in values.items():
        if key not in known:
            raise LogFileError(f"{where}: there is no key {key!r}; the keys are {', '.join(known)}.")
        if not isinstance(value, str):
            raise LogFileError(f"{where}: {key} = {value!r} must be a text between quotes.")
        found[key] = _choice(key, value, where) if key in CHOICES else _keyword(key, value, where)
    return found


def _choice(key: str, value: str, where: str) -> StrEnum | None:
    """Return a member of a closed list; None for "", which lets the headers decide."""
    members, may_be_blank = CHOICES[key], key != "date_obs_means"
    if may_be_blank and not value.strip():
        return None
    written = type(members[0])
    if not written.has(value) or written(value) not in members:
        allowed = ", ".join(f'"{one}"' for one in (*([""] if may_be_blank else ()), *members))
        raise LogFileError(f"{where}: {key} = {value!r} must be one of {allowed}.")
    return written(value)


def _keyword(key: str, value: str, where: str) -> str:
    """Return a keyword as headers have it (FITS Standard 4.0, sect. 4.1.2.1), "" for the word none."""
    word = value.strip().upper()
    if word == "NONE":
        return ""
    if len(word) > 66 or any(not ("!" <= sign <= "~" or sign == " ") or sign in "='/" for sign in word):
        raise LogFileError(f"{where}: {key} = {value!r} is no FITS keyword.")
    return word


def read_fits_mapping(path: Path) -> FitsMapping:
    """Read the section ``[fits]`` of ``logs.toml``; without the file or the section the defaults hold.

    Raises
    ------
    drift.errors.LogFileError
        If the file can't be read or a key or value is not known.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        return FitsMapping()
    except (OSError, UnicodeDecodeError) as error:
        raise LogFileError(f"{path} can't be read: {error}.") from error
    return parse_fits_mapping(text, path)


def parse_fits_mapping(text: str, path: Path) -> FitsMapping:
    """Read the section ``[fits]`` of a TOML text; `path` is named in messages.

    Raises
    ------
    drift.errors.LogFileError
        If it is no TOML, or a key or value is not known.
    """
    try:
        section = tomllib.loads(text).get(SECTION, {})
    except tomllib.TOMLDecodeError as error:
        raise LogFileError(f"{path} can't be read: {error}.") from error
    if not isinstance(section, dict):
        raise LogFileError(f"{path}: {SECTION} must be a section, [{SECTION}].")
    return FitsMapping(**_checked(section, f"{path}, section [{SECTION}]"))


def store_fits_mapping(path: Path, mapping: FitsMapping, before: FitsMapping | None = None) -> bool:
    """Write what was learned into the section of the file; return whether anything was new.

    Other keys, remarks and sections are left alone, also what another program has written meanwhile.

    Parameters
    ----------
    path
        The file.
    mapping
        What is known now.
    before
        What the file said when it was read; what it says now when not given.

    Raises
    ------
    drift.errors.LogFileError
        If the file can't be read or written.
    """
    before = read_fits_mapping(path) if before is None else before
    known = asdict(before)
    learned = {key: value for key, value in asdict(mapping).items() if value != known[key]}
    news: list[str] = []
    if not learned:
        return False

    def add(old: str) -> str:
        there = asdict(parse_fits_mapping(old, path))
        news.extend(f'{key} = "{value or ""}"' for key, value in learned.items() if value != there[key])
        return _with_keys(old, news) if news else old

    try:
        change_text(path, add)
    except OSError as error:
        raise LogFileError(
            f"{path} can't be written ({error.strerror or error}), so what was said of the FITS headers "
            "could not be kept."
        ) from error
    return bool(news)


def _with_keys(text: str, new: list[str]) -> str:
    """Put lines into the section, in the place of those of the same keys; without one, at the end."""
    lines = text.rstrip("\n").split("\n") if text.strip() else []
    heads = [at for at, line in enumerate(lines) if line.split("#")[0].strip() == f"[{SECTION}]"]
    if not heads:
        return "\n".join([*lines, *([""] if lines else []), f"[{SECTION}]", *new]) + "\n"
    keys = {line.split("=")[0].strip() for line in new}
    after = range(heads[0] + 1, len(lines))
    end = next((at for at in after if lines[at].lstrip().startswith("[")), len(lines))
    kept = [line for line in lines[heads[0] + 1 : end] if line.split("=")[0].strip() not in keys]
    return "\n".join([*lines[: heads[0] + 1], *new, *kept, *lines[end:]]) + "\n"
