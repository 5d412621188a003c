"""Nights that their times put into daylight: noon and midnight are known without a table."""

from dataclasses import replace

import numpy as np
import pytest
from night_world import pointing_night

from drift.night.log_zone import daylight_told, in_daylight
from drift.notices import NightCode
from drift.quantities import DAY_US, HOUR_US
from drift.types import Nights

#: Midnight of 2024-03-20, an equinox, at longitude 0.
MIDNIGHT_US = 19_802 * DAY_US


@pytest.mark.parametrize(
    ("hour", "longitude_deg", "is_lit"),
    [
        (0, 0.0, False),
        (12, 0.0, True),
        (5, 0.0, False),
        (7, 0.0, True),
        (12, 180.0, False),
        (18, -90.0, True),
    ],
)
@pytest.mark.parametrize("latitude_deg", [47.0, -35.0])
def test_the_sun_is_up_from_six_to_six_at_an_equinox(hour, longitude_deg, latitude_deg, is_lit):
    times = np.array([MIDNIGHT_US + hour * HOUR_US])
    assert in_daylight(latitude_deg, longitude_deg, times).tolist() == [is_lit]


def test_no_time_is_in_no_daylight():
    assert in_daylight(47.0, 0.0, np.zeros(0, dtype=np.int64)).size == 0


def night(day, hour, clock_hours=0):
    us = MIDNIGHT_US + day * DAY_US + hour * HOUR_US
    return pointing_night(us, np.zeros(3), np.eye(3), clock_hours=clock_hours)


def test_three_nights_in_daylight_are_told_and_two_are_not():
    where = (47.0, 0.0)
    dark = [night(day, 23) for day in range(20)]
    assert daylight_told(*where, Nights(nights=(*dark, night(30, 12), night(31, 12)))) == ()
    (told,) = daylight_told(*where, Nights(nights=(*dark, *(night(day, 12) for day in (30, 31, 32)))))
    assert told.code is NightCode.IN_DAYLIGHT
    assert told.values == {"nights": 3, "of_nights": 23}


def test_nights_whose_times_were_put_right_count_as_they_are_then():
    lit = Nights(nights=tuple(night(day, 12) for day in range(5)))
    right = Nights(nights=tuple(replace(one, clock_hours=11) for one in lit.nights))
    where = (47.0, 0.0)
    assert daylight_told(*where, lit) and not daylight_told(*where, right)
