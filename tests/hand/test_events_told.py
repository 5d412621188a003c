"""What the history says of one move: its part, its size, and whether one more evening is wanted."""

from types import SimpleNamespace

import numpy as np
import pytest
from night_world import plain_series

from drift.codes import CorrectionKind, Part
from drift.history.changes import RecordedCorrection, step_name
from drift.history.outcome import recorded_events, step_events, with_open_places
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


def test_a_step_that_may_lie_on_either_side_of_a_reading_shows_in_part():
    """30 north and 40 east before the last night; by one chance in four before the one before it.

    A quarter of 30 and 40 is 7.5 and 10, good to the root of 1/4 x 3/4 of them, beside 1 arcsec of its own.
    """
    fit = fitted(step_name(0), 30.0, 2.0)
    fit.columns.at[step_name(0)], fit.amplitude = slice(0, 2), np.array([30.0, 40.0])
    certain = {part: float(part is Part.PIER) for part in PARTS}
    found = FoundStep(2, 3, 3, certain, (0.25, 0.75), 2)
    searched, view = SimpleNamespace(steps=(found,)), SimpleNamespace(fit=fit)
    change, sd = with_open_places(searched, view, np.zeros((N, 6)), np.ones((N, 6)))
    assert change[2].tolist() == [7.5, 10.0, 0.0, 0.0, 0.0, 0.0]
    assert sd[2, :2] == pytest.approx(np.hypot(1.0, np.sqrt(3.0) / 4.0 * np.array([30.0, 40.0])))
    assert not change[[0, 1, 3]].any() and np.all(sd[[0, 1, 3]] == 1.0) and np.all(sd[2, 2:] == 1.0)


def test_a_step_of_both_knobs_is_an_event_of_each():
    """Odds 0.992 for both at once, 0.005 for azimuth alone, 0.003 for the pier: 0.997 that azimuth moved."""
    amplitude, cov = np.array([30.0, -40.0, 5.0]), np.diag([4.0, 9.0, 1.0])
    fit = SimpleNamespace(
        model=SimpleNamespace(series=nights(), causes=()),
        columns=SimpleNamespace(at={step_name(0): slice(0, 3)}),
        amplitude=amplitude,
        amplitude_cov=cov,
    )
    odds = {**dict.fromkeys(PARTS, 0.0), Part.MOUNT: 0.992, Part.MOUNT_AZ: 0.005, Part.PIER: 0.003}
    found = FoundStep(1, 1, 1, odds, (1.0,), 1)
    events = step_events(SimpleNamespace(fit=fit, steps=(found,)), SimpleNamespace(fit=fit))
    assert [one.what for one in events] == [Part.MOUNT_AZ, Part.MOUNT_ALT]
    assert [(one.size["mount_az"], one.size["mount_alt"]) for one in events] == [(30.0, 0.0), (0.0, -40.0)]
    assert [one.size_sd["mount_az"] for one in events] == [2.0, 0.0]
    assert [one.probability[Part.MOUNT_AZ] for one in events] == pytest.approx([0.997, 0.005])
    assert [one.probability[Part.MOUNT_ALT] for one in events] == pytest.approx([0.0, 0.992])
    assert [sum(one.probability.values()) for one in events] == pytest.approx([1.0, 1.0])
    assert {one.after_us for one in events} == {0}


@pytest.mark.parametrize(
    ("odds", "named"),
    [
        ({Part.MOUNT_AZ: 0.85, Part.MOUNT: 0.1, Part.PIER: 0.05}, Part.MOUNT_AZ),  # both say azimuth: 19 to 1
        ({Part.PIER: 0.8, Part.MOUNT: 0.2}, Part.UNDETERMINED),
        ({Part.MOUNT: 0.6, Part.PIER: 0.4}, Part.UNDETERMINED),
    ],
)
def test_both_knobs_count_for_each_of_them_and_against_the_pier(odds, named):
    assert FoundStep(1, 1, 1, {**dict.fromkeys(PARTS, 0.0), **odds}, (1.0,), 1).named is named
