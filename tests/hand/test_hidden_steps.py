"""A step that a quick walk of the knob nearly explains is found by weighing it with scales of its own."""

import numpy as np
import pytest
from night_world import plain_series

from drift.codes import Part
from drift.history import steps
from drift.history.outcome import last_night_event
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


@pytest.mark.parametrize(("off", "wild"), [(0.0, False), (2000.0, True)])
def test_a_last_night_that_nothing_explains_may_be_a_step(off, wild):
    """Half a degree in azimuth on the last of eight nights: set aside, and told as seen on one evening."""
    series = nights(0.0)
    series.value[-1, 0] += off
    searched = find_events(make_model(centred(series)[0], np.radians(46.0), []))
    assert searched.fit.model.ignored.tolist() == [False] * (N - 1) + [wild]
    event = last_night_event(searched)
    assert (event is not None) == wild
    if event is not None:
        assert event.provisional
        assert (event.after_us, event.before_us) == (series.time_us[-2], series.time_us[-1])
        assert sum(event.probability.values()) == pytest.approx(1.0)
        assert event.probability[Part.NOTHING] > 0.9  # no step is so large
