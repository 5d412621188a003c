"""A year of a reading every ten minutes beside nights whose zeros are lost: the truth within what is said."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from moving_references import COLUMNS, FIRST_DAY, World, held, make

from drift.codes import Part
from drift.history.sensor import fold_sensors
from drift.history.separate import separate
from drift.quantities import DAY_US

#: Share of readings that 95 % intervals must hold in the mean of some histories.
HELD = 0.92
#: A sensor that wanders by 3 arcsec a root year is off by 2 in the mean of one [arcsec]; twice that is wrong.
TILT_RMS = 4.0


def rms(error):
    return np.sqrt(np.mean(error**2, axis=0))


def sensor_log(world, made, wander=3.0, warmth=0.4, swing=6.0):
    """Return the log of a sensor with a swing, a warmth and a wander of its own."""
    rng = np.random.default_rng(1000 + world.seed)
    day = np.arange(0.0, world.years * 365.25, 1.0 / 144.0)
    times = ((FIRST_DAY + day) * DAY_US).astype(np.int64)
    truth = made.truth(times)
    temp = np.interp(FIRST_DAY + day, made.day + 0.5, made.temp_c)
    strength = rng.uniform(0.4, 1.4, int(day[-1]) + 1)[day.astype(int)]
    sun = 0.5 * swing * strength * np.cos(2.0 * np.pi * (day - 14.0 / 24.0))
    columns = {}
    for i, name in enumerate(("north", "east")):
        astray = np.cumsum(rng.normal(0.0, wander * np.sqrt(1.0 / 144.0 / 365.25), day.size))
        shown = truth[:, i] + astray + (warmth, -0.5 * warmth)[i] * temp + (0.8, 0.6)[i] * sun
        columns[f"tilt_{name}_arcsec"] = np.round(shown + rng.normal(0.0, 1.0, day.size), 1)
    rest = {"place": "pier", "face_deg": np.nan, "sigma_arcsec": np.nan}
    return pd.DataFrame({"row_id": 0, "time_us": times, **columns, **rest})


def answered(world):
    made = make(world)
    given = made.given
    table = sensor_log(world, made)
    folded = fold_sensors(table, given.nights, given.split, given.warmth, given.latitude_rad)
    history = separate(replace(given, levels=folded.levels, sensors=folded.sensors))
    assert history is not None
    truth = made.truth(history.time_us)
    error = history.change[:, COLUMNS] - (truth - truth[0])
    return history, error[1:], history.sd[1:, COLUMNS]


def frosty(size):
    return lambda d: size * np.sin(2.0 * np.pi * d / 365.25) ** 2


def test_the_truth_lies_within_what_is_said_and_rows_are_nights_and_days():
    shares, sizes = [], []
    for seed in range(4):
        world = World(seed, years=1.0, kept=False, north=frosty(40.0), east=frosty(-25.0))
        history, error, sd = answered(world)
        assert len(history.time_us) <= 366 + 81
        assert not [e for e in history.events if not e.recorded]
        shares.append(held(error, sd))
        sizes.append(rms(error)[:2])
    assert np.mean(shares) > HELD
    assert np.all(np.mean(sizes, axis=0) < TILT_RMS)


@pytest.mark.parametrize(("size", "events"), [(2.0, 0), (8.0, 1)])
def test_a_step_of_some_arcseconds_only_is_in_the_tilt_and_no_event(size, events):
    """A fine sensor shows 2" for sure; no advice changes with so little, and nobody is called for it."""
    at = 200.0 + 5.05 / 24.0
    made = make(World(7, years=1.0, kept=False, east=lambda d: size * (d >= at)))
    given = made.given
    table = sensor_log(World(7, years=1.0), made, wander=0.3, warmth=0.0, swing=0.0)
    folded = fold_sensors(table, given.nights, given.split, given.warmth, given.latitude_rad)
    history = separate(replace(given, levels=folded.levels, sensors=folded.sensors))
    assert len([event for event in history.events if not event.recorded]) == events
    late = history.time_us > (FIRST_DAY + at) * DAY_US
    risen = history.change[late, 1].mean() - history.change[~late, 1].mean()
    assert abs(risen - size) < 1.0


def test_a_bump_is_named_and_dated_to_the_reading():
    at = 200.0 + 5.05 / 24.0  # between two readings
    history, error, _ = answered(World(7, years=1.0, kept=False, east=lambda d: 30.0 * (d >= at)))
    (event,) = history.events
    assert event.what is Part.PIER
    assert event.before_us - event.after_us == 600_000_000
    assert event.after_us < round((FIRST_DAY + at) * DAY_US) <= event.before_us
    assert np.all(rms(error)[:2] < TILT_RMS)


def test_a_knob_that_slips_is_none_of_the_pier():
    history, _, _ = answered(World(8, years=1.0, kept=False, kappa=lambda d: 90.0 * (d >= 200.0)))
    (event,) = history.events
    assert event.what is Part.MOUNT_AZ
    assert event.after_us < round((FIRST_DAY + 200.0) * DAY_US) <= event.before_us


def test_a_knock_after_the_last_night_is_not_laid_to_the_pier_for_sure():
    """The pier stood still; the sensor jumped by 60 arcsec thirty days after the last night: said so."""
    world = World(5, years=0.6, kept=False)
    made = make(world)
    given = made.given
    table = sensor_log(world, made)
    last = max(night.time_us for night in given.nights.nights)
    end = int(table["time_us"].iloc[-1])
    early = replace(
        given.nights, nights=tuple(n for n in given.nights.nights if n.time_us < end - 60 * DAY_US)
    )
    knocked = table.assign(
        tilt_east_arcsec=table["tilt_east_arcsec"] + 60.0 * (table["time_us"] > end - 30 * DAY_US)
    )
    folded = fold_sensors(knocked, early, given.split, given.warmth, given.latitude_rad)
    history = separate(replace(given, nights=early, levels=folded.levels, sensors=folded.sensors))
    assert history is not None
    assert last > end - 60 * DAY_US  # those nights would have told
    (event,) = [event for event in history.events if not event.recorded]
    assert (event.what, event.only_sensor, event.provisional) == (Part.PIER, True, True)
    assert event.probability[Part.PIER] < 0.6
    shown, sd = history.change[-1, COLUMNS[1]], history.sd[-1, COLUMNS[1]]
    assert abs(shown) < 2.5 * sd  # the truth is nothing
    whole = fold_sensors(knocked, given.nights, given.split, given.warmth, given.latitude_rad)
    (step,) = whole.sensors[0].steps
    assert step.of_sensor
