"""The stamp of the program that worked something out: what is kept is used by the same program only."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

from drift._version import __version__


@cache
def program_stamp() -> str:
    """Return a digest of our version, the newest source and the libraries that numbers depend on.

    An edited program or a new Earth-rotation table answers afresh.
    """
    newest = max(source.stat().st_mtime_ns for source in Path(__file__).parent.rglob("*.py"))
    parts = [f"{name} {version(name)}" for name in ("numpy", "scipy", "astropy", "astropy-iers-data")]
    return hashlib.sha256("\n".join([__version__, str(newest), *parts]).encode()).hexdigest()
