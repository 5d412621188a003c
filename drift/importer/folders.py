"""Watched folders -> the record: a file is taken in as soon as it is whole.

The system's own notices of changes come through watchfiles.  They don't come from other machines' shares, and
some get lost, so the folders are looked through every few seconds as well.  A file is whole when it has stood
still for a moment; it is taken in again whenever it has grown, which adds only what is new.  Nothing is kept
in memory that a kill could lose: on a start, every file that is younger than its last import is new.
"""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import func, select

from drift.errors import DriftError
from drift.importer.importing import (
    FileImported,
    FilePassedOver,
    FileRefused,
    FilesFound,
    find_logs,
    import_found,
    of_another_pier,
)
from drift.ingest.fits_images import wcs_beside
from drift.ingest.fits_log import has_fits_name, is_image
from drift.ingest.formats import has_table_name
from drift.ingest.mapping import MappingFile
from drift.ingest.settle import Settler
from drift.record import schema

if TYPE_CHECKING:
    from drift.record.record import Record
    from drift.site.file import PierFile

#: A file that has stood still for so long is whole [s]; one whose last line has no end waits longer.
STILL_S, STILL_WITHOUT_END_S = 1.2, 3.0
#: The folders are looked through every so often [s], less often where that takes more than a tenth of it.
LOOK_S, _LOOK_SHARE = 2.5, 10.0
#: How often a file is tried again that can't be read yet: it may be held open, or have no row so far.
_TRIES = 3
#: Notices of changes are gathered for so long, and waited for so long at most [ms].
_GATHER_MS, _WAIT_MS = 200, 500
#: For `take_in_once`: a file that changed so long ago is whole at first sight [s], and one whose last line
#: has no end; a younger one is waited for so long at most.
SETTLED_S, SETTLED_WITHOUT_END_S = 60.0, 600.0
PATIENCE_S = 10.0
#: A file that changed so shortly before its import may have grown while it was read [us]: it is read again.
_READ_US = 60_000_000

#: So many files that came last are remembered, to be shown.
_LATEST = 6

Told = Callable[[FileImported | FileRefused], None]


@dataclass
class _Waiting:
    """A file that is not taken in yet: how it was when it was last seen to change, and since when [s]."""

    size: int
    mtime_ns: int
    since_s: float
    tries: int = 0


@dataclass
class WatchedFolders:
    """The folders of a site file, and what in them is not taken in yet.

    Parameters
    ----------
    pier
        Returns the site file and the record as they are now.
    told
        Is told what came of each file.
    given
        Folders to look through in the place of those of the site file; they may be others' as well.
    only
        The kinds of logs that are taken in; None for all.
    """

    pier: Callable[[], tuple[PierFile, Record]]
    told: Told = lambda outcome: None
    given: tuple[Path, ...] | None = None
    only: frozenset[str] | None = None
    latest: deque[tuple[float, FileImported | FileRefused]] = field(
        default_factory=lambda: deque(maxlen=_LATEST), repr=False
    )  # what came last, with when [s since 1970]
    trouble: str = ""  # what keeps files from being taken in, a sentence; "" for nothing
    missing: tuple[str, ...] = ()  # folders that are not there
    _known: dict[Path, tuple[int, int]] = field(default_factory=dict, repr=False)  # as taken in: size, time
    _waiting: dict[Path, _Waiting] = field(default_factory=dict, repr=False)
    _next_look_s: float = 0.0
    _began: bool = False
    _stop: threading.Event = field(default_factory=threading.Event, repr=False)
    _thread: threading.Thread | None = field(default=None, repr=False)

    def start(self) -> None:
        """Watch in a thread of its own, unless one does already or there is nothing to watch."""
        if self._thread is None and self.pier()[0].logs.folders:
            self._stop.clear()
            self._thread = threading.Thread(target=self.run, args=(self._stop,), daemon=True)
            self._thread.start()

    def close(self) -> None:
        """Stop the thread, and wait until what it takes in is in."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        self._thread = None

    def folders(self) -> tuple[Path, ...]:
        """Return the folders that the site file names; relative ones are taken from its own folder."""
        if self.given is not None:
            return tuple(one.resolve() for one in self.given)
        site = self.pier()[0]
        home = site.path.parent if site.path is not None else Path()
        return tuple((home / one).resolve() for one in site.logs.folders)

    def run(self, stop: threading.Event) -> None:
        """Watch until told to stop; whatever happens to one file or the record, it goes on."""
        from watchfiles import watch

        while not stop.is_set():
            try:
                folders = self.folders()
                there = [one for one in folders if one.is_dir()]
                self.missing = tuple(str(one) for one in folders if one not in there)
                if not there:
                    self._tend(())
                    stop.wait(_WAIT_MS / 1000.0)
                    continue
                changes = watch(
                    *there,
                    watch_filter=None,
                    debounce=_GATHER_MS,
                    step=_GATHER_MS // 2,
                    stop_event=stop,
                    rust_timeout=_WAIT_MS,
                    yield_on_timeout=True,
                    raise_interrupt=False,
                    ignore_permission_denied=True,
                )
                for found in changes:
                    self._tend(Path(name) for _, name in found)
                    if self.folders() != folders or not all(one.is_dir() for one in there):
                        break
            except (DriftError, OSError) as error:
                self.trouble = str(error)
                stop.wait(LOOK_S)

    def look(self) -> None:
        """Look through the folders once, and take in what is whole by now."""
        self._next_look_s = 0.0
        self._tend(())

    def take_in_once(self, patience_s: float = PATIENCE_S) -> tuple[Path, ...]:
        """Look through the folders, take in what is whole, and return the files that are not whole yet.

        A file that has not changed for a while is whole at first sight; for one that has just come there is
        a little patience.  What is refused is not tried again here.
        """
        folders = self.folders()
        self.missing = tuple(str(one) for one in folders if not one.is_dir())
        until = time.monotonic() + patience_s
        self._look_through(time.monotonic())
        while True:
            for path, one in self._waiting.items():
                age_s = time.time() - one.mtime_ns / 1e9
                one.tries = _TRIES
                if age_s >= (SETTLED_S if _ends(path) else SETTLED_WITHOUT_END_S):
                    one.since_s = -math.inf
            now = time.monotonic()
            # one whose last line has no end may be written to all night: the next run takes it in
            whole = [path for path in list(self._waiting) if self._is_whole(path, now)]
            whole = [one for one in whole if _ends(one) or self._waiting[one].since_s == -math.inf]
            if whole:
                self._take_in(whole)
            if not any(_ends(path) for path in self._waiting) or now >= until:
                return tuple(sorted(self._waiting))
            time.sleep(_WAIT_MS / 1000.0)

    def _tend(self, changed: Iterable[Path]) -> None:
        now = time.monotonic()
        for path in changed:
            for one in _images_of(path) if path.suffix.lower() == ".wcs" else (path,):
                if _is_log(one, self.pier()[0].path):
                    self._seen(one, now, renewed=path is not one)
        if now >= self._next_look_s:
            self._look_through(now)
        whole = [path for path in self._waiting if self._is_whole(path, now)]
        if whole:
            self._take_in(whole)
        self.trouble = ""

    def _look_through(self, now: float) -> None:
        site, record = self.pier()
        if not self._began:
            self._known.update(_taken_before(record, self.folders()))
            self._began = True
        began = time.monotonic()
        for folder in self.folders():
            if folder.is_dir():
                found = find_logs([folder], site.path)
                for path in (*found.logs, *found.images):
                    self._seen(path, now)
        self._next_look_s = now + max(LOOK_S, _LOOK_SHARE * (time.monotonic() - began))

    def _seen(self, path: Path, now: float, renewed: bool = False) -> None:
        """Note a file as it is now, unless it is taken in as it is."""
        mark = _mark(path)
        if mark is None:
            self._waiting.pop(path, None)
            return
        if renewed:
            self._known.pop(path, None)
        if self._known.get(path) == mark:
            return
        one = self._waiting.get(path)
        if one is None or (one.size, one.mtime_ns) != mark:
            self._waiting[path] = _Waiting(*mark, now)

    def _is_whole(self, path: Path, now: float) -> bool:
        one = self._waiting[path]
        self._seen(path, now)
        if self._waiting.get(path) is not one:
            return False
        return now - one.since_s >= (STILL_S if _ends(path) else STILL_WITHOUT_END_S)

    def _take_in(self, paths: Sequence[Path]) -> None:
        site, record = self.pier()
        images = tuple(path for path in paths if is_image(path))
        logs = tuple(path for path in paths if path not in images)
        settle = Settler(MappingFile.beside(site.path or Path("pier.toml")))
        taken: list[tuple[FilesFound, tuple[Path, ...]]] = []
        taken += (
            (FilesFound((one,), (), (), folders={one.parent: frozenset((one,))}), (one,)) for one in logs
        )
        if images:
            taken.append((FilesFound((), (), (), (), images), images))
        for found, own in taken:
            all_of_it = list(import_found(record, found, None, settle, self.only))
            outcomes = [one for one in all_of_it if not isinstance(one, FilePassedOver)]
            if len(outcomes) < len(all_of_it):
                outcomes = []  # a document without a table, such as settings
            refused = any(isinstance(one, FileRefused) for one in outcomes)
            if refused and self._once_more(own):
                continue
            for path in own:
                gone = self._waiting.pop(path, None)
                if gone is not None:
                    self._known[path] = (gone.size, gone.mtime_ns)
            for outcome in outcomes:
                self.latest.append((time.time(), outcome))
                self.told(outcome)

    def _once_more(self, paths: Iterable[Path]) -> bool:
        """Let files that could not be read wait a while longer; False when they waited long enough."""
        waiting = [self._waiting[path] for path in paths if path in self._waiting]
        for one in waiting:
            one.tries, one.since_s = one.tries + 1, time.monotonic()
        return any(one.tries < _TRIES for one in waiting)


def _mark(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def _ends(path: Path) -> bool:
    """Tell whether a text ends with the end of a line; all else has no lines."""
    if has_fits_name(path) or path.suffix.lower() in (".gz", ".zip"):
        return True
    try:
        with path.open("rb") as file:
            size = file.seek(0, 2)
            file.seek(max(size - 1, 0))
            return file.read(1) in (b"\n", b"\r")
    except OSError:
        return True  # reading it says what is wrong


def _is_log(path: Path, site_file: Path | None) -> bool:
    if path.name.startswith(".") or not (has_table_name(path) or has_fits_name(path)) or not path.is_file():
        return False
    return of_another_pier(path, site_file) is None


def _images_of(path: Path) -> list[Path]:
    """Return the images whose place stands in a file beside them."""
    return [
        one for one in path.parent.glob(f"{path.stem}.*") if has_fits_name(one) and wcs_beside(one) == path
    ]


def _taken_before(record: Record, folders: Sequence[Path]) -> dict[Path, tuple[int, int]]:
    """Return the files in the folders that have not changed since their last import, with size and time.

    One whose import was undone counts as well: what an owner took out does not come back by itself.  An
    image may have come in by its folder, under whose name its rows then stand.
    """
    with record.reading("looking what was taken in") as connection:
        files = schema.files
        query = select(files.c.path, func.max(files.c.imported_us))
        when = {str(path): int(us) for path, us in connection.execute(query.group_by(files.c.path))}
    found: dict[Path, tuple[int, int]] = {}
    for folder in folders:
        for path in folder.rglob("*") if folder.is_dir() else ():
            mark, names = _mark(path), [str(path.resolve())]
            if has_fits_name(path):
                names += [str(parent) for parent in path.resolve().parents]
            last = max((when[name] for name in names if name in when), default=None)
            if mark is not None and last is not None and mark[1] // 1000 < last - _READ_US:
                found[path] = mark
    return found
