"""What a correction that no night has seen holds back, and the steps with their codes."""

from dataclasses import replace

import pytest
from advice_world import LAST_US, correction, history, nights, site

from drift.advice.advise import advise
from drift.advice.plan import note_of, steps_of
from drift.advice.result import Action, Bolt

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
    assert names(actions) == ["measure", left]
    assert (
        f"the {turned} was turned on 2024-03-19, and no night shows yet what came of it"
        in actions[0].sentence
    )


@pytest.mark.parametrize("kind", ["shim", "nuts", "tighten", "remount", "pier"])
def test_what_moves_the_whole_holds_all_back(kind):
    assert names(done(after(kind))) == ["measure"]


def test_both_knobs_turned_leave_one_thing_to_do():
    (only,) = done(after("azimuth"), after("altitude"), after("azimuth"))
    assert only.do == "measure"
    assert only.sentence.count("was turned") == 2


@pytest.mark.parametrize("kind", ["service", "zero"])
def test_what_does_not_move_the_axis_holds_nothing_back(kind):
    assert sorted(names(done(after(kind)))) == TURNS


def test_nothing_is_not_said_beside_something_unseen():
    actions = advise(site(), nights(), history(corrections=(after("azimuth"),))).actions
    assert names(actions) == ["measure"]


SHIM = Action("shim", "x", bolts=(Bolt(30.0, 0.15, None), Bolt(150.0, 0.05, None)))
NUTS = Action("nuts", "x", bolts=(Bolt(30.0, 0.15, 0.25),))


def test_steps_are_the_rows_of_a_log():
    turn = Action("turn_azimuth", "x", amount_arcmin=-2.83, turns=0.07)
    wait, knob, shim, nuts = steps_of((Action("wait", "x"), turn, SHIM, NUTS), LAST_US)
    assert (wait.code, wait.rows) == ("", ())
    (row,) = knob.rows
    assert row == {
        "kind": "azimuth", "amount_arcmin": "-2.83", "turns": "0.07", "note": note_of(knob.code),
    }  # fmt: skip
    assert [(r["bearing_deg"], r["thickness_mm"]) for r in shim.rows] == [("30", "0.15"), ("150", "0.05")]
    assert [(r["bearing_deg"], r["turns"]) for r in nuts.rows] == [("30", "0.25")]
    assert len({knob.code, shim.code, nuts.code}) == 3


def test_a_code_names_the_step_and_its_night():
    turn = Action("turn_azimuth", "x", amount_arcmin=-2.83, turns=0.07)
    same = replace(turn, sentence="other words")
    further = replace(turn, amount_arcmin=-2.84)
    (code,), (again,), (other,) = (
        [step.code for step in steps_of((one,), LAST_US)] for one in (turn, same, further)
    )
    assert code == again != other
    assert steps_of((turn,), LAST_US + 1)[0].code != code


def test_nuts_without_a_thread_have_no_numbers_to_record():
    (step,) = steps_of((Action("nuts", "x", bolts=(Bolt(30.0, 0.15, None),)),), LAST_US)
    assert (step.code, step.rows) == ("", ())
