"""The answer that the page shows: worked out once, and kept until the record or the site file changes."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from drift.api import answer_readings, open_book, read_site, with_ground
from drift.book.clock import now_us
from drift.errors import DriftError
from drift.page.drawings import Drawings
from drift.quantities import DAY_US
from drift.readings import COLUMNS

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.book.store import Book
    from drift.pierfile import PierFile


@dataclass(frozen=True)
class Standing:
    """What stands for one state of the record.

    Parameters
    ----------
    mark
        Of the state of record and site file that it was worked out from, and of the day.
    made_of
        The content of the readings, the site file, the day on which it was worked out (days since
        1970-01-01 UTC: tomorrow the last night is a day older), and when readings last came in.
    row_ids
        Kind -> the rows that count.
    answer
        None where there is nothing to answer from, or something is wrong.
    nothing
        Why there is no answer, a paragraph.
    drawings
        The pictures of the answer.
    """

    mark: str
    made_of: tuple[str, PierFile, int, int | None]
    row_ids: Mapping[str, frozenset[int]] = field(repr=False)
    answer: Answer | None = field(repr=False)
    nothing: str = ""
    drawings: Drawings | None = field(default=None, repr=False)

    @property
    def site(self) -> PierFile:
        """The site file then."""
        return self.made_of[1]


class Keeper:
    """Keeps the record open, and what was worked out from it.

    Parameters
    ----------
    site_path
        The site file.
    draw_ahead
        Whether all pictures are drawn as soon as there is an answer, before anyone asks for them.
    """

    def __init__(self, site_path: Path, draw_ahead: bool = True) -> None:
        self._path, self._draw_ahead = site_path, draw_ahead
        self._changed = threading.Condition()
        self._open: tuple[str, PierFile, Book] | None = None
        self._left: list[Book] = []  # of earlier site files: a request may still hold one
        self._standing: Standing | None = None
        self._begun = self._ended = 0  # workings out: how many were begun, and how many of those ended
        self._mark = ""  # of the one that was begun last
        self._failed: Exception | None = None  # what the one that ended last failed with

    def pier(self) -> tuple[PierFile, Book]:
        """Return the site file and the record as they are now.

        Raises
        ------
        drift.errors.DriftError
            If either can't be used.
        """
        with self._changed:
            mark = self._site_mark()
            if self._open is None or self._open[0] != mark:
                site = read_site(self._path)
                book = open_book(site)
                if self._open is not None:
                    self._left.append(self._open[2])
                self._open = (mark, site, book)
            return self._open[1], self._open[2]

    def standing(self, patience_s: float) -> tuple[Standing | None, bool]:
        """Return what stands, and whether it is of the record as it is now.

        Parameters
        ----------
        patience_s
            How long to wait for it to be worked out [s]; then the one before is returned, or None.
        """
        mark = self._present()
        with self._changed:
            if self._standing is not None and self._standing.mark == mark:
                return self._standing, True
            # one that is being worked out will do when it began from the present state
            wanted = self._begun if self._mark == mark and self._working else self._begun + 1
            done = self._changed.wait_for(lambda: self._is_done(wanted), patience_s)
            if done and self._failed is not None:
                raise self._failed
            return self._standing, done

    def close(self) -> None:
        """Let go of the record."""
        with self._changed:
            for book in [*self._left, *([self._open[2]] if self._open else [])]:
                book.close()
            self._open, self._left = None, []

    @property
    def _working(self) -> bool:
        return self._ended < self._begun

    def _present(self) -> str:
        """Return the mark of site file, record and day as they are now."""
        site_mark = self._site_mark()
        return f"{site_mark} {self.pier()[1].stand()} {now_us() // DAY_US}"

    def _is_done(self, wanted: int) -> bool:
        if self._ended >= wanted:
            return True
        if not self._working:
            self._start()
        return False

    def _start(self) -> None:
        self._mark = self._present()
        self._begun += 1
        work = threading.Thread(
            target=self._work, args=(*self.pier(), self._mark, self._standing), daemon=True
        )
        work.start()

    def _work(self, site: PierFile, book: Book, mark: str, before: Standing | None) -> None:
        made: Standing | None = None
        failed: Exception | None = None
        try:
            made = work_out(site, book, mark, before)
        except Exception as error:  # told to whoever waits for it
            failed = error
        with self._changed:
            self._ended += 1
            self._failed = failed
            self._standing = made or self._standing
            self._changed.notify_all()
        if self._draw_ahead and made is not None and made.drawings is not None:
            made.drawings.draw_all(lambda: self._standing is made)

    def _site_mark(self) -> str:
        try:
            found = self._path.stat()
        except OSError:
            return "none"
        return f"{found.st_mtime_ns} {found.st_size}"


def work_out(site: PierFile, book: Book, mark: str, before: Standing | None = None) -> Standing:
    """Work out what stands; what stood before today is kept when readings and site file are the same."""
    readings, now = book.readings(), now_us()
    arrived = book.latest_import_us()
    made_of = (readings.readings_id, site, now // DAY_US, arrived)
    if before is not None and before.made_of == made_of and readings.readings_id:
        return replace(before, mark=mark)
    row_ids = {kind: frozenset(readings[kind]["row_id"].tolist()) for kind in COLUMNS}
    try:
        answer = with_ground(answer_readings(site, readings, book, now), readings, book)
    except DriftError as error:
        return Standing(mark, made_of, row_ids, None, str(error))
    return Standing(mark, made_of, row_ids, answer, "", Drawings(answer))
