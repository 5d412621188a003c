"""Corrections against the sky: which look written down wrongly; a turn too small to be judged isn't."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from advice_world import AZ, DAY_US, correction, event, history, nights, site, step
from said import said_of

from drift.advice.knobs import odds_held
from drift.advice.misrecorded import realigned, suspects
from drift.advice.steps import advise
from drift.codes import CorrectionKind, Misrecorded, Part
from drift.history.outcome import _held
from drift.notices import AdviceCode, WatchCode
from drift.render.watch_words import item_sentence
from drift.types import Analysis
from drift.watch.changes import news, state_text


def turned(asked, found, kind="azimuth", night=30, sd=3.0):
    """Return a turn and what the readings found of it."""
    one = correction(kind, night, asked=asked, found=found, held=abs(found - asked) < 0.25 * abs(asked) + 6.0)
    return replace(one, found_sd=sd)


def suspected(*corrections):
    return [None if s is None else s.wrong for s in suspects(site(), history(corrections=corrections))]


def analysis(past):
    return Analysis(site(), nights(), past, advise(site(), nights(), past), ())


@pytest.mark.parametrize("kind", ["azimuth", "altitude", "shim", "nuts"])
@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize(
    ("found", "wrong"),
    [
        (300.0, None),
        (240.0, None),  # a knob that goes short
        (150.0, None),  # half of it slipped
        (30.0, None),  # stuck, or never made: nobody can tell
        (-290.0, Misrecorded.SIGN),
        (1.0, Misrecorded.NEVER),
    ],
)
def test_each_way_of_writing_down_wrongly_is_told_by_what_was_found(kind, way, found, wrong):
    assert suspected(turned(way * 300.0, way * found, kind)) == [wrong]


def test_the_odds_by_hand():
    # -300" where 300" were asked: as found lies 600" off; the sign about 0.01 N(0; sd), "did not hold" 0.1
    # N(-450"; 105"), the densities without their common factor
    sd = math.hypot(3.0, 5.0)
    seen = -300.0
    sign = 0.01 / math.hypot(sd, 90.0)
    failed = 0.1 / math.hypot(sd, 105.0) * math.exp(-0.5 * (450.0 / math.hypot(sd, 105.0)) ** 2)
    held = 0.9 / math.hypot(sd, 90.0) * math.exp(-0.5 * (600.0 / math.hypot(sd, 90.0)) ** 2)
    never = 0.01 / 3.0 * math.exp(-0.5 * (300.0 / 3.0) ** 2)
    (suspect,) = suspects(site(), history(corrections=(turned(300.0, seen),)))
    # the prior that the history puts on what was asked is taken out of what it found: a thousandth
    assert suspect.probability == pytest.approx(sign / (sign + failed + held + never), abs=1e-3)


@pytest.mark.parametrize(("both", "wrong"), [((300.0, 300.0), None), ((150.0, 150.0), Misrecorded.TWICE)])
def test_one_correction_typed_twice_is_told_by_both_together(both, wrong):
    first = turned(300.0, both[0])
    second = replace(turned(300.0, both[1]), time_us=first.time_us + DAY_US)
    assert suspected(first, second) == [wrong, wrong]
    far = replace(second, time_us=first.time_us + 10 * DAY_US)
    assert Misrecorded.TWICE not in suspected(first, far)


def test_another_day_is_told_with_odds():
    moved = replace(turned(300.0, 295.0), misrecorded=Misrecorded.DATE)
    (suspect,) = suspects(site(), history(corrections=(moved,)))
    assert suspect.wrong is Misrecorded.DATE
    # 0.05 slips a knob in 90 days, N(295"; 150") of them as large; of the correction N(-5"; 90")
    chance = 0.2 * 90.0 / 365.25 * math.exp(-0.5 * (295.0 / 150.1) ** 2) / 150.1
    assert suspect.probability == pytest.approx(1.0 / (1.0 + chance * 90.2), abs=2e-3)


def test_a_small_turn_is_no_evidence_against_itself():
    """0.05' asked and 0.07' ± 0.06' found: nothing speaks against it."""
    small = turned(3.0, 4.2, sd=3.6)
    assert odds_held(site(), history(corrections=(small,))) == (None,)
    assert news(analysis(history(corrections=(small,))), None).new == ()
    assert suspected(small) == [None]
    # 10" asked and 4" ± 3" found, set to 5": a sigma off
    assert news(analysis(history(corrections=(turned(10.0, 4.0),))), None).new == ()


def test_check_names_the_slip_of_the_pen_and_not_the_bolts():
    past = history(corrections=(turned(300.0, -296.0),))
    (item,) = news(analysis(past), None).new
    assert (item.kind, item.notice.code) == ("correction", WatchCode.CORRECTION_MISRECORDED)
    assert (item.facts["misrecorded"], item.facts["misrecorded_probability"] > 0.9) == ("sign", True)
    assert "its sign may be the wrong way round" in item_sentence(item)
    assert "drift record edit" in item_sentence(item)
    assert AdviceCode.TIGHTEN not in [action.notice.code for action in advise(site(), nights(), past).actions]


def test_what_held_on_another_day_is_told_once_and_is_no_alarm():
    past = history(corrections=(replace(turned(300.0, 295.0), misrecorded=Misrecorded.DATE),))
    found = news(analysis(past), None)
    assert (found.moved, [item.kind for item in found.notices]) == (False, ["misrecorded"])
    assert "on another day" in item_sentence(found.notices[0])
    assert news(analysis(past), state_text(analysis(past))).notices == ()


def test_a_limit_that_one_night_alone_passes_does_not_count_yet():
    once = event("mount_az", 39, provisional=True, mount_az=400.0)
    past = history(axis_now=(400.0, 0.0), events=(once,), **step(AZ, 400.0, 39))
    found = news(analysis(past), None)
    assert found.new == ()
    assert [item.kind for item in found.provisional] == ["event", "axis_limit"]
    assert "counts once a second night shows it" in item_sentence(found.provisional[1])
    # it is not taken note of, so that the second night tells it
    assert json.loads(state_text(analysis(past)))["limits"]["axis"] is None
    seen_twice = replace(past, events=(replace(once, provisional=False),))
    assert [item.kind for item in news(analysis(seen_twice), None).new] == ["event", "axis_limit"]


def test_nothing_is_turned_by_a_night_that_may_only_have_lost_its_zero():
    """More likely a lost zero than not is no movement; the axis is where that night alone puts it."""
    odds = {"mount_az": 0.3, "pier": 0.1, "zero": 0.55, "nothing": 0.05}
    once = event("undetermined", 39, provisional=True, probability=odds, mount_az=145.0)
    (only,) = advise(site(), nights(), history(axis_now=(300.0, 0.0), events=(once,))).actions
    assert (only.do, only.notice.code) == ("measure", AdviceCode.STEP_SEEN_ONCE)
    assert "or read a level on the pier now" in said_of(only)


@pytest.mark.parametrize(
    ("asked", "found", "sd", "held"),
    # a knob is set to 5" at best: half of 7" can't be told from all of it, half of 60" can
    [(7.0, -1.0, 3.0, None), (60.0, 58.0, 3.0, True), (60.0, 20.0, 3.0, False), (3.0, 4.2, 1.0, None)],
)
def test_the_history_judges_no_turn_that_nobody_can_set(asked, found, sd, held):
    assert _held(asked, found, sd) is held


def test_arcseconds_written_for_arcminutes_are_told():
    """170' asked where the readings found 178" the same way; of 5' a sixtieth is next to nothing."""
    assert suspected(turned(10_200.0, 178.0)) == [Misrecorded.UNIT]
    assert suspected(turned(-10_200.0, -165.0, "altitude")) == [Misrecorded.UNIT]
    assert suspected(turned(10_200.0, -178.0)) == [None]  # neither the amount nor the sign is known then
    assert suspected(turned(300.0, 5.0)) != [Misrecorded.UNIT]


def other_knob(size, last=31, what="mount_az"):
    """A step of a knob over three days."""
    step_of_it = event(what, last, **{what: size})
    return replace(step_of_it, after_us=step_of_it.before_us - 3 * DAY_US)


@pytest.mark.parametrize("size", [175.0, -168.0])
def test_the_other_knob_that_turned_by_as_much_is_told(size):
    step_of_azimuth = other_knob(size)
    one = replace(turned(170.0, 1.0, "altitude"), time_us=step_of_azimuth.before_us - DAY_US)
    (suspect,) = suspects(site(), history(corrections=(one,), events=(step_of_azimuth,)))
    assert (suspect.wrong, suspect.event) == (Misrecorded.KNOB, step_of_azimuth)
    # a step of another size, of another time, or that was written down is not it
    far = replace(step_of_azimuth, after_us=one.time_us + 9 * DAY_US, before_us=one.time_us + 12 * DAY_US)
    for other in (other_knob(600.0), far, replace(step_of_azimuth, recorded=True)):
        (suspect,) = suspects(site(), history(corrections=(one,), events=(other,)))
        assert suspect.wrong is Misrecorded.NEVER


def test_a_knob_that_was_turned_and_written_down_wrongly_needs_no_tightening():
    """An azimuth slipped and was put back by a turn that stands under the other knob, or in arcseconds."""
    slip = event("mount_az", 10, mount_az=171.0)
    back = other_knob(-178.0)
    under_other = replace(turned(-170.0, 1.0, "altitude"), time_us=back.before_us - DAY_US)
    in_arcsec = replace(turned(-10_200.0, -178.0), time_us=back.before_us - DAY_US)
    for corrections, events in (((under_other,), (slip, back)), ((in_arcsec,), (slip,))):
        past = history(corrections=corrections, events=events)
        advice = advise(site(), nights(), past)
        assert AdviceCode.TIGHTEN not in {action.notice.code for action in advice.actions}
    advice = advise(site(), nights(), history(events=(slip,)))
    assert AdviceCode.TIGHTEN in {action.notice.code for action in advice.actions}


# A correction that was not written down at all


def stepped(before, after, night=20):
    """Return nights whose axis steps, az and alt [arcsec], and the history's events for it."""
    axes = np.where(np.arange(40)[:, None] < night, before, after)
    parts = [
        event(what, night, **{what: float(after[k] - before[k])})
        for k, what in enumerate(("mount_az", "mount_alt"))
        if after[k] != before[k]
    ]
    return nights(axes), parts


COS_LATITUDE = math.cos(math.radians(46.0))


def test_a_knob_that_brings_the_axis_to_the_pole_was_probably_turned_by_hand():
    """Azimuth 300" to 0: on the sky a step of 208.4", 2 sds of slips; as a hand leaves it 0 of 30"."""
    seen, parts = stepped((300.0, 10.0), (0.0, 10.0))
    found = realigned(seen, history(events=tuple(parts)), parts, COS_LATITUDE)
    slip, hand = 150.0 * COS_LATITUDE, math.hypot(30.0, COS_LATITUDE * 4.0 * math.sqrt(2.0 / 3.0))
    odds = math.exp(0.5 * (300.0 / 150.0) ** 2) * slip / hand
    assert found.parts == (Part.MOUNT_AZ,)
    assert found.probability == pytest.approx(odds / (1.0 + odds), rel=1e-9)
    assert found.was_arcsec == pytest.approx(math.hypot(300.0 * COS_LATITUDE, 10.0))
    assert found.now_arcsec == pytest.approx(10.0)
    step_sd = 4.0 * math.sqrt(2.0 / 3.0)  # three nights of 4" on each side
    assert found.sd_arcsec == pytest.approx(step_sd * math.sqrt((COS_LATITUDE**2 + 1.0) / 2.0), rel=1e-9)


def test_both_knobs_at_once_are_ten_times_as_often_a_hand():
    seen, parts = stepped((90.0, 90.0), (0.0, 0.0))
    found = realigned(seen, history(events=tuple(parts)), parts, COS_LATITUDE)
    slips = np.array([150.0 * COS_LATITUDE, 150.0])
    hands = np.hypot(30.0, 4.0 * math.sqrt(2.0 / 3.0) * np.array([COS_LATITUDE, 1.0]))
    odds = 10.0 * math.exp(0.5 * 2 * 0.6**2) * float(np.prod(slips / hands))
    assert found.probability == pytest.approx(odds / (1.0 + odds), rel=1e-9)
    assert (found.after_us, found.before_us) == (parts[0].after_us, parts[0].before_us)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ((0.0, 0.0), (300.0, 0.0)),  # away from the pole
        ((150.0, 200.0), (-150.0, 200.0)),  # past it
        ((300.0, 200.0), (0.0, 200.0)),  # nearer, but by less than half
        ((70.0, 0.0), (0.0, 0.0)),  # 49" on the sky: nobody aligns that
    ],
)
def test_a_slip_that_does_not_bring_the_axis_near_the_pole_is_a_slip(before, after):
    seen, parts = stepped(before, after)
    assert realigned(seen, history(events=tuple(parts)), parts, COS_LATITUDE) is None


def test_who_aligned_without_a_note_is_asked_to_write_it_down_and_not_to_tighten():
    seen, parts = stepped((300.0, 200.0), (5.0, -4.0))
    past = history(events=tuple(parts))
    (action,) = advise(site(), seen, past).actions
    assert action.notice.code is AdviceCode.LOOKS_REALIGNED
    assert action.notice.values["knobs"] == (CorrectionKind.AZIMUTH, CorrectionKind.ALTITUDE)
    tightened = history(events=tuple(parts), corrections=(correction("tighten", 30),))
    assert [one.do for one in advise(site(), seen, tightened).actions] == ["nothing"]


def test_a_slip_and_a_turn_back_without_a_note_ask_for_both():
    """An azimuth slipped by 300" and was turned back: tighten for the one, write down the other."""
    axes = np.zeros((40, 2))
    axes[10:20, 0] = 300.0
    parts = (event("mount_az", 10, mount_az=300.0), event("mount_az", 20, mount_az=-300.0))
    codes = [one.notice.code for one in advise(site(), nights(axes), history(events=parts)).actions]
    assert codes == [AdviceCode.TIGHTEN, AdviceCode.LOOKS_REALIGNED]
