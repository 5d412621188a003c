"""A tilt sensor that logs all day: a sine, a slope and a step that a pencil knows come back."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from night_world import pointing_night

from drift.codes import Part
from drift.history.inputs import Warmth
from drift.history.sensor import change_point, dated, fold_sensors, unconfirmed_variance
from drift.history.sensor_day import Hours, daily_swing, fit_swing, resolution, robust_swing, solar_hours
from drift.night.prepared import NightSplit
from drift.notices import HistoryCode
from drift.quantities import DAY_US, YEAR_DAYS
from drift.types import PARTS, Event, Nights

NONE = np.zeros(0, dtype=np.int64)
SPLIT = NightSplit(0.0, NONE, NONE, NONE)
FIRST_US = 19_601 * DAY_US  # 2023-09-01, midnight at longitude 0
PHI = np.radians(45.0)
#: Rounding to a tenth of an arcsec and noise of 0.5 leave less than this in a fit of thousands of readings.
FINE = 0.1


def log(north, east, minutes=10.0, days=40, noise=0.5, seed=1, coarse=0.1):
    """Return a log of a sensor: north and east are functions of the days since the start."""
    rng = np.random.default_rng(seed)
    day = np.arange(0.0, days, minutes / 1440.0)
    columns = {}
    for name, motion in (("north", north), ("east", east)):
        value = motion(day) + rng.normal(0.0, noise, day.size)
        columns[f"tilt_{name}_arcsec"] = np.round(value / coarse) * coarse
    rest = {"place": "pier", "face_deg": np.nan, "sigma_arcsec": np.nan}
    times = FIRST_US + np.round(day * DAY_US).astype(np.int64)
    return pd.DataFrame({"row_id": np.arange(day.size), "time_us": times, **columns, **rest})


def still(day):
    return np.zeros(day.size)


def swing(day):
    """Three arcsec to each side, furthest at 14:00 apparent solar time."""
    return 3.0 * np.cos(2.0 * np.pi * (solar_hours(FIRST_US + day * DAY_US, 0.0) - 14.0) / 24.0)


def fold(table, nights=(), warmth=None):
    return fold_sensors(table, Nights(nights=tuple(nights)), SPLIT, warmth, PHI)


def codes(folded):
    return [one.code for one in folded.notices]


def test_sparse_levels_are_left_as_they_are():
    """Four a day for months are no sensor: the very table comes back."""
    table = log(still, still, minutes=360.0, days=120)
    assert fold(table).levels is table


def test_a_swing_with_the_sun_and_a_slope_are_recovered():
    folded = fold(log(lambda d: 0.8 * swing(d) + 0.5 * d, lambda d: 0.6 * swing(d)))
    (sensor,) = folded.sensors
    assert sensor.swing.peak_to_trough.value == pytest.approx(6.0, abs=FINE)
    assert sensor.swing.toward_bearing_deg == pytest.approx(np.degrees(np.arctan2(0.6, 0.8)), abs=1.0)
    assert sensor.swing.furthest_solar_hour == pytest.approx(14.0, abs=0.26)  # quarters of an hour are tried
    days = folded.levels
    assert len(days) == 41  # noon to noon: a half day at both ends
    rate = np.polyfit(days["time_us"][1:-1] / DAY_US, days["tilt_north_arcsec"][1:-1], 1)[0]
    assert rate == pytest.approx(0.5, abs=0.01)
    assert np.abs(days["tilt_east_arcsec"][1:-1]).max() < FINE
    assert folded.sensors[0].steps == ()


def test_a_step_within_a_day_is_dated_to_the_reading():
    """25 arcsec between 05:20 and 05:30 on the 20th day."""
    at = 20.0 + 5.5 / 24.0
    folded = fold(log(lambda d: swing(d) + 25.0 * (d >= at - 1e-9), still))
    (step,) = folded.sensors[0].steps
    assert step.before_us == FIRST_US + round(at * DAY_US)
    assert step.before_us - step.after_us == 600_000_000
    assert step.north == pytest.approx(25.0, abs=0.3)
    days = folded.levels.set_index("time_us")["tilt_north_arcsec"]
    assert days[days.index < step.before_us].abs().max() < 0.5  # cut there: no mean holds both
    assert (days[days.index > step.before_us] - 25.0).abs().max() < 0.5


def test_a_step_while_nothing_was_logged_lies_between_the_readings_on_both_sides():
    """31 hours without a reading about noon of the 20th day: none lies within half a day of the change."""
    table = log(lambda d: swing(d) + 25.0 * (d >= 20.5), still)
    hours = (table["time_us"] - FIRST_US) / (DAY_US / 24.0) - 20.5 * 24.0
    table = table[hours.abs() > 15.5].reset_index(drop=True)
    (step,) = fold(table).sensors[0].steps
    middle = FIRST_US + round(20.5 * DAY_US)
    assert step.after_us == table["time_us"][table["time_us"] < middle].max()
    assert step.before_us == table["time_us"][table["time_us"] > middle].min()
    assert step.north == pytest.approx(25.0, abs=0.5)


def test_a_change_of_the_mean_is_found_by_hand():
    """0 0 0 4 4: the sums of squares are least before the fourth."""
    assert change_point(np.array([[0.0], [0.0], [0.0], [4.0], [4.0]])) == 3


def test_a_ramp_is_no_step():
    """A thaw that lets a pier down by 60 arcsec within a week."""
    folded = fold(log(lambda d: 60.0 / (1.0 + np.exp(-(d - 20.0) / 1.5)), still))
    assert folded.sensors[0].steps == ()


def test_an_event_of_the_pier_gets_the_sensors_date():
    at = 20.25
    sensors = fold(log(lambda d: 25.0 * (d >= at), still)).sensors
    step = sensors[0].steps[0]
    told = dated(tip_about_day_20(25.0), sensors)
    assert (told.after_us, told.before_us) == (step.after_us, step.before_us)


def tip_about_day_20(north):
    """Return an event of the pier that is almost certain, as the history finds it from the means of days."""
    return Event(
        after_us=FIRST_US + round(19.9 * DAY_US),
        before_us=FIRST_US + round(20.4 * DAY_US),
        what=Part.PIER,
        provisional=False,
        recorded=False,
        probability={part: {Part.PIER: 0.98, Part.NOTHING: 0.02}.get(part, 0.0) for part in PARTS},
        size={"tilt_north": north, "tilt_east": 0.0},
        size_sd={"tilt_north": 1.0, "tilt_east": 1.0},
    )


def test_what_one_sensor_alone_shows_is_the_pier_or_the_sensor():
    """No night tells: as likely knocked as tipped, and half the step to each side of the tilt."""
    sensors = fold(log(lambda d: 40.0 * (d >= 20.25), still)).sensors
    told = dated(tip_about_day_20(40.0), sensors)
    assert told.only_sensor
    assert told.provisional
    assert told.is_movement  # it is told all the same
    assert told.probability[Part.PIER] == pytest.approx(0.49)
    assert told.probability[Part.NOTHING] == pytest.approx(0.51)
    times = FIRST_US + np.array([19, 21]) * DAY_US
    assert unconfirmed_variance([told], times) == pytest.approx(np.array([[0.0, 0.0], [20.0**2, 0.0]]))


def test_a_night_or_a_second_sensor_confirms_it():
    nights = [night(d, 0.0, -40.0 * (d >= 20)) for d in range(2, 39, 3)]  # north lowers a northern axis
    tipped = log(lambda d: 40.0 * (d >= 20.25), still)
    confirmed = dated(tip_about_day_20(40.0), fold(tipped, nights).sensors)
    assert (confirmed.only_sensor, confirmed.provisional) == (False, False)
    assert confirmed.probability[Part.PIER] == pytest.approx(0.98)
    one = fold(tipped).sensors[0]
    assert not dated(tip_about_day_20(40.0), [one, replace(one, number=2)]).only_sensor
    knocked = replace(one, number=2, steps=tuple(replace(step, followed=False) for step in one.steps))
    assert dated(tip_about_day_20(40.0), [one, knocked]).only_sensor  # one that was knocked bears no witness


@pytest.mark.parametrize("followed", [False, True])
def test_nights_months_away_tell_whether_the_axis_followed(followed):
    """Between them the pier heaves 60 arcsec north, which the sensor shows, and something steps 60 east."""
    at, days = 60.25, 120
    nights = [night(d, 0.0, 0.0) for d in (1, 4, 7)]
    nights += [night(d, 60.0 * followed, -60.0) for d in (112, 115, 118)]
    heaving = log(
        lambda d: 60.0 * np.clip((d - 20.0) / 80.0, 0.0, 1.0), lambda d: 60.0 * (d >= at), days=days
    )
    (step,) = fold(heaving, nights).sensors[0].steps
    assert step.followed is followed


def test_visitors_and_bumps_are_put_aside():
    """Someone leans on the pier for up to eight hours, 40 arcsec, every fourth day."""
    table = log(swing, swing)
    for k in range(300, 5500, 576):
        table.loc[k : k + 6 * (k % 9), "tilt_east_arcsec"] += 40.0
    folded = fold(table)
    assert folded.sensors[0].put_aside > 100
    assert folded.sensors[0].steps == ()
    assert np.abs(folded.levels["tilt_east_arcsec"]).max() < 0.3


def test_a_sensor_that_hangs_is_not_used_there():
    table = log(lambda d: 0.5 * d, still)
    table.loc[2000:2500, "tilt_north_arcsec"] = table.loc[2000, "tilt_north_arcsec"]
    folded = fold(table)
    assert folded.sensors[0].stuck == 501
    assert HistoryCode.SENSOR_STUCK in codes(folded)


def test_days_at_the_end_of_the_range_are_not_used():
    """The top of the swing is cut off for a third of the record."""
    table = log(lambda d: swing(d) + 0.5 * d, still)
    table["tilt_north_arcsec"] = table["tilt_north_arcsec"].clip(upper=13.0)
    folded = fold(table)
    left = folded.levels["time_us"] / DAY_US - FIRST_US / DAY_US
    assert left.max() < 23.0  # 13 arcsec is met by the swing's top from the 20th day on
    assert np.abs(folded.levels["tilt_north_arcsec"] - 0.5 * left).max() < 0.5


def test_a_coarse_sensor_says_so_in_its_uncertainty():
    """Steps of 10 arcsec that no noise blurs: the error of a day is that of rounding, and stays for weeks."""
    folded = fold(log(lambda d: 0.7 * d, still, coarse=10.0))
    assert folded.sensors[0].resolution == 10.0
    error = folded.levels["tilt_north_arcsec"] - 0.7 * (folded.levels["time_us"] - FIRST_US) / DAY_US
    assert np.all(np.abs(error) < 2.0 * folded.levels["sigma_arcsec"])
    assert folded.levels["sigma_arcsec"].min() > 10.0 / np.sqrt(12.0)
    assert folded.sensors[0].steps == ()


def test_resolution():
    assert resolution(np.array([0.0, 0.5, 1.0, 0.5, 2.0])) == pytest.approx(0.5)
    assert resolution(np.zeros(4)) == 0.0


def test_a_clock_that_gains_shows_in_the_swing():
    """Six hours over ten months."""
    table = log(swing, still, days=300)
    since = table["time_us"] - FIRST_US
    table["time_us"] = FIRST_US + (since * (1.0 + 0.25 / 300.0)).astype(np.int64)
    folded = fold(table)
    assert folded.sensors[0].clock_hours == pytest.approx(6.0, abs=0.5)
    assert HistoryCode.SENSOR_CLOCK in codes(folded)
    assert fold(log(swing, still, days=300)).sensors[0].clock_hours is None


def test_two_sensors_at_one_place_are_told_apart():
    other = log(lambda d: 200.0 + still(d), lambda d: -70.0 + swing(d), minutes=20.0, seed=2)
    other["time_us"] += 123_000_000
    both = pd.concat([log(swing, still), other]).sort_values("time_us", ignore_index=True)
    folded = fold(both)
    assert [one.readings for one in folded.sensors] == [5760, 2880]
    sizes = [one.swing.peak_to_trough.value for one in folded.sensors]
    assert sizes == pytest.approx([6.0, 6.0], abs=FINE)
    assert set(folded.levels["instrument"]) == {1, 2}


def test_levels_read_by_hand_beside_it_stay_what_they_are():
    by_hand = log(lambda d: 500.0 + still(d), still, minutes=7 * 1440.0).assign(sigma_arcsec=12.0)
    by_hand["time_us"] += 1000
    folded = fold(pd.concat([log(swing, still), by_hand]).sort_values("time_us", ignore_index=True))
    own = folded.levels[folded.levels["instrument"] == 0]
    assert own["tilt_north_arcsec"].tolist() == by_hand["tilt_north_arcsec"].tolist()


@pytest.mark.parametrize("row", [0, -1])
def test_a_first_or_last_reading_that_is_off_is_the_sensors_own(row):
    """By hand is only what stands between two of the sensor's: the first and the last may be its own."""
    table = log(swing, swing)
    table.loc[table.index[row], "tilt_north_arcsec"] += 500.0
    folded = fold(table)
    assert set(folded.levels["instrument"]) == {1}
    assert folded.sensors[0].put_aside == 1


def test_what_goes_with_the_temperature_from_day_to_day_is_told():
    """0.4 arcsec a degree north, over a winter's weather of 3 degrees."""
    rng = np.random.default_rng(5)
    number = np.arange(19_600, 19_762)
    temp = rng.normal(0.0, 3.0, number.size)
    warmth = Warmth(SPLIT, number, temp)
    middle = number + 1.0  # of a noon-to-noon night

    def warm(day):
        return 0.4 * np.interp(FIRST_US / DAY_US + day, middle, temp)

    (sensor,) = fold(log(warm, still, days=150), warmth=warmth).sensors
    assert sensor.warmth_north is not None and sensor.warmth_east is not None
    assert sensor.warmth_north.value == pytest.approx(0.4, abs=0.15)  # a day's mean blurs the weather
    assert abs(sensor.warmth_east.value) < 3.0 * sensor.warmth_east.sd + 0.01


def night(day, az, alt):
    us = FIRST_US + round((day + 22.0 / 24.0) * DAY_US)
    return pointing_night(us, np.array([az, alt, 0.0]), np.eye(3) * 4.0)


@pytest.mark.parametrize("followed", [False, True])
def test_a_sensor_that_was_knocked_itself_moves_no_pier(followed):
    """30 arcsec east at 45 degrees would turn the axis by 30 in azimuth; the nights say whether it did."""
    at = 20.25
    nights = [night(d, 30.0 * (followed and d >= 20), 5.0) for d in range(2, 39, 3)]
    folded = fold(log(still, lambda d: 30.0 * (d >= at)), nights)
    (step,) = folded.sensors[0].steps
    assert step.of_sensor is not followed
    assert (HistoryCode.SENSOR_KNOCKED in codes(folded)) is not followed
    last = folded.levels["tilt_east_arcsec"].iloc[-1]
    assert last == pytest.approx(30.0 if followed else 0.0, abs=0.5)


def by_hand(east, sd):
    """Return levels read on the pier every tenth day, with what they are known to."""
    day = np.arange(1.0, 39.0, 10.0)
    columns = {"tilt_north_arcsec": np.zeros(day.size), "tilt_east_arcsec": east(day)}
    times = FIRST_US + np.round(day * DAY_US).astype(np.int64)
    rest = {"place": "pier", "face_deg": np.nan, "sigma_arcsec": sd}
    return pd.DataFrame({"row_id": 90_000 + np.arange(day.size), "time_us": times, **columns, **rest})


@pytest.mark.parametrize(
    ("moved", "sd", "followed"), [(0.0, 5.0, False), (40.0, 5.0, True), (0.0, 20.0, None), (40.0, 20.0, None)]
)
def test_levels_read_by_hand_tell_where_no_night_does(moved, sd, followed):
    """Two of 5 a side, 20 days apart: 40 / sqrt(25 / 2 + 25 / 2 + 3^2 + 2^2) = 6.5 sds; of 20, 2.0."""
    sensor = log(still, lambda d: 40.0 * (d >= 20.25))
    levels = pd.concat([sensor, by_hand(lambda d: 7.0 + moved * (d >= 20.25), sd)], ignore_index=True)
    levels = levels.sort_values("time_us", kind="stable", ignore_index=True)
    (step,) = fold(levels).sensors[0].steps
    assert step.followed is followed
    knob = replace(
        SPLIT, correction_us=np.array([FIRST_US + 15 * DAY_US])
    )  # a turn of a knob in between moves no pier
    (step,) = fold_sensors(levels, Nights(nights=()), knob, None, PHI).sensors[0].steps
    assert step.followed is followed


@pytest.mark.parametrize("minutes", [1.0, 10.0])
def test_levels_read_by_hand_beside_a_sensor_are_taken_for_such(minutes):
    """Of an instrument with a zero of its own, 35 arcsec off, and with nothing else to know them by."""
    sensor = log(still, still, minutes=minutes, days=40)
    hand = by_hand(lambda d: 35.0 + 0.0 * d, np.nan)
    hand["time_us"] += 17_000_000  # between two of the sensor's
    both = pd.concat([sensor, hand], ignore_index=True)
    folded = fold(both.sort_values("time_us", kind="stable", ignore_index=True))
    assert folded.sensors[0].readings == len(sensor)
    left = folded.levels[folded.levels["instrument"] == 0]
    assert left["tilt_east_arcsec"].tolist() == hand["tilt_east_arcsec"].tolist()


def test_a_sensor_that_jumps_by_itself_is_none_read_by_hand():
    """Wrong readings in the place of right ones: nothing is lacking but them."""
    sensor = log(still, still, days=40)
    sensor.loc[[700, 1500, 3000], "tilt_east_arcsec"] += 35.0
    folded = fold(sensor)
    assert folded.sensors[0].readings == len(sensor)
    assert (folded.levels["instrument"] == 1).all()


def test_a_night_has_the_days_state_at_its_time():
    """1 arcsec a day: at 22:00 two hours before the middle of a noon-to-noon day."""
    folded = fold(log(lambda d: d, still), [night(10, 0.0, 0.0)])
    at = FIRST_US + round((10 + 22.0 / 24.0) * DAY_US) + 1
    row = folded.levels[folded.levels["time_us"] == at]
    assert row["tilt_north_arcsec"].item() == pytest.approx(10 + 22.0 / 24.0, abs=0.05)


# ---- The sums of the swing and of sudden changes.


def hours_of(north, east, days):
    """Return one value an hour, north and east functions of the days since the start."""
    day = (np.arange(24 * days) + 0.5) / 24.0
    time_us = FIRST_US + day * DAY_US
    number = (time_us // (DAY_US // 24)).astype(np.int64)
    return Hours(number, time_us, np.stack([north(day), east(day)], axis=1), number - number[0], np.zeros(2))


@pytest.mark.parametrize(("off_a_day", "left_out"), [(4, True), (8, False)])
def test_hours_that_stand_off_are_left_out_of_the_swing_unless_they_are_most(off_a_day, left_out):
    """Of a day 4 hours are 50 arcsec off north and 4 others east: 16 of 24 are left; with 8 each, 8."""

    def bumped(first):
        def motion(day):
            hour = (day * 24.0).astype(np.int64) % 24 - first
            return swing(day) + np.where((hour >= 0) & (hour < off_a_day), 50.0 * (-1.0) ** hour, 0.0)

        return motion

    hours = hours_of(bumped(0), bumped(12), days=20)
    of_all = fit_swing(hours.time_us, hours.tilt, 0.0, np.ones(hours.number.size))
    found = robust_swing(hours, 0.0)
    assert np.array_equal(found.amplitude, of_all.amplitude) is not left_out
    if left_out:
        assert daily_swing(found).peak_to_trough.value == pytest.approx(6.0 * np.sqrt(2.0), abs=0.02)


def test_a_swing_that_grows_in_spring_is_least_in_autumn():
    """3 arcsec to each side and a third more at the end of March: 6 on the mean, from 4 in autumn to 8."""

    def motion(day):
        season = 2.0 * np.pi * (FIRST_US / DAY_US + day) / YEAR_DAYS
        return swing(day) * (1.0 + np.sin(season) / 3.0)

    hours = hours_of(motion, still, days=365)
    found = daily_swing(fit_swing(hours.time_us, hours.tilt, 0.0, np.ones(hours.number.size)))
    assert found.peak_to_trough.value == pytest.approx(6.0, abs=0.02)
    assert (found.least, found.most) == (pytest.approx(4.0, abs=0.05), pytest.approx(8.0, abs=0.05))


@pytest.mark.parametrize(("size", "steps"), [(1.5, 0), (3.0, 1)])
def test_a_change_of_less_than_two_arcsec_is_no_step_however_clear(size, steps):
    """Of a fine sensor that is still to 0.05 arcsec, both stand out by far more than eight sds."""
    folded = fold(log(still, lambda d: size * (d >= 20.25), noise=0.05, coarse=0.01))
    assert len(folded.sensors[0].steps) == steps


def test_a_step_is_sized_by_the_days_about_it():
    """20 arcsec on the 10th day, of which nothing is left after a fall of 1 a day from the 15th on."""

    def motion(day):
        return 20.0 * (day >= 10.25) - np.clip(day - 15.0, 0.0, 20.0)

    (step,) = fold(log(motion, still)).sensors[0].steps
    assert step.north == pytest.approx(20.0, abs=0.3)


def test_a_step_before_a_lone_reading_is_sized_by_four():
    """100 arcsec, then 112 once and nothing for a day: the median of 112 and three of 100 is 100."""
    table = log(lambda d: 100.0 * (d >= 20.4), still, minutes=60.0, noise=4.0)
    hour = np.round((table["time_us"] - FIRST_US) / (DAY_US / 24.0) - 20.5 * 24.0)
    table.loc[hour == 0, "tilt_north_arcsec"] = 112.0
    table = table[(hour <= -5) | (hour == 0) | (hour >= 24)].reset_index(drop=True)
    (step,) = fold(table).sensors[0].steps
    assert step.before_us == FIRST_US + round(20.5 * DAY_US)
    assert step.north == pytest.approx(100.0, abs=8.0)


def test_two_sensors_that_log_for_half_of_each_hour_are_told_apart():
    """Each at three times of the hour: six readings an hour, of which eight would be wanted for one heap."""
    one = log(still, still)
    one = one[(one["time_us"] // 60_000_000) % 60 < 30]
    other = one.assign(
        time_us=one["time_us"] + 300_000_000, tilt_north_arcsec=one["tilt_north_arcsec"] + 200.0
    )
    both = pd.concat([one, other]).sort_values("time_us", ignore_index=True)
    assert [sensor.readings for sensor in fold(both).sensors] == [len(one), len(one)]
