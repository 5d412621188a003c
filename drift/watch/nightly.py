"""What came of a nightly run, and what a digest says, as data."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from drift.codes import Standing
from drift.watch.coming import News
from drift.watch.limits import NowState

if TYPE_CHECKING:
    from drift.history.neighbours import OwnYears
    from drift.site.sections import DigestEvery


class FileWaits(StrEnum):
    """Why a file of the folders is not in the record."""

    QUESTION = "question"  # how it is to be read was asked, and nobody has answered
    UNREADABLE = "unreadable"
    GROWING = "growing"  # it is still being written
    NOT_WEATHER = "not_weather"  # it lies in a folder of weather logs that piers share, and is none


class DigestState(StrEnum):
    """What became of the digest."""

    NOT_WANTED = "not_wanted"  # [warn] digest or notify is not given
    NOT_DUE = "not_due"
    SENT = "sent"
    WAITS = "waits"  # it could not be sent everywhere, or was not to be sent now


@dataclass(frozen=True, kw_only=True)
class FileTaken:
    """A file that was read: how many of its rows went in, were there, or could not be used."""

    file: str
    kind: str
    went_in: int
    already_there: int
    set_aside: int
    left_out: int


@dataclass(frozen=True, kw_only=True)
class FileWaiting:
    """A file that is not in the record: what is wrong in words, and the keys of what is asked."""

    file: str
    why: FileWaits
    words: str = ""
    questions: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class SharedFolders:
    """What came of the weather folders that piers share, besides what was taken in."""

    waiting: tuple[FileWaiting, ...] = ()
    missing: tuple[str, ...] = ()

    @property
    def needs_care(self) -> bool:
        """Whether something could not be done that somebody can put right."""
        return bool(self.missing) or any(one.why is not FileWaits.GROWING for one in self.waiting)


@dataclass(frozen=True, kw_only=True)
class NightlyResult:
    """What came of a run.

    Attributes
    ----------
    site_file, name
        The pier: whole path of its site file, and its name.
    now_us
        The time for which it was worked out [UTC us].
    taken, waiting
        Files of the folders that were read, and those that wait.
    missing
        Folders that are not there.
    shared
        The same of the weather folders that it shares with other piers.
    nothing
        Why nothing could be worked out, "" where it was.
    lines, state
        The headline, and the numbers behind it; None where nothing could be worked out.
    news
        What is new since it was last acknowledged.
    acknowledged
        When that was [us], the note, and what; None when never.
    sent
        How many messages went out.
    digest
        What became of the digest.
    troubles
        What could not be sent or written, a sentence each, without anything secret.
    report
        The report that was written.
    years
        What its own years are worth to itself and to its neighbours; None where nothing could be worked out.
    """

    site_file: str
    name: str
    now_us: int
    taken: tuple[FileTaken, ...] = ()
    waiting: tuple[FileWaiting, ...] = ()
    missing: tuple[str, ...] = ()
    shared: SharedFolders = SharedFolders()
    nothing: str = ""
    lines: tuple[str, ...] = ()
    state: NowState | None = None
    news: News = field(default_factory=lambda: News(new=(), provisional=()))
    acknowledged: tuple[int, str, str] | None = None
    sent: int = 0
    digest: DigestState = DigestState.NOT_WANTED
    troubles: tuple[str, ...] = ()
    report: Path | None = None
    years: OwnYears | None = field(default=None, repr=False)

    @property
    def needs_care(self) -> bool:
        """Whether something could not be done that its owner can put right; what piers share apart."""
        stuck = any(one.why is not FileWaits.GROWING for one in self.waiting)
        return stuck or bool(self.missing or self.troubles)

    @property
    def exit_code(self) -> int:
        """1: moved.  2: nothing could be worked out.  3: something needs care.  0: none of it."""
        if self.news.moved:
            return 1
        return 2 if self.nothing else 3 if self.needs_care or self.shared.needs_care else 0


@dataclass(frozen=True, kw_only=True)
class Digest:
    """What a digest says.

    Attributes
    ----------
    name
        Of the pier, "" where it has none.
    every
        How often it is sent.
    now_us
        The present time [us].
    moved
        Whether something has moved that is not acknowledged.
    standing
        How axis and tilt stand against their limits.
    lines
        The headline.
    nights
        Evenings of the nights since the last digest; all nights for the first.
    is_first
        Whether it is the first to its address.
    waits
        Sentences of what is not acknowledged.
    mailed
        What went to the same address in a mail of its own just now, in a few words each.
    files
        Files that are not in the record, a sentence each.
    picture
        The strip in words.
    """

    name: str
    every: DigestEvery
    now_us: int
    moved: bool
    standing: Standing
    lines: tuple[str, ...]
    nights: tuple[date, ...]
    is_first: bool
    waits: tuple[str, ...]
    mailed: tuple[str, ...]
    files: tuple[str, ...]
    picture: str
