"""The file ``logs.toml`` beside the site file: mappings under their names, asked for once."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator
from collections.abc import Mapping as MappingOf
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, TypeVar

from filelock import FileLock, Timeout

from drift.codes import AlsoWritten
from drift.errors import LogFileError
from drift.ingest.kinds import BY_KIND
from drift.ingest.mapping import (
    ICRS,
    OF_DATE,
    TIME_CHOICES,
    ColumnFrom,
    Mapping,
    PlaceFrame,
    TimeFrom,
)
from drift.ingest.text import contract_name
from drift.ingest.times import zone_named
from drift.ingest.units import may_be_divisions, unit_of, units_for
from drift.ingest.values import ON, SideMeans
from drift.site.lines import line_of, lines_of

# ---- Changing a small text file beside the site file: by one program at a time, and whole or not at
# all.
#
# The page and a command may write ``logs.toml`` at once.  Each takes what stands there as its
# start, so that
# without a lock the later one would write over what the earlier one added.


#: So long another program is waited for [s], and so long between two tries [s].
PATIENCE_S, _AGAIN_S = 30.0, 0.02


def change_text(path: Path, change: Callable[[str], str], patience_s: float = PATIENCE_S) -> None:
    """Replace the text of a file by what `change` makes of it, while no other program may change it.

    Parameters
    ----------
    path
        The file; its text is "" while it is not there.
    change
        Old text -> new text.  What it raises leaves the file as it was.
    patience_s
        How long another program is waited for [s].

    Raises
    ------
    drift.errors.LogFileError
        If another program keeps the file longer than that.
    OSError
        If the file can't be read or written.
    """
    lock = FileLock(path.with_name(f".{path.name}.lock"), timeout=patience_s, poll_interval=_AGAIN_S)
    with _held(lock, path):
        old = path.read_text(encoding="utf-8-sig") if path.exists() else ""
        new = change(old)
        if new == old:
            return
        part = path.with_name(f".{path.name}.{os.getpid()}")
        part.write_text(new, encoding="utf-8")
        part.replace(path)


@contextmanager
def _held(lock: FileLock, path: Path) -> Iterator[None]:
    """Hold the lock beside a file, which is replaced itself; a drive that knows no locks is taken as it is.

    The system lets go of it when a program ends, however it ends.
    """
    try:
        lock.acquire()
    except Timeout as error:
        raise LogFileError(
            f"another program has been changing {path} for {lock.timeout:g} s: end it, or try again later."
        ) from error
    except NotImplementedError:
        pass
    try:
        yield
    finally:
        lock.release()


# ---- The file ``logs.toml`` beside the site file: mappings under their names, so that none is asked for
# twice.
#
# Each kind of table is a section ``[tables."name"]``.  New ones are written at the end and nothing else is
# touched, so that remarks and other sections stay as their owner wrote them.


NAME = "logs.toml"
_SECTION = "tables"
_BEGINNING = """# How drift reads tables with columns of their own: one section a kind of table, known again
# by its header.  `drift import` adds sections; change or remove them with any text editor.
"""
_NOT_COLUMNS = ("kind", "header", "places", "mount_places")


@dataclass(frozen=True)
class MappingFile:
    """The mappings of one site, by name."""

    path: Path
    mappings: MappingOf[str, Mapping] = field(default_factory=dict)

    @classmethod
    def beside(cls, site_file: Path) -> MappingFile:
        """Read the file beside a site file; none is as good as an empty one.

        Raises
        ------
        drift.errors.LogFileError
            If it can't be read or a mapping is wrong; names the section, the key and the line.
        """
        path = site_file.parent / NAME
        try:
            text = path.read_text(encoding="utf-8-sig")
        except FileNotFoundError:
            return cls(path)
        except (OSError, UnicodeDecodeError) as error:
            raise LogFileError(f"{path} can't be read: {error}.") from error
        return cls(path, parse_mappings(text, str(path)))

    def for_header(self, header: tuple[str, ...]) -> list[str]:
        """Return the names of the mappings made for a header."""
        return [name for name, one in self.mappings.items() if one.fits(header)]

    def free_name(self, wanted: str) -> str:
        """Return a name that is not in use yet."""
        name, number = wanted, 2
        while name in self.mappings:
            name, number = f"{wanted} {number}", number + 1
        return name

    def keep(self, wanted: str, mapping: Mapping) -> tuple[MappingFile, str]:
        """Write a mapping at the end of the file, and return the file as it is then, and the mapping's name.

        What others have written meanwhile stays.  The name is `wanted` or, where that is in use, the next
        free one; a mapping that stands there already under that name is not written again.

        Raises
        ------
        drift.errors.LogFileError
            If the file can't be written, or what stands in it now can't be read.
        """
        after: list[tuple[MappingFile, str]] = []

        def add(old: str) -> str:
            now = MappingFile(self.path, parse_mappings(old, str(self.path)))
            if now.mappings.get(wanted) == mapping:
                after.append((now, wanted))
                return old
            name = now.free_name(wanted)
            after.append((MappingFile(self.path, {**now.mappings, name: mapping}), name))
            return f"{(old or _BEGINNING).rstrip()}\n\n{as_toml(name, mapping)}"

        try:
            change_text(self.path, add)
        except (OSError, UnicodeDecodeError) as error:
            raise LogFileError(
                f"{self.path} can't be written ({getattr(error, 'strerror', None) or error}), so the mapping "
                "could not be kept."
            ) from error
        return after[0]


def as_toml(name: str, mapping: Mapping) -> str:
    """Return a mapping as a section of TOML."""
    lines = [
        f"[{_SECTION}.{_text(name)}]",
        f"kind = {_text(mapping.kind)}",
        f"header = [{', '.join(map(_text, mapping.header))}]",
    ]
    for column, source in mapping.columns.items():
        parts = _source_parts(source)
        if column in ("time_utc", "date"):
            parts += _time_parts(mapping.time)
        lines.append(f"{column} = {{{', '.join(parts)}}}")
    if "ra_deg" in mapping.columns:
        lines.append(f"places = {_text(mapping.places)}")
    if "mount_ra_deg" in mapping.columns:
        lines.append(f"mount_places = {_text(mapping.mount_places)}")
    return "\n".join(lines) + "\n"


def _source_parts(source: ColumnFrom) -> list[str]:
    if not source.columns:
        return [f"value = {_text(source.value)}"]
    names = [_text(name) for name in source.columns]
    parts = [f"from = {names[0]}" if len(names) == 1 else f"from = [{', '.join(names)}]"]
    parts += [f"unit = {_text(str(source.unit))}"] if source.unit else []
    parts += [f"part = {source.part}"] if source.part else []
    return parts + ([f"means = {_text(source.means)}"] if source.means else [])


def _time_parts(time: TimeFrom) -> list[str]:
    plain = TimeFrom()
    parts = []
    for one in fields(TimeFrom):
        value = getattr(time, one.name)
        if value != getattr(plain, one.name) or one.name == "order":
            parts.append(f"{one.name} = {_text(value) if isinstance(value, str) else str(value).lower()}")
    return parts


def _text(value: str) -> str:
    """Return a text as a TOML basic string (TOML 1.0, "String")."""
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda sign: f"\\u{ord(sign[0]):04X}", escaped) + '"'


def parse_mappings(text: str, name: str) -> dict[str, Mapping]:
    """Read the mappings of a TOML text; `name` is what the file is called in messages.

    Raises
    ------
    drift.errors.LogFileError
        If it is no TOML or a mapping is wrong.
    """
    try:
        whole = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise LogFileError(f"{name} is not valid TOML: {error}.") from error
    sections = whole.get(_SECTION, {})
    if not isinstance(sections, dict):
        raise LogFileError(f'{name}: {_SECTION} must be sections, such as [{_SECTION}."my solver"].')
    lines = lines_of(text)
    found = {}
    for title, section in sections.items():
        found[title] = _Section(title, section, name, lines).mapping()
    return found


_Member = TypeVar("_Member", bound=AlsoWritten)


@dataclass(frozen=True)
class _Section:
    title: str
    section: Any
    file: str
    lines: MappingOf[tuple[str | int, ...], int]

    def mapping(self) -> Mapping:
        if not isinstance(self.section, dict):
            raise self._wrong("", "must be a section with kind, header and columns")
        kind = self._kind()
        header = self.section.get("header")
        if not isinstance(header, list) or not all(isinstance(one, str) for one in header) or not header:
            raise self._wrong("header", "must be the list of the file's column names")
        layout = BY_KIND[kind]
        columns, time = {}, TimeFrom()
        for written, source in self.section.items():
            if written in _NOT_COLUMNS:
                continue
            key = contract_name(written)
            if key not in layout.columns:
                raise self._wrong(key, f"is no column of a log of {layout.kind}: {', '.join(layout.columns)}")
            columns[key] = self._source(key, source)
            if key in ("time_utc", "date"):
                time = self._time(key, source)
        lacking = [column for column in layout.required if column not in columns]
        if lacking:
            raise self._wrong("", f"lacks {', '.join(lacking)}, which a log of {layout.kind} needs")
        places = self._member("places", self.section.get("places", ICRS), PlaceFrame)
        mount = self._member("mount_places", self.section.get("mount_places", OF_DATE), PlaceFrame)
        return Mapping(kind, tuple(header), columns, time, places, mount)

    def _source(self, key: str, source: Any) -> ColumnFrom:
        if not isinstance(source, dict):
            raise self._wrong(key, 'must be such as {from = "column name", unit = "degrees"}')
        names = source.get("from", [])
        names = [names] if isinstance(names, str) else names
        if not isinstance(names, list) or not all(isinstance(one, str) for one in names):
            raise self._wrong(key, "has a from that is no column name")
        value = source.get("value", "")
        if bool(names) == ("value" in source) or not isinstance(value, str):
            raise self._wrong(key, "must have from, a column, or value, a text for all rows")
        known = ("from", "value", "unit", "means", "part", *(one.name for one in fields(TimeFrom)))
        for part in source:
            if part not in known:
                raise self._wrong(key, f"has {part!r}, which is none of {', '.join(known)}")
        written = source.get("unit", "")
        unit = unit_of(written, key) if isinstance(written, str) else None
        if written and unit is None:
            allowed = ", ".join(units_for(key)) or "none"
            bubble = (
                ""
                if not may_be_divisions(key)
                else (", divisions of 20 arcsec (the value of one division of the bubble)")
            )
            raise self._wrong(key, f"has the unit {written!r}; allowed here: {allowed}{bubble}")
        means = source.get("means") or (ON if key == "tube_side" and names else None)
        if means is not None:
            means = self._member(key, means, SideMeans)
        part = source.get("part", 0)
        if part not in (0, 1, 2) or isinstance(part, bool):
            raise self._wrong(key, f"has part = {part!r}, which is 1 or 2 of two numbers in one column")
        return ColumnFrom(tuple(names), value, unit, means, part)

    def _time(self, key: str, source: MappingOf[str, Any]) -> TimeFrom:
        said = {one.name: source[one.name] for one in fields(TimeFrom) if one.name in source}
        for name, value in said.items():
            if name in TIME_CHOICES:
                said[name] = self._member(key, value, TIME_CHOICES[name])
        if said.get("zone") and (not isinstance(said["zone"], str) or zone_named(said["zone"]) is None):
            raise self._wrong(key, f"has the zone {said['zone']!r}, which is none of the IANA list")
        if not isinstance(said.get("evening_date", False), bool):
            raise self._wrong(key, "has an evening_date that is neither true nor false")
        return TimeFrom(**said)

    def _member(self, key: str, value: Any, members: type[_Member]) -> _Member:
        if not members.has(value):
            raise self._not_allowed(key, value, members)
        return members(value)

    def _kind(self) -> str:
        kind = self.section.get("kind", "")
        if kind not in BY_KIND:
            raise self._not_allowed("kind", kind, BY_KIND)
        return str(kind)

    def _not_allowed(self, key: str, value: Any, allowed: Iterable[str]) -> LogFileError:
        named = ", ".join(str(one) or repr("") for one in allowed)
        return self._wrong(key, f"says {value!r}; allowed: {named}")

    def _wrong(self, key: str, why: str) -> LogFileError:
        line = line_of(self.lines, (_SECTION, self.title, *((key,) if key else ())))
        where = f"{self.file}, line {line}" if line else self.file
        return LogFileError(f"{where}: {f'{key} of ' if key else ''}the mapping {self.title!r} {why}.")
