"""Where to leave the axis for the coming year: circles by hand, months of use, and heaving piers."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from advice_world import (
    DAY_US,
    LAST_US,
    NORTH,
    START_US,
    correction,
    history,
    nights,
    separable,
    site,
    yearly,
)
from said import said_of

from drift.advice.steps import advise
from drift.forecast.coming import annual_forecast, axis_rate, coming
from drift.forecast.season import (
    best_change,
    days_of_year,
    days_that_count,
    error_of_year,
    season_of,
    smallest_circle,
)
from drift.types import AxisForecast, Lasting, Seasonal, Winter
from drift.types import Forecast as Ahead

#: The circle is found to this share of its radius.
CIRCLE = 1e-5
POLE = np.zeros(2)
PHI = np.radians(46.0)


def forecast(axis, first_us=LAST_US, sd=3.0):
    axis = np.asarray(axis, dtype=float)
    times = first_us + DAY_US * np.arange(len(axis))
    return AxisForecast(time_us=times, axis=axis, sd=np.full(axis.shape, sd))


@pytest.mark.parametrize(
    ("points", "centre"),
    [
        ([(5.0, -3.0)], (5.0, -3.0)),
        ([(0.0, 0.0), (10.0, 4.0)], (5.0, 2.0)),
        ([(0.0, 0.0), (3.0, 1.0), (10.0, 0.0), (6.0, -1.0)], (5.0, 0.0)),
        ([(2.0, 0.0), (-1.0, np.sqrt(3.0)), (-1.0, -np.sqrt(3.0)), (0.5, 0.5)], (0.0, 0.0)),
        ([(1000.0, 0.0), (1000.0, 0.0)], (1000.0, 0.0)),
    ],
    ids=["one", "two", "nearly a line", "three on the rim", "the same twice"],
)
def test_the_smallest_circle_by_hand(points, centre):
    points = np.array(points)
    found = smallest_circle(points)
    radius = np.hypot(*(points - centre).T).max()
    assert found == pytest.approx(centre, abs=CIRCLE * max(radius, 1.0))


def test_no_other_centre_is_better():
    chance = np.random.default_rng(7)
    for _ in range(20):
        points = chance.normal(0.0, 60.0, (40, 2)) @ chance.normal(0.0, 1.0, (2, 2))
        centre = smallest_circle(points)
        radius = np.hypot(*(points - centre).T).max()
        others = centre + chance.normal(0.0, 0.1 * radius, (500, 2))
        largest = np.hypot(*np.moveaxis(points[:, None] - others, -1, 0)).max(axis=0)
        assert np.all(largest >= radius * (1.0 - CIRCLE))


def test_a_swing_is_halved_by_leaving_its_middle_on_the_pole():
    # the altitude swings from +80" to -120" and back; azimuth stands 40" off (46 deg: 27.8" on the sky)
    swing = -20.0 + 100.0 * np.cos(2.0 * np.pi * np.arange(366) / 365.25)
    path = forecast(np.column_stack([np.full(366, 40.0), swing]))
    every = np.ones(366, dtype=bool)
    change = best_change(path, PHI, every, "year", POLE)
    assert change == pytest.approx((-40.0, 20.0), abs=0.01)
    # 3" along the swing; what goes across adds sd^2 / (2 * 100) at most, squared and halved: 0.02" in all
    assert error_of_year(path, change, PHI, every, "year", POLE) == pytest.approx((100.0, 3.0), abs=0.03)
    tonight = best_change(path, PHI, every, "tonight", POLE)
    assert tonight == pytest.approx((-40.0, -80.0))
    assert error_of_year(path, tonight, PHI, every, "year", POLE)[0] == pytest.approx(200.0, abs=0.01)


@pytest.mark.parametrize("sds", [(2.0, 6.0), (6.0, 2.0)], ids=["spring is less sure", "autumn is"])
def test_the_uncertainty_of_the_largest_error_is_that_of_all_the_worst_days(sds):
    # +100" and -100" in altitude: off by z sd, the larger is 100 + 6 |z| on one side and 100 + 2 |z| on the
    # other, so that the mean square is (36 + 4) / 2
    sd = np.zeros((2, 2))
    sd[:, 1] = sds
    path = replace(forecast([(0.0, 100.0), (0.0, -100.0)]), sd=sd)
    both = np.ones(2, dtype=bool)
    change = best_change(path, PHI, both, "year", POLE)
    for nudge in (-1e-12, 0.0, 1e-12):  # which of the two is worst by the last digit does not matter
        found = error_of_year(path, change + nudge, PHI, both, "year", POLE)
        assert found == pytest.approx((100.0, np.sqrt(20.0)), abs=0.01)


def test_better_known_days_give_a_better_known_year():
    swing = 60.0 * np.cos(2.0 * np.pi * np.arange(366) / 365.25)
    path = forecast(np.column_stack([np.zeros(366), swing]))
    grows = np.linspace(1.0, 9.0, 366)[:, None] * np.ones(2)
    every = np.ones(366, dtype=bool)
    known = [
        error_of_year(replace(path, sd=share * grows), np.zeros(2), PHI, every, aim, POLE)[1]
        for aim in ("year", "typical")
        for share in (1.0, 0.7, 0.5)
    ]
    assert known[0] > known[1] > known[2] > 0.0
    assert known[3] > known[4] > known[5] > 0.0


def test_a_short_frost_pulls_the_middle_of_the_range_not_the_mean():
    # one day in ten stands at 100", the others at 0: middle of the range 50", mean 10"
    path = forecast(np.column_stack([np.zeros(100), np.where(np.arange(100) % 10 == 0, 100.0, 0.0)]))
    every = np.ones(100, dtype=bool)
    assert best_change(path, PHI, every, "year", POLE)[1] == pytest.approx(-50.0, abs=0.01)
    typical = best_change(path, PHI, every, "typical", POLE)
    assert typical[1] == pytest.approx(-10.0)
    # the rms about the mean is sqrt(0.1 * 0.9) * 100" = 30", less than about the middle of the range
    assert error_of_year(path, typical, PHI, every, "typical", POLE)[0] == pytest.approx(30.0)
    middle = best_change(path, PHI, every, "year", POLE)
    assert error_of_year(path, middle, PHI, every, "typical", POLE)[0] > 45.0


def test_only_the_months_of_use_count():
    used = site(optics={"months_of_use": [6, 7]})
    path = forecast(np.zeros((366, 2)))
    counts = days_that_count(path, used)
    assert counts.sum() == 61
    first = datetime.fromtimestamp(int(path.time_us[np.flatnonzero(counts)[0]]) / 1e6, UTC)
    assert (first.month, first.day) == (6, 1)
    axis = np.zeros((366, 2))
    axis[~counts, 1] = 300.0
    axis[counts, 1] = 40.0
    assert best_change(forecast(axis), PHI, counts, "year", POLE) == pytest.approx((0.0, -40.0))


def test_a_forecast_must_fit_together():
    with pytest.raises(ValueError, match=r"shape \(3, 2\)"):
        AxisForecast(time_us=np.arange(3), axis=np.zeros((2, 2)), sd=np.zeros((3, 2)))


@pytest.mark.parametrize(("latitude_deg", "sign"), [(46.0, 1.0), (-46.0, -1.0)])
def test_a_lasting_tilt_is_carried_on(latitude_deg, sign):
    # 30" a year toward bearing 45 deg: 21.2" north and east; az = east tan(phi), alt = -s north
    past = history(lasting=Lasting(arcsec_per_year=30.0, arcsec_per_year_sd=3.0, toward_bearing_deg=45.0))
    rate, sd = axis_rate(past, np.radians(latitude_deg))
    assert rate == pytest.approx((sign * 21.213 * np.tan(np.radians(46.0)), -sign * 21.213), abs=0.001)
    assert sd == pytest.approx((3.0 * np.tan(np.radians(46.0)), 3.0))
    unsure, _ = axis_rate(
        history(lasting=Lasting(arcsec_per_year=30.0, arcsec_per_year_sd=30.0, toward_bearing_deg=None)),
        np.radians(latitude_deg),
    )
    assert np.all(unsure == 0.0)
    untold, _ = axis_rate(
        history(
            lasting=Lasting(arcsec_per_year=30.0, arcsec_per_year_sd=3.0, toward_bearing_deg=45.0), east="no"
        ),
        np.radians(latitude_deg),
    )
    assert untold[0] == 0.0 and untold[1] != 0.0
    season = season_of(past, np.radians(latitude_deg))
    path = annual_forecast(past, season, np.radians(latitude_deg), LAST_US, LAST_US)
    assert path.axis[-1] - path.axis[0] == pytest.approx(rate * 365.0 / 365.2422)
    assert np.all(np.diff(path.sd, axis=0) >= 0.0)


def test_the_forecast_of_the_history_goes_first_once_a_season_is_sure():
    weeks = LAST_US + 7 * DAY_US * np.arange(53)
    axis = np.column_stack([np.arange(53.0), 100.0 - np.arange(53.0)])
    others = ("axis_low", "axis_high", "tilt", "tilt_sd", "tilt_low", "tilt_high")
    made = Ahead(
        time_us=weeks,
        axis=axis,
        axis_sd=np.full((53, 2), 5.0),
        paths=np.zeros((1, 53, 2)),
        rests_on=None,
        **dict.fromkeys(others, np.zeros((53, 2))),
    )
    past = history(forecast=made, **yearly(alt=60.0))
    path = coming(past, season_of(past, PHI), PHI, LAST_US, LAST_US + 7 * DAY_US)
    assert path.axis[0] == pytest.approx((1.0, 99.0))
    assert path.axis[7] == pytest.approx((2.0, 98.0))  # day by day between the weeks
    assert int(path.time_us[-1]) == int(weeks[-1]) and path.sd[0] == pytest.approx((5.0, 5.0))
    quiet = history(axis_now=(10.0, 20.0), forecast=made)
    unsure = coming(quiet, season_of(quiet, PHI), PHI, LAST_US, LAST_US)
    assert np.all(unsure.axis == [10.0, 20.0])


def test_a_mild_winter_has_less_to_give_back():
    # the mean swing takes 280" back by September; since the heave was last out only 140" have come this time
    past = history(axis_now=(0.0, 300.0), **yearly(alt=140.0, swings=(0.7, 1.0, 1.3)))
    mean = annual_forecast(past, season_of(past, PHI), PHI, LAST_US, LAST_US)
    assert mean.axis[183, 1] - mean.axis[0, 1] == pytest.approx(-280.0, abs=0.5)
    change = np.zeros((40, 6))
    change[-7:, NORTH] = -np.linspace(0.0, 140.0, 7)  # alt_error = -s tilt_north, twenty days apart
    mild = replace(past, change=change, axis_now_sd=np.array([1.0, 1.0]))
    path = annual_forecast(mild, season_of(past, PHI), PHI, LAST_US, LAST_US)
    # half of the mean, drawn a little toward it: winters differ by 0.3 of 280" = 84", seen to 1.4"
    assert path.axis[183, 1] - path.axis[0, 1] == pytest.approx(-140.0, abs=2.0)
    # the next winter is a mean one again
    assert path.axis[365, 1] - path.axis[183, 1] == pytest.approx(280.0, abs=0.5)
    # where a knob was turned since, or nothing tells the pier, or frost itself drives it, the mean stays
    turned = replace(mild, corrections=(correction("altitude", 36, asked=10.0, found=10.0),))
    untold = replace(mild, north_tilt_from_mount_altitude=separable("no"))
    frozen = replace(mild, follows="frozen")
    for other in (turned, untold, frozen):
        path = annual_forecast(other, season_of(other, PHI), PHI, LAST_US, LAST_US)
        assert path.axis[183, 1] - path.axis[0, 1] == pytest.approx(-280.0, abs=0.5)


def test_the_gain_over_dead_on_tonight_is_told():
    # at the top of a swing of 280": dead on tonight is 280" = 4.7' off half a year later, the middle 2.3'
    past = history(axis_now=(0.0, 300.0), **yearly(alt=140.0))
    year = advise(site(), nights(), past).year
    assert year.leave_alt_arcsec == pytest.approx(140.0, abs=0.1)
    assert year.as_aimed_arcmin == pytest.approx(140.0 / 60.0, abs=0.01)
    assert year.dead_on_arcmin == pytest.approx(280.0 / 60.0, abs=0.01)
    assert year.as_it_is_arcmin == pytest.approx(300.0 / 60.0, abs=0.01)
    assert year.gain == pytest.approx(0.5, abs=0.005)
    assert "best left" in said_of(year) and "2.3' above it" in said_of(year) and "50 % less" in said_of(year)
    assert "if it is left alone" in said_of(year)


def test_who_wants_it_dead_on_tonight_gets_that():
    past = history(axis_now=(0.0, 300.0), **yearly(alt=140.0))
    advice = advise(site(optics={"aim": "tonight"}), nights(), past)
    turn = next(a for a in advice.actions if a.do == "turn_altitude")
    assert turn.amount_arcmin == pytest.approx(-5.0, abs=0.005)
    assert advice.year.gain == pytest.approx(0.0, abs=1e-6)
    assert "the site file aims at tonight" in said_of(advice.year)


def test_without_a_season_there_is_nothing_to_aim_for():
    assert advise(site(), nights(), history(axis_now=(0.0, 300.0))).year is None


def test_an_axis_that_should_point_at_the_refracted_pole_is_turned_there():
    # at 46 deg the refracted pole stands some 55" higher
    past = history(axis_now=(0.0, -150.0))
    true = advise(site(), nights(), past).actions[0]
    refracted = advise(site(mount={"pole": "refracted"}), nights(), past)
    lift = refracted.poles.lift_arcsec
    assert 50.0 < lift < 60.0
    assert true.amount_arcmin == pytest.approx(2.5, abs=0.005)
    assert refracted.actions[0].amount_arcmin == pytest.approx(2.5 + lift / 60.0, abs=0.006)


#: Piers tried at each end of the swing and in each hemisphere.
HEAVES = 60
#: One winter differs from another by this share (as `drift.forecast.season` assumes).
WINTER_SD = 0.3


def _heaving(chance, latitude_deg, end):
    """Return a heaving pier's axis from a day at an end of its swing on, and what three years before it show.

    The truth is (366, 2): every day of the year that follows, whose winter is its own.
    """
    size, width = chance.uniform(60.0, 400.0), chance.uniform(30.0, 70.0)
    bearing, peak = chance.uniform(0.0, 2.0 * np.pi), chance.uniform(20.0, 60.0)
    sign = -1.0 if latitude_deg < 0 else 1.0
    peak += 0.0 if sign > 0 else 182.0
    today = 3 * 365 + int(peak + (0.0 if end == "top" else 182.0))  # days from 2021-01-01
    days = np.arange(today + 366)
    tilt = np.zeros(days.size)
    for winter in range(-2, 7):
        at = winter * 365.0 + peak + chance.normal(0.0, 10.0)
        one = size * max(chance.normal(1.0, WINTER_SD), 0.1)
        tilt += one * np.exp(-0.5 * ((days - at) / width) ** 2)
    lever = np.array([np.sin(bearing) * np.tan(np.radians(latitude_deg)), -sign * np.cos(bearing)])
    axis = chance.normal(0.0, 90.0, 2) + np.outer(tilt, lever)
    seen = np.append(np.sort(chance.choice(today, 120, replace=False)), today)
    return axis[today:], _seen(chance, days, seen, tilt, axis, bearing)


def _seen(chance, days, seen, tilt, axis, bearing):
    """Return the history that nights on the days `seen` give: the annual shape by least squares on them."""
    time_us = START_US + DAY_US * days
    of_year = 2.0 * np.pi * (days_of_year(time_us) + 1.0) / 365.25
    waves = np.column_stack([f(k * of_year) for k in (1, 2) for f in (np.cos, np.sin)])
    design = np.column_stack([np.ones(seen.size), waves[seen]])
    fitted = np.linalg.lstsq(design, axis[seen] + chance.normal(0.0, 5.0, (seen.size, 2)), rcond=None)[0]
    whole = 2.0 * np.pi * np.arange(1, 367) / 365.25
    year = np.column_stack([f(k * whole) for k in (1, 2) for f in (np.cos, np.sin)]) @ fitted[1:]
    change = np.zeros((seen.size, 6))
    shown = tilt[seen] + chance.normal(0.0, 4.0, seen.size)
    change[:, :2] = np.outer(shown - shown[0], [np.cos(bearing), np.sin(bearing)])
    mean_tilt = np.linalg.lstsq(design, tilt[seen], rcond=None)[0][1:] @ np.array(
        [f(k * whole) for k in (1, 2) for f in (np.cos, np.sin)]
    )
    swing = float(np.ptp(mean_tilt))
    return history(
        axis_now=axis[seen[-1]] + chance.normal(0.0, 4.0, 2),
        axis_sd=(4.0, 4.0),
        time_us=time_us[seen],
        change=change,
        sd=np.full(change.shape, 4.0),
        seasonal=Seasonal(
            peak_to_trough=swing,
            peak_to_trough_sd=5.0,
            toward_bearing_deg=float(np.degrees(bearing)) % 360.0,
            peak_day_of_year=int(np.argmax(mean_tilt)) + 1,
        ),
        winters=tuple(
            Winter(winter=str(k), swing=swing * s, swing_sd=5.0, left_behind=0.0, left_behind_sd=5.0)
            for k, s in enumerate((0.75, 1.0, 1.25))
        ),
        seasonal_axis_offset=year,
    )


@pytest.mark.parametrize("latitude_deg", [47.0, -38.0])
@pytest.mark.parametrize("end", ["top", "bottom"])
def test_aiming_for_the_year_lowers_the_largest_error_by_three_tenths(latitude_deg, end):
    """Against setting the axis dead on by the same measurement."""
    chance = np.random.default_rng([5, int(abs(latitude_deg)), len(end)])
    phi, every, gains = np.radians(latitude_deg), np.ones(366, dtype=bool), []
    for _ in range(HEAVES):
        truth, past = _heaving(chance, latitude_deg, end)
        now_us = int(past.time_us[-1])
        path = coming(past, season_of(past, phi), phi, now_us, now_us)
        left = {
            aim: error_of_year(
                forecast(truth + best_change(path, phi, every, aim, POLE)), POLE, phi, every, "year", POLE
            )[0]
            for aim in ("year", "tonight")
        }
        gains.append(1.0 - left["year"] / left["tonight"])
    assert np.median(gains) >= 0.30
    assert np.mean(np.array(gains) > 0.0) >= 0.85  # it seldom makes it worse


def test_the_limit_is_watched_about_the_pole_that_is_aimed_at():
    from drift.types import Analysis
    from drift.watch.limits import limits_of

    past = history(axis_now=(0.0, 55.0))
    values = {}
    for pole in ("true", "refracted"):
        there = site(mount={"pole": pole})
        analysis = Analysis(there, nights(), past, advise(there, nights(), past), ())
        values[pole] = next(limit for limit in limits_of(analysis) if limit.name == "axis").values[-1]
    assert values["true"] == pytest.approx(55.0)
    assert values["refracted"] < 3.0  # the refracted pole stands some 55" higher


def test_azimuth_and_altitude_count_alike_in_the_circle_of_the_year():
    """On the equator, 30" west and east and once 10" up: the circle of 30" about the pole holds them all."""
    axis = np.array([[-30.0, 0.0], [30.0, 0.0], [0.0, 10.0]])
    path = AxisForecast(time_us=np.arange(3) * 86_400_000_000, axis=axis, sd=np.ones((3, 2)))
    change = best_change(path, 0.0, np.ones(3, dtype=bool), "year", np.zeros(2))
    assert change == pytest.approx([0.0, 0.0], abs=1e-6)
