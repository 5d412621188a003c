"""A settlement that slows down keeps slowing down in the forecast."""

from dataclasses import replace

import numpy as np
import pytest
from plain_series import level_readings, model_of, still

from drift.forecast.coming import settling_of
from drift.history.model import Solver
from drift.history.scales import fit_scales
from drift.quantities import YEAR_DAYS

#: Sd of a level [arcsec].
NOISE = 2.0


def settled(size, tau_years, years=3.0, seed=4):
    """Return levels of a pier that settles toward the north along one exponential."""
    t = np.arange(round(years * YEAR_DAYS)) / YEAR_DAYS
    rng = np.random.default_rng(seed)
    north = size * (1.0 - np.exp(-t / tau_years)) + rng.normal(0.0, NOISE, t.size)
    return level_readings(north - north[0], rng.normal(0.0, NOISE, t.size), NOISE)


@pytest.mark.parametrize("tau_years", [1.0, 2.5, 4.0])
def test_the_coming_year_of_a_slowing_settlement_is_within_its_doubt(tau_years):
    found = settling_of(Solver(model_of(settled(100.0, tau_years))), still(tilt_walk=0.05, slow=40.0))
    true = 100.0 * (np.exp(-3.0 / tau_years) - np.exp(-4.0 / tau_years))
    assert abs(found.year[0] - true) < 2.5 * found.year_sd[0]


@pytest.mark.parametrize("tau_years", [1.0, 2.5])
def test_a_year_of_settlement_is_not_taken_to_go_on_at_its_pace(tau_years):
    readings = model_of(settled(100.0, tau_years, years=1.0))
    found = settling_of(Solver(readings), still(tilt_walk=0.05, slow=60.0))
    moved = 100.0 * (1.0 - np.exp(-1.0 / tau_years))
    true = 100.0 * (np.exp(-1.0 / tau_years) - np.exp(-2.0 / tau_years))
    assert abs(found.year[0] - true) < 2.5 * found.year_sd[0]
    assert found.year[0] < 0.8 * moved


@pytest.mark.parametrize(("rate", "seed"), [(5.0, 0), (15.0, 1), (40.0, 2)])
def test_a_steady_settlement_is_not_lost_to_wander(rate, seed):
    """The likeliest scales may leave all of it to the walk of the tilt: the doubt must reach the truth."""
    t = np.arange(round(3.0 * YEAR_DAYS)) / YEAR_DAYS
    rng = np.random.default_rng(seed)
    north = rate * t + rng.normal(0.0, NOISE, t.size)
    readings = model_of(level_readings(north - north[0], rng.normal(0.0, NOISE, t.size), NOISE))
    found = settling_of(Solver(readings), fit_scales(Solver(readings)).fit.scales)
    assert abs(found.year[0] - rate) < 3.0 * found.year_sd[0]
    assert found.year_sd[0] < rate


def test_without_settlement_nothing_is_said():
    class Bare(Solver):
        def at(self, scales):
            fit = super().at(scales)
            return replace(fit, columns=replace(fit.columns, at={}))

    assert settling_of(Bare(model_of(settled(100.0, 2.5))), still()) is None
