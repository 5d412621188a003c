"""Which air a solve was seen through, and from how much weather on days are filled in."""

import numpy as np
import pandas as pd
import pytest

from drift.night.directions import filled_in, see
from drift.night.prepared import NightSplit
from drift.quantities import DAY_US
from drift.types import READING_COLUMNS

NONE = np.zeros(0, dtype=np.int64)
SITE = (47.0, 0.0, 400.0)
EVENING_US = 20_000 * DAY_US + DAY_US * 21 // 24  # a night of October 2024
COLD_C, WARM_C = -12.0, 2.0  # minimum and maximum of the day: the mean is -5


def table(kind, rows):
    columns = list(READING_COLUMNS[kind])
    return pd.DataFrame({name: [row.get(name, np.nan) for row in rows] for name in columns})


def readings(temps_c, weather_day=20_000):
    solves = [
        {
            "row_id": k,
            "time_us": EVENING_US + k * 60_000_000,
            "ra_deg": 330.0,
            "dec_deg": -15.0,  # low, so that the air counts
            "temp_c": temp,
            "pressure_hpa": 970.0,
        }
        for k, temp in enumerate(temps_c)
    ]
    day = {"row_id": 0, "day": weather_day, "t_min_c": COLD_C, "t_max_c": WARM_C}
    filled = {kind: table(kind, []) for kind in READING_COLUMNS}
    filled["solves"] = table("solves", solves).astype({"time_us": np.int64})
    filled["weather"] = table("weather", [day]).astype({"day": np.int64})
    return filled


def altitudes(temps_c, **how):
    seen = see(SITE, NightSplit(0.0, NONE, NONE, NONE), readings(temps_c, **how))
    return np.arcsin(seen.directions["solves"].enu[:, 2])


EXACT = 1e-12  # [rad] the same numbers go in


def test_a_night_without_a_thermometer_takes_the_days_mean():
    assert altitudes([np.nan, np.nan]) == pytest.approx(altitudes([-5.0, -5.0]), abs=EXACT)
    warmer = altitudes([10.0, 10.0])
    assert np.all(altitudes([np.nan, np.nan]) - warmer > 1e-6)  # colder air lifts by more: 0.2" at least


def test_a_night_with_a_reading_of_its_own_goes_by_that():
    # The other solve of that night says 8 deg C; the day's mean is not asked.
    assert altitudes([np.nan, 8.0]) == pytest.approx(altitudes([8.0, 8.0]), abs=EXACT)


def test_the_weather_of_another_day_is_not_taken():
    standard_c = 10.0
    got = altitudes([np.nan, np.nan], weather_day=19_999)
    assert got == pytest.approx(altitudes([standard_c, standard_c]), abs=EXACT)


def test_from_thirty_days_of_weather_on_days_are_filled_in():
    def weather(days):
        day = np.arange(0, 2 * days, 2)
        return pd.DataFrame(
            {"day": day, "t_min_c": -5.0, "t_max_c": 5.0, "t_mean_c": np.nan, "snow_cm": np.nan}
        )

    assert not filled_in(weather(29))
    assert filled_in(weather(30))
