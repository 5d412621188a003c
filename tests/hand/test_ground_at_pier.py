"""What a weather log says of the ground at one pier: a year as a cosine, its freezing index with a pencil."""

import math

import numpy as np
import pandas as pd
import pytest

from drift.advice.ground import (
    AGAINST_FROST_ON_COLUMN,
    AGAINST_FROST_UNDER_BASE,
    EVERYTHING,
    fitting_advice,
    pier_ground,
)
from drift.ground.frost_depth import DesignRule
from drift.readings import as_readings
from drift.site.file import pier_from_mapping

FIRST_DAY = 19_174  # 2022-07-01
#: Daily steps and the year of 365.24 days against a cosine of 365.
WITHIN_SHARE = 0.01


def weather(mean_c, amplitude_c, years=3):
    """Return daily weather, coldest in the middle of January."""
    day = FIRST_DAY + np.arange(365 * years)
    from_coldest = (day - (FIRST_DAY + 198)) / 365.0
    temp = mean_c - amplitude_c * np.cos(2.0 * np.pi * from_coldest)
    columns = {"row_id": np.arange(day.size), "day": day, "t_min_c": temp - 4.0, "t_max_c": temp + 4.0}
    return as_readings({"weather": pd.DataFrame({**columns, "t_mean_c": temp, "snow_cm": 0.0})})["weather"]


def pier(depth_m=0.6):
    place = {"latitude_deg": 47.0, "longitude_deg": 10.0, "elevation_m": 400.0}
    return pier_from_mapping({"site": place, "pier": {"depth_m": depth_m, "soil": "clay"}})


def freezing_index(mean_c, amplitude_c):
    """The area of a cosine below 0: (365 / pi) (sqrt(a^2 - m^2) - m arccos(m / a))."""
    m, a = mean_c, amplitude_c
    return 365.0 / math.pi * (math.sqrt(a * a - m * m) - m * math.acos(m / a))


def test_the_design_index_is_that_of_the_cosine():
    # m = 2, a = 14: (365 / pi) (13.856 - 2 * 1.4274) = 116.18 * 11.002 = 1278
    assert freezing_index(2.0, 14.0) == pytest.approx(1278.0, abs=1.0)
    found = pier_ground(pier(), weather(2.0, 14.0))
    assert found is not None and found.design is not None
    assert found.design.index_c_d == pytest.approx(freezing_index(2.0, 14.0), rel=WITHIN_SHARE)
    assert (found.design.winters, found.design.rule) == (3, DesignRule.COLDEST_KNOWN)


def test_a_colder_winter_freezes_deeper():
    mild, hard = (pier_ground(pier(), weather(2.0, size)) for size in (8.0, 14.0))
    assert mild is not None and hard is not None
    assert mild.design_depth is not None and hard.design_depth is not None
    assert 0.0 < mild.design_depth.deep < hard.design_depth.deep
    assert hard.design_depth.shallow <= hard.design_depth.deep


def test_where_it_never_freezes_there_is_no_depth():
    found = pier_ground(pier(), weather(14.0, 8.0))
    assert found is not None
    assert found.design is None or found.design.index_c_d == 0.0
    assert found.design_depth is None


def test_without_weather_nothing_is_known_and_everything_is_advised():
    assert pier_ground(pier(), weather(2.0, 14.0).iloc[:0]) is None
    assert fitting_advice(None) == ((), EVERYTHING)


def test_the_advice_fits_how_deep_the_frost_goes():
    shallow, deep = (pier_ground(pier(depth), weather(2.0, 14.0)) for depth in (0.4, 3.0))
    fitting, rest = fitting_advice(shallow)
    assert fitting == AGAINST_FROST_UNDER_BASE
    assert set(fitting) | set(rest) == set(EVERYTHING)
    fitting, rest = fitting_advice(deep)
    assert fitting == AGAINST_FROST_ON_COLUMN
    assert not set(fitting) & set(rest)
    fitting, rest = fitting_advice(pier_ground(pier(), weather(14.0, 8.0)))
    assert (fitting, rest) == ((), EVERYTHING)
