"""Watch the polar alignment of a telescope on a permanent outdoor pier."""

from drift._version import __version__
from drift.api import (
    analyse_readings,
    analyse_record,
    analyse_tables,
    make_site,
    open_record,
    read_site,
    readings_of,
)

__all__ = [
    "__version__",
    "analyse_record",
    "analyse_readings",
    "analyse_tables",
    "make_site",
    "open_record",
    "read_site",
    "readings_of",
]
