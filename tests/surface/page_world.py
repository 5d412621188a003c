"""A pier with typed alignment errors and one knock, and its page, for the tests of the page."""

from __future__ import annotations

import atexit
import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import numpy as np
from record_world import PATIENCE_S
from starlette.testclient import TestClient

from drift.api import open_record, read_site
from drift.importer.importing import import_files
from drift.web.app import make_app
from drift.web.current import Keeper, PageState
from drift.web.guard import Rules

SITE = """[site]
name = "Test pier"
latitude_deg = 47.3
longitude_deg = -92.4
elevation_m = 410.0
timezone = "America/Chicago"
[plate]
bolt_bearings_deg = [30, 150, 270]
bolt_circle_mm = 300
[warn]
axis_arcmin = 3.0
"""
#: The page's address in tests without a socket.
OWN = "http://127.0.0.1:8437"
NIGHTS = 24
#: The axis is knocked after so many nights, by so much [arcmin]: many times what a night's error is.
KNOCK_AFTER, KNOCK_ARCMIN = 12, 9.0


def alignment_log(path: Path, seed: int = 4) -> Path:
    """Write typed alignment errors of 24 nights, five days apart."""
    noise = np.random.default_rng(seed).normal(0.0, 0.2, (NIGHTS, 2))
    first = np.datetime64("2024-03-01T05:00:00", "s")
    rows = ["time_utc,az_error_arcmin,alt_error_arcmin,sigma_arcmin"]
    for at, (az, alt) in enumerate(noise):
        when = first + np.timedelta64(5 * at, "D")
        knocked = KNOCK_ARCMIN if at >= KNOCK_AFTER else 0.0
        rows.append(f"{when}Z,{az + knocked:.3f},{alt:.3f},0.3")
    path.write_text("\n".join(rows) + "\n")
    return path


@cache
def _filled() -> Path:
    """Make a site file with its log in a record, once, to be copied."""
    folder = Path(tempfile.mkdtemp(prefix="drift-page-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    (folder / "pier.toml").write_text(SITE)
    with open_record(read_site(folder / "pier.toml")) as record:
        list(import_files(record, [alignment_log(folder / "alignments.csv")]))
    return folder


def pier_folder(folder: Path, filled: bool = True) -> Path:
    """Make a site file with its record, and return the site file's path."""
    site_path = folder / "pier.toml"
    site_path.write_text(SITE)
    if filled:
        shutil.copytree(_filled(), folder, dirs_exist_ok=True)
    return site_path


def desk_of(site_path: Path, rules: Rules | None = None) -> PageState:
    return PageState(Keeper(site_path, draw_ahead=False), rules or Rules(), patience_s=PATIENCE_S)


@contextmanager
def client_of(desk: PageState) -> Iterator[TestClient]:
    with TestClient(make_app(desk), base_url=OWN, follow_redirects=True) as client:
        yield client


def token_in(text: str) -> str:
    found = re.search(r'name="token" value="([0-9a-f]+)"', text)
    assert found, "the page has no form"
    return found.group(1)


def rows_of(site_path: Path, kind: str = "corrections") -> list:
    with open_record(read_site(site_path)) as record:
        return record.held(kind)
