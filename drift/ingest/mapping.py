"""Which of a file's columns is which of ours, and ``logs.toml``, which keeps that by name."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Sequence
from collections.abc import Mapping as MappingOf
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, TypeVar

from filelock import FileLock, Timeout

from drift.codes import AlsoWritten
from drift.errors import LogFileError
from drift.ingest.kinds import BY_KIND
from drift.ingest.text import our_name
from drift.ingest.times import DateOrder, RepeatedHour, TimeForm, zone_named
from drift.ingest.units import Unit, may_be_divisions, unit_of, units_for
from drift.ingest.values import ON, SideMeans
from drift.notices import MappingCode, Notice, Value, info
from drift.site.text import line_of, lines_of, write_whole

# ---- The mapping: which column is which, and how each is written.
#
# A mapping is what is kept in ``logs.toml`` beside the site file, one part a kind of table, so that the
# next file with the same header needs no question.


class PlaceFrame(AlsoWritten):
    """The frame of a place; J2000 is taken as ICRS, from which it differs by 0.02 arcsec."""

    ICRS = "ICRS"
    OF_DATE = "of_date"  # true equator and equinox
    MEAN = "mean_of_date"
    HOUR_ANGLE = "hour_angle_and_declination"  # of date; the hour angle is positive west
    HORIZON = "azimuth_and_altitude"  # without refraction; azimuth from true north through east
    HORIZON_SEEN = "azimuth_and_altitude_through_the_air"  # with refraction

    @classmethod
    def once_called(cls) -> dict[str, str]:
        """Return former names of members."""
        return {"j2000": cls.ICRS}


class TimeScale(AlsoWritten):
    """The scale of times that are no civil time."""

    UTC = "UTC"
    TT = "TT"
    TAI = "TAI"


class Instant(AlsoWritten):
    """Which instant of an exposure a time is."""

    MIDDLE = "middle"
    START = "start"
    END = "end"


ICRS, OF_DATE, MEAN, HOUR_ANGLE, HORIZON, HORIZON_SEEN = PlaceFrame
#: Frames of right ascension and declination.
EQUATORIAL = (ICRS, OF_DATE, MEAN)
FRAMES = tuple(PlaceFrame)
MIDDLE, START, END = Instant


@dataclass(frozen=True)
class TimeFrom:
    """How a file's times are to be read.

    Parameters
    ----------
    form
        How a time is given.
    order
        Of the parts of a date in a text.
    zone
        Of times without one: "UTC", a name of the IANA list, an offset such as "+02:00"; "" when each
        time has its own.
    repeated_hour
        How to take an hour that the clock went through twice.
    evening_date
        The date is that of the evening: times before noon belong to the day after.
    scale
        Of times that are no civil time.
    instant
        Of the exposure; start and end need a column of exposure times.
    """

    form: TimeForm = TimeForm.TEXT
    order: DateOrder = DateOrder.YMD
    zone: str = ""
    repeated_hour: RepeatedHour = RepeatedHour.BY_ORDER
    evening_date: bool = False
    scale: TimeScale = TimeScale.UTC
    instant: Instant = MIDDLE


#: Key of a time -> its allowed values; `zone` and `evening_date` are checked separately.
TIME_CHOICES: dict[str, type[AlsoWritten]] = {
    "form": TimeForm,
    "order": DateOrder,
    "repeated_hour": RepeatedHour,
    "scale": TimeScale,
    "instant": Instant,
}


@dataclass(frozen=True)
class ColumnFrom:
    """Where one of our columns comes from: file columns (joined by a blank), or one value for all rows.

    `part` is 1 or 2 where one column holds right ascension and declination together, else 0.
    """

    columns: tuple[str, ...] = ()
    value: str = ""
    unit: Unit | None = None  # None: our own
    means: SideMeans | None = None  # of tube_side
    part: int = 0


@dataclass(frozen=True)
class Mapping:
    """How one kind of table is read; see the module's text.

    `header` is the names of all columns of the file, by which it is recognised.
    """

    kind: str
    header: tuple[str, ...]
    columns: MappingOf[str, ColumnFrom]
    time: TimeFrom = field(default_factory=TimeFrom)
    places: PlaceFrame = ICRS
    mount_places: PlaceFrame = OF_DATE
    own: bool = False  # the file has our own columns, and nothing was mapped

    def fits(self, header: Sequence[str]) -> bool:
        """Tell whether a file's header is the one that this mapping is for."""
        return header_key(header) == header_key(self.header)


def header_key(header: Sequence[str]) -> tuple[str, ...]:
    """Return a header for comparison: case and blanks don't matter."""
    return tuple(" ".join(name.split()).lower() for name in header)


def own_mapping(kind: str, header: Sequence[str], columns: Sequence[str]) -> Mapping:
    """Return the mapping of a file with our own columns."""
    names = {our_name(name): name for name in reversed(header)}
    return Mapping(kind, tuple(header), {c: ColumnFrom((names[c],)) for c in columns if c in names}, own=True)


# ---- Questions, reasons and proposals.


#: Answers to questions, by the question's key.
Answers = MappingOf[str, str]
#: Prefix of an answer that is a value for all rows, instead of a column.
VALUE = "value:"
#: The answer that takes no column.
NONE = "none"


@dataclass(frozen=True)
class Choice:
    """One possible answer, and what it means where that is not plain."""

    answer: str
    means: Notice | None = None


@dataclass(frozen=True)
class Question:
    """Something that can't be decided from the file."""

    key: str
    asks: Notice
    choices: tuple[Choice, ...]
    free: bool = False  # whether other answers are possible
    trouble: str = ""  # why an earlier answer is impossible


@dataclass(frozen=True)
class Reason:
    """One thing that was decided, and why."""

    what: str  # key of the answer that would change it, such as "ra_deg.unit"
    decided: str
    because: Notice


@dataclass(frozen=True)
class Proposal:
    """A mapping with the reasons for each part of it, or the first question on the way to one."""

    mapping: Mapping | None
    reasons: tuple[Reason, ...]
    question: Question | None = None


class Ask(Exception):
    """Raised to ask a question in the middle of a guess."""

    def __init__(self, question: Question) -> None:
        super().__init__(question.key)
        self.question = question


def _plain(answer: str) -> str:
    """Return an answer for comparison: case doesn't matter, and a blank is as good as an underscore."""
    return "_".join(answer.split()).lower()


@dataclass
class Decisions:
    """The reasons of a guess, and the answers so far."""

    answers: Answers
    reasons: list[Reason]
    asked: set[str]

    def told(self, what: str, decided: str, code: MappingCode, **values: Value) -> str:
        """Note the reason of a decision, and return the decision."""
        self.reasons.append(Reason(what, decided, info(code, **values)))
        return decided

    def answer(self, key: str) -> str:
        """Return what was answered to a key, "" for nothing yet."""
        self.asked.add(key)
        return self.answers.get(key, "")

    def says(self, key: str, choice: str) -> bool:
        """Tell whether a choice was answered to a key."""
        return _plain(self.answer(key)) == _plain(choice)

    def ask(self, question: Question) -> str:
        """Return the answer to a question.

        Raises
        ------
        Ask
            If it has not been answered yet.
        """
        answer = self.answer(question.key)
        if answer:
            known = {_plain(choice.answer): choice.answer for choice in question.choices}
            if _plain(answer) in known:
                return self.told(question.key, known[_plain(answer)], MappingCode.ANSWERED)
            if question.free:
                return self.told(question.key, answer, MappingCode.ANSWERED)
        raise Ask(question)


# ---- Changing a text file: one program at a time, whole or not at all.
#
# The page and a command may write ``logs.toml`` at once.  Each starts from the present text, so that
# without a lock the later one would overwrite what the earlier one added.


#: How long to wait for another program [s], and between two tries [s].
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
        write_whole(path, new.encode(), mode=0o666, replace=True)


@contextmanager
def _held(lock: FileLock, path: Path) -> Iterator[None]:
    """Hold the lock beside a file, because the file itself is replaced; without it on a drive without locks.

    The system releases it when a program ends, however it ends.
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


# ---- The file ``logs.toml``: mappings under their names.
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
        """Read the file beside a site file; a missing one counts as empty.

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
        free one; a mapping that is there already under that name is not written again.

        Raises
        ------
        drift.errors.LogFileError
            If the file can't be written, or its present content can't be read.
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
            key = our_name(written)
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
        settings = {one.name: source[one.name] for one in fields(TimeFrom) if one.name in source}
        for name, value in settings.items():
            if name in TIME_CHOICES:
                settings[name] = self._member(key, value, TIME_CHOICES[name])
        if settings.get("zone") and (
            not isinstance(settings["zone"], str) or zone_named(settings["zone"]) is None
        ):
            raise self._wrong(key, f"has the zone {settings['zone']!r}, which is none of the IANA list")
        if not isinstance(settings.get("evening_date", False), bool):
            raise self._wrong(key, "has an evening_date that is neither true nor false")
        return TimeFrom(**settings)

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
