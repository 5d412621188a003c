"""Days of weather that lack are said to have been filled in."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from drift.night.directions import filled_in
from drift.notices import SkyCode, info
from drift.render.notices import sentence


def weather(days, t_min_c=-5.0):
    days = np.asarray(days, dtype=np.int64)
    return pd.DataFrame(
        {
            "day": days,
            "t_min_c": np.broadcast_to(t_min_c, days.shape),
            "t_max_c": 5.0,
            "t_mean_c": np.nan,
            "snow_cm": np.nan,
        }
    )


def test_days_without_a_row_and_days_without_a_temperature_are_counted_alike():
    (said,) = filled_in(weather(np.arange(0, 101, 2)))
    assert said == info(SkyCode.WEATHER_DAYS_FILLED, days=50, of_days=101)
    assert sentence(said).startswith("The weather log spans 101 days: 50 of them were without a temperature")
    blank = np.where(np.arange(60) == 30, np.nan, -5.0)
    (one,) = filled_in(weather(np.arange(60), blank))
    assert "spans 60 days: 1 of them was without" in sentence(one)


@pytest.mark.parametrize("days", [np.arange(60), np.repeat(np.arange(60), 2), np.arange(0, 50, 2), []])
def test_nothing_is_said_of_a_whole_log_nor_of_one_too_short_to_be_used(days):
    assert filled_in(weather(days)) == []
