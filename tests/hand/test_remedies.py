"""How many readings would tell pier from mount: numbers that a pencil gives too."""

import numpy as np
import pytest

from drift.history.separability import by_levels, by_zeros, wanted
from drift.history.series import NOT_OBSERVED, Series

N = 4


def series(level_sd=None, night_sd=3.0):
    """Four nights with equal errors and, on request, four levels on the pier."""
    levels = 0 if level_sd is None else N
    n = N + levels
    variance = np.array([np.diag([night_sd**2, night_sd**2, night_sd**2])] * N + [np.eye(3)] * levels)
    variance[N:] = np.diag([1.0, 1.0, NOT_OBSERVED]) * (level_sd or 1.0) ** 2
    return Series(
        time_us=np.arange(n, dtype=np.int64),
        night=np.array([*range(N), *[-1] * levels]),
        value=np.zeros((n, 3)),
        variance=variance,
        zero_label=np.full(n, "", dtype=object),
        homed=np.zeros(n, dtype=bool),
        place=np.array([""] * N + ["pier"] * levels, dtype=object),
        face=np.ones(n),
        era=np.zeros(n, dtype=np.int64),
        common_sd=np.zeros((n, 2)),
    )


@pytest.mark.parametrize(("sd", "count"), [(10.0, 2), (15.0, 5), (5.0, 1), (20.0, 8), (1.0, 1)])
def test_count_on_either_side_of_a_change(sd, count):
    """Two means of n readings differ with the variance 2 s^2 / n: at s = 15 and 10 wanted, n = 4.5."""
    assert wanted(sd) == count


def test_levels_are_counted_at_the_scatter_they_claim():
    assert by_levels(series()).count == 5  # none yet: the usual 15 arcsec
    assert by_levels(series(level_sd=20.0)).count == 8
    assert by_levels(series(level_sd=20.0)).at_arcsec == pytest.approx(20.0)


def test_nights_with_a_kept_zero_are_counted_by_the_geometry():
    """At 60 N, tau = (z + az sin 60) / 2: errors of 3 arcsec give 1.98, a zero good to 10 gives 5."""
    assert by_zeros(series(), np.radians(60.0), 10.0).count == 1
    assert by_zeros(series(), np.radians(60.0), 30.0).count == 5  # 1.98 and 15: 2 * 15.13^2 / 100 = 4.6
