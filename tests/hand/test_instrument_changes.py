"""A jump of an instrument's constants, by sums done with a pencil."""

import numpy as np
import pytest

from drift.night.instrument_changes import (
    LEAST_JUMP_ARCSEC,
    LEAST_LOG_GAIN,
    likeliest_jump,
    sides_reversed,
)
from drift.types import InstrumentChange

DAY_US = 86_400_000_000


def nights(*values: tuple[float, float, float, float], sd: float = 5.0):
    """Return constants with the same sd on every night, and times of a solve in the evening and one later."""
    count = len(values)
    first = np.arange(count) * DAY_US
    return np.array(values), np.tile(np.eye(4) * sd**2, (count, 1, 1)), first, first + 3_600_000_000


def scattered(count: int, sd: float = 5.0, seed: int = 3) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, (count, 4))


def test_a_jump_is_found_between_the_nights_that_it_lies_between():
    """Ten nights with 60 arcsec more droop: ten times (60 / 5)^2 / 4 is far beyond 30."""
    values = scattered(20)
    values[10:, 3] += 60.0
    at, change = likeliest_jump(*nights(*values))
    assert at == 10
    assert (change.after_us, change.before_us) == (9 * DAY_US + 3_600_000_000, 10 * DAY_US)
    jump = np.subtract(change.new, change.old)
    assert jump[3] == pytest.approx(60.0, abs=3.0 * 5.0 * np.sqrt(2.0 / 10.0))
    assert np.max(np.abs(jump[:3])) < 3.0 * 5.0 * np.sqrt(2.0 / 10.0)
    assert change.log_odds > LEAST_LOG_GAIN


@pytest.mark.parametrize("seed", range(5))
def test_scatter_alone_is_no_jump(seed):
    assert likeliest_jump(*nights(*scattered(60, seed=seed))) == (0, None)


def test_nights_that_scatter_more_than_they_say_are_no_jumps():
    """A mirror that settles anew each night, by 30 arcsec where 5 are said."""
    assert likeliest_jump(*nights(*scattered(60, sd=30.0))) == (0, None)


def test_one_wild_night_is_no_jump():
    values = scattered(30)
    values[15] += 400.0
    assert likeliest_jump(*nights(*values)) == (0, None)


def test_what_goes_with_the_season_is_no_jump():
    """20 arcsec up and down in a year of 120 nights: within 20 nights it moves by less than a jump."""
    values = scattered(120)
    values[:, 0] += 20.0 * np.sin(2.0 * np.pi * np.arange(120) / 120.0)
    assert likeliest_jump(*nights(*values)) == (0, None)


def test_a_jump_too_small_to_matter_is_left():
    values = scattered(60, sd=1.0)
    values[30:, 0] += 0.8 * LEAST_JUMP_ARCSEC
    assert likeliest_jump(*nights(*values, sd=1.0)) == (0, None)
    values[30:, 0] += LEAST_JUMP_ARCSEC
    assert likeliest_jump(*nights(*values, sd=1.0))[0] == 30


def test_five_nights_are_too_few_to_tell():
    values = np.zeros((5, 4))
    values[3:] = 500.0
    assert likeliest_jump(*nights(*values)) == (0, None)


def change(old: tuple[float, ...], new: tuple[float, ...]) -> InstrumentChange:
    return InstrumentChange(after_us=0, before_us=DAY_US, from_us=DAY_US, old=old, new=new, log_odds=90.0)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ((165.0, -12.0, 80.0, 5.0), (-168.0, 14.0, -79.0, 4.0), True),
        ((165.0, -12.0, 80.0, 5.0), (-168.0, 14.0, 79.0, 4.0), False),
        ((165.0, -12.0, 80.0, 5.0), (25.0, -12.0, 80.0, 5.0), False),
        ((0.0, 0.0, 0.0, 5.0), (1.0, 2.0, 0.0, 60.0), False),
    ],
)
def test_sides_by_another_name_change_the_sign_of_what_goes_with_the_side(old, new, expected):
    assert sides_reversed(change(old, new)) is expected
