"""Nights of a mount that stands at the pole, read by a wrong clock or beside a typed axis error."""

import numpy as np
import pytest
from night_world import FIRST_US, UNSPLIT, pointed_nights

from drift.night.estimate import estimate_nights
from drift.night.mount_frame import AS_RECORDED, fitted_each_way
from drift.notices import NightCode
from drift.quantities import HOUR_US
from drift.types import as_readings, empty_table

PHI = np.radians(46.0)


def nights_of(ahead_hours, **tables):
    solves, directions = pointed_nights(PHI, ahead_hours)
    return estimate_nights(PHI, UNSPLIT, as_readings({"solves": solves, **tables}), directions, "kept")


def test_nights_from_the_first_with_a_wrong_clock_on_are_put_right():
    """Seven by the right clock, five an hour ahead: all stand at the pole, to a few sds of 2 arcsec."""
    wrong = [0] * 7 + [1] * 5
    nights = nights_of(wrong).nights
    assert [night.clock_hours for night in nights] == wrong
    assert np.abs([night.estimate for night in nights]).max() < 6.0


@pytest.mark.parametrize(
    ("az_arcmin", "code"),
    [(50.0, NightCode.TYPED_IN_ARCSEC), (80.0, NightCode.TYPED_DISAGREES)],
)
def test_a_typed_axis_error_far_from_the_solves_is_set_aside_with_its_reason(az_arcmin, code):
    """50' beside solves at 0 may be 50", five times what an aid that shows seconds errs by; 80" are eight."""
    typed = empty_table("alignments")
    typed.loc[0] = [99, FIRST_US + 2 * HOUR_US, az_arcmin, 0.0, np.nan]
    typed = typed.astype({"row_id": np.int64, "time_us": np.int64})
    (one,) = nights_of([0] * 3, alignments=typed).set_aside
    assert (one.kind, one.row_id, one.reason.code) == ("alignments", 99, code)
    assert one.reason.values["az_arcmin"] == az_arcmin
    assert one.reason.values["az_seen_arcmin"] == pytest.approx(0.0, abs=0.1)


def test_each_night_takes_up_an_axis_and_two_zeros():
    """Five nights of eight solves: 80 readings less 20 unknowns."""
    solves, directions = pointed_nights(PHI, [0] * 5)
    side = np.where(solves["tube_side"] == "east", 1.0, -1.0)
    readings = as_readings({"solves": solves})
    found = fitted_each_way(PHI, UNSPLIT, readings, directions, "kept", side, ways=(AS_RECORDED,))
    assert found.free == 60
