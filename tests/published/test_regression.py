"""Certified linear regressions of NIST's Statistical Reference Datasets through the history's solver.

The columns are a cause with a prior of sd 1e12 and the walk stands still, so
that only the solver's arithmetic is left between its answer and the certified
one.  It forms normal equations, whose condition is the square of that of the
columns (each at unit length): of sixteen digits twice log10 of it are lost.
A prior of sd S itself moves an estimate with standard error e by (e/S)^2 of
its size: 1e-12 at most here.
"""

import numpy as np
import pytest
from plain_series import level_readings, model_of, seen_columns, still
from statsmodels.datasets import longley

from drift.history.model import Solver

PRIOR_SD = 1e12
#: Rounding of the numbers' own representation, times what the number of readings adds.
ROUNDING = 1e-13
#: Certified to fifteen digits; a condition of 100 to 1000 costs four or so.
WELL_POSED = 1e-11
#: The condition tells the order of the loss: 0.6 of it was measured in the estimates of Longley.
TIMES_LOST = 3.0


def regress(y, columns, residual_sd):
    """Estimates, their standard errors and the residual standard deviation.

    The readings' noise is taken for known; it moves the standard errors alone.
    """
    series = level_readings(y, np.zeros(len(y)), residual_sd)
    fit = Solver(model_of(series, seen_columns("regression", columns, PRIOR_SD))).at(still())
    at = fit.columns.at["regression"]
    left = y - fit.fitted()[:, 0]
    sd = np.sqrt(left @ left / (len(y) - columns.shape[1]))
    return fit.amplitude[at], np.sqrt(np.diagonal(fit.amplitude_cov[at, at])), sd


def condition(columns):
    return np.linalg.cond(columns / np.linalg.norm(columns, axis=0))


def test_norris():
    """Calibration of ozone monitors; lower level of difficulty."""
    y, x = np.array(NORRIS).T
    columns = np.column_stack([np.ones(x.size), x])
    estimate, error, sd = regress(y, columns, 0.884796396144373)
    assert estimate == pytest.approx([-0.262323073774029, 1.00211681802045], rel=WELL_POSED)
    assert error == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=WELL_POSED)
    assert sd == pytest.approx(0.884796396144373, rel=WELL_POSED)


LONGLEY = [
    -3482258.63459582,
    15.0618722713733,
    -0.0358191792925910,
    -2.02022980381683,
    -1.03322686717359,
    -0.0511041056535807,
    1829.15146461355,
]
LONGLEY_ERRORS = [  # from memory; statsmodels finds the same to twelve digits
    890420.383607373,
    84.9149257747669,
    0.0334910077722432,
    0.488399681651699,
    0.214274163161675,
    0.226073200069370,
    455.478499142212,
]
LONGLEY_SD = 304.854073561965


def longley_columns():
    data = longley.load_pandas().data
    return data["TOTEMP"].to_numpy(), data.drop(columns="TOTEMP").to_numpy()


def test_longley_as_it_stands_loses_what_normal_equations_lose():
    """Higher level of difficulty: the columns' condition is 43275, so nine or ten digits of sixteen go."""
    y, x = longley_columns()
    columns = np.column_stack([np.ones(y.size), x])
    lost = np.finfo(float).eps * condition(columns) ** 2  # 4e-7
    estimate, error, sd = regress(y, columns, LONGLEY_SD)
    assert estimate == pytest.approx(LONGLEY, rel=TIMES_LOST * lost)
    assert error == pytest.approx(LONGLEY_ERRORS, rel=TIMES_LOST * lost)
    assert sd == pytest.approx(LONGLEY_SD, rel=WELL_POSED)


def test_longley_about_its_means_keeps_eleven_digits():
    """The history's own columns are 0 at the reference and their readings centred: condition 111."""
    y, x = longley_columns()
    mean = x.mean(axis=0)
    estimate, error, sd = regress(y, np.column_stack([np.ones(y.size), x - mean]), LONGLEY_SD)
    assert estimate[1:] == pytest.approx(LONGLEY[1:], rel=WELL_POSED)
    assert estimate[0] - mean @ estimate[1:] == pytest.approx(LONGLEY[0], rel=WELL_POSED)
    assert error[1:] == pytest.approx(LONGLEY_ERRORS[1:], rel=WELL_POSED)
    assert sd == pytest.approx(LONGLEY_SD, rel=WELL_POSED)


@pytest.mark.parametrize(
    ("x", "y", "slope", "error", "sd"),
    [
        # NoInt1 and NoInt2; the standard errors and the second residual sd from memory.
        (range(60, 71), range(130, 141), 2.07438016528926, 0.0165289256198347, 3.56753034006338),
        ((4, 5, 6), (3, 4, 4), 0.727272727272727, 0.0420827318078432, 0.369274472937998),
    ],
)
def test_lines_without_intercept(x, y, slope, error, sd):
    x, y = np.array(x, dtype=float), np.array(y, dtype=float)
    found = regress(y, x[:, None], sd)
    assert found[0] == pytest.approx([slope], rel=ROUNDING)
    assert found[1] == pytest.approx([error], rel=ROUNDING)
    assert found[2] == pytest.approx(sd, rel=ROUNDING)


# fmt: off
NORRIS = [  # response, predictor
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5),
    (668.5, 666.3), (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4),
    (0.1, 0.6), (778.1, 775.5), (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6),
    (557.7, 556.0), (228.3, 228.1), (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3),
    (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2), (998.5, 999.0), (778.9, 779.0),
    (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
]
# fmt: on
