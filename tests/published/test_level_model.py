"""The river Nile at Aswan, 1871 to 1970, through the history's own chain: a level that walks.

Each year stands for a day, the volume is the tilt that a level on the pier
reads, north and east alike, so that every log-likelihood counts twice.

A constant with a wide normal prior (`causes.starts`) stands for the diffuse
start of the textbooks.  A prior of variance V adds -log(V)/2 to the
log-likelihood, which is given back here; what is left of it is of the order of
the first reading's variance over V, 2e-6.
"""

from dataclasses import replace

import numpy as np
import pytest
from plain_series import level_readings, model_of, night_readings, still
from scipy.optimize import minimize, minimize_scalar
from scipy.stats import norm
from statsmodels.datasets import nile

from drift.history.causes import LEVEL_SD, axis_start, level_starts
from drift.history.components import gains, spread
from drift.history.model import Solver
from drift.history.scales import slope
from drift.history.separate import centred
from drift.history.series import NOT_OBSERVED

VOLUME = nile.load_pandas().data["volume"].to_numpy()  # [1e8 m^3 a year], public domain
FIRST_YEAR, YEARS = 1871, VOLUME.size
# Durbin and Koopman, Time Series Analysis by State Space Methods (2nd ed. 2012), section 2.2.5.
NOISE_VARIANCE, WALK_VARIANCE = 15099.0, 1469.1
LOG_2PI = np.log(2.0 * np.pi)
#: One unit in the fifth digit, the last that is printed.
FIFTH_DIGIT = 1e-4
#: The printed variances are rounded; so near the top that costs 1e-8.
FLAT_TOP = 1e-6
#: Half a unit of the last decimal printed, and as much for what rounding the variances costs.
FOURTH_DECIMAL = 2e-4
#: One unit of the last decimal printed: -495.6851 is printed as -495.68, cut rather than rounded.
SECOND_DECIMAL = 0.01


def nile_levels():
    return level_readings(VOLUME, VOLUME, np.sqrt(NOISE_VARIANCE))


def nile_model():
    series, _ = centred(nile_levels())
    return model_of(series, level_starts(series))


def log_likelihood(fit, start_sd=LEVEL_SD):
    """Log-likelihood of one of the two coordinates, all constants in, the start's prior given back."""
    third_coordinate = 0.5 * YEARS * np.log(NOT_OBSERVED)
    return 0.5 * (fit.log_marginal + third_coordinate) + np.log(start_sd) - 0.5 * YEARS * LOG_2PI


def published_scales():
    return still(tilt_walk=np.sqrt(WALK_VARIANCE))


def test_the_log_likelihood_at_the_published_variances():
    """-632.5376 (printed in the tests of StateSpaceModels.jl), which is not the diffuse one: there the level
    starts from N(0, 1e6) and the first year's own density is left out, so that is done here too."""
    series, sd = nile_levels(), 1e3
    start = replace(level_starts(series), cov=np.eye(2) * sd**2)
    found = log_likelihood(Solver(model_of(series, start)).at(published_scales()), sd) - np.log(sd)
    found -= norm.logpdf(VOLUME[0], 0.0, np.hypot(sd, np.sqrt(NOISE_VARIANCE)))
    assert found == pytest.approx(-632.5376, abs=FOURTH_DECIMAL)


@pytest.mark.parametrize(
    ("ratio", "printed"),
    [(1.0, -495.68), (0.0360, -492.53), (0.0745, -492.10), (0.0974, -492.07), (0.0973, -492.07)],
)
def test_the_diffuse_log_likelihoods_of_the_textbook(ratio, printed):
    """Durbin and Koopman 2012, Table 2.1 (from memory): diffuse, the ratio of walk to noise variance given.

    The noise is at its best; the constants -n/2 log(2 pi) and -(n - 1)/2 are left out there.
    """
    solver = Solver(nile_model())

    def minus(log_factor):
        factor = np.exp(log_factor)
        scales = still(tilt_walk=factor * np.sqrt(ratio * NOISE_VARIANCE), level_factor=factor)
        return -log_likelihood(solver.at(scales))

    best = -minimize_scalar(minus, bounds=(-2.0, 2.0), method="bounded").fun
    found = best + 0.5 * YEARS * LOG_2PI + 0.5 * (YEARS - 1)
    assert found == pytest.approx(printed, abs=SECOND_DECIMAL)


def test_the_maximum_lies_at_the_published_variances():
    solver, names = Solver(nile_model()), ["tilt_walk", "level_factor"]

    def minus(logs):
        fit = solver.at(still(tilt_walk=np.exp(logs[0]), level_factor=np.exp(logs[1])))
        return -fit.log_marginal, -slope(fit, names)

    top = minimize(minus, [np.log(10.0), 0.5], jac=True, method="BFGS", options={"gtol": 1e-6})
    assert top.success
    walk, factor = np.exp(top.x)
    assert walk**2 == pytest.approx(WALK_VARIANCE, rel=FIFTH_DIGIT)
    assert NOISE_VARIANCE * factor**2 == pytest.approx(NOISE_VARIANCE, rel=FIFTH_DIGIT)
    at_published = solver.at(published_scales()).log_marginal
    assert at_published == pytest.approx(-top.fun, abs=2.0 * FLAT_TOP)


@pytest.mark.parametrize("part", ["pier", "mount_az", "mount_alt"])
def test_the_likeliest_step_is_that_of_1898(part):
    """Cobb, Biometrika 65:243-251 (1978): the flow drops after 1898.  Seen as tilt and as axis error."""
    if part == "pier":
        model, scales = nile_model(), published_scales()
    else:
        series, _ = centred(night_readings(VOLUME, VOLUME, np.sqrt(NOISE_VARIANCE)))
        model = model_of(series, axis_start(series))
        scales = still(az_creep=np.sqrt(WALK_VARIANCE), alt_creep=np.sqrt(WALK_VARIANCE))
    fit = Solver(model).at(scales)
    gained = gains(fit, spread(fit)).step[part]
    assert FIRST_YEAR + int(np.argmax(gained)) == 1899  # the first reading after the step
    others = np.delete(gained, np.argmax(gained))
    assert gained.max() > others.max() + 0.5


def test_the_wildest_years_are_1913_and_1877():
    """Atkinson, Koopman and Shephard, J. Econometrics 80:387-422 (1997), from memory."""
    fit = Solver(nile_model()).at(published_scales())
    wildest = np.argsort(gains(fit, spread(fit)).wild)[::-1]
    assert [FIRST_YEAR + int(year) for year in wildest[:2]] == [1913, 1877]
