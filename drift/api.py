"""The short public list: what a notebook or another program calls.

Everything heavy is imported inside the functions, so that ``import drift`` and
``drift --help`` cost nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.book.store import Book
    from drift.pierfile import PierFile
    from drift.readings import Readings


def read_site(path: str | Path = "pier.toml") -> PierFile:
    """Read and validate a site file.

    Raises
    ------
    drift.errors.SiteFileError
        Names the key, the value, what is allowed and the line.
    """
    from drift.pierfile import load_pier

    return load_pier(Path(path))


def open_book(site: PierFile) -> Book:
    """Open the record that belongs to `site`, making it when there is none."""
    from drift.book.store import Book

    return Book.open(site)


def answer_readings(site: PierFile, readings: Readings, book: Book | None = None) -> Answer:
    """Work out the answer from tables of readings.

    Parameters
    ----------
    site
        The site file.
    readings
        All readings of the pier.
    book
        A record in which finished pieces of work are kept, so that a later answer
        does not do old nights again; without one no file is touched.  The answer
        is the same either way.
    """
    from drift.kept import NoStore
    from drift.pipeline import work_out

    return work_out(site, readings, NoStore() if book is None else _PiecesInBook(book))


def with_ground(answer: Answer, readings: Readings) -> Answer:
    """Return the answer with what weather and ground did beside the lean, where there is a weather log.

    It takes a while and only a picture needs it, so that `answer_readings` leaves it out.
    """
    from dataclasses import replace

    from drift.ground.site import ground_of
    from drift.ground.under_pier import under_pier

    place, pier = answer.site.site, answer.site.pier
    ground = ground_of(pier.depth_m, pier.soil, pier.drained, pier.surface)
    return replace(
        answer, ground=under_pier(readings["weather"], ground, place.latitude_deg, place.longitude_deg)
    )


class _PiecesInBook:
    """Keeps pieces of work in the record, for this very program."""

    def __init__(self, book: Book) -> None:
        from drift.stamp import program_stamp

        self._book, self._stamp = book, program_stamp()[:16]

    def get(self, keys: Sequence[str]) -> Mapping[str, bytes]:
        """Return what is kept of the pieces asked for."""
        found = self._book.kept_blobs([f"{self._stamp} {key}" for key in keys])
        return {key[len(self._stamp) + 1 :]: blob for key, blob in found.items()}

    def put(self, pieces: Mapping[str, bytes]) -> None:
        """Keep pieces; a record that can't be written keeps none, which is no harm."""
        if pieces:
            self._book.keep_blobs({f"{self._stamp} {key}": blob for key, blob in pieces.items()})


def answer_book(path: str | Path = "pier.toml") -> Answer:
    """Work out the answer for the pier described in the site file at `path`."""
    site = read_site(path)
    with open_book(site) as book:
        return answer_readings(site, book.readings(), book)
