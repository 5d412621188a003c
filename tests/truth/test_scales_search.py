"""The search of the scales ends where the readings are most probable, whatever it runs into on its way."""

from dataclasses import fields

import numpy as np
import pytest
from plain_series import level_readings, model_of

from drift.history.model import Solver
from drift.history.scales import HOPELESS, fit_scales

DAYS = 200
#: A search that had to step back may end on another hilltop; one lower by this in log posterior is a factor
#: of twenty less likely, and would be a worse answer.
AS_HIGH = 3.0


@pytest.fixture(scope="module")
def model():
    """A pier that wanders by 2" a root day, read by a level of 2"."""
    rng = np.random.default_rng(8)
    walk = np.cumsum(rng.normal(0.0, 2.0, (2, DAYS)), axis=1)
    return model_of(level_readings(*(walk + rng.normal(0.0, 2.0, (2, DAYS))), 2.0))


class Walled(Solver):
    """A solver that can't be solved beyond a wall in the walk of the tilt, as rounding may do."""

    def __init__(self, model, wall):
        super().__init__(model)
        self.wall, self.run_into = wall, 0

    def widely(self, scales):
        if scales.tilt_walk > self.wall:
            self.run_into += 1
            raise np.linalg.LinAlgError("not positive definite")
        return super().widely(scales)


def test_a_search_steps_back_from_scales_that_cannot_be_solved(model):
    free = fit_scales(Solver(model))
    tried = []

    class Noted(Solver):
        def widely(self, scales):
            tried.append(scales.tilt_walk)
            return super().widely(scales)

    fit_scales(Noted(model))
    assert max(tried) > free.fit.scales.tilt_walk  # the search passes the optimum on its way
    walled = Walled(model, 0.5 * (max(tried) + free.fit.scales.tilt_walk))
    found = fit_scales(walled)
    assert walled.run_into > 0
    assert found.fit.scales.tilt_walk < walled.wall
    assert found.log_posterior == pytest.approx(free.log_posterior, abs=AS_HIGH)
    assert all(np.isfinite(getattr(found.fit.scales, one.name)) for one in fields(found.fit.scales))


def test_what_cannot_be_solved_is_worse_than_anything_that_can(model):
    assert -fit_scales(Solver(model)).log_posterior < HOPELESS
