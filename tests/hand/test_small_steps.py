"""Small steps that whole histories rest on, each by a sum done with a pencil."""

import numpy as np
import pandas as pd
import pytest
from night_world import FIRST_US, plain_series

from drift.codes import CorrectionKind
from drift.forecast.coming import coming_times, forecast
from drift.ground.frost_front import DAY_S, SoilColumns, cell_edges, step
from drift.history.causes import WARM_PIER, rate_now, slow_shapes, warm
from drift.history.changes import Plate, RecordedCorrection, read_corrections
from drift.history.model import Scales
from drift.history.separate import centred, make_model
from drift.mount.instrument import hour_angle_and_dec
from drift.night.clock_hours import turned_enu
from drift.night.observations import index_nights
from drift.night.prepared import NightSplit
from drift.night.sightings import POINTING, RUN, SIDEREAL_RAD_PER_US, pointing_shares
from drift.quantities import DAY_US, YEAR_DAYS

YEAR_US = round(YEAR_DAYS * DAY_US)


def test_the_rate_now_is_the_slope_of_the_settlement_at_its_end():
    """By a difference of an hour, over five years: a line's slope is 1, what fades has hardly any left."""
    end, hour = 5 * YEAR_US, 3_600_000_000
    shapes = slow_shapes(np.array([0, end - hour, end + hour]))
    slope = (shapes[2] - shapes[1]) / (2.0 * hour / YEAR_US)
    rates = rate_now(np.array([0, end]))
    width = shapes.shape[1]
    assert rates.shape == (2, 2 * width)
    assert rates[0, :width] == pytest.approx(slope, rel=1e-6)
    assert rates[1, width:] == pytest.approx(slope, rel=1e-6)
    assert not rates[0, width:].any() and not rates[1, :width].any()
    assert rates[0, 0] == 1.0 and 0.0 < rates[0, 1] < rates[0, 2]


def test_warmth_counts_from_the_first_night():
    """10, 12, 15 and 9 degrees are 0, 2, 5 and -1 above it, north and east alike."""
    causes = {cause.name: cause for cause in warm(plain_series(4), np.array([10.0, 12.0, 15.0, 9.0]))}
    pier = causes[WARM_PIER].state
    assert pier[:, 0, 0].tolist() == pier[:, 1, 1].tolist() == [0.0, 2.0, 5.0, -1.0]
    assert not pier[:, 1, 0].any() and not pier[:, 2:].any()


@pytest.mark.parametrize("latitude_deg", [46.0, -35.0])
def test_an_hour_by_the_clock_turns_the_sky_by_fifteen_degrees(latitude_deg):
    """At 60 degrees of altitude air lifts by half an arcminute: more than that the way can't differ."""
    phi = np.radians(latitude_deg)
    high = np.array([[0.0, 0.5, np.sqrt(0.75)], [0.5, 0.0, np.sqrt(0.75)]])
    before = hour_angle_and_dec(high, phi)
    after = hour_angle_and_dec(turned_enu(high, phi, np.radians(15.0)), phi)
    assert np.degrees(before[0] - after[0]) == pytest.approx(15.0, abs=1.0 / 60.0)
    assert np.degrees(after[1] - before[1]) == pytest.approx(0.0, abs=1.0 / 60.0)
    assert np.allclose(turned_enu(high, phi, 0.0), high, atol=1e-7)


def test_a_night_with_two_corrections_is_three_nights():
    """From noon to noon at Greenwich; a correction's own time is after it."""
    evening, midnight = 18 * 3_600_000_000, 24 * 3_600_000_000
    nothing = np.zeros(0, dtype=np.int64)
    split = NightSplit(0.0, np.array([evening + 1, midnight]), nothing, nothing)
    times = np.array([evening, evening + 1, midnight - 1, midnight, midnight + 1])
    index = index_nights(split, [times])
    assert index.example_us.size == 3
    assert index_nights(split, [times + DAY_US]).example_us.size == 1


@pytest.mark.parametrize(("kind", "column"), [("shim", "thickness_mm"), ("nuts", "turns")])
def test_shims_and_turned_nuts_are_the_tilt_that_they_make(kind, column):
    """The east bolt of four raised by 1 mm over 200 mm: the top goes west by 1/200, 1031.3 arcsec."""
    rows = pd.DataFrame({"time_us": [0, 0], "kind": kind, "note": "", "bearing_deg": [90.0, 270.0]})
    rows = rows.assign(amount_arcmin=np.nan, turns=np.nan, thickness_mm=np.nan, knob_way="")
    plate = Plate(bolt_bearings_deg=(0.0, 90.0, 180.0, 270.0), bolt_circle_mm=200.0, pitch_mm=2.0)
    raised = {"shim": [1.0, 0.0], "nuts": [0.5, 0.0]}[kind]
    (made,) = read_corrections(rows.assign(**{column: raised}), plate)
    assert made.kind == kind
    assert made.asked == pytest.approx((0.0, -1031.3), abs=0.1)


def test_a_forecast_begins_where_the_last_night_left_the_axis():
    """A knob turned by 30' before the third of four nights, which read 0, 0, 1800 and 1800 arcsec."""
    series = plain_series(4, days=5)
    series.value[2:, 0] = 1800.0
    turn = RecordedCorrection(int(series.time_us[1]) + DAY_US, CorrectionKind.AZIMUTH, (1800.0,), "")
    own, centre = centred(series)
    times = coming_times(int(series.time_us[-1]) + 1)
    ahead = forecast(make_model(own, np.radians(46.0), [turn]), Scales(), centre, times)
    assert ahead.axis[0] == pytest.approx([1800.0, 0.0], abs=3.0)  # nights are good to 1 arcsec
    further = centre + np.array([[0.0] * 3] * 3 + [[100.0, 50.0, 0.0]])  # taken out of the last reading
    more = forecast(make_model(own, np.radians(46.0), [turn]), Scales(), further, times)
    assert more.axis - ahead.axis == pytest.approx(np.broadcast_to([100.0, 50.0], ahead.axis.shape))


def test_a_day_that_is_too_long_to_solve_is_taken_in_two_halves():
    """Twenty columns under a surface that lets no heat through, cells at random around 0 deg C.

    They conduct well and hold hardly any water, so that a whole day does not balance.  Heat is neither won
    nor lost, to 10 J/m2 a cell, and no cell gets colder or warmer than the coldest and the warmest were.
    """
    edges = cell_edges()
    ones = np.ones((20, edges.size - 1))
    columns = SoilColumns(np.diff(edges), 8.0 * ones, 8.0 * ones, 4e5 * ones, 4e5 * ones, 1e6 * ones)
    before = np.random.default_rng(0).normal(0.0, 5.0, ones.shape)
    heat, above = columns.heat(before), (np.zeros(20), np.full(20, 1e12))
    after = step(columns, heat, *above)
    in_halves = step(columns, step(columns, heat, *above, DAY_S / 2.0), *above, DAY_S / 2.0)
    assert np.array_equal(after, in_halves)
    assert (columns.thick * (after - heat)).sum(axis=1) == pytest.approx(0.0, abs=10.0 * (edges.size - 1))
    now = columns.temperature(after)
    assert before.min() < now.min() < now.max() < before.max()


def test_solves_of_one_field_count_as_one():
    """Three while the mount tracks are a third each; a field beside it, one hours later and a run's are not.

    Where the mount stands the sky goes on by a degree in four minutes: the third is of another field.
    """
    at = FIRST_US + np.array([0, 2, 4, 6, 300, 0, 1]) * 60_000_000
    source, session = np.array([POINTING] * 5 + [RUN] * 2), np.array([0] * 5 + [1] * 2)
    dec = np.radians([20.0, 20.0, 20.0, 25.0, 20.0, 20.0, 20.0])
    tracked = pointing_shares(source, session, at, SIDEREAL_RAD_PER_US * (at - FIRST_US), dec)
    assert tracked == pytest.approx([1.0 / 3.0] * 3 + [1.0] * 4)
    stood = pointing_shares(source, session, at, np.zeros(7), dec)
    assert stood == pytest.approx([0.5, 0.5] + [1.0] * 5)
