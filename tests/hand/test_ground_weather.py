"""Weather cleaned, and degree-days counted, on cases that can be checked with a pencil."""

import numpy as np
import pandas as pd
import pytest

from drift.codes import ForcingKind
from drift.ground.frost_depth import DesignRule, design_index, freezing_spell, winters
from drift.ground.heave import FrostHeave
from drift.ground.pier_site import ground_of
from drift.ground.weather import (
    FEWEST_DAYS,
    daily_weather,
    date_text,
    fit_annual_curve,
    noon_us,
    until,
    winter_name,
    winter_year,
)
from drift.notices import GroundCode
from drift.quantities import DAY_US, YEAR_DAYS
from drift.render.notices import sentence

NORTH, SOUTH = 47.0, -45.0


def half_swing(curve):
    """Return half the swing of a usual year from coldest to warmest [deg C]."""
    return float(np.hypot(curve.cosine_c, curve.sine_c))


def day_of(text):
    return int(np.datetime64(text, "D").astype(np.int64))


def readings(first, mean_c, half_range=4.0, snow_cm=np.nan):
    mean_c = np.asarray(mean_c, dtype=float)
    day = day_of(first) + np.arange(mean_c.size)
    return pd.DataFrame(
        {
            "row_id": np.arange(mean_c.size),
            "day": day,
            "t_min_c": mean_c - half_range,
            "t_max_c": mean_c + half_range,
            "t_mean_c": np.nan,
            "snow_cm": snow_cm,
        }
    )


def invented(first, days, seed=1, mean=5.0, swing=14.0, south=False):
    """Daily means with lasting weather and a digit of noise, so that no two days are alike."""
    day = day_of(first) + np.arange(days)
    rng = np.random.default_rng(seed)
    weather = np.zeros(days)
    for i in range(1, days):
        weather[i] = 0.75 * weather[i - 1] + rng.normal(0, 2.5)
    cold = np.cos(2 * np.pi * (day - 14 - (YEAR_DAYS / 2 if south else 0)) / YEAR_DAYS)
    return mean - swing * cold + weather


@pytest.mark.parametrize(("latitude_deg", "wettest"), [(NORTH, "2020-03-02"), (SOUTH, "2020-08-31")])
def test_clay_is_wettest_at_the_end_of_winter_and_driest_half_a_year_later(latitude_deg, wettest):
    """60 days after New Year (as the mean year counts), or half a year later in the south; a swing of 1."""
    weather = daily_weather(readings("2019-07-01", invented("2019-07-01", 800)), latitude_deg)
    wet = [one for one in FrostHeave(weather, ground_of(), 0.0).others() if one.kind is ForcingKind.MOISTURE]
    (usual,) = (one for one in wet if one.lag_days == 0.0)
    day = (usual.time_us // DAY_US).tolist()
    top, half = day.index(day_of(wettest)), round(YEAR_DAYS / 2.0)
    assert usual.value[top] == pytest.approx(0.5, abs=1e-3)
    assert usual.value[top - half] == pytest.approx(-0.5, abs=1e-3)
    assert usual.value[top + half] == pytest.approx(-0.5, abs=1e-3)
    assert usual.value[top + half // 2] == pytest.approx(0.0, abs=0.02)


def test_freezing_index_is_from_highest_to_lowest_point():
    # Curve: 2 5 4 1 3 2 -2 -1 4: highest 5 (after two days), lowest after it -2: seven degree-days.
    above = np.array([2, 3, -1, -3, 2, -1, -4, 1, 5])
    spell = freezing_spell(above)
    assert (spell.index, spell.first, spell.last) == (7.0, 2, 6)
    assert -above[above < 0].sum() == 9  # the sum of negative days is another number


def test_a_season_without_frost_has_index_nought():
    spell = freezing_spell(np.array([1.0, 2.0, 3.0]))
    assert spell.index == 0.0
    assert spell.last < spell.first


def test_winter_years():
    days = np.array([day_of(t) for t in ("2023-06-30", "2023-07-01", "2024-06-30", "2024-12-31")])
    assert winter_year(days, False).tolist() == [2023, 2024, 2024, 2025]
    assert winter_year(days, True).tolist() == [2023, 2023, 2024, 2024]
    assert winter_name(2024, False) == "2023-24"
    assert winter_name(2000, False) == "1999-00"
    assert winter_name(2024, True) == "2024"


def test_noon_is_local():
    day = np.array([day_of("2024-01-01")])
    assert noon_us(day, 0.0)[0] == day[0] * DAY_US + DAY_US // 2
    assert noon_us(day, 90.0)[0] == day[0] * DAY_US + DAY_US // 4  # east: earlier
    assert noon_us(day, -90.0)[0] == day[0] * DAY_US + 3 * DAY_US // 4


def test_the_southern_year_mirrored():
    """The same weather half a year later, south of the equator: the same winters under other names."""
    mean_c = invented("2019-07-01", 4 * 365)
    north = daily_weather(readings("2019-07-01", mean_c), NORTH)
    south = daily_weather(readings("2020-01-01", mean_c), SOUTH)
    a, b = winters(north), winters(south)
    assert [w.name for w in a][:3] == ["2019-20", "2020-21", "2021-22"]
    assert [w.name for w in b][:3] == ["2020", "2021", "2022"]
    # Years of 365 and 366 days fall a day apart, in midsummer where nothing freezes.
    assert [w.index_c_d for w in a][:3] == pytest.approx([w.index_c_d for w in b][:3])
    assert a[0].last_day - a[0].first_day == b[0].last_day - b[0].first_day
    assert half_swing(north.curve) == pytest.approx(half_swing(south.curve), abs=0.1)
    assert (south.curve.coldest_day - north.curve.coldest_day) % YEAR_DAYS == pytest.approx(184, abs=3)


def test_whole_and_part_winters():
    weather = daily_weather(readings("2020-10-15", invented("2020-10-15", 800)), NORTH)
    assert [(w.name, w.whole) for w in winters(weather)] == [
        ("2020-21", False),
        ("2021-22", True),
        ("2022-23", False),
    ]


def test_design_index():
    assert design_index([]) is None
    few = design_index([300.0, 500.0])
    assert (few.index_c_d, few.rule) == (500.0, DesignRule.COLDEST_KNOWN)
    ten = design_index([900.0, *range(100, 1100, 100)])
    assert (ten.index_c_d, ten.winters, ten.rule) == (1000.0, 10, DesignRule.COLDEST_OF_TEN)
    thirty = design_index([5000.0, *range(10, 310, 10)])
    assert (thirty.index_c_d, thirty.winters) == (290.0, 30)  # mean of 280, 290, 300; the oldest is out


def test_gaps_are_filled_and_marked():
    mean_c = invented("2021-01-01", 400)
    table = readings("2021-01-01", mean_c)
    kept = table.drop(index=[*range(50, 54), 200])
    weather = daily_weather(kept, NORTH)
    assert weather.day.size == 400
    assert np.flatnonzero(weather.filled).tolist() == [50, 51, 52, 53, 200]
    assert weather.mean_c[~weather.filled] == pytest.approx(np.delete(mean_c, [50, 51, 52, 53, 200]))
    weather_does = 8.0  # from one day to the next, three times what is made here
    assert np.abs(weather.mean_c - mean_c).max() < weather_does
    (filled,) = weather.notices
    assert filled.code is GroundCode.DAYS_FILLED
    assert filled.values["days"] == 5
    assert "5 days without a temperature" in sentence(filled)
    assert "2021-02-20" in sentence(filled)


def test_a_long_gap_gets_the_usual_season():
    mean_c = invented("2020-01-01", 1100)
    weather = daily_weather(readings("2020-01-01", mean_c).drop(index=range(400, 460)), NORTH)
    usual = weather.curve.at(weather.day)
    assert weather.mean_c[430] == pytest.approx(usual[430], abs=0.1)
    joined = 4.0  # the day after the last reading stays near it
    assert abs(weather.mean_c[400] - mean_c[399]) < joined


def test_the_record_is_extended_both_ways():
    table = readings("2021-01-01", invented("2021-01-01", 400))
    weather = daily_weather(table, NORTH, day_of("2020-12-01"), day_of("2022-03-01"))
    assert date_text(weather.day[0]) == "2020-12-01"
    assert date_text(weather.day[-1]) == "2022-03-01"
    assert weather.filled.sum() == 31 + (day_of("2022-03-01") - day_of("2021-01-01") - 399)
    assert weather.notices == ()  # nothing lacks inside the log


def test_too_little_weather_is_none():
    assert daily_weather(readings("2021-01-01", np.zeros(0)), NORTH) is None
    days = FEWEST_DAYS - 1
    assert daily_weather(readings("2021-01-01", invented("2021-01-01", days)), NORTH) is None


def in_fahrenheit(table, where):
    for name in ("t_min_c", "t_max_c"):
        table.loc[where, name] = table.loc[where, name] * 1.8 + 32.0


@pytest.mark.parametrize("where", [[700], [20, 21, 300, 900]])
def test_single_fahrenheit_days_are_left_out(where):
    mean_c = invented("2020-01-01", 1200)
    table = readings("2020-01-01", mean_c)
    in_fahrenheit(table, where)
    weather = daily_weather(table, NORTH)
    assert np.flatnonzero(weather.filled).tolist() == where
    assert weather.mean_c[~weather.filled] == pytest.approx(np.delete(mean_c, where))
    assert f"{len(where)} day" in sentence(weather.notices[0])
    assert "Fahrenheit" in sentence(weather.notices[0])


def test_a_stretch_in_fahrenheit_is_converted():
    mean_c = invented("2020-01-01", 1200)
    table = readings("2020-01-01", mean_c)
    where = list(range(380, 440))
    in_fahrenheit(table, where)
    weather = daily_weather(table, NORTH)
    assert weather.mean_c[~weather.filled] == pytest.approx(mean_c[~weather.filled], abs=1e-6)
    at_its_ends = 6  # days that the middle of three weeks around doesn't show
    assert weather.filled.sum() <= at_its_ends
    assert "were converted" in sentence(weather.notices[0])


def test_tenths_of_a_degree_are_noticed():
    mean_c = invented("2020-01-01", 1200)
    where = (380 + np.flatnonzero(np.abs(mean_c[380:420]) > 4.5)[:4]).tolist()
    table = readings("2020-01-01", mean_c)
    for name in ("t_min_c", "t_max_c"):
        table.loc[where, name] *= 10.0
    weather = daily_weather(table, NORTH)
    assert np.flatnonzero(weather.filled).tolist() == where
    assert "tenths" in sentence(weather.notices[0])


def test_a_cold_snap_is_kept():
    mean_c = invented("2020-01-01", 1200)
    mean_c[400:406] -= 24.0
    weather = daily_weather(readings("2020-01-01", mean_c), NORTH)
    assert weather.mean_c == pytest.approx(mean_c)
    assert weather.notices == ()


@pytest.mark.parametrize("seed", range(6))
def test_weather_alone_is_not_a_slip(seed):
    weather = daily_weather(readings("2018-01-01", invented("2018-01-01", 2500, seed)), NORTH)
    assert weather.notices == ()


def test_a_day_twice():
    mean_c = invented("2021-01-01", 300)
    table = readings("2021-01-01", mean_c)
    same = pd.concat([table, table.iloc[[5, 9]]])
    assert daily_weather(same, NORTH).notices == ()
    wrong = table.iloc[[100]].assign(t_min_c=-40.0, t_max_c=-30.0)
    weather = daily_weather(pd.concat([table, wrong]), NORTH)
    assert weather.mean_c[100] == pytest.approx(mean_c[100])
    assert "1 day with several different rows (2021-04-11)" in sentence(weather.notices[0])


def test_a_sensor_that_stands_still():
    mean_c = invented("2021-01-01", 300)
    table = readings("2021-01-01", mean_c)
    table.loc[60:69, ["t_min_c", "t_max_c"]] = [-3.0, 2.0]
    weather = daily_weather(table, NORTH)
    assert weather.filled.sum() == 10
    assert "stand still" in sentence(weather.notices[0])


def test_the_logged_mean_goes_before_the_middle():
    table = readings("2021-01-01", invented("2021-01-01", 60)).assign(t_mean_c=1.0)
    table["t_mean_c"] += np.arange(60) / 100.0
    assert daily_weather(table, NORTH).mean_c == pytest.approx(1.0 + np.arange(60) / 100.0)


def test_snow_between_readings():
    snow = np.full(400, np.nan)
    snow[[10, 14]], snow[100] = [8.0, 12.0], 3.0
    weather = daily_weather(readings("2021-01-01", invented("2021-01-01", 400), snow_cm=snow), NORTH)
    assert weather.has_snow
    assert weather.snow_cm[12] == 10.0
    assert weather.snow_cm[60] == 0.0
    assert not daily_weather(readings("2021-01-01", invented("2021-01-01", 400)), NORTH).has_snow


def test_what_comes_later_is_not_used():
    mean_c = invented("2019-01-01", 1500)
    changed = np.where(np.arange(1500) > 1000, mean_c + 3.0, mean_c)
    last = day_of("2019-01-01") + 1000
    a, b = (until(daily_weather(readings("2019-01-01", m), NORTH), last) for m in (mean_c, changed))
    assert a.day[-1] == last
    assert a.mean_c == pytest.approx(b.mean_c)
    assert a.curve == b.curve
    with pytest.raises(ValueError, match="begins on day"):
        until(a, last - 2000)


@pytest.mark.parametrize("days", [0, 40, 200, 2000])
def test_the_usual_year_from_much_and_little(days):
    """From nothing the prior, from a few weeks something sensible, from years the truth."""
    first = day_of("2020-01-01")
    day = first + np.arange(days)
    curve = fit_annual_curve(day, invented("2020-01-01", days) if days else np.zeros(0), False)
    year = curve.at(first + np.arange(365))
    assert -25.0 < year.min() < 5.0
    assert 5.0 < year.max() < 40.0
    if days == 2000:
        assert curve.mean_c == pytest.approx(5.0, abs=1.0)
        assert half_swing(curve) == pytest.approx(14.0, abs=1.0)
        middle = 5.0  # days
        assert (curve.coldest_day - 14.0 + 180.0) % YEAR_DAYS - 180.0 == pytest.approx(0.0, abs=middle)
