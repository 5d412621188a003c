"""How far the axis moved over a gap, with the uncertainty of the nights on both sides."""

from dataclasses import replace

import numpy as np
import pytest
from plain_series import model_of, night_readings, still

from drift.history.components import moves_over_gaps, view
from drift.history.model import Solver
from drift.quantities import DAY_US

#: A mount that walks so quickly that each night stands for itself [arcsec per square root of a day].
FREE = 1e3


def moves(days, az, sds):
    series = night_readings(np.array(az, dtype=float), np.zeros(len(days)), 1.0)
    variance = series.variance.copy()
    variance[:, 0, 0] = variance[:, 1, 1] = np.square(sds)
    series = replace(series, time_us=np.array(days, dtype=np.int64) * DAY_US, variance=variance)
    return moves_over_gaps(view(Solver(model_of(series)).at(still(az_creep=FREE, alt_creep=FREE))))


def test_the_uncertainty_is_that_of_both_nights():
    (move,) = moves([0, 1, 2, 42, 43], [0.0, 10.0, 20.0, 80.0, 80.0], [1.0, 1.0, 30.0, 2.0, 2.0])
    assert (move.from_us, move.to_us, move.second_us) == (2 * DAY_US, 42 * DAY_US, 43 * DAY_US)
    assert move.moved == pytest.approx([60.0, 0.0], abs=0.1)
    assert np.sqrt(np.diagonal(move.cov)) == pytest.approx(np.hypot(30.0, 2.0), rel=0.01)


def test_short_stretches_are_none_and_the_second_night_may_still_be_to_come():
    assert moves([0, 20, 40], [0.0, 0.0, 60.0], [1.0, 1.0, 1.0]) == ()
    (move,) = moves([0, 1, 30], [0.0, 0.0, 60.0], [1.0, 1.0, 1.0])
    assert move.second_us is None
