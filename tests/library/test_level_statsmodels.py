"""A walking level and least squares, against statsmodels: likelihood, smoother, auxiliary residuals, shapes.

The exactly diffuse start there is a constant with an sd of 1e5 arcsec here: the
two differ by the order of a reading's variance over 1e10.
"""

import numpy as np
import pytest
import statsmodels.api as sm
from exact_mount import Case, make
from plain_series import level_readings, model_of, night_readings, still
from statsmodels.tsa.statespace.structural import UnobservedComponents

from drift.history.causes import LEVEL_SD, axis_start, harmonics, level_starts
from drift.history.changes import STEP_SD
from drift.history.components import WILD_SD, gains, shape_of, spread, time_shares, view
from drift.history.model import Scales, Solver
from drift.history.separate import centred, make_model
from drift.history.series import NOT_OBSERVED, make_series
from drift.night.estimate import estimate_nights
from drift.night.prepared import split_nights
from drift.quantities import YEAR_DAYS

VOLUME = sm.datasets.nile.load_pandas().data["volume"].to_numpy()
N = VOLUME.size
NOISE_VARIANCE, WALK_VARIANCE = 15099.0, 1469.1
#: Order of what a start of 1e5 instead of a diffuse one changes: 15099 / 1e10, times the numbers' own size.
WIDE_START = 1e-5
#: Two exact ways of one well-conditioned problem.
ROUNDING = 1e-9


@pytest.fixture(scope="module")
def theirs():
    return UnobservedComponents(VOLUME, "local level", use_exact_diffuse=True).smooth(
        [NOISE_VARIANCE, WALK_VARIANCE]
    )


def as_levels():
    series, centre = centred(level_readings(VOLUME, VOLUME, np.sqrt(NOISE_VARIANCE)))
    fit = Solver(model_of(series, level_starts(series))).at(still(tilt_walk=np.sqrt(WALK_VARIANCE)))
    return fit, centre


def as_nights():
    series, _ = centred(night_readings(VOLUME, VOLUME, np.sqrt(NOISE_VARIANCE)))
    creep = np.sqrt(WALK_VARIANCE)
    return Solver(model_of(series, axis_start(series))).at(still(az_creep=creep, alt_creep=creep))


def test_the_diffuse_log_likelihood(theirs):
    fit, _ = as_levels()
    both = fit.log_marginal + 0.5 * N * np.log(NOT_OBSERVED) + 2.0 * np.log(LEVEL_SD)
    assert 0.5 * both - 0.5 * N * np.log(2.0 * np.pi) == pytest.approx(theirs.llf, abs=WIDE_START)


def test_the_smoothed_level_and_its_variance(theirs):
    fit, centre = as_levels()
    weights = np.zeros((N, N, 5))
    weights[np.arange(N), np.arange(N), 0] = 1.0  # the tilt north on each day, on top of where it started
    mean, cov = view(fit).sums(weights, fit.columns.seen[:, 0])
    assert mean + centre[:, 0] == pytest.approx(theirs.smoothed_state[0], rel=WIDE_START)
    assert np.diagonal(cov) == pytest.approx(theirs.smoothed_state_cov[0, 0], rel=WIDE_START)


def bayes_factor(score, information, prior_sd):
    """Log Bayes factor of a shift N(0, prior_sd^2), from its score and information (one coordinate)."""
    known = 1.0 + prior_sd**2 * information
    return 0.5 * (prior_sd * score) ** 2 / known - 0.5 * np.log(known)


@pytest.mark.parametrize("part", ["mount_az", "mount_alt"])
def test_the_scan_for_steps_is_that_of_their_smoothed_disturbances(theirs, part):
    fit = as_nights()
    scanned = gains(fit, spread(fit)).step[part][1:]
    score = theirs.smoothed_state_disturbance[0, :-1] / WALK_VARIANCE
    left = theirs.smoothed_state_disturbance_cov[0, 0, :-1]
    information = (WALK_VARIANCE - left) / WALK_VARIANCE**2
    assert scanned == pytest.approx(bayes_factor(score, information, STEP_SD[part]), abs=WIDE_START)


def test_the_scan_for_wild_readings_is_that_of_their_smoothed_noise(theirs):
    fit = as_nights()
    score = theirs.smoothed_measurement_disturbance[0] / NOISE_VARIANCE
    left = theirs.smoothed_measurement_disturbance_cov[0, 0]
    information = (NOISE_VARIANCE - left) / NOISE_VARIANCE**2
    one = bayes_factor(score, information, WILD_SD)
    assert gains(fit, spread(fit)).wild == pytest.approx(2.0 * one, abs=WIDE_START)  # azimuth and altitude


def test_the_annual_shape_and_the_rate_are_weighted_least_squares_of_the_tilt():
    made = make(Case(5, nights=40, moves=lambda d: (30 * np.cos(d / 58.0), 10 * np.sin(d / 58.0), 0, 0)))
    split = split_nights(0.0, made.readings["corrections"])
    phi = np.radians(46.0)
    nights = estimate_nights(phi, split, made.readings, made.directions, "kept")
    series, _ = make_series(nights, made.readings["levels"], split.constants_us)
    series, _ = centred(series)
    seen = view(Solver(make_model(series, phi, [])).at(Scales()))
    shape = shape_of(seen)
    tilt = seen.components()[0][:, :2]
    ours = np.column_stack([shape.rate, shape.annual])
    columns = np.column_stack([np.ones(series.size), series.days / YEAR_DAYS, harmonics(series.time_us)])
    for axis in (0, 1):
        fit = sm.WLS(tilt[:, axis], columns, weights=time_shares(series.time_us)).fit()
        assert ours[axis] == pytest.approx(fit.params[1:], rel=ROUNDING)
