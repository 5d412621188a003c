"""The record of one pier: every reading as it came, kept safely, quick to read."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from sqlalchemy import Connection, func, insert, select
from sqlalchemy.exc import DBAPIError

from drift._version import __version__
from drift.book import keeping, messages, reading, schema
from drift.book.bulk import collector_paused
from drift.book.by_hand import read_by_hand
from drift.book.clock import now_us
from drift.book.engine import Place, book_url, open_place
from drift.book.importing import FileImported, FileRefused, Found, find_logs, outcome, refusal
from drift.book.messages import Message
from drift.book.migrations import bring_up_to_date
from drift.book.troubles import in_words, read_only_words
from drift.book.writing import add_log
from drift.errors import BookError, LogFileError
from drift.logs.layout import circumstances
from drift.logs.read import read_log
from drift.logs.result import LogRead, RowSetAside
from drift.readings import Readings

if TYPE_CHECKING:
    from drift.pierfile import PierFile

#: A site farther from the record's own than this is another site [deg]; 0.02 degrees are 2 km.
SITE_LEEWAY_DEG = 0.02
#: Told the file, the rows done and the rows in all.
Progress = Callable[[str, int, int], None]
_CACHE_PATIENCE_S = 1.0


class Book:
    """The record of one pier; use it as a context manager, or call `close`."""

    def __init__(self, site: PierFile, place: Place) -> None:
        self._site = site
        self._place = place

    @classmethod
    def open(cls, site: PierFile) -> Book:
        """Open the record of a site, making it when there is none.

        Where the file or its folder is read-only it is opened for reading.

        Raises
        ------
        drift.errors.BookError
            If it can't be opened or made, was made by a newer version, or
            belongs to another site.
        """
        place = open_place(book_url(site))
        try:
            with in_words(place.words, "opening it", place.file):
                bring_up_to_date(place)
                _claim(place, site)
        except BaseException:
            place.engine.dispose()
            raise
        return cls(site, place)

    def close(self) -> None:
        """Let go of the database; SQLite's side files go with the last program that does."""
        self._place.engine.dispose()

    def __enter__(self) -> Book:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def read_only(self) -> bool:
        """Whether the record can be read only."""
        return self._place.read_only

    def readings(self) -> Readings:
        """Return all readings, in an order that does not depend on the order of imports.

        Returns
        -------
        drift.readings.Readings
            With `readings_id`, which names the content of all of them.
        """
        with collector_paused(), self._reading("reading it") as connection:
            return reading.read_readings(connection)

    def where(self, row_ids: Iterable[int]) -> dict[int, tuple[str, int, str]]:
        """Return for each row_id its file, its line and its text as it came."""
        with self._reading("looking up where readings came from") as connection:
            return reading.where_rows(connection, row_ids)

    def set_aside_rows(self) -> list[RowSetAside]:
        """Return the rows that could not be used, and the values left out, by file and line."""
        with self._reading("listing the rows set aside") as connection:
            return reading.set_aside_rows(connection)

    def import_files(
        self, paths: Iterable[Path], progress: Progress | None = None
    ) -> Iterator[FileImported | FileRefused]:
        """Import files and folders, and yield what came of each file, one after the other.

        Each file goes in as one transaction: whatever happens, it is in wholly or not at all, and a
        file that can't be read keeps no other from going in.

        Raises
        ------
        drift.errors.BookError
            If the record can't be written.
        """
        yield from self.import_found(find_logs(paths, self._site.path), progress)

    def import_found(
        self, found: Found, progress: Progress | None = None
    ) -> Iterator[FileImported | FileRefused]:
        """Import the files that `drift.book.importing.find_logs` found; see `import_files`."""
        yield from found.refused
        for path in found.logs:
            yield self._import_file(path, progress)

    def add(self, log: LogRead, progress: Progress | None = None) -> FileImported:
        """Add a log that was read, as one transaction."""
        told = partial(progress, log.name) if progress else None
        with self._writing(f"importing {log.name}") as connection:
            return outcome(log, add_log(connection, log, now_us(), told))

    def record(self, kind: str, rows: Sequence[Mapping[str, str]]) -> FileImported:
        """Write rows down by hand, given as column -> text, through the checks of a file of that kind.

        Raises
        ------
        drift.errors.LogFileError
            If a value can't be used.
        drift.errors.BookError
            If the record can't be written.
        """
        with self._writing("recording") as connection:
            table = schema.readings[kind]
            by_hand = select(schema.files.c.id).where(schema.files.c.path == "", schema.files.c.kind == kind)
            last = connection.scalar(select(func.max(table.c.line)).where(table.c.file_id.in_(by_hand)))
            log = read_by_hand(kind, rows, circumstances(self._site, now_us()), int(last or 0) + 1)
            return outcome(log, add_log(connection, log, now_us()))

    def acknowledge(self, note: str, what: str) -> None:
        """Note that what `drift check` reported was seen; `what` is the watch part as JSON text.

        Warnings that did not surely arrive are not sent any more.
        """
        with self._writing("acknowledging") as connection:
            keeping.add_acknowledgement(connection, now_us(), note, what)
            messages.drop_open(connection, now_us())

    def last_acknowledged(self) -> tuple[int, str, str] | None:
        """Return time [us], note and `what` of the latest acknowledgement, or None."""
        with self._reading("reading the acknowledgements") as connection:
            return keeping.last_acknowledgement(connection)

    def messages(self) -> list[Message]:
        """Return all warnings that were to be sent, the oldest first."""
        with self._reading("reading the warnings") as connection:
            return messages.all_messages(connection)

    def post(self, choose: Callable[[Sequence[Message]], Sequence[Message]]) -> None:
        """Add the messages that `choose` returns when it is given all earlier ones, as one transaction."""
        with self._writing("noting warnings to send") as connection:
            messages.add_messages(connection, choose(messages.all_messages(connection)), now_us())

    def take_message(self, number: str) -> bool:
        """Turn a message from waiting to going; return False when another program was quicker."""
        with self._writing("taking a warning to send") as connection:
            return messages.take(connection, number, now_us())

    def note_message(self, number: str, state: str, why: str) -> None:
        """Note what came of a message that is going."""
        with self._writing("noting what came of a warning") as connection:
            messages.note(connection, number, state, why, now_us())

    def latest_import_us(self) -> int | None:
        """Return when a log of the sky or a level last came in [us], or None."""
        with self._reading("looking when readings came in") as connection:
            return keeping.latest_import_us(connection)

    def keep_answer(self, key: str, text: str) -> bool:
        """Keep an answer under a key; return whether it could be kept."""
        return self._try_to_keep(lambda connection: keeping.keep_answer(connection, key, text, now_us()))

    def kept_answer(self, key: str) -> str | None:
        """Return the answer that this version kept under a key, or None."""
        with self._reading("looking for a kept answer") as connection:
            return keeping.kept_answer(connection, key)

    def keep_blobs(self, blobs: Mapping[str, bytes]) -> bool:
        """Keep blobs under their keys; return whether they could be kept."""
        return self._try_to_keep(lambda connection: keeping.keep_blobs(connection, blobs, now_us()))

    def kept_blobs(self, keys: Iterable[str]) -> dict[str, bytes]:
        """Return the blobs that are kept of those asked for."""
        with self._reading("looking for kept nights") as connection:
            return keeping.kept_blobs(connection, keys)

    def _import_file(self, path: Path, progress: Progress | None) -> FileImported | FileRefused:
        with collector_paused():
            try:
                log = read_log(path, circumstances(self._site, now_us()))
            except LogFileError as error:
                return refusal(path, error)
            return self.add(log, progress)

    def _try_to_keep(self, keep: Callable[[Connection], None]) -> bool:
        """Do without what is only a saving of work when the record can't be written just now."""
        if self._place.read_only:
            return False
        try:
            with self._place.writing(_CACHE_PATIENCE_S) as connection:
                keep(connection)
        except DBAPIError:
            return False
        return True

    @contextmanager
    def _reading(self, doing: str) -> Iterator[Connection]:
        with in_words(self._place.words, doing, self._place.file), self._place.reading() as connection:
            yield connection

    @contextmanager
    def _writing(self, doing: str) -> Iterator[Connection]:
        if self._place.read_only:
            raise BookError(read_only_words(self._place.words, doing))
        with in_words(self._place.words, doing, self._place.file), self._place.writing() as connection:
            yield connection


def _claim(place: Place, site: PierFile) -> None:
    """Write into a new record whose it is, and refuse one of another site."""
    table = schema.book
    query = select(table.c.name, table.c.latitude_deg, table.c.longitude_deg)
    with place.reading() as connection:
        owner = connection.execute(query).first()
    if owner is None:
        with place.writing() as connection:
            owner = connection.execute(query).first()
            if owner is None:
                connection.execute(insert(table).values(**_owner(site)))
                return
    _refuse_other_site(place, site, *owner)


def _owner(site: PierFile) -> dict[str, object]:
    return {
        "id": 1,
        "name": site.site.name or "",
        "latitude_deg": site.site.latitude_deg,
        "longitude_deg": site.site.longitude_deg,
        "made_us": now_us(),
        "code_version": __version__,
        "next_row_id": 1,
    }


def _refuse_other_site(
    place: Place, site: PierFile, name: str, latitude_deg: float, longitude_deg: float
) -> None:
    east_deg = math.remainder(site.site.longitude_deg - longitude_deg, 360.0)
    if abs(site.site.latitude_deg - latitude_deg) <= SITE_LEEWAY_DEG and abs(east_deg) <= SITE_LEEWAY_DEG:
        return
    raise BookError(
        f"the record {place.words} belongs to a pier at latitude {latitude_deg:g}, longitude "
        f"{longitude_deg:g}"
        f"{f' ({name})' if name else ''}, but the site file says latitude {site.site.latitude_deg:g}, "
        "longitude "
        f"{site.site.longitude_deg:g}.  If this is another pier, give it a site file and a record of its "
        "own.  If the "
        "site file was wrong until now, move the record away and import the logs again: which rows are "
        "believed depends on the place."
    )
