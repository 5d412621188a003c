"""What the history says of one move: its part, its size, and whether one more evening is wanted."""

from types import SimpleNamespace

import numpy as np
import pytest
from night_world import plain_series

from drift.codes import CorrectionKind, Part
from drift.history.changes import RecordedCorrection, step_name
from drift.history.outcome import recorded_events, step_events
from drift.history.steps import FoundStep
from drift.quantities import DAY_US
from drift.types import PARTS

N = 4


def nights():
    """Four nights, one a day."""
    return plain_series(N)


def fitted(cause, amplitude, sd):
    """Return a fit whose only cause has one amplitude."""
    return SimpleNamespace(
        model=SimpleNamespace(series=nights()),
        columns=SimpleNamespace(at={cause: slice(0, 1)}),
        amplitude=np.array([amplitude]),
        amplitude_cov=np.array([[sd**2]]),
    )


@pytest.mark.parametrize(("before", "provisional"), [(3, True), (2, False), (1, False)])
def test_a_step_that_one_evening_shows_is_provisional(before, provisional):
    """Of four nights one comes after a step before the last, two after one before the last but one."""
    fit = fitted(step_name(0), 30.0, 2.0)
    certain = {part: float(part is Part.MOUNT_AZ) for part in PARTS}
    found = FoundStep(before, before, before, certain, (1.0,), before)
    (event,) = step_events(SimpleNamespace(fit=fit, steps=(found,)), SimpleNamespace(fit=fit))
    assert event.provisional is provisional
    assert (event.after_us, event.before_us) == ((before - 1) * DAY_US, before * DAY_US)
    assert (event.size["mount_az"], event.size_sd["mount_az"]) == (30.0, 2.0)


def test_a_recorded_turn_of_a_knob_is_a_move_of_that_knob_for_certain():
    """A day and a half after the first night: between the second and the third."""
    turn = RecordedCorrection(3 * DAY_US // 2, CorrectionKind.AZIMUTH, (30.0,), "")
    (event,) = recorded_events([turn], SimpleNamespace(fit=fitted(turn.name, 28.0, 2.0)))
    assert event.probability == {part: float(part is Part.MOUNT_AZ) for part in PARTS}
    assert (event.what, event.recorded) == (Part.MOUNT_AZ, True)
    assert (event.after_us, event.before_us) == (DAY_US, 2 * DAY_US)
    assert (event.size["mount_az"], event.size_sd["mount_az"]) == (28.0, 2.0)
