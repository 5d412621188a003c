"""A movement over weeks without nights is told once, unless season, correction or event explains it."""

from dataclasses import replace

import numpy as np
import pytest
from advice_world import ALT, DAY_US, TIMES, correction, event, history, nights, site, step

from drift.advice.steps import advise
from drift.render.watch_words import item_sentence
from drift.types import Analysis, AxisMove
from drift.watch.changes import news, state_text
from drift.watch.limits import sds_needed_in_plane

#: The last two nights come this many days after the one before them.
GAP = 60
LAST = 38


def past(size, gap_days=GAP, after=2, sd=3.0, **changed):
    """Return a history whose axis stands `size` arcsec elsewhere after a gap, `after` nights in it."""
    times = TIMES.copy()
    times[LAST:] += (gap_days - 20) * DAY_US
    times[39] = times[38] + DAY_US
    second = int(times[39]) if after > 1 else None
    move = AxisMove(
        from_us=int(times[37]),
        to_us=int(times[38]),
        second_us=second,
        moved=np.array([0.0, size]),
        cov=np.eye(2) * sd**2,
    )
    moved = history(**step(ALT, size, LAST), axis_now=(0.0, size), moves=(move,), **changed)
    kept = LAST + after
    return replace(moved, time_us=times[:kept], change=moved.change[:kept], sd=moved.sd[:kept])


def analysis(one):
    seen = nights(times=one.time_us)
    return Analysis(site(), seen, one, advise(site(), seen, one), ())


def told(one, acknowledged=None):
    return [item for item in news(analysis(one), acknowledged).new if item.kind == "gap"]


def test_it_is_told_with_its_size_and_its_stretch():
    (item,) = told(past(60.0))
    assert item.facts["value"] == pytest.approx(60.0)
    assert "60 days without a night" in item_sentence(item)
    assert "moved by" in item_sentence(item) and "can't be seen" in item_sentence(item)


def test_one_night_after_it_is_not_enough():
    assert told(past(60.0, after=1)) == []


@pytest.mark.parametrize(
    ("size", "sd", "is_told"), [(39.0, 3.0, False), (42.0, 3.0, True), (42.0, 6.0, False)]
)
def test_movements_that_are_small_or_not_sure_are_not_told(size, sd, is_told):
    # 30" is a quarter of the limit; by Rayleigh's law 0.1 / 52 is 3.54 sds, 10.6" at 3" each
    assert sds_needed_in_plane(0.1) == pytest.approx(np.sqrt(-2.0 * np.log(0.1 / 52.0)))
    assert bool(told(past(size, sd=sd))) == is_told


def test_a_correction_or_an_event_explains_it():
    corrected = replace(correction("altitude"), time_us=int(past(0.0).time_us[LAST]) - DAY_US)
    assert told(past(60.0, corrections=(corrected,))) == []
    seen = past(60.0).time_us
    named = replace(event("pier"), after_us=int(seen[LAST - 1]), before_us=int(seen[LAST]))
    assert told(past(60.0, events=(named,))) == []


def test_what_the_season_usually_does_is_taken_off():
    days = np.array(past(0.0).time_us[[LAST - 1, LAST]], dtype="datetime64[us]")
    of_year = (days.astype("datetime64[D]") - days.astype("datetime64[Y]")).astype(int)
    offset = np.zeros((366, 2))
    offset[of_year[1], 1] = 60.0
    assert told(past(60.0, seasonal_axis_offset=offset)) == []
    (item,) = told(past(200.0, seasonal_axis_offset=offset))
    assert item.facts["value"] == pytest.approx(140.0)
    assert "more than the season usually does" in item_sentence(item)


def test_it_is_told_until_it_is_acknowledged():
    one = past(60.0)
    assert told(one, state_text(analysis(past(60.0, after=1))))
    assert not told(one, state_text(analysis(one)))


def test_stretches_of_long_ago_are_history():
    one = past(60.0)
    later = np.append(one.time_us, one.time_us[-1] + DAY_US * np.arange(1, 8) * 19)
    rows = np.r_[np.arange(one.time_us.size), np.full(7, one.time_us.size - 1)]
    assert told(replace(one, time_us=later, change=one.change[rows], sd=one.sd[rows])) == []
