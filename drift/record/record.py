"""The record of one pier: every reading as it came, kept safely, quick to read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from drift.errors import LogFileError, RecordError
from drift.importer import mending
from drift.importer.by_hand import amend_row, record_rows
from drift.importer.files import (
    FileImported,
    FileRefused,
    FilesFound,
    find_logs,
    of_another_pier,
    outcome,
    refusal,
)
from drift.importer.mending import Mended
from drift.ingest.cells import circumstances
from drift.ingest.fits_images import by_folder, named
from drift.ingest.fits_log import frame_of_all, read_images
from drift.ingest.formats import open_table
from drift.ingest.mapping_file import NAME as LOGS_TOML
from drift.ingest.read import LogRead, RowSetAside, Settle, read_log, read_table
from drift.ingest.settle import Settler
from drift.record import acts, aside, cache, reading
from drift.record.acts import RowEvent, RowHeld
from drift.record.aside import Aside
from drift.record.cache import StoredMessage
from drift.record.engine import Place, claim, in_words, now_us, open_place, read_only_words, record_url
from drift.record.migrations import bring_up_to_date
from drift.record.origins import ActDone, Origin, acts_done, origins_of
from drift.record.schema import collector_paused
from drift.record.undo import Undone, undo
from drift.record.writing import Act, add_log
from drift.types import Readings

if TYPE_CHECKING:
    from drift.site.file import PierFile


#: Told the file, the rows done and the rows in all.
Progress = Callable[[str, int, int], None]
_CACHE_PATIENCE_S = 1.0


class Record:
    """The record of one pier; use it as a context manager, or call `close`."""

    def __init__(self, site: PierFile, place: Place) -> None:
        self._site = site
        self._place = place

    @classmethod
    def open(cls, site: PierFile) -> Record:
        """Open the record of a site, making it when there is none.

        Where the file or its folder is read-only it is opened for reading.

        Raises
        ------
        drift.errors.RecordError
            If it can't be opened or made, was made by a newer version, or
            belongs to another site.
        """
        place = open_place(record_url(site))
        try:
            with in_words(place.words, "opening it", place.file):
                bring_up_to_date(place)
                claim(place, site)
        except BaseException:
            place.engine.dispose()
            raise
        return cls(site, place)

    def close(self) -> None:
        """Let go of the database; SQLite's side files go with the last program that does."""
        self._place.engine.dispose()

    def __enter__(self) -> Record:
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
        drift.types.Readings
            With `readings_id`, which names the content of all of them.
        """
        with collector_paused(), self._reading("reading it") as connection:
            return reading.read_readings(connection)

    def stand(self) -> str:
        """Return a mark that changes whenever a reading came in or went out of use, quickly."""
        with self._reading("looking whether anything has changed") as connection:
            return cache.stand_of(connection)

    def where(self, row_ids: Iterable[int]) -> dict[int, tuple[str, int, str]]:
        """Return for each row_id its file, its line and its text as it came."""
        with self._reading("looking up where readings came from") as connection:
            return reading.where_rows(connection, row_ids)

    def origins(self, row_ids: Iterable[int]) -> dict[int, Origin]:
        """Return for each row_id where the row came from, by which import, and what was done to it since."""
        with self._reading("looking up where readings came from") as connection:
            return origins_of(connection, row_ids)

    def set_aside_rows(self) -> list[RowSetAside]:
        """Return the rows that could not be used, and the values left out, by file and line."""
        with self._reading("listing the rows set aside") as connection:
            return [one.row for one in aside.open_asides(connection)]

    def asides(self, numbers: Sequence[int] | None = None) -> list[Aside]:
        """Return what is set aside with its numbers, or that of some numbers only, by file and line."""
        with self._reading("listing the rows set aside") as connection:
            if numbers is None:
                return aside.open_asides(connection)
            return aside.wanted_asides(connection, numbers)

    def put_back_mended(self, path: Path, settle: Settle | None = None) -> Mended:
        """Put the rows of a mended file, as `drift aside export` wrote it, into the record.

        Parameters
        ----------
        path
            The file.
        settle
            As in `drift.ingest.read.read_log`.

        Raises
        ------
        drift.errors.LogFileError
            If it is no such file.
        """
        around = circumstances(self._site, now_us())
        bare, numbers = mending.without_numbers(open_table(path))
        log = read_table(bare, around, settle)
        with self._writing(f"putting back what {path} mends") as connection:
            return mending.put_back(connection, log, numbers, around.now_us)

    def dismiss(self, numbers: Sequence[int], reason: str) -> None:
        """Take rows set aside off the list for good, whatever file brings them again.

        Raises
        ------
        drift.errors.RecordError
            If a number is not on the list; then none is dismissed.
        """
        with self._writing("dismissing rows set aside") as connection:
            aside.dismiss(connection, numbers, reason, now_us())

    def imports(self) -> list[ActDone]:
        """Return all imports, undoings and bringings back, the oldest first."""
        with self._reading("listing the imports") as connection:
            return acts_done(connection)

    def undo(self, number: int, file: str = "", reason: str = "") -> Undone:
        """Undo an import, or bring back what an undoing took out, as one transaction.

        A row that a file still in force carries as well stays.

        Parameters
        ----------
        number
            Of the import, or of the undoing.
        file
            Only this file of it; "" for all.
        reason
            Kept with the act.

        Raises
        ------
        drift.errors.RecordError
            If nothing of it is left to undo.
        """
        with collector_paused(), self._writing(f"undoing number {number}") as connection:
            return undo(connection, number, file, reason, now_us())

    def import_files(
        self, paths: Iterable[Path], progress: Progress | None = None, settle: Settle | None = None
    ) -> Iterator[FileImported | FileRefused]:
        """Import files and folders, and yield what came of each file, one after the other.

        Each file goes in as one transaction: whatever happens, it is in wholly or not at all, and a
        file that can't be read keeps no other from going in.  `settle` says how tables with columns of
        their own are read, as in `drift.ingest.read.read_log`.

        Raises
        ------
        drift.errors.RecordError
            If the record can't be written.
        """
        yield from self.import_found(find_logs(paths, self._site.path), progress, settle)

    def import_found(
        self, found: FilesFound, progress: Progress | None = None, settle: Settle | None = None
    ) -> Iterator[FileImported | FileRefused]:
        """Import the files that `drift.importer.files.find_logs` found; see `import_files`."""
        yield from found.refused
        act = Act()
        for path in found.logs:
            yield self._import_file(path, progress, act, settle)
        talk = settle if isinstance(settle, Settler) else None
        folders, beside = by_folder(found.images), self._logs_toml(talk)
        answers = talk.answers if talk else None
        if len(folders) > 1:
            told = partial(progress, named(found.images)[0]) if progress else None
            answers = frame_of_all(folders, circumstances(self._site, now_us()), beside, answers, told)
        for images in folders:
            yield self._import_images(images, progress, act, talk, answers)

    def add(self, log: LogRead, progress: Progress | None = None, act: Act | None = None) -> FileImported:
        """Add a log that was read, as one transaction; logs of one `act` are one import."""
        told = partial(progress, log.name) if progress else None
        with self._writing(f"importing {log.name}") as connection:
            return outcome(log, add_log(connection, log, now_us(), told, act or Act()))

    def record(self, kind: str, rows: Sequence[Mapping[str, str]]) -> FileImported:
        """Write rows down by hand, given as column -> text, through the checks of a file of that kind.

        Raises
        ------
        drift.errors.LogFileError
            If a value can't be used.
        drift.errors.RecordError
            If the record can't be written.
        """
        with self._writing("recording") as connection:
            return record_rows(connection, kind, rows, circumstances(self._site, now_us()))

    def amend(self, row_id: int, row: Mapping[str, str], reason: str) -> FileImported:
        """Put another row, given as column -> text, in the place of one, which is withdrawn and kept.

        Raises
        ------
        drift.errors.LogFileError
            If a value can't be used.
        drift.errors.RecordError
            If there is no such row, it is not in use, or nothing would change.
        """
        with self._writing(f"amending row {row_id}") as connection:
            return amend_row(connection, row_id, row, reason, circumstances(self._site, now_us()))

    def withdraw(self, row_ids: Sequence[int], reason: str) -> int:
        """Take rows out of use, all or none, and return the act's number.

        They are kept, with when and why; importing their file again does not bring them back.

        Raises
        ------
        drift.errors.RecordError
            If a row is not there or not in use.
        """
        with self._writing("withdrawing rows") as connection:
            return acts.withdraw(connection, row_ids, reason, now_us())

    def put_back(self, row_ids: Sequence[int], reason: str) -> int:
        """Take withdrawn rows into use again, all or none, and return the act's number.

        Raises
        ------
        drift.errors.RecordError
            If a row is not there or not withdrawn.
        """
        with self._writing("putting rows back") as connection:
            return acts.put_back(connection, row_ids, reason, now_us())

    def held(self, kind: str, span: tuple[int, int] | None = None) -> list[RowHeld]:
        """Return all rows of a kind in order of time, also those that are not used any more.

        Parameters
        ----------
        kind
            As in `drift.types.READING_COLUMNS`.
        span
            Only those from the first time on and before the second [us, or days for weather].
        """
        with self._reading("listing what is held") as connection:
            return acts.rows_of_kind(connection, kind, span)

    def history(self, row_ids: Iterable[int]) -> dict[int, list[RowEvent]]:
        """Return what was done to each row since it came in, the oldest first, by row_id."""
        with self._reading("looking up what was done to rows") as connection:
            return acts.events_of(connection, row_ids)

    def acknowledge(self, note: str, what: str) -> int:
        """Note that what `drift check` reported was seen; `what` is the watch part as JSON text.

        Warnings that did not surely arrive are not sent any more; returns how many there were.
        """
        with self._writing("acknowledging") as connection:
            cache.add_acknowledgement(connection, now_us(), note, what)
            return cache.drop_open(connection, now_us())

    def last_acknowledged(self) -> tuple[int, str, str] | None:
        """Return time [us], note and `what` of the latest acknowledgement, or None."""
        with self._reading("reading the acknowledgements") as connection:
            return cache.last_acknowledgement(connection)

    def messages(self) -> list[StoredMessage]:
        """Return all warnings that were to be sent, the oldest first."""
        with self._reading("reading the warnings") as connection:
            return cache.all_messages(connection)

    def post(self, choose: Callable[[Sequence[StoredMessage]], Sequence[StoredMessage]]) -> None:
        """Add the messages that `choose` returns when it is given all earlier ones, as one transaction."""
        with self._writing("noting warnings to send") as connection:
            cache.add_messages(connection, choose(cache.all_messages(connection)), now_us())

    def take_message(self, number: str) -> bool:
        """Turn a message from waiting to going; return False when another program was quicker."""
        with self._writing("taking a warning to send") as connection:
            return cache.take(connection, number, now_us())

    def note_message(self, number: str, state: str, why: str) -> None:
        """Note what came of a message that is going."""
        with self._writing("noting what came of a warning") as connection:
            cache.note(connection, number, state, why, now_us())

    def latest_import_us(self) -> int | None:
        """Return when a log of the sky or a level last came in [us], or None."""
        with self._reading("looking when readings came in") as connection:
            return cache.latest_import_us(connection)

    def keep_analysis(self, key: str, text: str) -> bool:
        """Keep an answer under a key; return whether it could be kept."""
        return self._try_to_keep(lambda connection: cache.keep_analysis(connection, key, text, now_us()))

    def kept_analysis(self, key: str) -> str | None:
        """Return the answer that this version kept under a key, or None."""
        with self._reading("looking for a kept answer") as connection:
            return cache.kept_analysis(connection, key)

    def keep_blobs(self, blobs: Mapping[str, bytes]) -> bool:
        """Keep blobs under their keys; return whether they could be kept."""
        return self._try_to_keep(lambda connection: cache.keep_blobs(connection, blobs, now_us()))

    def kept_blobs(self, keys: Iterable[str]) -> dict[str, bytes]:
        """Return the blobs that are kept of those asked for."""
        with self._reading("looking for kept nights") as connection:
            return cache.kept_blobs(connection, keys)

    def _import_file(
        self, path: Path, progress: Progress | None, act: Act, settle: Settle | None
    ) -> FileImported | FileRefused:
        with collector_paused():
            try:
                mending.refuse_rows_to_mend(path)
                log = read_log(path, circumstances(self._site, now_us()), settle)
            except LogFileError as error:
                return refusal(path, error)
            remark = of_another_pier(path, self._site.path)
            return self.add(replace(log, remarks=(*log.remarks, remark)) if remark else log, progress, act)

    def _import_images(
        self,
        paths: Sequence[Path],
        progress: Progress | None,
        act: Act,
        talk: Settler | None,
        answers: dict[str, str] | None,
    ) -> FileImported | FileRefused:
        """Read the images of a folder as one log; nearly all of the time goes into their headers."""
        name = named(paths)[0]
        with collector_paused():
            try:
                log = read_images(
                    paths,
                    circumstances(self._site, now_us()),
                    self._logs_toml(talk),
                    answers,
                    talk.ask if talk else None,
                    partial(progress, name) if progress else None,
                )
            except LogFileError as error:
                return refusal(Path(name), error)
            return self.add(log, None, act)

    def _logs_toml(self, talk: Settler | None) -> Path | None:
        """Return where it is kept how logs are read."""
        if talk is not None:
            return talk.kept.path
        return self._site.path.parent / LOGS_TOML if self._site.path else None

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
            raise RecordError(read_only_words(self._place.words, doing))
        with in_words(self._place.words, doing, self._place.file), self._place.writing() as connection:
            yield connection
