"""Days, fractions and leap seconds that can be worked out by hand."""

from datetime import date

import numpy as np
import pytest

from drift.errors import DriftError
from drift.sky.time_scales import (
    DAY_US,
    calendar_date,
    read_leap_seconds,
    summer_time_changes_us,
    utc_day_and_fraction,
)

LEAP_FILE = """#  Value of TAI-UTC in second
#  File expires on 28 June 2027
    41317.0    1  1 1972       10
    57204.0    1  7 2015       36
    57754.0    1  1 2017       37
"""


@pytest.mark.parametrize(
    ("time_us", "mjd", "fraction"),
    [(0, 40_587, 0.0), (DAY_US // 2, 40_587, 0.5), (-1, 40_586, 1 - 1 / DAY_US), (DAY_US, 40_588, 0.0)],
)
def test_a_time_is_a_day_and_a_part_of_it(time_us, mjd, fraction):
    day, part = utc_day_and_fraction(np.array([time_us]))
    assert (day[0], part[0]) == (mjd, fraction)


def test_a_microsecond_is_kept_a_century_from_1970():
    far = 47_000 * DAY_US
    parts = utc_day_and_fraction(np.array([far + 1, far + 2]))[1]
    assert np.diff(parts)[0] * DAY_US == pytest.approx(1.0, rel=1e-6)


def test_leap_seconds_from_a_small_file(tmp_path):
    path = tmp_path / "leap.dat"
    path.write_text(LEAP_FILE)
    leap = read_leap_seconds(path)
    assert calendar_date(leap.expires_mjd) == date(2027, 6, 28)
    days = np.array([30_000, 41_317, 57_203, 57_204, 57_753, 57_754, 70_000])
    assert leap.at(days).tolist() == [10, 10, 10, 36, 36, 37, 37]


@pytest.mark.parametrize("text", ["", "nothing here\n", LEAP_FILE.replace("expires", "ends"), "# only\n"])
def test_a_spoilt_leap_second_file_is_named(tmp_path, text):
    path = tmp_path / "leap.dat"
    path.write_text(text)
    with pytest.raises(DriftError, match="leap.dat.*astropy-iers-data"):
        read_leap_seconds(path)


@pytest.mark.parametrize(
    ("zone", "latitude_deg", "longitude_deg", "first_days"),
    [
        # clocks go over on Sundays of 2024; the first days that begin by the new time
        ("Europe/Helsinki", 60.0, 25.0, ["2024-04-01", "2024-10-28"]),
        ("UTC", 47.0, 9.0, ["2024-04-01", "2024-10-28"]),  # as in Europe
        ("UTC", 34.0, -110.0, ["2024-03-11", "2024-11-04"]),  # as in North America
        ("UTC", -35.0, 149.0, ["2024-04-07", "2024-10-06"]),  # as in Australia
        ("Asia/Barnaul", 53.0, 83.0, []),
    ],
)
def test_summer_time_begins_and_ends_by_the_zone_or_by_the_part_of_the_world(
    zone, latitude_deg, longitude_deg, first_days
):
    year = [int(np.datetime64(day, "us").astype(np.int64)) for day in ("2024-01-01", "2024-12-31")]
    changes = summer_time_changes_us(zone, latitude_deg, longitude_deg, *year)
    assert changes.astype("datetime64[us]").astype("datetime64[D]").astype(str).tolist() == first_days
