"""A level takes the temperature of its own time, a night that of the night."""

import numpy as np
import pytest

from drift.history.inputs import Warmth
from drift.night.prepared import NightSplit
from drift.quantities import DAY_US

NONE = np.zeros(0, dtype=np.int64)
GREENWICH = NightSplit(0.0, NONE, NONE, NONE)


def at(day, hour):
    return np.array([int((day + hour / 24.0) * DAY_US)])


def weather():
    """Twenty days of 10 degrees on the mean, 6 to 14, then twenty of 20, 16 to 24."""
    day = np.arange(40, dtype=np.int64)
    mean = np.where(day < 20, 10.0, 20.0)
    return Warmth(GREENWICH, day, mean, np.full(40, 4.0))


def one(is_night):
    return np.array([is_night])


@pytest.mark.parametrize(("hour", "above"), [(15.0, 4.0), (3.0, -4.0), (9.0, 0.0), (21.0, 0.0)])
def test_the_hour_of_the_day_is_told_in(hour, above):
    """Warmest at three in the afternoon, coldest twelve hours away, the mean half-way between."""
    assert weather().at_readings(at(10, hour), one(False))[0] == pytest.approx(10.0 + above)


def test_a_morning_reading_is_not_given_the_night_before():
    """At nine on day 21 the air has been at 20 for a day; the night from noon to noon began on day 20."""
    warm = weather()
    assert warm.at_readings(at(21, 9.0), one(False))[0] == pytest.approx(20.0)
    assert warm.at_readings(at(20, 3.0), one(False))[0] == pytest.approx(10.0 + 10.0 * 15.0 / 24.0 - 4.0)
    assert warm.at_readings(at(20, 3.0), one(True))[0] == pytest.approx(10.0)  # the night of day 19


def test_far_from_any_day_the_season_stands_in():
    warm = weather()
    far = at(100, 12.0)
    assert warm.at_readings(far, one(False)) == pytest.approx(warm.of_season(far))


def test_logged_with_solves_the_nights_mean_holds_at_midnight():
    """Nights of 0 and 10 degrees: half-way between their midnights it is 5."""
    warm = Warmth(GREENWICH, np.arange(8, dtype=np.int64), np.array([0.0, 10.0] * 4))
    assert warm.at_readings(at(1, 12.0), one(False))[0] == pytest.approx(5.0)
