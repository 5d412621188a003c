"""Precession in the mount's places tells the frames of a log, and says when it can't.

The samples are made by the demo, whose mounts point wrongly in ways of their own; see drift/demo.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drift.ingest.read import read_log
from drift.ingest.row_check import Circumstances
from drift.ingest.sky_evidence import FrameShare, FrameVerdict, frame_share
from drift.site.file import load_pier
from drift.sky.of_date import icrs_of_apparent

SAMPLES = Path(__file__).parents[2] / "sample_logs"
NOW_US = int(np.datetime64("2026-10-01", "us").astype(np.int64))
#: The mount's own errors and the pier's movement (arcminutes) against 20 arcminutes of precession.
SHARE = 0.05


@pytest.fixture(scope="module", params=[SAMPLES, SAMPLES / "south"], ids=["north", "south"])
def log(request: pytest.FixtureRequest) -> tuple[float, dict[str, np.ndarray]]:
    site = load_pier(request.param / "pier.toml").site
    where = Circumstances(site.latitude_deg, site.longitude_deg, site.elevation_m, NOW_US)
    columns = read_log(request.param / "solves.csv", where).columns
    names = ("time_us", "ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg")
    return site.longitude_deg, {name: np.asarray(columns[name]) for name in names}


def share(log: tuple[float, dict[str, np.ndarray]], *names: str, rows: slice = slice(None)) -> FrameShare:
    longitude, columns = log
    return frame_share(longitude, *(columns[name][rows] for name in ("time_us", *names)))


RIGHT_WAY = ("ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg")


def test_a_log_as_it_should_be(log) -> None:
    found = share(log, *RIGHT_WAY)
    assert found.verdict == FrameVerdict.RIGHT
    assert found.share == pytest.approx(1.0, abs=SHARE)


def test_solved_and_mount_exchanged(log) -> None:
    found = share(log, *RIGHT_WAY[2:], *RIGHT_WAY[:2])
    assert found.verdict == FrameVerdict.EXCHANGED
    assert found.share == pytest.approx(-1.0, abs=SHARE)


def test_the_mount_in_j2000(log) -> None:
    longitude, columns = log
    mount = icrs_of_apparent(columns["time_us"], columns["mount_ra_deg"], columns["mount_dec_deg"])
    found = frame_share(longitude, columns["time_us"], columns["ra_deg"], columns["dec_deg"], *mount)
    assert found.verdict == FrameVerdict.ONE_FRAME
    assert found.share == pytest.approx(0.0, abs=SHARE)


def test_one_night_does_not_tell(log) -> None:
    """Over one night precession looks like an axis error."""
    assert share(log, *RIGHT_WAY, rows=slice(0, 9)).verdict == FrameVerdict.UNKNOWN


def test_a_few_rows_do_not_tell(log) -> None:
    assert share(log, *RIGHT_WAY, rows=slice(0, 3)).verdict == FrameVerdict.UNKNOWN


def test_wild_solves_do_not_matter(log) -> None:
    longitude, columns = log
    wild = columns["mount_dec_deg"].copy()
    wild[::37] += 5.0
    given = {**columns, "mount_dec_deg": wild}
    assert share((longitude, given), *RIGHT_WAY).share == pytest.approx(1.0, abs=SHARE)
