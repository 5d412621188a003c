"""Frost and steps are weighed against each other with all that each side asks for."""

from dataclasses import replace

import numpy as np
import pytest
from plain_series import level_readings, model_of, night_readings

from drift.codes import ForcingKind, Part
from drift.ground.heave import FrostForcing
from drift.history.forcing import ForcingChoice, chosen_with_steps, odds_of
from drift.history.model import Solver
from drift.history.scales import fit_scales
from drift.history.steps import StepsFound, find_events
from drift.quantities import DAY_US

#: Rounding of one linear problem solved twice.
ROUNDING = 1e-6
DAYS = 200


def forcing(kind):
    days = np.arange(DAYS, dtype=np.int64)
    value = np.clip(np.sin(days / 40.0), 0.0, None)
    return FrostForcing(kind, 0.0, days * DAY_US, value, np.gradient(value), np.zeros(DAYS))


def driven(log_probability):
    compared = tuple(forcing(kind) for kind in log_probability if kind != ForcingKind.CALENDAR)
    return ForcingChoice(None, odds_of(log_probability), compared, log_probability)


@pytest.fixture(scope="module")
def model():
    rng = np.random.default_rng(5)
    return model_of(level_readings(rng.normal(0.0, 2.0, DAYS), rng.normal(0.0, 2.0, DAYS), 2.0))


def searched(model, aside=()):
    ignored = model.ignored.copy()
    ignored[list(aside)] = True
    return StepsFound(fit_scales(Solver(replace(model, ignored=ignored))), (), DAYS)


def test_without_steps_the_odds_stay_as_they_were(model):
    before = driven(
        {
            ForcingKind.CALENDAR: -1.0,
            ForcingKind.FROZEN: -1.0,
            ForcingKind.COLD_LEFT: -2.0,
            ForcingKind.TEMPERATURE: -3.0,
        }
    )
    same = searched(model)
    after = chosen_with_steps(before, same, same)
    assert after.odds == pytest.approx(before.odds, abs=ROUNDING)


def test_a_side_pays_for_the_good_readings_that_it_puts_aside(model):
    """Three readings called wild cost their chance of 1 in 100 each, and their width."""
    before = driven({ForcingKind.CALENDAR: 0.0, ForcingKind.FROZEN: 0.0})
    after = chosen_with_steps(before, searched(model, (50, 90, 130)), searched(model))
    assert after.odds[ForcingKind.FROZEN] < 1e-6
    assert after.forcing is None
    other_way = chosen_with_steps(before, searched(model), searched(model, (50, 90, 130)))
    assert other_way.odds[ForcingKind.CALENDAR] < 1e-6
    assert other_way.forcing is not None


def test_what_neither_side_uses_is_out_of_it(model):
    before = driven({ForcingKind.CALENDAR: 0.0, ForcingKind.FROZEN: 0.0})
    aside = searched(model, (50, 90))
    assert chosen_with_steps(before, aside, aside).odds[ForcingKind.FROZEN] == pytest.approx(
        0.5, abs=ROUNDING
    )


def test_temperature_gains_only_what_it_explains_itself():
    """A bump that the calendar needs a step for is no gain of temperature, which has the same step."""
    rng = np.random.default_rng(6)
    north = rng.normal(0.0, 2.0, DAYS) + 60.0 * (np.arange(DAYS) >= 120)
    model = model_of(level_readings(north, rng.normal(0.0, 2.0, DAYS), 2.0))
    calendar = find_events(model)
    assert [step.likeliest for step in calendar.steps] == ["pier"]
    before = driven({ForcingKind.CALENDAR: -12.0, ForcingKind.TEMPERATURE: -2.0, ForcingKind.FROZEN: 0.0})
    after = chosen_with_steps(
        before, find_events(replace(model, frost=forcing(ForcingKind.FROZEN))), calendar
    )
    # the forcing has nothing to do with this tilt: beside the step it is no likelier than the calendar
    assert after.odds[ForcingKind.TEMPERATURE] < 2.0 * after.odds[ForcingKind.CALENDAR]


def test_where_no_frost_was_compared_the_choice_stays_as_it_is():
    none = ForcingChoice(None, {ForcingKind.CALENDAR: 1.0})
    assert chosen_with_steps(none, None, None) is none


def nights_with(offset, back):
    """A quiet pier of whose 120 nights two stand off, in azimuth and altitude; it comes back by a share."""
    rng = np.random.default_rng(9)
    away = np.zeros(120)
    away[60:62] = offset
    away[62:] = (1.0 - back) * offset
    az, alt = (rng.normal(0.0, 4.0, 120) + share * away for share in (0.8, -0.6))
    return model_of(night_readings(az, alt, 4.0))


def test_what_comes_back_exactly_within_days_has_not_moved():
    found = find_events(nights_with(250.0, 1.0))
    assert found.steps == ()
    assert np.flatnonzero(found.fit.model.ignored).tolist() == [60, 61]


def test_what_comes_back_half_has():
    found = find_events(nights_with(250.0, 0.5))
    assert [(step.best, step.likeliest) for step in found.steps] == [(60, Part.MOUNT), (62, Part.MOUNT)]
    assert not found.fit.model.ignored.any()
