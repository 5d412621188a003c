"""Which of pier, mount and references moves by itself: numbers that a pencil can follow."""

import numpy as np
import pytest
from scipy.stats import norm

from drift.codes import OwnMovement
from drift.history.causes import STEADY_LEVELS, STEADY_PIER, STEADY_ZEROS, WARM_ZEROS
from drift.history.inputs import (
    MOVES_CHANCES,
    PLACE_CHANCES,
    SIZE_ODDS,
    SIZES,
    combinations,
    joined,
    odds_of_all,
    still_sd,
    swapped,
)

#: Two exact ways of one small problem.
ROUNDING = 1e-10


def test_one_reading_of_one_amplitude_under_another_prior():
    """A reading of 2 with sd 1: under a prior of sd 10 the mean is 2 x 100/101, under one of sd 1 it is 1."""
    wide = 100.0 / 101.0
    told = swapped(np.array([2.0 * wide]), np.array([[wide]]), np.array([10.0]), np.array([[1.0], [10.0]]))
    assert told.mean[:, 0] == pytest.approx([1.0, 2.0 * wide], abs=ROUNDING)
    assert told.cov[:, 0, 0] == pytest.approx([0.5, wide], abs=ROUNDING)
    gain = norm.logpdf(2.0, scale=np.sqrt(2.0)) - norm.logpdf(2.0, scale=np.sqrt(101.0))
    assert told.log_gain == pytest.approx([gain, 0.0], abs=ROUNDING)


def test_one_mover_is_likelier_than_two_that_cancel():
    """The axis stands still and the zero runs 45" a year: the zero, or tilt and azimuth that cancel.

    At 45 degrees north az = kappa + tau and z = c tau - c kappa + dz with c = cos 45: to show (0, 45) the
    two need tau = 31.8 and kappa = -31.8, and each must hit that to the precision of the readings, 1" a year.
    """
    c = np.cos(np.radians(45.0))
    shows = np.array([[1.0, 1.0, 0.0], [c, -c, 1.0]])  # of tilt, azimuth, zero
    sd, seen, wide = 1.0, np.array([0.0, 45.0]), np.full(3, 20.0)
    cov = np.linalg.inv(shows.T @ shows / sd**2 + np.diag(wide**-2))
    mean = cov @ shows.T @ seen / sd**2
    zero_alone, two_that_cancel = [0.5, 0.5, 25.0], [25.0, 25.0, 0.3]
    told = swapped(mean, cov, wide, np.array([zero_alone, two_that_cancel]))
    # by hand: the law of what is shown is normal, with the variances of the movers carried through
    by_hand = []
    for prior in (zero_alone, two_that_cancel):
        of = shows @ np.diag(np.square(prior)) @ shows.T + sd**2 * np.eye(2)
        by_hand.append(-0.5 * (seen @ np.linalg.solve(of, seen) + np.linalg.slogdet(of)[1]))
    assert np.diff(told.log_gain) == pytest.approx(np.diff(by_hand), abs=1e-8)
    assert told.log_gain[0] - told.log_gain[1] > np.log(10.0)  # ten to one at least
    assert told.mean[0] == pytest.approx([0.0, 0.0, 45.0], abs=1.0)


def test_a_real_tilt_is_not_laid_at_the_reference_door():
    """A tilt of 20" a year at 45 degrees shows as az 20 and z 14.1: one mover against two."""
    c = np.cos(np.radians(45.0))
    shows = np.array([[1.0, 1.0, 0.0], [c, -c, 1.0]])
    seen, wide = np.array([20.0, 20.0 * c]), np.full(3, 20.0)
    cov = np.linalg.inv(shows.T @ shows + np.diag(wide**-2))
    told = swapped(
        cov @ shows.T @ seen, cov, wide, np.array([[25.0, 0.5, 0.3], [0.5, 25.0, 25.0], [0.5, 25.0, 0.3]])
    )
    assert np.argmax(told.log_gain) == 0
    assert told.mean[0, 0] == pytest.approx(20.0, abs=0.5)


def test_combinations_are_all_there_and_their_chances_add_up_to_one():
    causes = (STEADY_PIER, STEADY_ZEROS, WARM_ZEROS)
    steadily = combinations(causes, OwnMovement.STEADY)
    assert len(steadily.log_prior) == 1 + 3 * len(SIZES[OwnMovement.STEADY])
    assert np.exp(steadily.log_prior).sum() == pytest.approx(1.0)
    still = np.flatnonzero(~steadily.moves[:, 0] & ~steadily.moves[:, 1])
    calm = sum(place * (1.0 - p) ** 2 for p, place in zip(MOVES_CHANCES, PLACE_CHANCES, strict=True))
    assert np.exp(steadily.log_prior[still]) == pytest.approx([calm])
    assert steadily.sd[still[0], :2] == pytest.approx([still_sd(STEADY_PIER), still_sd(STEADY_ZEROS)])
    both = joined(steadily, combinations(causes, OwnMovement.WARMTH), OwnMovement.WARMTH)
    assert len(both.log_prior) == 7 * (1 + len(SIZE_ODDS))
    assert np.exp(both.log_prior).sum() == pytest.approx(1.0)


def test_odds_of_explanations_as_likely_beforehand_go_by_their_likelihoods():
    """Likelihoods of 1 : 3 : 6 give a tenth, three and six."""
    odds = odds_of_all(np.log([1.0, 3.0, 6.0]), np.zeros(3))
    assert odds == pytest.approx([0.1, 0.3, 0.6])


def test_of_causes_that_no_reading_sees_every_combination_counts_as_one():
    """What is believed of the others is the sum over the unseen, and still sums to all that may be."""
    causes = (STEADY_PIER, STEADY_ZEROS, STEADY_LEVELS)
    whole = combinations(causes, OwnMovement.STEADY)
    seen = whole.about((STEADY_PIER, STEADY_ZEROS))
    assert seen.causes == (STEADY_PIER, STEADY_ZEROS)
    assert np.exp(seen.log_prior).sum() == pytest.approx(np.exp(whole.log_prior).sum(), abs=ROUNDING)
    for moves in ((False, False), (True, False), (False, True), (True, True)):
        share = np.exp(seen.log_prior[np.all(seen.moves == moves, axis=1)]).sum()
        every = np.exp(whole.log_prior[np.all(whole.moves[:, :2] == moves, axis=1)]).sum()
        assert share == pytest.approx(every, abs=ROUNDING)
    assert whole.about(causes) is whole
    assert whole.about(()).causes == ()
