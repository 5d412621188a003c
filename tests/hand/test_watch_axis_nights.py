"""The axis is quoted for a night that shows it; a level reading tells only how the pier has tipped since."""

import re

import numpy as np
import pytest
from advice_world import EAST, NORTH, TIMES, event, history, nights, site
from advice_world import step as stepped

from drift.advice.steps import advise
from drift.render.watch_words import item_sentence
from drift.types import Analysis
from drift.watch.changes import news
from drift.watch.limits import limits_of

#: The last readings of the record are levels; the last night that shows the axis comes before them.
LAST_NIGHT = 35
#: A tip toward the south by so much lifts the axis of a northern pier by as much [arcsec].
TIP = 100.0
#: sd of the tilt before and after the last night [arcsec].
SD, SD_AFTER = 3.0, 5.0


def analysis(past, last_night=LAST_NIGHT, pier=None):
    pier = site(warn={"tilt_arcsec": 500.0}) if pier is None else pier
    seen = nights(times=TIMES[: last_night + 1])
    return Analysis(pier, seen, past, advise(pier, seen, past), ())


def axis_limit(past, **given):
    return next(limit for limit in limits_of(analysis(past, **given)) if limit.name == "axis")


def tipped(provisional=False):
    """Return a history in which two level readings show a tip after the last night."""
    sd = np.vstack([np.zeros(6), np.full((LAST_NIGHT, 6), SD), np.full((39 - LAST_NIGHT, 6), SD)])
    sd[38:, NORTH] = SD_AFTER
    tip = event("pier", 38, provisional=provisional, tilt_north=-TIP)
    return history(axis_now=(0.0, 50.0), sd=sd, events=(tip,), **stepped(NORTH, -TIP, 38))


def test_level_readings_after_the_last_night_lend_the_axis_no_date():
    limit = axis_limit(history(axis_now=(0.0, 150.0), **stepped(EAST, 5.0, 38)))
    assert limit.time_us == TIMES[LAST_NIGHT]
    assert limit.seen_us is None
    assert limit.values == pytest.approx(150.0)  # the small tilt since is not carried back either
    assert limit.values.size == LAST_NIGHT + 1


def test_the_axis_is_that_of_the_last_night_and_status_has_the_same_number():
    past = history(axis_now=(0.0, 150.0), axis_sd=(9.0, 3.0))
    limit = axis_limit(past)
    assert limit.sds[-1] == pytest.approx(3.0)  # of altitude alone, in which all of it lies


def test_a_tip_seen_since_is_in_the_axis_with_its_uncertainty():
    limit = axis_limit(tipped())
    # hypot(3, sqrt(5^2 - 3^2)) = 5
    assert (limit.values[-1], limit.sds[-1]) == pytest.approx((150.0, 5.0))
    assert limit.values[: LAST_NIGHT + 1] == pytest.approx(50.0)
    assert (limit.time_us, limit.seen_us) == (TIMES[-1], TIMES[LAST_NIGHT])
    told = [item_sentence(item) for item in news(analysis(tipped()), None).new if item.kind == "axis_limit"]
    assert "by the level readings since its last night, 2023-12-29" in told[0]


def test_a_tip_that_one_level_reading_shows_is_not_yet_one():
    past = tipped(provisional=True)
    assert axis_limit(past).time_us == TIMES[LAST_NIGHT]
    (item,) = news(analysis(past), None).provisional
    assert "seen in one level reading only and counts once a second reading shows it" in item_sentence(item)


def test_a_limit_passed_and_back_inside_is_said_to_be_back():
    change = np.zeros((40, 6))
    change[30:33, 5] = 60.0
    past = history(axis_now=(0.0, 110.0), change=change, time_us=TIMES)
    (item,) = [one for one in news(analysis(past, last_night=39), None).new if one.kind == "axis_limit"]
    assert re.search(
        r"passed its warning limit of 2' on 2023-09-\d\d; on 2024-03-18 it was 1\.8.*under the limit again",
        item_sentence(item),
    )
    assert "below 1.6' the warning ends" in item_sentence(item)


def test_a_tilt_that_is_back_inside_is_said_to_be_back():
    change = np.zeros((40, 6))
    change[:, EAST] = np.where(np.arange(40) < 30, 0.0, 28.0)
    change[30:33, EAST] = 60.0
    past = history(change=change)
    (item,) = [one for one in news(analysis(past, 39, site()), None).new if one.kind == "tilt_limit"]
    assert (
        'it was 28" ± 3", counted from the start, 2022-01-28.  It is under the limit again'
        in item_sentence(item)
    )


def test_a_night_after_the_tip_shows_the_axis_itself():
    limit = axis_limit(tipped(), last_night=39)
    assert (limit.time_us, limit.seen_us) == (TIMES[-1], None)
    assert limit.values[-1] == pytest.approx(50.0)
    assert limit.sds[-1] == pytest.approx(3.0)
