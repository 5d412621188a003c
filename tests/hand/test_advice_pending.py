"""What a correction that no night has seen holds back, and the steps with their codes."""

from dataclasses import replace

import pytest
from advice_world import AZ, LAST_US, correction, event, history, nights, ramp, site
from said import said_of

from drift.advice.steps import advise, note_of, steps_of
from drift.codes import Do
from drift.notices import AdviceCode, info
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


def as_advised(kind, asked=None):
    return replace(after(kind, asked), note=note_of("abc123"))


SLIP = {"events": (event("mount_alt", mount_alt=300.0),), "axis_now": (400.0, 300.0)}


def told(*corrections):
    return advise(site(), nights(), history(**SLIP, corrections=corrections))


def test_what_was_done_as_advised_takes_only_itself_off_the_list():
    whole = told().actions
    assert names(whole) == ["tighten", "turn_altitude", "turn_azimuth"]
    steps = (as_advised("tighten"), as_advised("altitude", -300.0), as_advised("azimuth", -400.0))
    for number, done_so_far in enumerate([steps[:1], steps[:2], steps[2:], steps[1:]]):
        advice = told(*done_so_far)
        kinds = {"turn_" + c.kind if c.kind != "tighten" else "tighten" for c in done_so_far}
        left = tuple(action for action in whole if action.do not in kinds)
        assert advice.actions[:-1] == left, number
        assert said_of(advice.actions[-1]).startswith("After that, measure on the next clear night")
        assert [one.step for one in advice.done] == ["abc123"] * len(done_so_far)
        assert {s.code for s in steps_of(left, LAST_US)} <= {s.code for s in steps_of(whole, LAST_US)}
    (only,) = told(*steps).actions
    assert only.do == "measure" and "leave the azimuth and altitude as they are" in said_of(only)


def test_what_is_done_is_said():
    done = told(as_advised("azimuth", -400.0)).done
    assert [said_of(one) for one in done] == ["Done on 2024-03-19: the azimuth was turned west by 6.67'."]


def test_tightening_that_was_not_of_the_list_holds_all_back():
    assert names(told(after("tighten", None)).actions) == ["measure"]


def test_a_knob_that_slipped_is_not_seen_to_by_a_turn_that_no_night_has_seen():
    assert names(told(after("altitude")).actions)[0] == "tighten"


def test_the_list_goes_when_a_night_comes_after():
    seen = replace(as_advised("azimuth", -400.0), time_us=LAST_US - 1, found=-400.0, found_sd=3.0, held=True)
    advice = told(seen)
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
    turn = action(Do.TURN_AZIMUTH, amount_arcmin=-2.83, turns=0.07)
    wait, knob, shim, nuts = steps_of((action(Do.WAIT), turn, SHIM, NUTS), LAST_US)
    assert (wait.code, wait.rows) == ("", ())
    (row,) = knob.rows
    assert row == {
        "kind": "azimuth", "amount_arcmin": "-2.83", "turns": "0.07", "note": note_of(knob.code),
    }  # fmt: skip
    assert [(r["bearing_deg"], r["thickness_mm"]) for r in shim.rows] == [("30", "0.15"), ("150", "0.05")]
    assert [(r["bearing_deg"], r["turns"]) for r in nuts.rows] == [("30", "0.25")]
    assert len({knob.code, shim.code, nuts.code}) == 3


def test_a_code_names_the_step_and_its_night():
    turn = action(Do.TURN_AZIMUTH, amount_arcmin=-2.83, turns=0.07)
    same = replace(turn, notice=info(AdviceCode.OLD_NIGHT))
    further = replace(turn, amount_arcmin=-2.84)
    (code,), (again,), (other,) = (
        [step.code for step in steps_of((one,), LAST_US)] for one in (turn, same, further)
    )
    assert code == again != other
    assert steps_of((turn,), LAST_US + 1)[0].code != code


def test_nuts_without_a_thread_have_no_numbers_to_record():
    (step,) = steps_of((action(Do.NUTS, bolts=(bolt(30.0, 0.15),)),), LAST_US)
    assert (step.code, step.rows) == ("", ())
