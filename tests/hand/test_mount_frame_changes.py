"""The likeliest sequence of ways to read a mount's places, by sums done with a pencil."""

import numpy as np
import pytest

from drift.night.mount_frame import AS_RECORDED, FrameFit, Places
from drift.night.mount_frame_changes import (
    CHANGE_LOG_ODDS,
    FrameInTime,
    Stretch,
    cheapest_path,
    path_cost,
    without_short,
)

J2000, CATALOGUE = Places(j2000=True), Places(j2000=True, astrometric=True)


def costs(*nights: tuple[float, float]) -> np.ndarray:
    """Return the cost of each night by two ways, (2, n)."""
    return np.array(nights).T


def still(nights: int) -> np.ndarray:
    """Return moves that cost nothing whichever way is read before and after."""
    return np.zeros((nights - 1, 2, 2))


def test_a_change_is_found_where_it_saves_more_than_it_costs():
    """Three nights at 4 each the wrong way are 12, more than the change at 10; two are 8."""
    alone = costs((0.0, 4.0), (0.0, 4.0), (0.0, 4.0), (4.0, 0.0), (4.0, 0.0), (4.0, 0.0))
    path = cheapest_path(alone, still(6))
    assert path.tolist() == [0, 0, 0, 1, 1, 1]
    assert path_cost(path, alone, still(6)) == CHANGE_LOG_ODDS
    assert cheapest_path(alone[:, :5], still(5)).tolist() == [0, 0, 0, 0, 0]


def test_the_move_between_two_nights_counts_by_what_is_read_before_and_after():
    """Nights alone tell nothing; the axis jumps (30) unless the last three are read the other way."""
    move = np.full((5, 2, 2), 5.0)
    move[:, 0, 0] = move[:, 1, 1] = 0.0
    move[2] = [[30.0, 0.0], [30.0, 30.0]]
    path = cheapest_path(np.zeros((2, 6)), move)
    assert path.tolist() == [0, 0, 0, 1, 1, 1]
    assert path_cost(path, np.zeros((2, 6)), move) == CHANGE_LOG_ODDS
    assert path_cost(np.zeros(6, dtype=int), np.zeros((2, 6)), move) == 30.0


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ([0, 0, 0, 1, 1, 0, 0, 0], [0, 0, 0, 0, 0, 0, 0, 0]),
        ([0, 0, 0, 1, 1, 1, 0, 0], [0, 0, 0, 1, 1, 1, 1, 1]),
        ([1, 0, 0, 0], [0, 0, 0, 0]),
        ([0, 0], [0, 0]),
    ],
)
def test_fewer_than_three_nights_go_with_their_neighbours(path, expected):
    alone = np.zeros((2, len(path)))
    assert without_short(np.array(path), alone, still(len(path))).tolist() == expected


def test_a_short_stretch_goes_to_the_cheaper_side():
    """Two nights between others read two ways: 3 each by the way before, 1 each by that after."""
    alone = np.zeros((3, 8))
    alone[:, 3:5] = np.array([[3.0], [0.0], [1.0]])
    path = np.array([0, 0, 0, 1, 1, 2, 2, 2])
    assert without_short(path, alone, np.zeros((7, 3, 3))).tolist() == [0, 0, 0, 2, 2, 2, 2, 2]


def test_each_time_is_read_by_its_own_stretch():
    """A stretch holds from its own first instant on."""
    found = FrameInTime(None, (Stretch(0, AS_RECORDED), Stretch(100, J2000), Stretch(200, AS_RECORDED)), 50.0)
    read = found.of(np.array([-5, 0, 99, 100, 199, 200, 10**15]))
    assert read == [AS_RECORDED, AS_RECORDED, AS_RECORDED, J2000, J2000, AS_RECORDED, AS_RECORDED]
    assert not found.as_recorded
    assert FrameInTime(None, (Stretch(0, AS_RECORDED),)).as_recorded


def whole(scatter_j2000: float, scatter_catalogue: float) -> FrameFit:
    """Return a fit of 100 readings beyond the unknowns."""
    scatter = {AS_RECORDED: 60.0, J2000: scatter_j2000, CATALOGUE: scatter_catalogue}
    return FrameFit(scatter, dict.fromkeys(scatter, 1.0), 100)


def test_what_mounts_apply_or_not_stays_uncertain():
    """100 ln(5.2 / 5) = 3.9 leaves aberration open, on all nights alike; 100 ln(5.4 / 5) = 7.7 does not."""
    open_one = FrameInTime(whole(5.0, 5.2), (Stretch(0, J2000),))
    assert open_one.uncertain_by(J2000) == (7.0, 10.0)
    assert FrameInTime(whole(5.0, 5.4), (Stretch(0, J2000),)).uncertain_by(J2000) == (7.0, 0.0)
    assert FrameInTime(whole(5.4, 5.0), (Stretch(0, CATALOGUE),)).uncertain_by(CATALOGUE) == (3.0, 0.0)
    changed = FrameInTime(whole(5.0, 5.2), (Stretch(0, AS_RECORDED), Stretch(9, J2000)))
    assert changed.uncertain_by(J2000) == (7.0, 0.0)
    assert changed.uncertain_by(AS_RECORDED) == (0.0, 0.0)
