"""The record of one pier: every reading as it came, kept safely, quick to read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from drift.errors import RecordError
from drift.notebook import ShowsItself
from drift.record import acts, cache
from drift.record.cache import StoredMessage, StoredPrior
from drift.record.engine import (
    Place,
    begin_file,
    gone_words,
    in_words,
    now_us,
    open_place,
    read_only_words,
    record_url,
    replaced_words,
)
from drift.record.migrations import bring_up_to_date
from drift.record.piers import claim, of_pier, other_name, owner_of
from drift.record.schema import collector_paused

if TYPE_CHECKING:
    from drift.notices import Notice
    from drift.readings import LogRead, Readings, RowSetAside, StepDone
    from drift.record.acts import RowEvent, RowHeld, StoredStep
    from drift.record.aside import Aside
    from drift.record.quick import State
    from drift.record.reading import ActDone, Origin
    from drift.record.undo import Undone
    from drift.record.writing import Act, Added
    from drift.site.file import PierFile


#: How long writing to the cache may wait for another program that writes [s].
_CACHE_PATIENCE_S = 1.0


def _make_ready(place: Place, site: PierFile, moving: bool) -> Place:
    """Bring a database up to date, and return the place of the site's pier in it."""
    bring_up_to_date(place)
    own = of_pier(place, site)
    claim(own, site, moving)
    return own


class Record(ShowsItself):
    """The record of one pier; use it as a context manager, or call `close`."""

    def __init__(self, site: PierFile, place: Place) -> None:
        self._site = site
        self._place = place
        self._node = place.node()

    @classmethod
    def open(cls, site: PierFile, moving: bool = False) -> Record:
        """Open the record of a site, making it when there is none.

        Where the file or its folder is read-only it is opened for reading.  `moving` is for correcting the
        place of the site itself, which only `drift.importer.mending` does.

        Raises
        ------
        drift.errors.RecordError
            If it can't be opened or made, was made by a newer version, or
            belongs to another site.
        """
        url = record_url(site)
        begin_file(url, lambda place: _make_ready(place, site, moving))
        place = open_place(url)
        try:
            with in_words(place.words, "opening it", place.file):
                place = _make_ready(place, site, moving)
        except BaseException:
            place.engine.dispose()
            raise
        return cls(site, place)

    def close(self) -> None:
        """Close the database; SQLite's side files go with the last program that does."""
        self._place.engine.dispose()

    def __enter__(self) -> Record:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def site(self) -> PierFile:
        """The site file that the record was opened with."""
        return self._site

    @property
    def file(self) -> Path | None:
        """The SQLite file, when it is one."""
        return self._place.file

    @property
    def words(self) -> str:
        """Its name for people: its path, or its address without the password."""
        return self._place.words

    @property
    def place_mark(self) -> str:
        """Which file was opened: its device and inode."""
        return str(self._node)

    def is_in_its_place(self) -> bool:
        """Tell whether the file that was opened is still the one under its name.

        Raises
        ------
        drift.errors.RecordError
            If there is no file of that name any more.
        """
        if self._node is None:
            return True
        now = self._place.node()
        if now is None:
            raise RecordError(gone_words(self._place.words))
        return now == self._node

    @property
    def read_only(self) -> bool:
        """Whether the record can be read only."""
        return self._place.read_only

    def readings(self) -> Readings:
        """Return all readings, in an order that does not depend on the order of imports.

        Returns
        -------
        drift.types.Readings
            With `readings_id`, a digest of all of them.
        """
        from drift.record import reading

        with collector_paused(), self.reading("reading it") as connection:
            return reading.read_readings(connection)

    def remarks(self) -> tuple[Notice, ...]:
        """Return what every answer has to say of the record: another pier's name, whole logs set aside."""
        from drift.record.aside import logs_doubted

        with self.reading("looking whose record it is") as connection:
            owner, doubted = owner_of(connection), logs_doubted(connection)
        named = None if owner is None else other_name(owner, self._site)
        return tuple(one for one in (named, doubted) if one is not None)

    def clear_cache(self) -> int:
        """Drop everything that is cached; return how many pieces there were."""
        with self.writing("clearing what is kept") as connection:
            return cache.clear(connection)

    def state(self) -> State:
        """Return what an analysis depends on, without making tables of the readings."""
        with collector_paused(), self.reading("looking whether anything has changed") as connection:
            return cache.state(connection)

    def stand(self) -> str:
        """Return a mark that changes when readings come in or go out of use, or something is lent; quick."""
        with self.reading("looking whether anything has changed") as connection:
            return cache.stand_of(connection)

    def where(self, row_ids: Iterable[int]) -> dict[int, tuple[str, int, str]]:
        """Return for each row_id its file, its line and its original text."""
        from drift.record import reading

        with self.reading("looking up where readings came from") as connection:
            return reading.where_rows(connection, row_ids)

    def origins(self, row_ids: Iterable[int]) -> dict[int, Origin]:
        """Return for each row_id where the row came from, by which import, and what was done to it since."""
        from drift.record.reading import origins_of

        with self.reading("looking up where readings came from") as connection:
            return origins_of(connection, row_ids)

    def set_aside_rows(self) -> list[RowSetAside]:
        """Return the rows that could not be used, and the values left out, by file and line."""
        from drift.record import aside

        with self.reading("listing the rows set aside") as connection:
            return [one.row for one in aside.open_asides(connection)]

    def asides(self, numbers: Sequence[int] | None = None) -> list[Aside]:
        """Return the rows set aside with their numbers, all or only some, by file and line."""
        from drift.record import aside

        with self.reading("listing the rows set aside") as connection:
            if numbers is None:
                return aside.open_asides(connection)
            return aside.wanted_asides(connection, numbers)

    def dismiss(self, numbers: Sequence[int], reason: str) -> None:
        """Take rows set aside off the list for good, also when another file brings them again.

        Raises
        ------
        drift.errors.RecordError
            If a number is not on the list; then none is dismissed.
        """
        from drift.record import aside

        with self.writing("dismissing rows set aside") as connection:
            aside.dismiss(connection, numbers, reason, now_us())

    def imports(self) -> list[ActDone]:
        """Return all imports, undoings and their reversals, the oldest first."""
        from drift.record.reading import acts_done

        with self.reading("listing the imports") as connection:
            return acts_done(connection)

    def undo(self, number: int, file: str = "", reason: str = "") -> Undone:
        """Undo an import, or reverse an undoing, as one transaction.

        A row stays when a file that is still imported carries it as well.

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
        from drift.record.undo import undo

        with collector_paused(), self.writing(f"undoing number {number}") as connection:
            return undo(connection, number, file, reason, now_us())

    def add(
        self,
        log: LogRead,
        act: Act | None = None,
        progress: Callable[[int, int], None] | None = None,
        may_replace: bool = False,
    ) -> Added:
        """Add a log that was read, as one transaction.

        Parameters
        ----------
        log
            The log.
        act
            The act that brings it in; logs of one act are one import.
        progress
            Told the rows done and the rows in all.
        may_replace
            Whether it may replace an earlier reading of the same file.

        Raises
        ------
        drift.record.writing.ReadOtherwise
            If its rows are in the record from another reading of the same file, which it may not replace.
        drift.errors.RecordError
            If the record can't be written.
        """
        from drift.record.writing import Act, add_log

        with self.writing(f"importing {log.name}") as connection:
            return add_log(connection, log, now_us(), progress, act or Act(), may_replace)

    def withdraw(self, row_ids: Sequence[int], reason: str) -> int:
        """Take rows out of use, all or none, and return the act's number.

        They are kept, with when and why; importing their file again does not bring them back.

        Raises
        ------
        drift.errors.RecordError
            If a row is not there or not in use.
        """
        with self.writing("withdrawing rows") as connection:
            return acts.withdraw(connection, row_ids, reason, now_us())

    def put_back(self, row_ids: Sequence[int], reason: str) -> int:
        """Take withdrawn rows into use again, all or none, and return the act's number.

        Raises
        ------
        drift.errors.RecordError
            If a row is not there or not withdrawn.
        """
        with self.writing("putting rows back") as connection:
            return acts.put_back(connection, row_ids, reason, now_us())

    def held(self, kind: str, span: tuple[int, int] | None = None) -> list[RowHeld]:
        """Return all rows of a kind in order of time, also those no longer used.

        Parameters
        ----------
        kind
            As in `drift.types.READING_COLUMNS`.
        span
            Only those from the first time on and before the second [us, or days for weather].
        """
        with self.reading("listing what is held") as connection:
            return acts.rows_of_kind(connection, kind, span)

    def history(self, row_ids: Iterable[int]) -> dict[int, list[RowEvent]]:
        """Return what was done to each row since it came in, the oldest first, by row_id."""
        with self.reading("looking up what was done to rows") as connection:
            return acts.events_of(connection, row_ids)

    def acknowledge(self, note: str, what: str) -> int:
        """Note that what `drift check` reported was seen; `what` is the watch part as JSON text.

        Warnings that may not have arrived are not sent again; returns how many there were.
        """
        with self.writing("acknowledging") as connection:
            cache.add_acknowledgement(connection, now_us(), note, what)
            return cache.drop_open(connection, now_us())

    def last_acknowledged(self) -> tuple[int, str, str] | None:
        """Return time [us], note and `what` of the latest acknowledgement, or None."""
        with self.reading("reading the acknowledgements") as connection:
            return cache.last_acknowledgement(connection)

    def messages(self) -> list[StoredMessage]:
        """Return all warnings that were to be sent, the oldest first."""
        with self.reading("reading the warnings") as connection:
            return cache.all_messages(connection)

    def post(self, choose: Callable[[Sequence[StoredMessage]], Sequence[StoredMessage]]) -> None:
        """Add the messages that `choose` returns for all earlier ones, as one transaction."""
        with self.writing("noting warnings to send") as connection:
            cache.add_messages(connection, choose(cache.all_messages(connection)), now_us())

    def take_message(self, number: str) -> bool:
        """Turn a message from waiting to going; return False when another program was quicker."""
        with self.writing("taking a warning to send") as connection:
            return cache.take(connection, number, now_us())

    def note_message(self, number: str, state: str, why: str) -> None:
        """Note what came of a message that is going."""
        with self.writing("noting what came of a warning") as connection:
            cache.note(connection, number, state, why, now_us())

    def keep_steps(self, night_us: int, steps: Sequence[tuple[str, Mapping[str, Any]]]) -> list[str]:
        """Store steps that are shown, each an action and its numbers, and return their ids.

        A step that was shown before for the same night keeps its id.  In a record that can't be written
        none are stored, and none have an id.
        """
        ids: list[str] = []
        if not steps:
            return ids
        kept = self._try_to_cache(
            lambda connection: ids.extend(acts.keep_steps(connection, night_us, steps, now_us()))
        )
        return ids if kept else [""] * len(steps)

    def kept_step(self, step: str) -> StoredStep | None:
        """Return the step of an id as it was shown, or None."""
        with self.reading("looking up a step") as connection:
            return acts.kept_step(connection, step)

    def steps_done(self) -> list[StepDone]:
        """Return the steps that were recorded as done and not withdrawn since, the earliest first."""
        with self.reading("looking what was done as advised") as connection:
            return acts.steps_done(connection)

    def latest_import_us(self) -> int | None:
        """Return when a log of the sky or a level last came in [us], or None."""
        with self.reading("looking when readings came in") as connection:
            return cache.latest_import_us(connection)

    def lent_prior(self) -> StoredPrior | None:
        """Return what the neighbours told of the pier beforehand, None where nothing is lent."""
        with self.reading("looking what is lent to the pier") as connection:
            return cache.kept_prior(connection)

    def keep_prior(self, packed: bytes, lenders: Sequence[str], made_us: int) -> None:
        """Store what the neighbours tell of the pier, in the place of what they told before.

        Every answer rests on it from then on.

        Parameters
        ----------
        packed
            A `drift.history.neighbours.NeighbourPrior`, as bytes.
        lenders
            The names of the piers that it rests on.
        made_us
            When it was made [us].
        """
        with self.writing("noting what is lent to the pier") as connection:
            cache.keep_prior(connection, packed, lenders, made_us)

    def end_prior(self) -> None:
        """Remove what the neighbours told: from then on the pier is worked out alone."""
        with self.writing("noting that nothing is lent to the pier") as connection:
            cache.end_prior(connection)

    def cache_analysis(self, key: str, text: str) -> bool:
        """Store an analysis under a key; return whether that succeeded."""
        return self._try_to_cache(lambda connection: cache.cache_analysis(connection, key, text, now_us()))

    def cached_analysis(self, key: str) -> str | None:
        """Return the analysis that this version stored under a key, or None, also where it can't be read."""
        try:
            with self._place.reading() as connection:
                return cache.cached_analysis(connection, key)
        except (DBAPIError, UnicodeDecodeError):
            return None

    def keep_field_plan(self, key: str, plan: str) -> bool:
        """Store a plan of fields, as text, for one sky and mount; return whether that succeeded."""
        return self._try_to_cache(lambda connection: cache.keep_field_plan(connection, key, plan, now_us()))

    def kept_field_plan(self, key: str) -> tuple[str, int] | None:
        """Return the plan of fields stored under a key and when it was made [us], or None."""
        with self.reading("looking for the fields of earlier nights") as connection:
            return cache.kept_field_plan(connection, key)

    def cache_blobs(self, blobs: Mapping[str, bytes]) -> bool:
        """Store blobs under their keys; return whether that succeeded."""
        return self._try_to_cache(lambda connection: cache.cache_blobs(connection, blobs, now_us()))

    def cached_blobs(self, keys: Iterable[str]) -> dict[str, bytes]:
        """Return the stored ones of some blobs; none where they can't be read."""
        try:
            with self._place.reading() as connection:
                return cache.cached_blobs(connection, keys)
        except (DBAPIError, UnicodeDecodeError):
            return {}

    def _try_to_cache(self, keep: Callable[[Connection], None]) -> bool:
        """Write to the cache if possible; do without when the record can't be written just now."""
        if self._place.read_only:
            return False
        try:
            with self._place.writing(_CACHE_PATIENCE_S) as connection:
                keep(connection)
        except (DBAPIError, UnicodeDecodeError):
            return False
        return True

    @contextmanager
    def reading(self, doing: str) -> Iterator[Connection]:
        """Give a connection that sees one state of the record; `doing` is what an error says it was for."""
        with in_words(self._place.words, doing, self._place.file), self._place.reading() as connection:
            yield connection

    @contextmanager
    def writing(self, doing: str) -> Iterator[Connection]:
        """Give a connection that alone writes, in one transaction; `doing` as for `reading`.

        Raises
        ------
        drift.errors.RecordError
            If the record can't be written.
        """
        if self._place.read_only:
            raise RecordError(read_only_words(self._place.words, doing))
        self._refuse_if_replaced(doing)
        with in_words(self._place.words, doing, self._place.file), self._place.writing() as connection:
            yield connection
        self._refuse_if_replaced(
            doing
        )  # what was written meanwhile went into a file that nobody will open again

    def _refuse_if_replaced(self, doing: str) -> None:
        if not self.is_in_its_place():
            raise RecordError(replaced_words(self._place.words, doing))
