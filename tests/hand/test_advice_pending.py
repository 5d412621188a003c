"""What a correction that no night has seen holds back, and the steps that can be recorded."""

import json
from dataclasses import replace

import pytest
from advice_world import AZ, DAY_US, LAST_US, correction, event, history, nights, ramp, site
from said import said_of

from drift.advice.situation import situation_of
from drift.advice.steps import AdvisedStep, advise, may_be_recorded
from drift.codes import Do
from drift.notices import AdviceCode, info
from drift.readings import StepDone
from drift.types import Action, Bolt

OFF = {"axis_now": (400.0, 300.0)}
TURNS = ["turn_altitude", "turn_azimuth"]


def after(kind, asked=-300.0):
    return replace(correction(kind, asked=asked), time_us=LAST_US + 3_600_000_000)


def done(*corrections):
    return advise(site(), nights(), history(**OFF, corrections=corrections)).actions


def names(actions):
    return [action.do for action in actions]


def test_both_knobs_are_turned_when_nothing_is_pending():
    assert sorted(names(done())) == TURNS
    assert sorted(names(done(correction("azimuth", asked=-60.0, found=-60.0, held=True)))) == TURNS


@pytest.mark.parametrize(("turned", "left"), [("azimuth", "turn_altitude"), ("altitude", "turn_azimuth")])
def test_a_turned_knob_is_not_turned_again_and_the_other_one_still_is(turned, left):
    actions = done(after(turned))
    assert names(actions) == [left, "measure"]
    said = said_of(actions[1])
    assert f"the {turned} was turned on 2024-03-19, and no night shows yet what came of it" in said
    assert said.startswith("After that, measure") and said.endswith(f"leave the {turned} as it is.")


@pytest.mark.parametrize("kind", ["shim", "nuts", "tighten", "remount", "pier"])
def test_what_moves_the_whole_holds_all_back(kind):
    assert names(done(after(kind))) == ["measure"]


def test_both_knobs_turned_leave_one_thing_to_do():
    (only,) = done(after("azimuth"), after("altitude"), after("azimuth"))
    assert only.do == "measure"
    assert said_of(only).count("was turned") == 2


@pytest.mark.parametrize("kind", ["service", "zero"])
def test_what_does_not_move_the_axis_holds_nothing_back(kind):
    assert sorted(names(done(after(kind)))) == TURNS


SLIP = {"events": (event("mount_alt", mount_alt=300.0),), "axis_now": (400.0, 300.0)}


def done_as(step, kind):
    """Return what the record says of a step that was done, when `after` says it was."""
    return StepDone(step=step, kind=kind, time_us=LAST_US + 3_600_000_000)


def told(*corrections, steps=()):
    return advise(site(), nights(), history(**SLIP, corrections=corrections), steps_done=steps)


def test_what_was_done_as_advised_takes_only_itself_off_the_list():
    whole = told().actions
    assert names(whole) == ["tighten", "turn_altitude", "turn_azimuth"]
    steps = (after("tighten", None), after("altitude", -300.0), after("azimuth", -400.0))
    marks = tuple(done_as(f"s{k}", one.kind) for k, one in enumerate(steps))
    for number, part in enumerate([slice(0, 1), slice(0, 2), slice(2, 3), slice(1, 3)]):
        advice = told(*steps[part], steps=marks[part])
        kinds = {"turn_" + c.kind if c.kind != "tighten" else "tighten" for c in steps[part]}
        left = tuple(action for action in whole if action.do not in kinds)
        assert advice.actions[:-1] == left, number
        last = advice.actions[-1].notice
        assert last.code == AdviceCode.NOT_SEEN_YET and last.values["after_the_list"]
        assert [one.step for one in advice.done] == [one.step for one in marks[part]]
    (only,) = told(*steps, steps=marks).actions
    assert only.do == "measure" and only.notice.values["leave_knobs"] == ("azimuth", "altitude")
    assert "leave the azimuth and altitude as they are" in said_of(only)


def test_a_correction_of_another_time_or_kind_is_not_the_step():
    turned = after("azimuth", -400.0)
    other = replace(done_as("s1", "azimuth"), time_us=turned.time_us + 1)
    for steps in ((), (other,), (done_as("s1", "altitude"),)):
        assert told(turned, steps=steps).done == ()


def test_what_is_done_is_said():
    done = told(after("azimuth", -400.0), steps=[done_as("s1", "azimuth")]).done
    assert [said_of(one) for one in done] == ["Done on 2024-03-19: the azimuth was turned west by 6.67'."]


def test_tightening_that_was_not_of_the_list_holds_all_back():
    assert names(told(after("tighten", None)).actions) == ["measure"]


def test_a_knob_that_slipped_is_not_seen_to_by_a_turn_that_no_night_has_seen():
    assert names(told(after("altitude")).actions)[0] == "tighten"


def test_the_list_goes_when_a_night_comes_after():
    seen = replace(after("azimuth", -400.0), time_us=LAST_US - 1, found=-400.0, found_sd=3.0, held=True)
    advice = told(seen, steps=[replace(done_as("s1", "azimuth"), time_us=LAST_US - 1)])
    assert advice.done == () and "measure" not in names(advice.actions)


def test_two_knobs_that_slipped_are_one_step():
    events = (event("mount_alt", 20, mount_alt=300.0), event("mount_az", 30, mount_az=300.0))
    first, *_ = advise(site(), nights(), history(events=events, axis_now=(400.0, 300.0))).actions
    assert said_of(first) == (
        "The azimuth slipped and the altitude slipped: check and tighten their knobs and their locking bolts "
        "before turning them again."
    )


def test_a_correction_of_unknown_size_that_no_night_has_seen_changes_no_verdict():
    grown = ramp(AZ, 400.0)
    quiet, turned = (
        advise(site(), nights(), history(**grown, corrections=c)).verdict
        for c in ((), (after("azimuth", None),))
    )
    assert quiet.moved and turned == quiet


def test_nothing_is_not_said_beside_something_unseen():
    actions = advise(site(), nights(), history(corrections=(after("azimuth"),))).actions
    assert names(actions) == ["measure"]


def action(do, **numbers):
    return Action(do=do, notice=info(AdviceCode.FIRST_NIGHT), **numbers)


def bolt(bearing_deg, thickness_mm, nut_turns=None):
    return Bolt(bearing_deg=bearing_deg, thickness_mm=thickness_mm, nut_turns=nut_turns)


SHIM = action(Do.SHIM, bolts=(bolt(30.0, 0.15), bolt(150.0, 0.05)))
NUTS = action(Do.NUTS, bolts=(bolt(30.0, 0.15, 0.25),))


def test_steps_are_the_rows_of_a_log():
    turn = action(Do.TURN_AZIMUTH, amount_arcmin=-2.83, turns=-0.07)
    assert AdvisedStep.of(action(Do.WAIT)) is None
    knob, shim, nuts = (AdvisedStep.of(one) for one in (turn, SHIM, NUTS))
    assert knob.rows() == ({"kind": "azimuth", "amount_arcmin": "-2.83", "turns": "-0.07"},)
    assert [(r["bearing_deg"], r["thickness_mm"]) for r in shim.rows()] == [("30", "0.15"), ("150", "0.05")]
    assert [(r["bearing_deg"], r["turns"]) for r in nuts.rows()] == [("30", "0.25")]


def test_a_step_comes_back_from_its_numbers():
    turn = action(Do.TURN_AZIMUTH, amount_arcmin=-2.83, turns=-0.07)
    for one in (turn, SHIM, NUTS, action(Do.TIGHTEN)):
        step = AdvisedStep.of(one)
        numbers = json.loads(json.dumps(step.numbers()))
        again = AdvisedStep.from_numbers(str(step.do), numbers)
        assert again.numbers() == step.numbers() and again.rows() == step.rows()


def test_nuts_without_a_thread_have_no_numbers_to_record():
    assert AdvisedStep.of(action(Do.NUTS, bolts=(bolt(30.0, 0.15),))) is None


def test_a_step_may_be_recorded_until_a_newer_night_or_another_correction():
    def may(do, night_us=LAST_US, corrections=(), steps=()):
        past = history(**SLIP, corrections=corrections)
        return may_be_recorded(do, night_us, situation_of(site(), nights(), past, None), past, steps)

    turned, mark = after("azimuth", -400.0), done_as("s1", "azimuth")
    assert may(Do.TURN_AZIMUTH) and may(Do.TIGHTEN)
    assert not may(Do.TURN_AZIMUTH, night_us=LAST_US - DAY_US), "of an older night"
    assert not may(Do.TURN_AZIMUTH, corrections=[turned], steps=[mark]), "done already"
    assert may(Do.TURN_ALTITUDE, corrections=[turned], steps=[mark]), "the rest of the list"
    assert not may(Do.TURN_ALTITUDE, corrections=[after("remount", None)]), "all has moved since"
