"""Files from a form into the record: the same guesses, questions and set-aside list as `drift import`."""

from __future__ import annotations

import os
import secrets
import shutil
import tempfile
import threading
import time
import unicodedata
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import IO, TYPE_CHECKING

from filelock import FileLock, Timeout

from drift.errors import LogFileError
from drift.importer.importing import FileImported, FileRefused, add_read
from drift.importer.mending import refuse_rows_to_mend
from drift.ingest.fits_log import is_image, read_images
from drift.ingest.fits_mapping import SECTION as IMAGES_SECTION
from drift.ingest.formats import open_table
from drift.ingest.guess import all_questions
from drift.ingest.mapping import NAME as LOGS_TOML
from drift.ingest.mapping import MappingFile
from drift.ingest.read import read_table
from drift.ingest.row_check import circumstances
from drift.ingest.settle import READING, Settler
from drift.ingest.text import decode
from drift.record.engine import now_us
from drift.record.writing import Act
from drift.render.import_words import error_words

if TYPE_CHECKING:
    from drift.ingest.mapping import Proposal, Question
    from drift.ingest.row_check import Circumstances
    from drift.ingest.settle import Preview
    from drift.ingest.text import RawTable
    from drift.readings import LogRead
    from drift.record.record import Record
    from drift.site.file import PierFile


# ---- Files that came through a form: kept in a folder of their own for as long as they are asked about.


#: Signs that some system gives a meaning in names.
_NOT_IN_NAMES = '<>:"|?*'
#: No system takes longer names [bytes].
_LONGEST_NAME = 150


_PREFIX = "drift-upload-"
#: A folder so young may not be locked yet [s].
_BEING_MADE_S = 60.0


@dataclass(frozen=True)
class Upload:
    """A file that came: what it is called, and where it lies meanwhile."""

    name: str
    path: Path


def safe_name(given: str) -> str:
    """Return the last part of a name that a browser gave, without anything that leads elsewhere."""
    last = given.replace("\\", "/").split("/")[-1]
    plain = "".join(
        "_" if sign in _NOT_IN_NAMES else sign for sign in last if unicodedata.category(sign)[0] != "C"
    )
    plain = plain.strip().lstrip(".").strip()
    while len(plain.encode()) > _LONGEST_NAME:
        stem, dot, ending = plain.rpartition(".")
        plain = stem[:-1] + dot + ending if stem else plain[:-1]
    return plain or "upload"


class UploadFolder:
    """A folder for the files of one upload, open to nobody else, and gone when it is closed.

    It is locked for as long as its page runs, so that a later one can tell which were left by a kill.
    """

    def __init__(self) -> None:
        self.path = Path(tempfile.mkdtemp(prefix=_PREFIX))
        self._lock = _lock_of(self.path)
        self._lock.acquire()
        self.files: list[Upload] = []

    def take(self, given_name: str, content: IO[bytes]) -> None:
        """Keep a file; all lie together, but for those of a name that is there already."""
        name = safe_name(given_name)
        place = self.path
        if (place / name).exists():
            place = self.path / f"again {len(self.files)}"
            place.mkdir(mode=0o700)
        with (place / name).open("xb") as file:
            shutil.copyfileobj(content, file)
        self.files.append(Upload(name, place / name))

    def without_place(self, sentence: str) -> str:
        """Return a message without the folder, which says nothing to people."""
        for one in self.files:
            sentence = sentence.replace(str(one.path), one.name)
        return sentence.replace(f"{self.path}/", "").replace(str(self.path), "the upload")

    def close(self) -> None:
        """Remove the folder with all in it."""
        self._lock.release()
        shutil.rmtree(self.path, ignore_errors=True)


def clear_abandoned(now_s: float | None = None) -> None:
    """Remove the folders of uploads whose page was killed; those of pages that run are locked."""
    now_s = time.time() if now_s is None else now_s
    for folder in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"):
        try:
            made = folder.stat()
            mine = not hasattr(os, "getuid") or made.st_uid == os.getuid()
            if not mine or now_s - made.st_mtime < _BEING_MADE_S:
                continue
            with _lock_of(folder).acquire(timeout=0):
                pass
        except (OSError, Timeout):
            continue
        shutil.rmtree(folder, ignore_errors=True)


def _lock_of(folder: Path) -> FileLock:
    return FileLock(folder / ".lock", thread_local=False)  # a file of an upload never begins with a dot


# ---- Files from a form into the record: the same guesses, questions and set-aside list as `drift
# import`.


#: Uploads that wait for an answer are let go of after so long [s], and so many are kept at most.
_PATIENCE_S = 3600.0
_MOST_WAITING = 20
#: So much of a file is shown beside the questions about it.
_SHOWN_BYTES, _SHOWN_ROWS = 4_000, 6
#: What the images of one upload are called together.
_IMAGES = "uploaded images"


@dataclass(eq=False)
class Asked(Exception):
    """Carries what a file waits for out of the middle of its reading: answers, or agreement."""

    questions: tuple[Question, ...] = ()
    proposal: Proposal | None = None
    preview: Preview | None = None
    name: str = ""  # proposed for the mapping


@dataclass
class Import:
    """One upload on its way into the record."""

    folder: UploadFolder
    number: str = field(default_factory=lambda: secrets.token_urlsafe(12))
    began_s: float = field(default_factory=time.monotonic)
    waiting: list[tuple[Upload, ...]] = field(default_factory=list)  # images are read together
    outcomes: list[FileImported | FileRefused] = field(default_factory=list)
    answers: dict[str, str] = field(default_factory=dict)  # for the file that is next
    agreed_name: str = ""
    asked: Asked | None = None
    trouble: str = ""
    act: Act = field(default_factory=Act)
    busy: threading.Lock = field(default_factory=threading.Lock)

    @property
    def file(self) -> str:
        """What the file is called that is next."""
        first = self.waiting[0]
        return first[0].name if len(first) == 1 else f"{len(first)} {_IMAGES}"

    def first_rows(self) -> tuple[str, ...]:
        """Return the first rows of the file that is next as they stand in it; none of one that is no text."""
        with self.waiting[0][0].path.open("rb") as file:
            head = file.read(_SHOWN_BYTES)
        if b"\0" in head or is_image(self.waiting[0][0].path):
            return ()
        whole = head[: head.rfind(b"\n") + 1] or head  # no sign is cut in two
        try:
            text = decode(whole, self.file).text
        except LogFileError:
            text = whole.decode("utf-8", "replace")
        return tuple(text.splitlines()[:_SHOWN_ROWS])


class Imports:
    """All uploads that wait for an answer, by their numbers, which can't be guessed."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[str, Import] = {}
        #: One file at a time is read by this program: reading takes most of two cores.
        self._reading = threading.Lock()

    def begin(self, folder: UploadFolder) -> Import:
        """Take an upload in; the oldest ones that nobody answers for are let go of."""
        new = Import(folder)
        images = tuple(one for one in folder.files if is_image(one.path))
        new.waiting = [(one,) for one in folder.files if one not in images]
        new.waiting += [images] if images else []
        with self._lock:
            self._kept[new.number] = new
            old = sorted(self._kept.values(), key=lambda one: one.began_s)
            late = [one for one in old if new.began_s - one.began_s > _PATIENCE_S]
            for one in {one.number: one for one in (*late, *old[:-_MOST_WAITING])}.values():
                self._kept.pop(one.number).folder.close()
        return new

    def find(self, number: str) -> Import | None:
        """Return the upload of a number, or None."""
        with self._lock:
            return self._kept.get(number)

    def go_on(self, one: Import, site: PierFile, record: Record) -> None:
        """Read and add the files of an upload until one has a question."""
        with one.busy, self._reading:
            one.asked = None
            while one.waiting:
                try:
                    self._next(one, site, record)
                except Asked as asked:
                    one.asked = asked
                    return
                self._done(one)
        one.folder.close()

    def leave_out(self, one: Import) -> None:
        """Refuse the file that waits, as its owner said."""
        with one.busy:
            if one.waiting:
                one.outcomes.append(
                    FileRefused(one.file, LogFileError(f"{one.file}: not imported, as you said."))
                )
                self._done(one)

    def close(self) -> None:
        """Remove all files that wait."""
        for one in self._kept.values():
            one.folder.close()

    @staticmethod
    def _done(one: Import) -> None:
        one.waiting.pop(0)
        one.answers, one.agreed_name, one.trouble = {}, "", ""

    def _next(self, one: Import, site: PierFile, record: Record) -> None:
        around = circumstances(site, now_us())
        try:
            log = _read(one, site, around)
        except LogFileError as error:
            said = one.folder.without_place(error_words(error))
            if not one.answers and not one.agreed_name:
                one.outcomes.append(FileRefused(one.file, LogFileError(said)))
                return
            # an answer can't be: it is asked again, with what is wrong
            one.answers, one.agreed_name, one.trouble = {}, "", said
            self._next(one, site, record)
            return
        one.outcomes.append(add_read(record, log, one.act, None, _settler(one, site, around)))


def _read(one: Import, site: PierFile, around: Circumstances) -> LogRead:
    files = one.waiting[0]
    paths = [file.path for file in files]
    settle = _settler(one, site, around)
    if is_image(paths[0]):
        toml = site.path.parent / LOGS_TOML if site.path else None
        return _renamed(read_images(paths, around, toml, settle.answers, settle.ask), one)
    refuse_rows_to_mend(paths[0])
    table = open_table(paths[0])
    named = replace(table, name=one.file, path=_path_words(table.digest, one.file))
    return read_table(named, around, settle)


def _path_words(digest: str, name: str) -> str:
    """Name an upload for the record: two files of one name are not the same log."""
    return f"uploaded/{digest[:12]}/{name}"


def _renamed(log: LogRead, one: Import) -> LogRead:
    """Call images by the names that they came with."""
    aside = tuple(replace(row, file=one.folder.without_place(row.file)) for row in log.set_aside)
    left_out = tuple(replace(row, file=one.folder.without_place(row.file)) for row in log.left_out)
    path = _path_words(log.digest, one.file)
    return replace(log, name=one.file, path=path, set_aside=aside, left_out=left_out)


def _settler(one: Import, site: PierFile, around: Circumstances) -> Settler:
    def ask(table: RawTable, question: Question) -> str:
        if question.key.partition(".")[0] in (READING, IMAGES_SECTION):
            raise Asked((question,))
        raise Asked(tuple(all_questions(table, around, one.answers)) or (question,))

    def agree(table: RawTable, proposal: Proposal, preview: Preview, name: str) -> str:
        if not one.agreed_name:
            raise Asked((), proposal, preview, name)
        return one.agreed_name

    kept = MappingFile.beside(site.path or Path("pier.toml"))
    return Settler(kept, dict(one.answers), "", ask, agree)
