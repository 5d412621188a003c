"""A settlement that slows down keeps slowing down in the forecast; its prior is changed exactly."""

from dataclasses import replace

import numpy as np
import pytest
from plain_series import level_readings, model_of, still

from drift.history import model, settling
from drift.history.causes.settlement import settlement_cov
from drift.history.model import Solver
from drift.history.settling import looking_ahead, settling_of, slowing_cov
from drift.quantities import YEAR_DAYS

#: Two exact ways of one linear problem of a few hundred numbers differ by rounding only.
ROUNDING = 1e-6
#: Sd of a level [arcsec].
NOISE = 2.0


def settled(size, tau_years, years=3.0, seed=4):
    """Return levels of a pier that settles toward the north along one exponential."""
    t = np.arange(round(years * YEAR_DAYS)) / YEAR_DAYS
    rng = np.random.default_rng(seed)
    north = size * (1.0 - np.exp(-t / tau_years)) + rng.normal(0.0, NOISE, t.size)
    return level_readings(north - north[0], rng.normal(0.0, NOISE, t.size), NOISE)


@pytest.fixture(scope="module")
def fit():
    return Solver(model_of(settled(100.0, 3.0))).at(still(lean_walk=0.05, slow=10.0))


def test_a_change_of_prior_gives_what_solving_anew_gives(fit, monkeypatch):
    size = 40.0
    monkeypatch.setattr(settling, "_SIZES", np.array([size]))
    changed = looking_ahead(fit)
    monkeypatch.setattr(model, "settlement_cov", lambda _: slowing_cov(size))
    anew = Solver(fit.model).at(fit.scales)
    assert changed.amplitude == pytest.approx(anew.amplitude, abs=ROUNDING)
    assert changed.amplitude_cov == pytest.approx(anew.amplitude_cov, abs=ROUNDING)
    assert changed.walk == pytest.approx(anew.walk, abs=ROUNDING)
    assert changed.log_marginal == pytest.approx(anew.log_marginal, abs=ROUNDING)


def test_the_size_of_the_curves_is_the_most_probable_one(fit, monkeypatch):
    def log_posterior(size):
        monkeypatch.setattr(model, "settlement_cov", lambda _: slowing_cov(size))
        median, sd = settling.PRIORS["slow"]
        return Solver(fit.model).at(fit.scales).log_marginal - 0.5 * (np.log(size / median) / sd) ** 2

    best = max(settling._SIZES[::4], key=log_posterior)
    monkeypatch.setattr(settling, "_SIZES", settling._SIZES[::4])
    monkeypatch.setattr(model, "settlement_cov", lambda _: slowing_cov(best))
    anew = Solver(fit.model).at(fit.scales)
    assert looking_ahead(fit).amplitude == pytest.approx(anew.amplitude, abs=ROUNDING)


@pytest.mark.parametrize("tau_years", [1.0, 2.5, 4.0])
def test_the_coming_year_of_a_slowing_settlement_is_within_its_doubt(tau_years):
    fit = Solver(model_of(settled(100.0, tau_years))).at(still(lean_walk=0.05, slow=10.0))
    found = settling_of(looking_ahead(fit))
    true = 100.0 * (np.exp(-3.0 / tau_years) - np.exp(-4.0 / tau_years))
    assert abs(found.year[0] - true) < 2.5 * found.year_sd[0]
    straight = settling_of(fit)
    assert abs(found.year[0] - true) < 0.7 * abs(straight.year[0] - true)


def test_a_prior_as_it_was_changes_nothing(fit, monkeypatch):
    monkeypatch.setattr(settling, "_SIZES", np.array([10.0]))
    monkeypatch.setattr(settling, "slowing_cov", settlement_cov)
    assert looking_ahead(fit).amplitude == pytest.approx(fit.amplitude, abs=ROUNDING)


def test_without_settlement_nothing_is_said(fit):
    bare = replace(fit, columns=replace(fit.columns, at={}))
    assert looking_ahead(bare) is bare
    assert settling_of(bare) is None
