"""From plate-solved FITS images to a log: find them, read headers on all cores, settle what is open."""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from drift.errors import NotSettled
from drift.ingest.fits_header import HeaderTrouble, image_headers
from drift.ingest.fits_images import (
    COLUMNS,
    FILE,
    Frame,
    ImageRows,
    Images,
    NoFrame,
    gather_images,
    named,
    naming,
    read_frame,
    table_of,
)
from drift.ingest.fits_mapping import SECTION, FitsMapping, read_fits_mapping, store_fits_mapping
from drift.ingest.mapping import ICRS, MEAN, OF_DATE, Choice, PlaceFrame, Question
from drift.ingest.read import read_table
from drift.ingest.row_check import Circumstances
from drift.ingest.text import Heading, RawTable
from drift.notices import ImageCode, IngestCode, MappingCode, Notice, Value, info, warning
from drift.readings import LogRead
from drift.workers import Worker, can_start

# ---- Many FITS files at once, read on all cores by child processes.


#: Number of files from which child processes pay off (starting them takes as long as some 500 files).
MANY_FILES = 600
_BROKE = warning(ImageCode.READER_BROKE)
_READ = "drift.ingest.fits_log:frames_of"
Answer = Frame | NoFrame
Told = Callable[[int, int], None]  # files done, files in all


def read_frames(paths: Sequence[Path], mapping: FitsMapping, told: Told | None = None) -> list[Answer]:
    """Return what each file's header says, in the order of the files.

    Parameters
    ----------
    paths
        The files.
    mapping
        What the keywords mean.
    told
        Is told the files done and the files in all, again and again.
    """
    cores = min(os.cpu_count() or 1, len(paths) // (MANY_FILES // 2))
    if cores > 1 and can_start():
        return _Children(paths, mapping, told, cores).read()
    answers = []
    for number, path in enumerate(paths, 1):
        answers.append(read_frame(path, mapping))
        if told:
            told(number, len(paths))
    return answers


@dataclass
class _Children:
    paths: Sequence[Path]
    mapping: FitsMapping
    told: Told | None
    count: int
    _answers: queue.SimpleQueue[tuple[int, Answer]] = field(default_factory=queue.SimpleQueue)
    _running: list[Worker] = field(default_factory=list)
    _over: bool = False

    def read(self) -> list[Answer]:
        """Share the files out, and gather the results as they come."""
        found: list[Answer] = [NoFrame(_BROKE)] * len(self.paths)
        shares = [list(range(start, len(self.paths), self.count)) for start in range(self.count)]
        threads = [threading.Thread(target=self._work, args=(share,), daemon=True) for share in shares]
        try:
            for thread in threads:
                thread.start()
            for done in range(1, len(self.paths) + 1):
                at, answer = self._answers.get()
                found[at] = answer
                if self.told:
                    self.told(done, len(self.paths))
        finally:
            self._over = True
            for child in self._running:
                child.stop()
        return found

    def _work(self, share: list[int]) -> None:
        """See that every file of a share gets a result, whatever happens to the children."""
        while share and not self._over:
            done, broke = self._one_child(share)
            share = share[done:]
            if share and broke:
                self._answers.put((share[0], NoFrame(_BROKE)))
                share = share[1:]
            elif not done:
                break
        for at in share:  # no child could be started: do without
            if self._over:
                return
            self._answers.put((at, read_frame(self.paths[at], self.mapping)))

    def _one_child(self, share: list[int]) -> tuple[int, bool]:
        """Let one child read a share; return how many results it gave, and whether it crashed."""
        done = 0
        try:
            child = _start()
        except OSError:
            return 0, False
        self._running.append(child)
        for answer in child.work(self.mapping, [str(self.paths[at]) for at in share]):
            self._answers.put((share[done], answer))
            done += 1
        return done, child.broke_down()


def _start() -> Worker:
    return Worker.start(_READ)


def frames_of(mapping: FitsMapping, paths: Sequence[str]) -> Iterator[Answer]:
    """Read files in a child: where a library crashes on a header, the parent knows at which file."""
    for path in paths:
        yield read_frame(Path(path), mapping)


# ---- From images to a log.


#: Endings of FITS files, also packed by gzip; ``.fz`` is a tiled-compressed image.
SUFFIXES = (".fits", ".fit", ".fts", ".fz")
_BEGINS = b"SIMPLE  ="
_ASK_KEY = "mount_places"


def has_fits_name(path: Path) -> bool:
    """Tell whether a file is called as FITS files are."""
    name = path.name.lower()
    return name.removesuffix(".gz").endswith(SUFFIXES)


def is_image(path: Path) -> bool:
    """Tell whether a file that was given by itself is to be read as an image.

    That is a FITS file, by its name or its beginning, whose first HDU that is not empty is a picture.  A
    FITS table is not, nor a missing file, a pipe or a device.
    """
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            fits = file.read(len(_BEGINS)) == _BEGINS or has_fits_name(path)
    except OSError:
        return False
    return fits and _begins_with_picture(path)


def _begins_with_picture(path: Path) -> bool:
    try:
        first = next(image_headers(path), None)
    except (HeaderTrouble, OSError):
        return True  # reading it as an image says what is wrong
    return first is not None and len(first.axes) > 1 or not _has_table(path)


def _has_table(path: Path) -> bool:
    from drift.ingest.astropy_tables import is_fits_table

    return is_fits_table(_BEGINS, path)


def read_images(
    paths: Sequence[Path],
    around: Circumstances,
    logs_toml: Path | None = None,
    answers: dict[str, str] | None = None,
    ask: Callable[[RawTable, Question], str] | None = None,
    told: Callable[[int, int], None] | None = None,
) -> LogRead:
    """Read a set of plate-solved images by their headers.

    Parameters
    ----------
    paths
        The files, at least one.
    around
        The site and the present time.
    logs_toml
        The file whose section ``[fits]`` says what keywords mean; answers and findings are written there.
        None for none.
    answers
        Answers given beforehand, such as ``{"fits.mount_places": "ICRS"}``.
    ask
        Asks a person; None where nobody can be asked.
    told
        Is told the files done and the files in all.

    Raises
    ------
    drift.errors.LogFileError
        If the frame of the mount's places is unclear and nobody says it, or an answer is not allowed.
        Files that can't be used raise nothing: they are in `LogRead.set_aside`.
    """
    before = read_fits_mapping(logs_toml) if logs_toml else FitsMapping()
    mapping = before.with_answers(answers or {})
    name, path, files = named(paths)
    images = Images(name, path, files, read_frames(paths, mapping, told))
    rows = gather_images(images, around, mapping)
    mapping = _settled(rows, mapping, ask)
    stored = logs_toml is not None and store_fits_mapping(logs_toml, mapping, before)
    log = read_table(table_of(rows, mapping.mount_places or OF_DATE), around)
    return _of_images(log, rows, _stored_notices(stored, logs_toml))


def frame_of_all(
    folders: Sequence[Sequence[Path]],
    around: Circumstances,
    logs_toml: Path | None = None,
    answers: dict[str, str] | None = None,
    told: Callable[[int, int], None] | None = None,
) -> dict[str, str]:
    """Return the answers, with the frame of the mount's places that images of many folders show together.

    With one folder for each night, each holds too few images to show it.  Nothing is added where it was
    answered already, or where the fullest folder shows it.

    Parameters
    ----------
    folders
        The images of each folder, the fullest first.
    around, logs_toml, answers, told
        As for `read_images`.
    """
    answered = dict(answers or {})
    mapping = (read_fits_mapping(logs_toml) if logs_toml else FitsMapping()).with_answers(answered)
    if len(folders) < 2 or mapping.mount_places:
        return answered
    every = [path for some in folders for path in some]
    for paths in (folders[0], every):
        name, path, files = named(paths)
        images = Images(name, path, files, read_frames(paths, mapping, told if paths is every else None))
        rows = gather_images(images, around, mapping)
        if not rows.own.any():
            return answered
        if rows.frame.frame:
            return (
                answered if paths is folders[0] else {**answered, f"{SECTION}.{_ASK_KEY}": rows.frame.frame}
            )
    return answered


def _settled(
    rows: ImageRows, mapping: FitsMapping, ask: Callable[[RawTable, Question], str] | None
) -> FitsMapping:
    """Settle what the keywords mean: by the mapping, by the images, or by an answer."""
    mapping = replace(mapping, tube_side_means=rows.sides.means, mount_ra_unit=rows.mount.unit)
    if not rows.own.any() or mapping.mount_places:
        return mapping
    if rows.frame.frame:
        return replace(mapping, mount_places=rows.frame.frame)
    apart = rows.frame.evidence.values if rows.frame.evidence else {}
    question = Question(
        f"{SECTION}.{_ASK_KEY}",
        info(MappingCode.WHICH_FRAME_OF_IMAGES, keywords=(mapping.mount_ra, mapping.mount_dec)),
        (
            Choice(OF_DATE, _frame_apart(OF_DATE, apart.get("of_date_apart_arcmin"))),
            Choice(ICRS, _frame_apart(ICRS, apart.get("icrs_apart_arcmin"))),
            Choice(MEAN, _frame_apart(MEAN, None)),
        ),
    )
    if ask is None:
        raise NotSettled(rows.images.name, (question,), of_images=True)
    answer = ask(named_only(rows.images.name), question)
    return mapping.with_answers({question.key: answer})


def _frame_apart(frame: PlaceFrame, apart_arcmin: Value) -> Notice:
    """Say what a frame is, and how far from the solved places the mount's then lie in the median."""
    return info(MappingCode.FRAME, frame=frame, apart_arcmin=apart_arcmin or None)


def named_only(name: str) -> RawTable:
    """Return a table without rows, for a question about images that are read already."""
    headings = tuple(Heading(column) for column in (*COLUMNS, FILE))
    return RawTable(name, "", "", headings, 0, (), lambda raw: [])


def _stored_notices(stored: bool, logs_toml: Path | None) -> tuple[Notice, ...]:
    if not stored or logs_toml is None:
        return ()
    return (info(ImageCode.KEYWORDS_KEPT, section=SECTION, file=logs_toml.name),)


def _of_images(log: LogRead, rows: ImageRows, remarks: Iterable[Notice]) -> LogRead:
    """Return each row with its image, and the reasons why the set is read as it is."""
    files = rows.images.files
    aside, left_out = (
        tuple(replace(one, reason=naming(one.reason, files[one.line - 1])) for one in some)
        for some in (log.set_aside, log.left_out)
    )
    return replace(
        log,
        set_aside=aside,
        left_out=left_out,
        why=info(IngestCode.IMAGES_SOLVED, images=len(files), solved=len(rows.frames)),
        # the column of names is ours
        remarks=(*(one for one in log.remarks if one.code is not IngestCode.COLUMNS_UNUSED), *remarks),
    )
