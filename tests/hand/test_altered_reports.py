"""Odds that a mount's model has altered what it reports: what is told, and what can't be."""

import numpy as np
import pytest

from drift.night.altered_reports import RAW_AXIS, Shown, chance_altered, hidden_variance, verified

SURE, HARDLY = 0.95, 0.05


def chance(cone, nonperp, axis, sd=1.0, log_odds=0.0):
    shown = Shown((cone, sd), (nonperp, sd), np.array(axis, dtype=float), np.full(2, sd))
    return chance_altered(shown, log_odds)


def test_a_mount_without_any_fault_is_one_with_a_model():
    assert chance(0.4, -0.7, (0.3, 0.5)) > SURE


@pytest.mark.parametrize(("cone", "nonperp"), [(20.0, 10.0), (3.0, -2.0)])
def test_an_axis_two_minutes_off_is_seen_raw(cone, nonperp):
    assert chance(cone, nonperp, (100.0, -70.0)) < HARDLY


def test_a_crooked_mount_whose_axis_is_perfect_may_have_a_model_of_two_stars():
    assert chance(60.0, 40.0, (1.0, -1.0)) > 4.0 * 0.2  # four times as likely as beforehand
    assert HARDLY < chance(60.0, 40.0, (12.0, -9.0)) < SURE  # a careful owner, or a rough model


def test_what_a_small_model_does_not_know_of_it_takes_for_an_axis_elsewhere():
    """Cone of 60 and axes 40 arcsec from square may leave its axis an arcminute off, not four."""
    assert chance(60.0, 40.0, (40.0, 30.0)) > HARDLY
    assert chance(60.0, 40.0, (200.0, -140.0)) < HARDLY
    # A model that took the cone out, and left the other in, whatever raw mounts show.
    assert chance(2.0, 60.0, (10.0, 45.0)) > chance(200.0, 60.0, (10.0, 45.0))
    # Nothing shows the constants: as good as those in the middle of what raw mounts have.
    blind = Shown((np.nan, np.nan), (np.nan, np.nan), np.array([60.0, 40.0]), np.ones(2))
    assert HARDLY < chance_altered(blind) < 0.2


def test_nothing_known_tells_nothing():
    shown = Shown((np.nan, np.nan), (np.nan, np.nan), np.full(2, np.nan), np.full(2, np.nan))
    assert chance_altered(shown) == pytest.approx(0.2)  # what holds beforehand


def test_a_sweep_settles_it_either_way():
    cov = np.eye(2) * 9.0
    assert chance(0.4, -0.7, (0.3, 0.5), log_odds=verified(np.array([2.0, -1.0]), cov)) < 0.99
    assert chance(60.0, 40.0, (12.0, -9.0), log_odds=verified(np.array([2.0, -1.0]), cov)) < HARDLY
    assert chance(60.0, 40.0, (12.0, -9.0), log_odds=verified(np.array([200.0, -90.0]), cov)) > SURE


def test_a_run_that_sees_one_direction_tells_of_that_alone():
    """Along the direction that it can't see any disagreement is as likely raw as altered."""
    blind = np.diag([RAW_AXIS[1] ** 2 * 100.0, 4.0])
    assert abs(verified(np.array([500.0, 0.0]), blind) - verified(np.array([0.0, 0.0]), blind)) < 0.1
    assert verified(np.array([0.0, 100.0]), blind) > 50.0


def test_what_may_be_hidden_is_the_mean_square_of_what_raw_mounts_show():
    # the mean of s^2 over ln s from 20 to 1500: (1500^2 - 20^2) / (2 ln 75) = 2249600 / 8.634976 = 260522
    assert hidden_variance(1.0) == pytest.approx(260_522.0, rel=1e-5)
    assert hidden_variance(0.25) == pytest.approx(0.25 * hidden_variance(1.0))
    scale = np.geomspace(*RAW_AXIS, 100_001)
    assert hidden_variance(1.0) == pytest.approx(np.mean(scale**2), rel=1e-3)
