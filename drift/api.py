"""The short public list: what a notebook or another program calls.

Everything heavy is imported inside the functions, so that ``import drift`` and
``drift --help`` cost nothing.
"""

from __future__ import annotations

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


def answer_readings(site: PierFile, readings: Readings) -> Answer:
    """Work out the answer from tables of readings; touches no file."""
    from drift.pipeline import work_out

    return work_out(site, readings)


def answer_book(path: str | Path = "pier.toml") -> Answer:
    """Work out the answer for the pier described in the site file at `path`."""
    site = read_site(path)
    with open_book(site) as book:
        return answer_readings(site, book.readings())
