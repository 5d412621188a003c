"""Watch the polar alignment of a telescope on a permanent outdoor pier."""

from drift._version import __version__
from drift.api import (
    answer_book,
    answer_readings,
    answer_tables,
    make_site,
    open_book,
    read_site,
    readings_of,
)

__all__ = [
    "__version__",
    "answer_book",
    "answer_readings",
    "answer_tables",
    "make_site",
    "open_book",
    "read_site",
    "readings_of",
]
