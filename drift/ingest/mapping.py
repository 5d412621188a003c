"""Which of a file's columns is which of the contract's: a mapping, and a proposal of one with its reasons."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from collections.abc import Sequence
from dataclasses import dataclass, field

from drift.codes import AlsoWritten
from drift.ingest.text import contract_name
from drift.ingest.times import DateOrder, RepeatedHour, TimeForm
from drift.ingest.units import Unit
from drift.ingest.values import SideMeans
from drift.notices import MappingCode, Notice, Value, info

# ---- Which of a file's columns is which of the contract's, and how each is written.
#
# A mapping is what is kept in ``logs.toml`` beside the site file, one part a kind of table, so that
# the next
# file with the same header needs no question.


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
        """Return other names of members."""
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
    """How a file's times are to be understood.

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


#: Key of a time -> its allowed values; `zone` and `evening_date` are checked by themselves.
TIME_CHOICES: dict[str, type[AlsoWritten]] = {
    "form": TimeForm,
    "order": DateOrder,
    "repeated_hour": RepeatedHour,
    "scale": TimeScale,
    "instant": Instant,
}


@dataclass(frozen=True)
class ColumnFrom:
    """Where a contract column comes from: file columns (joined by a blank), or one value for all rows.

    `part` is 1 or 2 where one column holds right ascension and declination together, else 0.
    """

    columns: tuple[str, ...] = ()
    value: str = ""
    unit: Unit | None = None  # None: the contract's own
    means: SideMeans | None = None  # of tube_side
    part: int = 0


@dataclass(frozen=True)
class Mapping:
    """How one kind of table is read; see the module's text.

    `header` is the names of all columns of the file, by which it is known again.
    """

    kind: str
    header: tuple[str, ...]
    columns: MappingOf[str, ColumnFrom]
    time: TimeFrom = field(default_factory=TimeFrom)
    places: PlaceFrame = ICRS
    mount_places: PlaceFrame = OF_DATE
    own: bool = False  # the file has the contract's own columns, and nothing was mapped

    def fits(self, header: Sequence[str]) -> bool:
        """Tell whether a file's header is the one that this mapping is for."""
        return header_key(header) == header_key(self.header)


def header_key(header: Sequence[str]) -> tuple[str, ...]:
    """Return a header as it is compared: case and blanks don't matter."""
    return tuple(" ".join(name.split()).lower() for name in header)


def own_mapping(kind: str, header: Sequence[str], columns: Sequence[str]) -> Mapping:
    """Return the mapping of a file with the contract's own columns."""
    names = {contract_name(name): name for name in reversed(header)}
    return Mapping(kind, tuple(header), {c: ColumnFrom((names[c],)) for c in columns if c in names}, own=True)


# ---- What is proposed for a table with columns of its own: a mapping with reasons, or a question.


#: Answers to questions, by the question's key.
Answers = MappingOf[str, str]
#: An answer that begins so is a value for all rows, instead of a column.
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
    free: bool = False  # other answers are possible as well
    trouble: str = ""  # why an earlier answer can't be


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
    """Carries a question out of the middle of a guess."""

    def __init__(self, question: Question) -> None:
        super().__init__(question.key)
        self.question = question


def _plain(answer: str) -> str:
    """Return an answer as it is compared: case doesn't matter, and a blank is as good as an underscore."""
    return "_".join(answer.split()).lower()


@dataclass
class Decisions:
    """Collects reasons, and gives the answers that were given so far."""

    answers: Answers
    reasons: list[Reason]
    asked: set[str]

    def told(self, what: str, decided: str, code: MappingCode, **values: Value) -> str:
        """Note a decision with the code of its reason, and return it."""
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
