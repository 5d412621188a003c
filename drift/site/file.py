"""One pier's site file: reading it, writing a commented one, and making a site in Python."""

from __future__ import annotations

import textwrap
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic.fields import FieldInfo

from drift.errors import SiteFileError
from drift.notebook import ShowsItself
from drift.notices import Notice, SiteCode, info
from drift.site.checks import (
    INIT,
    allowed_words,
    faults_in,
    key_of,
    missing,
    refused,
    shown,
    toml,
    unreadable,
)
from drift.site.sections import DEFAULT_BOOK, SECTIONS, Sections, StoreSection
from drift.site.text import DEFAULT_NAME, Place, lines_of, syntax_words

# ---- Reading a site file.
#
# What may be in it stands in `drift.site.sections`.


#: Largest site file [bytes]; they have a few kilobytes, a log or a picture has more.
_LARGEST = 1_000_000
_SAVE = "Save it as plain text in UTF-8."


#: Keys that had another name in the first version: (section, former name) -> name.
FORMER_KEYS = {("warn", "lean_arcsec"): "tilt_arcsec"}


class PierFile(ShowsItself, Sections):
    """One pier's site file, complete with what is assumed.

    Attributes
    ----------
    site, mount, plate, pier, optics, horizon, warn, logs, store
        The sections, with the file's keys as attributes; None for what is not given and has no default.
    path
        Where it was read from; None when it was not read from a file.
    given
        The keys that were given, as ``section.key``.
    renamed
        Section, former name and line of each key given by a former name; line 0: unknown.
    """

    path: Path | None = None
    given: tuple[str, ...] = ()
    renamed: tuple[tuple[str, str, int], ...] = ()

    def defaults_used(self) -> tuple[Notice, ...]:
        """Return what is assumed for each key that was not given and that results depend on.

        Keys that were given by a former name come first.
        """
        assumed = (
            self._assumed(section, name)
            for section, model in SECTIONS.items()
            for name, field in model.model_fields.items()
            if key_of(field).weighs and f"{section}.{name}" not in self.given and self._matters(section, name)
        )
        renamed = (self._renamed(section, former, line) for section, former, line in self.renamed)
        return (*renamed, *assumed)

    def _matters(self, section: str, name: str) -> bool:
        # Without the bolts' places no heights are worked out, neither for nuts nor for shims.
        if section == "plate" and self.plate.bolt_bearings_deg is None:
            return False
        return (section, name) != ("plate", "shims_mm") or not self.plate.nuts

    def _assumed(self, section: str, name: str) -> Notice:
        unit = key_of(SECTIONS[section].model_fields[name]).unit
        value = getattr(getattr(self, section), name)
        return info(SiteCode.KEY_ASSUMED, section=section, key=name, value=value, unit=unit)

    def _renamed(self, section: str, former: str, line: int) -> Notice:
        return info(
            SiteCode.KEY_RENAMED,
            section=section,
            former=former,
            key=FORMER_KEYS[section, former],
            file=str(self.path or ""),
            line=line,
        )


def load_pier(path: Path) -> PierFile:
    """Read and validate a site file.

    Raises
    ------
    drift.errors.SiteFileError
        If it can't be read, is no TOML, or holds a wrong key or value; names
        every fault with its line, the key, the value, what is allowed and what to do.
    """
    text = _text_of(path)
    try:
        data = tomllib.loads(text)
        lines = lines_of(text)
    except tomllib.TOMLDecodeError as error:
        raise SiteFileError(syntax_words(path, text, str(error))) from error
    except (RecursionError, ValueError) as error:  # brackets a thousand deep; a number of thousands of digits
        raise SiteFileError(unreadable(path, f"it can't be taken in ({error})", INIT)) from error
    return _completed(data, path, lines)


def pier_from_mapping(data: Mapping[str, Any], path: Path | None = None) -> PierFile:
    """Validate a site that is given as nested mappings: section -> key -> value.

    Raises
    ------
    drift.errors.SiteFileError
        If a key or a value is wrong; as `load_pier`, without lines.
    """
    return _completed(data, path, {})


def fault_of(section: str, key: str, value: object) -> str:
    """Return what is wrong with one value meant for the site file, and what to do; "" when right.

    It begins with ``is``, so that the caller can name the value.
    """
    data: dict[str, dict[str, object]] = {"site": {"latitude_deg": 0, "longitude_deg": 0, "elevation_m": 0}}
    data.setdefault(section, {})[key] = value
    try:
        Sections.model_validate(data)
    except ValidationError as error:
        return faults_in(error, SECTIONS)[0].said
    return ""


def _completed(data: Mapping[str, Any], path: Path | None, lines: Mapping[Place, int]) -> PierFile:
    data, renamed = _by_todays_names(data, path, lines)
    try:
        read = Sections.model_validate(data)
    except ValidationError as error:
        raise SiteFileError(refused(path, faults_in(error, SECTIONS), lines)) from error
    given = tuple(f"{section}.{key}" for section, keys in data.items() for key in keys)
    sections = dict(read)
    if "optics.typical_declination_deg" not in given and read.site.latitude_deg < 0:
        sections["optics"] = read.optics.model_copy(update={"typical_declination_deg": -40.0})
    if read.store.url is None and path is not None:
        sections["store"] = StoreSection(url=DEFAULT_BOOK)
    return PierFile(**sections, path=path, given=given, renamed=renamed)


def _by_todays_names(
    data: Mapping[str, Any], path: Path | None, lines: Mapping[Place, int]
) -> tuple[dict[str, Any], tuple[tuple[str, str, int], ...]]:
    """Return the keys under today's names, and section, former name and line of renamed ones.

    Raises
    ------
    drift.errors.SiteFileError
        If a key is there under both names.
    """
    data, renamed = dict(data), []
    for (section, former), name in FORMER_KEYS.items():
        keys = data.get(section)
        if not isinstance(keys, Mapping) or former not in keys:
            continue
        line = lines.get((section, former), 0)
        if name in keys:
            where = f"{path or 'the site'}{f', line {line}' if line else ''}"
            raise SiteFileError(
                f"{where}: [{section}] {former} is the former name of {name}, which is given too.  Remove "
                "one of the two lines."
            )
        data[section] = {name if key == former else key: value for key, value in keys.items()}
        renamed.append((section, former, line))
    return data, tuple(renamed)


def _text_of(path: Path) -> str:
    """Return the text of a file; SiteFileError says why there is none."""
    if path.is_dir():
        inside = path / DEFAULT_NAME
        raise SiteFileError(
            unreadable(path, "it is a folder", f"Name the file itself, such as --pier {inside}.")
        )
    if path.exists() and not path.is_file():
        raise SiteFileError(unreadable(path, "it is no plain file", INIT))
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST + 1)
    except FileNotFoundError as error:
        raise SiteFileError(missing(path)) from error
    except (OSError, ValueError) as error:  # ValueError: a zero byte in the name
        why = f"it can't be opened ({getattr(error, 'strerror', None) or error})"
        raise SiteFileError(unreadable(path, why, "See that you may read it.")) from error
    return _decoded(path, content)


def _decoded(path: Path, content: bytes) -> str:
    if len(content) > _LARGEST:
        why = f"it has more than {_LARGEST} bytes, and a site file has a few thousand"
        raise SiteFileError(unreadable(path, why, "Is it a log?  Logs are read with `drift import`."))
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise SiteFileError(unreadable(path, "it is saved as UTF-16", _SAVE))
    if b"\0" in content:
        raise SiteFileError(unreadable(path, "it is a binary file and no text", INIT))
    try:
        # Some editors put a mark of three bytes before UTF-8.
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[: error.start]
        line, column = before.count(b"\n") + 1, len(before) - before.rfind(b"\n")
        why = f"line {line}, column {column}: the byte 0x{content[error.start]:02x} there is not UTF-8"
        raise SiteFileError(unreadable(path, why, _SAVE)) from error


# ---- The commented site file that `drift init` writes.


_WIDTH = 100
_HEAD = (
    "The site file of one pier.  Every drift command reads it; change it with any text editor.  A line that "
    "begins with # and a blank is a remark.  A key behind a bare # is not given: take the # away and put "
    "your own value there.  Text stands in quotes, numbers do not, and they have a decimal point.  A wrong "
    "key or value is answered with its line by the next drift command."
)


def template(given: Mapping[str, Mapping[str, object]]) -> str:
    """Return the text of a site file.

    Parameters
    ----------
    given
        Section -> key -> value.  These keys are set; all others are commented out, with their default or,
        where there is none, with an example.
    """
    parts = [_remark(_HEAD)]
    for section, model in SECTIONS.items():
        values = given.get(section, {})
        keys = [_entry(name, field, values) for name, field in model.model_fields.items()]
        title = _remark((model.__doc__ or "").strip())
        parts.append("\n".join([f"[{section}]", title, "", "\n\n".join(keys)]))
    return "\n\n\n".join(parts) + "\n"


def _entry(name: str, field: FieldInfo, values: Mapping[str, object]) -> str:
    about = key_of(field).about
    lines = [_remark(f"{about}{'' if about.endswith('?') else '.'}"), _remark(_range(field))]
    value = values.get(name, _instead(field))
    lines.append(f"{'' if name in values else '#'}{name} = {toml(value)}")
    return "\n".join(lines)


def _range(field: FieldInfo) -> str:
    """Return the allowed values and what holds when the key isn't given."""
    key, allowed = key_of(field), f"Allowed: {allowed_words(field)}."
    if field.is_required():
        return f"{allowed}  Must be given."
    if _has_no_default(field):
        return f"{allowed}  Default: {key.silent or key.assumed or 'none'}; the value here is an example."
    return f"{allowed}  Default: {key.silent or key.assumed or shown(field.default)}."


def _has_no_default(field: FieldInfo) -> bool:
    return field.is_required() or field.default in (None, "", ())


def _instead(field: FieldInfo) -> object:
    """Return the value shown for a key that is commented out."""
    return key_of(field).example if _has_no_default(field) else field.default


def _remark(text: str) -> str:
    return textwrap.fill(
        text,
        _WIDTH,
        initial_indent="# ",
        subsequent_indent="# ",
        break_long_words=False,
        break_on_hyphens=False,
    )


# ---- A site from Python: keys as in the site file, with numbers or with astropy quantities.


#: Ending of a key -> unit of its number, as astropy writes it.
UNITS = {
    "deg": "deg",
    "arcsec": "arcsec",
    "arcmin": "arcmin",
    "mm": "mm",
    "m": "m",
    "um": "um",
    "s": "s",
    "min": "min",
    "kg": "kg",
}


def plain_sections(sections: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Turn quantities into numbers, under the keys of the site file.

    A key that is given a quantity may leave its unit out: ``focal_length=0.8 * u.m`` is
    ``focal_length_mm=800.0``.

    Raises
    ------
    drift.errors.SiteFileError
        If a unit can't be turned into that of the key.
    """
    return {
        section: dict(_plain(section, key, value) for key, value in keys.items())
        for section, keys in sections.items()
    }


def _plain(section: str, key: str, value: Any) -> tuple[str, Any]:
    if not hasattr(value, "unit"):
        return key, value
    known = _known_key(section, key)
    from astropy import units

    ending = known.rpartition("_")[2]
    wanted = units.Unit(UNITS.get(ending, ""))
    try:
        plain = units.Quantity(value).to_value(wanted)
    except units.UnitConversionError as error:
        raise SiteFileError(
            f"[{section}] {known} is {value}, which can't be turned into {wanted or 'a plain number'}: give "
            "it in such a unit, or as a number."
        ) from error
    return known, plain.tolist() if getattr(plain, "ndim", 0) else float(plain)


def _known_key(section: str, key: str) -> str:
    fields = SECTIONS[section].model_fields if section in SECTIONS else {}
    if key in fields:
        return key
    longer = [known for known in fields if known.rpartition("_")[0] == key]
    return longer[0] if len(longer) == 1 else key
