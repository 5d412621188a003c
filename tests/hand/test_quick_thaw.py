"""When a quick thaw may compete with a step of the pier: only where the forcing falls."""

import numpy as np
import pytest

from drift.ground.heave import FrostForcing
from drift.history.model import Stretch
from drift.history.steps import STRAYS_SHARE, fallen
from drift.quantities import DAY_US


def winter(kind="cold_left"):
    """Frost that grows by 1 in 100 days, stays for 50 and goes in 20."""
    days = np.arange(300)
    value = np.interp(days, [0, 100, 150, 170, 299], [0.0, 1.0, 1.0, 0.0, 0.0])
    none = np.zeros(days.size)
    return FrostForcing(kind, 0.0, days * DAY_US, value, none, none)


def at(after_day, before_day):
    return fallen(winter(), after_day * DAY_US, before_day * DAY_US)


def test_it_falls_in_the_thaw_by_all_of_it():
    """From day 155 on it goes to 0 within 30 days, and was 1 before."""
    assert at(152, 155) == pytest.approx(1.0)


def test_it_does_not_fall_while_frost_grows_or_stays():
    assert at(50, 52) == 0.0
    assert at(110, 112) == 0.0


def test_it_does_not_fall_by_less_than_three_tenths():
    """On day 120 the least of the 30 days after is still 1; on day 126 it is 1 - 6/20 = 0.7, just fallen."""
    assert at(120, 120) == 0.0
    assert at(125, 125) == 0.0
    assert at(126, 126) == pytest.approx(0.3)


def test_it_does_not_fall_in_summer():
    assert at(250, 255) == 0.0


def test_a_stretch_adds_the_square_of_what_a_thaw_may_stray():
    stretch = Stretch(0, 16 * DAY_US, (STRAYS_SHARE * 1.0) ** 2)
    assert stretch.strays == pytest.approx(0.16)
