"""The season of the axis where nothing tells pier from mount: the axis swings all the same."""

import numpy as np
import pytest
from advice_world import DAY_US, LAST_US, TIMES, history, nights, site, yearly
from invented_forecast import invented_forecast

from drift.advice.steps import advise
from drift.forecast.season import days_of_year, season_of
from drift.types import Seasonal

PHI, SWING = np.radians(46.0), 100.0
#: The invented winter's peak, 300 days after the last night: 2025-01-13; it lasts 60 days either way.
PEAK_DAYS = 300.0
#: A forecast is made for every few days, and the peak may lie between two: 100" in 60 days is 1.7" a day.
BETWEEN = 7.0


def untold(sd=3.0, **changed):
    """Return a history whose tilt swings no one knows how far, as pier and mount are not told apart."""
    ahead = invented_forecast(swing=SWING, peaks=(PEAK_DAYS,), sd=sd, start_us=LAST_US)
    unsure = Seasonal(
        peak_to_trough=50.0, peak_to_trough_sd=30.0, toward_bearing_deg=None, peak_day_of_year=None
    )
    return history(**{"east": "no", "north": "no", "seasonal": unsure, "forecast": ahead, **changed})


def on(season, days):
    return season.at(np.array([LAST_US + int(days * DAY_US)]))[0]


def test_the_axis_has_a_season_although_the_tilt_s_is_not_sure():
    season = season_of(untold(), PHI)
    assert season.known
    assert on(season, PEAK_DAYS) - on(season, PEAK_DAYS - 90.0) == pytest.approx([0.0, -SWING], abs=BETWEEN)
    assert season.year.mean(axis=0) == pytest.approx([0.0, 0.0], abs=1e-9)
    # the heave is out some time between the winters, never within 60 days of the peak
    peak = int(days_of_year(np.array([LAST_US + int(PEAK_DAYS * DAY_US)]))[0])
    assert 60 <= (season.rest - peak) % 366 <= 306
    # 3" of 100" on as much as the year ever is from its mean
    assert season.mean_sd[1] == pytest.approx(0.03 * np.abs(season.year[:, 1]).max(), rel=0.1)


def test_the_year_is_aimed_for_by_it():
    year = advise(site(), nights(), untold(axis_now=(0.0, 0.0))).year
    # dead on now it is off by all of the swing in winter; in the middle of it, by half
    assert year.dead_on_arcmin * 60.0 == pytest.approx(SWING, abs=BETWEEN)
    assert year.gain == pytest.approx(0.5, abs=0.02)
    assert year.leave_alt_arcsec == pytest.approx(SWING / 2.0, abs=BETWEEN)


@pytest.mark.parametrize(
    ("why", "changed"),
    [
        ("a swing that the forecast isn't sure of", {"sd": SWING / 2.4}),
        ("less than a year of nights", {"time_us": LAST_US - (TIMES[-1] - TIMES) // 3}),
        ("no forecast", {"forecast": None}),
    ],
)
def test_no_season_of_the_axis_from(why, changed):
    past = untold(**changed)
    season = season_of(past, PHI)
    assert not season.known, why
    assert advise(site(), nights(), past).year is None
    # half of what the tilt may swing by is left as its uncertainty: sqrt(50^2 + 30^2) / 2
    assert season.mean_sd[1] == pytest.approx(np.hypot(50.0, 30.0) / 2.0)


def test_a_swing_of_the_tilt_that_is_sure_goes_first():
    told = yearly(alt=40.0)
    ahead = invented_forecast(swing=SWING, peaks=(PEAK_DAYS,), start_us=LAST_US)
    assert np.array_equal(season_of(history(forecast=ahead, **told), PHI).year, told["seasonal_axis_offset"])
