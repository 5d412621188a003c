"""The stamp of the program that worked something out: the cache serves the same program only."""

from __future__ import annotations

import hashlib
import os
import re
import sys
from functools import cache
from pathlib import Path

from drift._version import __version__

#: Libraries that numbers depend on, by the names under which they are installed.
LIBRARIES = ("numpy", "scipy", "astropy", "astropy-iers-data")
_INSTALLED = re.compile(r"(?P<name>.+?)-(?P<version>[^-]+)(-.*)?\.(dist|egg)-info")


@cache
def program_stamp() -> str:
    """Return a digest of our version, the newest source and the libraries that numbers depend on.

    An edited program or a new Earth-rotation table answers afresh.
    """
    parts = [f"{name} {version}" for name, version in versions(LIBRARIES).items()]
    newest = newest_source_ns(str(Path(__file__).parent))
    return hashlib.sha256("\n".join([__version__, str(newest), *parts]).encode()).hexdigest()


def newest_source_ns(folder: str) -> int:
    """Return when the newest source below a folder was changed [ns since 1970-01-01]."""
    newest = 0
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir():
                newest = max(newest, newest_source_ns(entry.path))
            elif entry.name.endswith(".py"):
                newest = max(newest, entry.stat().st_mtime_ns)
    return newest


def versions(names: tuple[str, ...]) -> dict[str, str]:
    """Return the installed versions of libraries.

    They are told from the names of the folders that installers leave, in the order in which Python looks for
    modules: to read what lies in them, as `importlib.metadata` does, takes longer than an answer that is
    kept.  Where there is no such folder, it is asked.
    """
    found: dict[str, str] = {}
    for folder in sys.path:
        try:
            inside = [entry.name for entry in os.scandir(folder or ".")]
        except OSError:  # an archive, or no longer there
            continue
        for entry in inside:
            match = _INSTALLED.fullmatch(entry)
            if match:
                found.setdefault(_plain(match["name"]), match["version"])
    return {name: found.get(_plain(name)) or _asked(name) for name in names}


def _plain(name: str) -> str:
    """Return a library's name as one way of writing it; there are several."""
    return re.sub(r"[-_.]+", "-", name).lower()


def _asked(name: str) -> str:
    from importlib.metadata import version

    return version(name)
