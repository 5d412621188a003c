"""Files -> the record: each log is read, checked and added, and what came of it is told."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from drift.errors import LogFileError
from drift.importer.files import (
    FileImported,
    FileRefused,
    FilesFound,
    find_logs,
    of_another_pier,
    outcome,
)
from drift.importer.mending import refuse_rows_to_mend
from drift.ingest.cells import circumstances
from drift.ingest.fits_images import by_folder, named
from drift.ingest.fits_log import frame_of_all, read_images
from drift.ingest.mapping_file import NAME as LOGS_TOML
from drift.ingest.read import Settle, read_log
from drift.ingest.settle import Settler
from drift.readings import LogRead
from drift.record.engine import now_us
from drift.record.record import Record
from drift.record.schema import collector_paused
from drift.record.writing import Act

#: Told the file, the rows done and the rows in all.
Progress = Callable[[str, int, int], None]


def import_files(
    record: Record,
    paths: Iterable[Path],
    progress: Progress | None = None,
    settle: Settle | None = None,
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
    yield from import_found(record, find_logs(paths, record.site.path), progress, settle)


def import_found(
    record: Record, found: FilesFound, progress: Progress | None = None, settle: Settle | None = None
) -> Iterator[FileImported | FileRefused]:
    """Import the files that `drift.importer.files.find_logs` found; see `import_files`."""
    yield from found.refused
    work = _Import(record, progress, settle)
    for path in found.logs:
        yield work.file(path)
    folders, answers = by_folder(found.images), work.answers
    if len(folders) > 1:
        told = partial(progress, named(found.images)[0]) if progress else None
        answers = frame_of_all(folders, circumstances(record.site, now_us()), work.logs_toml, answers, told)
    for images in folders:
        yield work.images(images, answers)


def add_read(
    record: Record, log: LogRead, act: Act | None = None, progress: Progress | None = None
) -> FileImported:
    """Add a log that was read, as one transaction, and say what came of it.

    Logs of one `act` are one import.
    """
    return outcome(log, record.add(log, act, partial(progress, log.name) if progress else None))


@dataclass(frozen=True)
class _Import:
    """One command's import: all its files are one act."""

    record: Record
    progress: Progress | None
    settle: Settle | None
    act: Act = field(default_factory=Act)

    @property
    def talk(self) -> Settler | None:
        """What settles with a person how files are read."""
        return self.settle if isinstance(self.settle, Settler) else None

    @property
    def answers(self) -> dict[str, str] | None:
        """What was answered already."""
        return self.talk.answers if self.talk else None

    @property
    def logs_toml(self) -> Path | None:
        """Where it is kept how logs are read."""
        if self.talk is not None:
            return self.talk.kept.path
        site_file = self.record.site.path
        return site_file.parent / LOGS_TOML if site_file else None

    def file(self, path: Path) -> FileImported | FileRefused:
        """Read a file and add it."""
        site = self.record.site
        with collector_paused():
            try:
                refuse_rows_to_mend(path)
                log = read_log(path, circumstances(site, now_us()), self.settle)
            except LogFileError as error:
                return FileRefused(str(path), error)
            remark = of_another_pier(path, site.path)
            whole = replace(log, remarks=(*log.remarks, remark)) if remark else log
            return add_read(self.record, whole, self.act, self.progress)

    def images(self, paths: Sequence[Path], answers: dict[str, str] | None) -> FileImported | FileRefused:
        """Read the images of a folder as one log; nearly all of the time goes into their headers."""
        name = named(paths)[0]
        with collector_paused():
            try:
                log = read_images(
                    paths,
                    circumstances(self.record.site, now_us()),
                    self.logs_toml,
                    answers,
                    self.talk.ask if self.talk else None,
                    partial(self.progress, name) if self.progress else None,
                )
            except LogFileError as error:
                return FileRefused(name, error)
            return add_read(self.record, log, self.act)
