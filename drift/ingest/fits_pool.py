"""Many FITS files at once, read on all cores by child processes."""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from drift.ingest.fits_frame import Frame, NoFrame, read_frame
from drift.ingest.fits_mapping import FitsMapping
from drift.notices import ImageCode, warning
from drift.workers import Worker, can_start

#: From so many files on, children are worth their start (which takes as long as some 500 files).
MANY_FILES = 600
_BROKE = warning(ImageCode.READER_BROKE)
_READ = "drift.ingest.fits_pool:frames_of"
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
        """Share the files out, and gather the answers as they come."""
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
        """See to it that every file of a share gets an answer, whatever becomes of the children."""
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
        """Let one child read a share; return how many answers it gave, and whether it broke down."""
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
    """Read files in a child: where a library breaks down on a header, the asking side knows at which file."""
    for path in paths:
        yield read_frame(Path(path), mapping)
