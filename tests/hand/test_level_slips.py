"""Levels beside an axis that follows the pier: slips of the hand are found, movements of a mount are none."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from night_world import pointing_night

from drift.codes import LevelSlip, Place
from drift.history.level_slips import AS_WRITTEN, SLIPS, without_slips
from drift.mount.axis_error import axis_of_tilt
from drift.night.prepared import NightSplit
from drift.notices import HistoryCode
from drift.quantities import DAY_US
from drift.types import Nights

NONE = np.zeros(0, dtype=np.int64)
SPLIT = NightSplit(0.0, NONE, NONE, NONE)
FIRST_US = 19_601 * DAY_US
#: A night every third day and a level every second week, for two years.
NIGHTS, LEVELS = np.arange(0.0, 730.0, 3.0), np.arange(1.0, 730.0, 14.0)
LEVEL_SD, NIGHT_SD = 8.0, 3.0


def tilt(day):
    """A pier that heaves by 60 arcsec toward the north-north-east and back, every winter; (n, 2)."""
    size = 30.0 * (1.0 - np.cos(2.0 * np.pi * day / 365.0))
    return np.stack([0.9 * size, 0.4 * size], axis=1)


def nights(latitude_deg, mount=lambda day: np.zeros((day.size, 2)), seed=1):
    rng = np.random.default_rng(seed)
    phi = np.radians(latitude_deg)
    axis = axis_of_tilt(tilt(NIGHTS), phi) + mount(NIGHTS) + rng.normal(0.0, NIGHT_SD, (NIGHTS.size, 2))
    cov = np.diag([NIGHT_SD**2, NIGHT_SD**2, 1.0])
    out = []
    for day, (az, alt) in zip(NIGHTS, axis, strict=True):
        us, value = FIRST_US + round(day * DAY_US), np.array([az, alt, 0.0])
        out.append(pointing_night(us, value, cov))
    return Nights(nights=tuple(out))


def levels(made=AS_WRITTEN, true=tilt, seed=2, instrument=0):
    rng = np.random.default_rng(seed)
    read = (true(LEVELS) + rng.normal(0.0, LEVEL_SD, (LEVELS.size, 2)) + [14.0, -20.0]) @ made.T
    return pd.DataFrame(
        {
            "row_id": np.arange(LEVELS.size),
            "time_us": FIRST_US + np.round(LEVELS * DAY_US).astype(np.int64),
            "tilt_north_arcsec": read[:, 0],
            "tilt_east_arcsec": read[:, 1],
            "place": "pier",
            "face_deg": np.nan,
            "sigma_arcsec": np.nan,
            "instrument": instrument,
        }
    )


def found(table, own, latitude_deg=47.0):
    return without_slips(table, own, SPLIT, np.radians(latitude_deg))


@pytest.mark.parametrize("latitude_deg", [47.0, -41.0])
def test_levels_that_are_right_are_used(latitude_deg):
    table = levels()
    judged = found(table, nights(latitude_deg), latitude_deg)
    assert judged.levels is table and not judged.notices


@pytest.mark.parametrize("latitude_deg", [47.0, -41.0])
@pytest.mark.parametrize(
    "slip",
    [
        LevelSlip.NORTH_REVERSED,
        LevelSlip.BOTH_REVERSED,
        LevelSlip.EXCHANGED_AND_REVERSED,
        LevelSlip.QUARTER_TURN_LEFT,
        LevelSlip.QUARTER_TURN_RIGHT,
        LevelSlip.IN_ARCMIN,
        LevelSlip.IN_DEGREES,
        LevelSlip.IN_MM_PER_M,
    ],
)
def test_levels_written_another_way_are_left_out_and_told(slip, latitude_deg):
    judged = found(levels(SLIPS[slip]), nights(latitude_deg), latitude_deg)
    assert len(judged.levels) == 0
    (told,) = judged.notices
    assert told.code is HistoryCode.LEVEL_WRITTEN_OTHERWISE
    assert (told.values["slips"][0], told.values["readings"]) == (slip, LEVELS.size)
    assert (told.values["place"], told.values["sensor"]) == (Place.PIER, None)


def test_on_the_equator_the_altitude_alone_tells():
    """There no azimuth goes with an east tilt: of the north one the altitude tells as everywhere."""
    table = levels()
    assert found(table, nights(0.0), 0.0).levels is table
    judged = found(levels(SLIPS[LevelSlip.BOTH_REVERSED]), nights(0.0), 0.0)
    assert len(judged.levels) == 0
    assert LevelSlip.BOTH_REVERSED in judged.notices[0].values["slips"]


@pytest.mark.parametrize("known", [np.nan, 0.0])
def test_nights_that_are_kept_out_of_the_history_tell_nothing(known):
    """Those that a model inside the mount has altered, beside sweeps: their axis is not compared."""
    own = nights(47.0).nights
    out = [replace(one, working=np.full(3, np.nan)) for one in own[::3]]
    half = [replace(one, working=np.array([known, *one.working[1:]])) for one in own[1::3]]
    right = Nights(nights=(*out, *(half if np.isnan(known) else own[1::3]), *own[2::3]))
    table = levels()
    assert found(table, right).levels is table
    assert len(found(levels(-np.eye(2)), right).levels) == 0


def test_a_sensor_that_was_mounted_a_quarter_turned_is_left_out_and_a_level_that_is_right_stays():
    turned = levels(SLIPS[LevelSlip.QUARTER_TURN_RIGHT], instrument=1)
    both = pd.concat([levels(), turned], ignore_index=True)
    both = both.sort_values(["time_us", "instrument"], kind="stable", ignore_index=True)
    judged = found(both, nights(47.0))
    assert set(judged.levels["instrument"]) == {0}
    assert judged.sensors_out == {1}


@pytest.mark.parametrize(
    "mount",
    [
        lambda day: np.stack([0.3 * day, 0.0 * day], axis=1),  # its azimuth creeps by 219" in two years
        lambda day: np.stack([0.0 * day, 80.0 * (day > 400.0)], axis=1),  # its altitude slips
        lambda day: (
            25.0 * np.sin(2.0 * np.pi * (day[:, None] / 365.0 + [0.25, 0.4]))
        ),  # it goes with the warmth
    ],
)
def test_a_mount_that_moves_by_itself_is_no_slip(mount):
    table = levels()
    assert found(table, nights(47.0, mount)).levels is table


def test_a_pier_that_stands_still_tells_nothing_about_signs():
    def still(day):
        return np.zeros((day.size, 2))

    for seed in range(20):
        table = levels(-np.eye(2), true=still, seed=seed)
        assert (
            found(table, nights(47.0, lambda day: -axis_of_tilt(tilt(day), np.radians(47.0)))).levels is table
        )


def test_what_lies_on_both_sides_of_a_correction_is_not_compared():
    """A turn of a knob a day after each level: no two readings are left that can be compared."""
    turns = NightSplit(0.0, FIRST_US + np.round((LEVELS + 1.0) * DAY_US).astype(np.int64), NONE, NONE)
    table = levels(-np.eye(2))
    assert without_slips(table, nights(47.0), turns, np.radians(47.0)).levels is table


def test_one_knock_at_which_the_mount_went_the_other_way_is_no_slip():
    """The pier tips by 100 arcsec once, and the same knock turns the mount by twice as much."""

    def knocked(day):
        return np.stack([100.0 * (day > 365.0), np.zeros(day.size)], axis=1)

    def against(day):
        return axis_of_tilt(-knocked(day) - tilt(day), np.radians(47.0))

    table = levels(true=knocked)
    assert found(table, nights(47.0, against)).levels is table
