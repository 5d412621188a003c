"""Log files and folders into the record: each file is read, checked and added by itself."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from drift.errors import DriftError, KindRefused, LogFileError, NoTable, NotSettled
from drift.importer.mending import refuse_rows_to_mend
from drift.ingest.fits_images import by_folder, named, wcs_beside
from drift.ingest.fits_log import frame_of_all, has_fits_name, is_image, named_only, read_images
from drift.ingest.formats import has_table_name, suffixes
from drift.ingest.mapping import NAME as LOGS_TOML
from drift.ingest.mapping import Choice, Question
from drift.ingest.read import Settle, read_log
from drift.ingest.row_check import circumstances
from drift.ingest.settle import FORMER, LEAVE, OTHER_PIER, READING, REPLACE, TAKE, Settler
from drift.ingest.text import as_text
from drift.notices import IngestCode, MappingCode, Notice, RecordCode, info, warning
from drift.readings import LogRead, RowSetAside
from drift.record.aside import key_of
from drift.record.engine import now_us
from drift.record.record import Record
from drift.record.schema import collector_paused
from drift.record.writing import Act, Added, ReadOtherwise
from drift.site.file import DEFAULT_NAME

# ---- Importing: each log is read, checked and added.


#: Called with the file, the rows done and the rows in all.
Progress = Callable[[str, int, int], None]


def import_files(
    record: Record,
    paths: Iterable[Path],
    progress: Progress | None = None,
    settle: Settle | None = None,
) -> Iterator[FileImported | FileRefused]:
    """Import files and folders, and yield the outcome of each file, one after the other.

    Each file goes in as one transaction: whatever happens, it is in wholly or not at all, and a file that
    can't be read does not stop the others.  `settle` says how tables with columns of their own are read, as
    in `drift.ingest.read.read_log`.

    Raises
    ------
    drift.errors.RecordError
        If the record can't be written.
    """
    outcomes = import_found(record, find_logs(paths, record.site.path), progress, settle)
    yield from (one for one in outcomes if not isinstance(one, FilePassedOver))


def import_found(
    record: Record,
    found: FilesFound,
    progress: Progress | None = None,
    settle: Settle | None = None,
    only: frozenset[str] | None = None,
) -> Iterator[FileImported | FileRefused | FilePassedOver]:
    """Import the files that `drift.importer.importing.find_logs` found; see `import_files`.

    With `only`, logs of these kinds alone go in, whichever pier's site file lies near them; the others are
    refused by `drift.errors.KindRefused`.
    """
    yield from found.refused
    work = _Import(record, progress, settle, only=only)
    of_folders = frozenset().union(*found.folders.values())
    passed: set[Path] = set()
    for path in found.logs:
        outcome = work.file(path, chosen=path not in of_folders)
        if isinstance(outcome, FilePassedOver):
            passed.add(path)
        yield outcome
    for folder, tables in found.folders.items():
        if tables and tables <= passed and not any(one.is_relative_to(folder) for one in found.images):
            yield _nothing_in(folder)
    folders, answers = by_folder(found.images), work.answers
    if len(folders) > 1:
        report = partial(progress, named(found.images)[0]) if progress else None
        answers = frame_of_all(folders, circumstances(record.site, now_us()), work.logs_toml, answers, report)
    for images in folders:
        yield work.images(images, answers)


def add_read(
    record: Record,
    log: LogRead,
    act: Act | None = None,
    progress: Progress | None = None,
    settle: Settler | None = None,
) -> FileImported | FileRefused:
    """Add a log that was read, as one transaction, and return the outcome.

    Logs of one `act` are one import.  Where the record holds another reading of the same file, `settle`
    decides or asks whether this one replaces it; without it the log is refused.
    """
    report = partial(progress, log.name) if progress else None
    answer = settle.answers.get(READING, "") if settle else ""
    try:
        return outcome(log, record.add(log, act, report, may_replace=answer == REPLACE))
    except ReadOtherwise as otherwise:
        question = reading_question(otherwise)
        if not answer and settle is not None and settle.ask is not None:
            answer = settle.ask(named_only(log.name), question)
        if answer == REPLACE:
            return outcome(log, record.add(log, act, report, may_replace=True))
        if answer == FORMER:
            stays = LogFileError(f"{log.name}: not imported, the former reading stays as you said.")
            return FileRefused(log.name, stays)
        return FileRefused(log.name, NotSettled(log.name, (question,)))


def reading_question(otherwise: ReadOtherwise) -> Question:
    """Return the question whether a reading replaces the former one of the same file."""
    rows = sum(len(one.row_ids) for one in otherwise.former)
    numbers = tuple(sorted({one.act_id for one in otherwise.former if one.act_id is not None}))
    return Question(
        READING,
        info(MappingCode.WHICH_READING, rows=rows, imports=numbers),
        (
            Choice(REPLACE, info(MappingCode.REPLACE_READING, imports=numbers)),
            Choice(FORMER, info(MappingCode.FORMER_READING)),
        ),
    )


def _as_refused(path: Path, error: Exception) -> LogFileError:
    """Return an error of the reading of a file as its refusal; an unforeseen one names its type."""
    if isinstance(error, LogFileError):
        return error
    if isinstance(error, DriftError):
        raise error
    sort = f"{type(error).__name__}: {str(error)[:200]}".rstrip(": ")
    return LogFileError(
        f"{path} could not be read ({sort}): a fault of drift over what is in this file.  The other files "
        "are not "
        "concerned; please send the developers the file or a piece of it that does the same."
    )


def _other_kind(name: str, kind: str) -> KindRefused:
    return KindRefused(f"{name}: not imported, {kind} are not what is taken in from there.", kind)


@dataclass(frozen=True)
class _Import:
    """One command's import: all its files are one act."""

    record: Record
    progress: Progress | None
    settle: Settle | None
    act: Act = field(default_factory=Act)
    only: frozenset[str] | None = None

    @property
    def talk(self) -> Settler | None:
        """What decides, perhaps with a person, how files are read."""
        return self.settle if isinstance(self.settle, Settler) else None

    @property
    def answers(self) -> dict[str, str] | None:
        """Answers so far."""
        return self.talk.answers if self.talk else None

    @property
    def logs_toml(self) -> Path | None:
        """The file that keeps how logs are read."""
        if self.talk is not None:
            return self.talk.kept.path
        site_file = self.record.site.path
        return site_file.parent / LOGS_TOML if site_file else None

    def file(self, path: Path, chosen: bool = True) -> FileImported | FileRefused | FilePassedOver:
        """Read a file and add it; of a folder's files what is no table is passed over."""
        site = self.record.site
        with collector_paused():
            try:
                refuse_rows_to_mend(path)
                log = read_log(path, circumstances(site, now_us()), self.settle, chosen)
            except NoTable as none:
                return FileRefused(as_text(path), none) if chosen else FilePassedOver(path, none.lists)
            except Exception as error:  # whatever is wrong with one file does not stop the others
                return FileRefused(as_text(path), _as_refused(path, error))
            if self.only is not None and log.kind not in self.only:
                return FileRefused(log.name, _other_kind(log.name, log.kind))
            remark = None if self.only is not None else of_another_pier(path, site.path)
            if remark is None:
                return add_read(self.record, log, self.act, self.progress, self.talk)
            refused = self.strangers(log.name, remark)
            if refused is not None:
                return refused
            whole = replace(log, remarks=(*log.remarks, remark))
            return add_read(self.record, whole, self.act, self.progress, self.talk)

    def strangers(self, name: str, remark: Notice) -> FileRefused | None:
        """Ask about a file of another pier's folder before its rows go in: its refusal, or None to go on.

        One answer holds for all files of an import.
        """
        answer = (self.answers or {}).get(OTHER_PIER, "")
        question = Question(
            OTHER_PIER,
            info(MappingCode.IS_IT_THIS_PIERS, site_file=remark.values["site_file"]),
            (Choice(TAKE, info(MappingCode.TAKE_FILE)), Choice(LEAVE, info(MappingCode.NOT_IMPORTED))),
        )
        if not answer and self.talk is not None and self.talk.ask is not None:
            answer = self.talk.ask(named_only(name), question)
            self.talk.answers[OTHER_PIER] = answer
        if answer == TAKE or self.talk is None:
            return None
        if answer == LEAVE:
            left = LogFileError(f"{name}: not imported, as you said: it is another pier's.")
            return FileRefused(name, left)
        return FileRefused(name, NotSettled(name, (question,)))

    def images(self, paths: Sequence[Path], answers: dict[str, str] | None) -> FileImported | FileRefused:
        """Read the images of a folder as one log; nearly all of the time goes into their headers."""
        name = named(paths)[0]
        if self.only is not None and "solves" not in self.only:
            return FileRefused(as_text(name), _other_kind(as_text(name), "solves"))
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
            except Exception as error:
                return FileRefused(as_text(name), _as_refused(Path(name), error))
            remark = of_another_pier(paths[0], self.record.site.path)
            refused = self.strangers(log.name, remark) if remark else None
            return refused or add_read(self.record, log, self.act, None, self.talk)


# ---- Finding log files, and what came of each.


@dataclass(frozen=True)
class FileImported:
    """A file whose rows are in the record, and what was found on the way."""

    file: str
    kind: str
    why: Notice
    went_in: int
    already_there: int
    twice_in_file: int
    set_aside: tuple[RowSetAside, ...]
    left_out: tuple[RowSetAside, ...]
    remarks: tuple[Notice, ...]
    is_known: bool = False  # whether the very file was in the record before, and nothing new came of it


@dataclass(frozen=True)
class FileRefused:
    """A file that can't be read at all, and the reason."""

    file: str
    error: LogFileError


@dataclass(frozen=True)
class FilePassedOver:
    """A document of a folder that is no table; `lists` are the names of those that it holds, if several."""

    path: Path
    lists: tuple[str, ...]


@dataclass(frozen=True)
class FilesFound:
    """The log files found, those passed over, and paths that don't exist.

    `images` are plate-solved images, those of a folder one log.  `others` are folders
    with a site file of their own: logs of other piers, passed over.  `folders` are those given, each with
    the logs that were found in it by their names.
    """

    logs: tuple[Path, ...]
    skipped: tuple[Path, ...]
    refused: tuple[FileRefused, ...]
    others: tuple[Path, ...] = ()
    images: tuple[Path, ...] = ()
    folders: Mapping[Path, frozenset[Path]] = field(default_factory=dict)


def outcome(log: LogRead, added: Added) -> FileImported:
    """Put the results of reading a file and adding it to the record together."""
    aside = tuple(row for row in log.set_aside if key_of(row) not in added.settled)
    left_out = tuple(row for row in log.left_out if key_of(row) not in added.settled)
    settled = len(log.set_aside) + len(log.left_out) - len(aside) - len(left_out)
    since = (info(RecordCode.SETTLED_SINCE, rows=settled),) if settled else ()
    return FileImported(
        file=log.name,
        kind=log.kind,
        why=log.why,
        went_in=added.went_in,
        already_there=added.already_there,
        twice_in_file=added.twice_in_file,
        set_aside=aside,
        left_out=left_out,
        remarks=(*log.remarks, *added.remarks, *since),
        is_known=added.is_known,
    )


def find_logs(paths: Iterable[Path], site_file: Path | None = None) -> FilesFound:
    """Find the logs to import: files as given, and all tables and images at any depth in folders.

    In folders, tables are known by their names' endings (`drift.ingest.formats.suffixes`), and so are FITS
    images (`drift.ingest.fits_log.has_fits_name`).

    A folder inside a given one with a site file other than `site_file` belongs to another pier and is
    passed over, unless it is given itself.
    """
    logs: dict[Path, None] = {}
    skipped: list[Path] = []
    refused: list[FileRefused] = []
    others: dict[Path, None] = {}
    images: dict[Path, None] = {}
    folders: dict[Path, frozenset[Path]] = {}
    for path in paths:
        if not _is_folder(path):
            (images if is_image(path) else logs)[path] = None
            continue
        strange = _other_piers(path, site_file)
        others.update(dict.fromkeys(strange))
        inside = sorted(one for one in path.rglob("*") if _is_file(one) and not _hidden(one, path))
        inside = [one for one in inside if not any(one.is_relative_to(folder) for folder in strange)]
        found = [one for one in inside if has_table_name(one)]
        pictures = [one for one in inside if has_fits_name(one)]
        known = {*found, *pictures, *map(wcs_beside, pictures)}
        skipped += [one for one in inside if one not in known]
        logs.update(dict.fromkeys(found))
        images.update(dict.fromkeys(pictures))
        if not found and not pictures:
            refused.append(_nothing_in(path))
        folders[path] = frozenset(found)
    return FilesFound(tuple(logs), tuple(skipped), tuple(refused), tuple(others), tuple(images), folders)


def _nothing_in(folder: Path) -> FileRefused:
    endings = ", ".join(sorted(suffixes())[1:])
    return FileRefused(
        str(folder),
        LogFileError(
            f"{folder} holds no .csv file (nor {endings}, nor FITS images) with a table: there is nothing to "
            "import."
        ),
    )


def of_another_pier(path: Path, site_file: Path | None) -> Notice | None:
    """Remark on a file beside another pier's site file; None when there is nothing to remark on.

    The nearest site file in the folders above it is looked at; a copy of this pier's own is no other pier's.
    """
    if site_file is None:
        return None
    for folder in path.resolve().parents:
        other = folder / DEFAULT_NAME
        if _is_file(other):
            if other == site_file.resolve() or _are_copies(other, site_file):
                return None
            return warning(IngestCode.OTHER_PIERS_FILE, site_file=str(other))
    return None


def _are_copies(one: Path, other: Path) -> bool:
    try:
        return one.read_bytes() == other.read_bytes()
    except OSError:  # one that can't be read is not recognised as a copy
        return False


def _other_piers(folder: Path, site_file: Path | None) -> list[Path]:
    """Return the folders below `folder` that hold another pier's site file."""
    own = site_file.resolve() if site_file else None
    files = (one for one in folder.rglob(DEFAULT_NAME) if _is_file(one) and one.parent != folder)
    return sorted(one.parent for one in files if one.resolve() != own)


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:  # it is not accessible: reading it says why
        return False


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a link into a folder that may not be entered: if it is a log, reading it says why
        return path.suffix.lower() in suffixes()


def _hidden(path: Path, folder: Path) -> bool:
    return any(part.startswith(".") for part in path.relative_to(folder).parts)
