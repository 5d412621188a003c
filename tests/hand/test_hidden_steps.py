"""A step that a quick walk of the knob nearly explains is found by weighing it with scales of its own."""

import numpy as np
import pytest
from night_world import plain_series

from drift.codes import Part
from drift.history import steps
from drift.history.separate import centred, make_model
from drift.history.series import NOT_OBSERVED
from drift.history.steps import find_events

N = 8


def nights(moved):
    """Return nights every fifth day, the second half of which lie `moved` arcsec further in azimuth.

    They read 1 arcsec to either side of it in turn, and are good to 3.
    """
    value = np.zeros((N, 3))
    value[:, 0] = np.where(np.arange(N) < N // 2, 0.0, moved) + np.where(np.arange(N) % 2, 1.0, -1.0)
    value[:, 1] = np.where(np.arange(N) // 2 % 2, 1.0, -1.0)
    variance = np.tile(np.diag([9.0, 9.0, NOT_OBSERVED]), (N, 1, 1))
    return plain_series(N, days=5, value=value, variance=variance)


@pytest.mark.parametrize("long", [600, N])
@pytest.mark.parametrize(("moved", "found"), [(0.0, []), (40.0, [(N // 2, Part.MOUNT_AZ)])])
def test_a_step_that_the_scales_hide_is_found_in_short_records_and_in_long_ones(
    monkeypatch, long, moved, found
):
    """40 arcsec between means of four, good to 1.5 each: 40 / (1.5 x 1.41) = 19 sds; without it, nothing.

    A record of eight is short, or long where eight are called so.
    """
    monkeypatch.setattr(steps, "_LONG", long)
    searched = find_events(make_model(centred(nights(moved))[0], np.radians(46.0), []))
    assert [(step.best, step.likeliest) for step in searched.steps] == found
