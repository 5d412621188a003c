"""Files from a form into the record: the same guesses, questions and set-aside list as `drift import`."""

from __future__ import annotations

import secrets
import threading
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from drift.book.clock import now_us
from drift.book.importing import FileImported, FileRefused
from drift.book.mending import refuse_rows_to_mend
from drift.book.writing import Act
from drift.errors import LogFileError
from drift.logs.fits import is_image, read_images
from drift.logs.formats import open_table
from drift.logs.guess import all_questions
from drift.logs.layout import circumstances
from drift.logs.mapping_file import NAME as LOGS_TOML
from drift.logs.mapping_file import MappingFile
from drift.logs.read import read_table
from drift.logs.settle import Settler
from drift.page.uploads import Upload, UploadFolder

if TYPE_CHECKING:
    from drift.book.store import Book
    from drift.logs.layout import Circumstances
    from drift.logs.preview import Preview
    from drift.logs.proposal import Proposal, Question
    from drift.logs.result import LogRead
    from drift.logs.table import RawTable
    from drift.pierfile import PierFile

#: Uploads that wait for an answer are let go of after so long [s], and so many are kept at most.
_PATIENCE_S = 3600.0
_MOST_WAITING = 20
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

    def go_on(self, one: Import, site: PierFile, book: Book) -> None:
        """Read and add the files of an upload until one has a question."""
        with one.busy, self._reading:
            one.asked = None
            while one.waiting:
                try:
                    self._next(one, site, book)
                except Asked as asked:
                    one.asked = asked
                    return
                self._done(one)
        one.folder.close()

    def leave_out(self, one: Import) -> None:
        """Refuse the file that waits, as its owner said."""
        with one.busy:
            if one.waiting:
                one.outcomes.append(FileRefused(one.file, f"{one.file}: not imported, as you said."))
                self._done(one)

    def close(self) -> None:
        """Remove all files that wait."""
        for one in self._kept.values():
            one.folder.close()

    @staticmethod
    def _done(one: Import) -> None:
        one.waiting.pop(0)
        one.answers, one.agreed_name, one.trouble = {}, "", ""

    def _next(self, one: Import, site: PierFile, book: Book) -> None:
        around = circumstances(site, now_us())
        try:
            log = _read(one, site, around)
        except LogFileError as error:
            said = one.folder.without_place(str(error))
            if not one.answers and not one.agreed_name:
                one.outcomes.append(FileRefused(one.file, said))
                return
            # an answer can't be: it is asked again, with what is wrong
            one.answers, one.agreed_name, one.trouble = {}, "", said
            self._next(one, site, book)
            return
        one.outcomes.append(book.add(log, None, one.act))


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
        if question.key.startswith("fits."):
            raise Asked((question,))
        raise Asked(tuple(all_questions(table, around, one.answers)) or (question,))

    def agree(table: RawTable, proposal: Proposal, preview: Preview, name: str) -> str:
        if not one.agreed_name:
            raise Asked((), proposal, preview, name)
        return one.agreed_name

    kept = MappingFile.beside(site.path or Path("pier.toml"))
    return Settler(kept, dict(one.answers), "", ask, agree)
