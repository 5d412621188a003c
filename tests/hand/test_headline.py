"""The two lines that come first: the axis, the tilt, how old that is and what to do."""

from dataclasses import replace

import numpy as np
import pytest
from advice_world import ALT, DAY_US, EAST, LAST_US, NORTH, TIMES, history, nights, ramp, site
from advice_world import step as stepped

from drift.advice.steps import advise
from drift.codes import Do, Standing
from drift.render import report
from drift.render.headline import headline
from drift.render.status import step_sentences
from drift.types import Analysis, Nights
from drift.watch.limits import LimitName, limits_of, now_state, standing_of

#: On the world's last night, 2024-03-18 to 19, and on the day after.
NEXT_DAY_US = LAST_US + DAY_US // 2


def analysis(past=None, now_us=NEXT_DAY_US, seen=None, pier=None):
    pier, past = site() if pier is None else pier, history() if past is None else past
    seen = nights() if seen is None else seen
    return Analysis(pier, seen, past, advise(pier, seen, past, now_us), (), now_us=now_us)


def lines(**given):
    return headline(analysis(**given)).lines


def test_a_steady_pier_needs_nothing():
    first, second = lines(past=history(axis_now=(0.0, 60.0)))
    assert first == "Axis 1.00' ± 0.05' off (limit 2'); tilt 0.0\" ± 0.0\" (limit 30\"), as last year."
    assert second == "As of last night: nothing to do."


def test_uncertainties_stand_where_they_fit_a_small_terminal():
    for axis_now in ((0.0, 60.0), (0.0, 200.0), (-4000.0, 2000.0)):
        for change in ({}, ramp(EAST, 45.0), ramp(EAST, 4500.0)):
            first, second = lines(past=history(axis_now=axis_now, **change))
            assert len(first) <= 80 and "±" in first and len(second) <= 80


def test_the_axis_stands_against_its_limit_with_its_uncertainty():
    # 2' is 120"; the sd is 3"
    assert standing_of(113.0, 3.0, 120.0) == Standing.WITHIN
    assert standing_of(115.0, 3.0, 120.0) == standing_of(125.0, 3.0, 120.0) == Standing.CLOSE
    assert standing_of(127.0, 3.0, 120.0) == Standing.BEYOND
    assert standing_of(float("nan"), 3.0, 120.0) == Standing.UNKNOWN
    first, second = lines(past=history(axis_now=(0.0, 200.0)))
    assert first.startswith("Axis 3.33' ± 0.05' off (over 2'); ")
    assert second == "As of last night: turn the altitude knob."
    assert headline(analysis(past=history(axis_now=(0.0, 200.0)))).standing == Standing.BEYOND
    assert lines(past=history(axis_now=(0.0, 121.0)))[0].startswith("Axis 2.02' ± 0.05' off (at limit 2'); ")


def test_a_tighter_limit_of_the_optics_is_the_one_that_is_named():
    optics = {"focal_length_mm": 2000.0, "exposure_s": 600.0, "guided": False}
    pier = site(optics=optics)
    state = now_state(analysis(pier=pier))
    least = min(one.allowed_arcmin for one in analysis(pier=pier).advice.matters if one.binding)
    assert state.axis.limit == pytest.approx(60.0 * least) and least < 2.0
    assert "set by your optics" in headline(analysis(pier=pier)).tiles[0].note


def test_the_tilt_is_held_against_the_same_week_of_the_year_before():
    # 18 readings of 20 days back is 360 days, within a week of a year; the tilt grows by 39" over 39 of them
    state = now_state(analysis(past=history(**ramp(EAST, 39.0))))
    assert state.year_ago.time_us == TIMES[39 - 18]
    assert state.year_ago.size == pytest.approx(18.0)
    assert state.year_ago.sd == pytest.approx(np.hypot(3.0, 3.0))
    assert state.year_ago.toward_bearing_deg == pytest.approx(90.0)
    assert state.year_ago.winter
    assert lines(past=history(**ramp(EAST, 39.0)))[0].endswith('tilt 39" (over 30"), moved 18" in a year.')


def test_equal_tilts_another_way_are_a_change():
    change = np.zeros((40, 6))
    change[:30, NORTH], change[30:, EAST] = 20.0, 20.0
    state = now_state(analysis(past=history(change=change)))
    assert state.year_ago.size == pytest.approx(20.0 * np.sqrt(2.0))


def test_nothing_is_said_of_a_year_ago_without_a_reading_in_that_week():
    keep = np.abs((TIMES - LAST_US) / DAY_US + 365.0) > 30.0
    quiet = history(time_us=TIMES[keep], change=np.zeros((keep.sum(), 6)), sd=np.full((keep.sum(), 6), 3.0))
    assert now_state(analysis(past=quiet)).year_ago is None
    # nor where the change would have to be larger than half the limit to be seen
    vague = history(sd=np.vstack([np.zeros(6), np.full((39, 6), 9.0)]))
    assert "year ago" not in lines(past=vague)[0]


def test_march_is_winter_in_the_north_only():
    south = now_state(analysis(pier=site(latitude_deg=-46.0)))
    assert not south.year_ago.winter and now_state(analysis()).year_ago.winter


def test_a_tilt_that_cant_be_told_is_not_claimed():
    past = history(east="no", north="no")
    assert lines(past=past)[0].endswith("; pier tilt can't be told yet.")
    assert headline(analysis(past=past)).tiles[1].standing == Standing.UNKNOWN


def test_a_direction_that_cant_be_told_leaves_the_tilt_as_uncertain():
    """East tilted 39" to 3", north to 40", not told from the altitude: 39" to 40.1" (3 and 40 in squares)."""
    sd = np.vstack([np.zeros(6), np.full((39, 6), 3.0)])
    sd[1:, NORTH] = 40.0
    past = history(change=ramp(EAST, 39.0)["change"], sd=sd, north="no")
    state = now_state(analysis(past=past))
    assert state.tilt.value == pytest.approx(39.0, abs=0.5)
    assert state.tilt.sd == pytest.approx(np.hypot(3.0, 40.0), abs=0.2)
    assert state.tilt.standing == Standing.CLOSE
    assert state.year_ago.sd == pytest.approx(np.sqrt(2.0) * np.hypot(3.0, 40.0), abs=0.2)
    # an alarm rests on what is told alone
    (tilt,) = (one for one in limits_of(analysis(past=past)) if one.name == LimitName.TILT)
    assert tilt.sds[-1] < 5.0


def test_the_age_is_said_and_an_old_night_asks_for_a_new_one():
    week = LAST_US + 7 * DAY_US
    assert lines(now_us=week)[1] == "As of 2024-03-18, 8 days ago: nothing to do."
    far = LAST_US + 1000 * DAY_US
    first, second = lines(now_us=far)
    assert second == "As of 2024-03-18, 1,001 days ago: take a night before turning anything."
    assert headline(analysis(now_us=far)).tiles[2].standing == Standing.CLOSE


def test_several_steps_are_named_in_order():
    past = history(axis_now=(200.0, 300.0), **stepped(ALT, 300.0, 20))
    assert lines(past=past)[1].endswith("turn both knobs.")


def test_an_empty_record_says_so():
    none = history(time_us=np.array([], dtype=np.int64), change=np.zeros((0, 6)), sd=np.zeros((0, 6)))
    none = history(
        time_us=none.time_us, change=none.change, sd=none.sd, axis_now=(np.nan, np.nan), axis_sd=(np.nan,) * 2
    )
    first, second = lines(past=none, seen=Nights(nights=(), instruments=(), set_aside=()))
    assert first == "Nothing can be told yet: the record has no night and no level reading."
    assert second == "Take a night of solves."
    whole = headline(analysis(past=none, seen=Nights(nights=(), instruments=(), set_aside=())))
    assert whole.standing == Standing.UNKNOWN


def test_nothing_to_do_by_an_old_night_is_said_to_have_held_then():
    fresh = step_sentences(analysis(now_us=LAST_US + 7 * DAY_US))
    assert fresh[0].startswith("Nothing needs doing")
    nothing = analysis().advice
    assert [one.do for one in nothing.actions] == [Do.NOTHING]
    old = replace(analysis(now_us=LAST_US + 1000 * DAY_US), advice=nothing)
    (words,) = step_sentences(old)
    assert words.startswith("By the last night nothing needed doing") and "Take a new night" in words
    assert report.said(old)["actions"] == [words]


def test_a_day_to_re_align_that_is_over_is_said_in_the_headline_as_in_the_list():
    (action,) = analysis().advice.actions
    values = {**action.notice.values, "realign_soon": True}
    now = replace(action, notice=replace(action.notice, values=values))
    due = replace(analysis().advice, actions=(now,))
    fresh, old = (replace(analysis(now_us=LAST_US + days * DAY_US), advice=due) for days in (7, 1000))
    assert (
        headline(fresh).lines[1] == "As of 2024-03-18, 8 days ago: nothing to do at once, but re-align soon."
    )
    assert step_sentences(fresh)[0].startswith("Nothing needs doing at once, but re-align soon")
    assert headline(old).lines[1].endswith("ago: re-aligning was due soon; take a night.")
    assert step_sentences(old)[0].startswith("By the last night the axis was to be re-aligned soon")
