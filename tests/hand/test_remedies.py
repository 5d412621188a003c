"""How many readings would tell pier from mount: numbers that a pencil gives too."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from drift.codes import Answer, HourAngleZero
from drift.history.separability import by_levels, by_zeros, judge, question_zeros, wanted
from drift.history.separate import _zero_notices
from drift.history.series import NOT_OBSERVED, Series
from drift.notices import HistoryCode
from drift.types import Nights

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


# ---- What is judged from how far the tilt is known, and zeros that are said to come back.


def known_to_ten(zeros, repeat):
    """Return a view of four nights, so many of which share a kept zero; the tilt may have gone 10 arcsec."""
    label = np.array(["park"] * zeros + [""] * (N - zeros), dtype=object)
    none = np.zeros(N, dtype=bool)
    own = replace(series(), zero_label=label)
    model = SimpleNamespace(series=own, ignored=none, ignored_zero=none, latitude_rad=0.8, frost=None)
    state = np.ones((N, 6, 1))
    fit = SimpleNamespace(
        model=model,
        scales=SimpleNamespace(zero_repeat=repeat),
        days=np.zeros((N - 1, 5)),
        rate=np.zeros((5, 5)),
        columns=SimpleNamespace(state=state, cov=np.array([[10.0**2]])),
    )
    return SimpleNamespace(fit=fit)


def test_north_by_zeros_alone_rests_on_the_shape_in_time():
    """Four zeros of one label that repeat to 5 arcsec; the tilt is known to 6 of 10 that were possible."""
    east, north = judge(known_to_ten(4, 5.0), np.full((N, 6), 6.0))
    assert [one.code for one in north.because] == [HistoryCode.BY_SHAPE_IN_TIME]
    assert [one.code for one in east.because] == [HistoryCode.BY_ZERO]
    assert (north.answer, east.answer) == (Answer.PARTLY, Answer.PARTLY)  # 0.6 is above 0.35 and below 0.8


@pytest.mark.parametrize(
    ("zeros", "repeat", "answer", "code"),
    [
        (3, 60.0, Answer.YES, HistoryCode.BY_ZERO),
        (3, 61.0, Answer.PARTLY, HistoryCode.ZERO_REPEATS_POORLY),
        (3, 300.0, Answer.NO, HistoryCode.ZERO_REPEATS_POORLY),
        (2, 5.0, Answer.NO, HistoryCode.ZERO_LOST_NO_LEVEL),
    ],
)
def test_three_kept_zeros_that_repeat_to_an_arcminute_tell_the_east_tilt(zeros, repeat, answer, code):
    """The tilt is known to 3 of 10 arcsec that were possible, which is below 0.35."""
    east, _ = judge(known_to_ten(zeros, repeat), np.full((N, 6), 3.0))
    assert (east.answer, [one.code for one in east.because]) == (answer, [code])


@pytest.mark.parametrize(("zeros", "scatter"), [(1, 0.0), (2, 4.0 / 0.953873)])
def test_the_scatter_of_zeros_is_the_median_of_their_steps(zeros, scatter):
    """Five homings, with two zeros each that are 4 arcsec apart, or with one each: no step, no scatter."""
    labels, n = [f"homing {k}" for k in range(5) for _ in range(zeros)], 5 * zeros
    value = np.zeros((n, 3))
    value[:, 2] = 300.0 + 4.0 * (np.arange(n) % zeros)
    own = Series(
        time_us=np.arange(n, dtype=np.int64),
        night=np.arange(n),
        value=value,
        variance=np.array([np.eye(3)] * n),
        zero_label=np.array(labels, dtype=object),
        homed=np.ones(n, dtype=bool),
        place=np.full(n, "", dtype=object),
        face=np.ones(n),
        era=np.zeros(n, dtype=np.int64),
        common_sd=np.zeros((n, 2)),
    )
    kept, (notice,) = question_zeros(own, HourAngleZero.UNKNOWN)
    assert kept is own
    assert notice.code is HistoryCode.ZEROS_TAKEN_FOR_KEPT
    assert notice.values["scatter_arcsec"] == pytest.approx(scatter)


@pytest.mark.parametrize(
    ("shared", "repeat", "told"), [(9, 80.0, False), (10, 80.0, True), (11, 80.0, True), (11, 60.0, False)]
)
def test_ten_zeros_that_are_said_to_be_kept_and_scatter_are_told(shared, repeat, told):
    """Fewer than 10 say too little, and what repeats to 60 arcsec still says something of the tilt."""
    label = np.array(["park"] * shared + [""] * 3, dtype=object)
    model = SimpleNamespace(series=SimpleNamespace(zero_label=label))
    view = SimpleNamespace(fit=SimpleNamespace(model=model, scales=SimpleNamespace(zero_repeat=repeat)))
    notices = _zero_notices(view, HourAngleZero.KEPT, Nights(nights=()))
    assert [one.code for one in notices] == [HistoryCode.ZEROS_SCATTER] * told
