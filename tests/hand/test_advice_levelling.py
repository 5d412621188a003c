"""When a base is levelled, when it is left tilted, and when help is called."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from advice_world import EAST, LAST_US, NORTH, correction, history, nights, ramp, site, step, yearly
from exact_mount import axis_of, base
from said import said_of

from drift.advice.cautions import large_tilt_arcsec
from drift.advice.levelling import ACROSS_AT_MOST, across, base_tilt
from drift.advice.situation import situation_of
from drift.advice.steps import advise
from drift.mount.plate import tilt_from_bolts
from drift.night.prepared import split_nights
from drift.notices import AdviceCode
from drift.quantities import DAY_US
from drift.types import HISTORY_COLUMNS, Lasting

BEARINGS = (0.0, 120.0, 240.0)
PLATE = {"bolt_bearings_deg": list(BEARINGS), "bolt_circle_mm": 240.0}
#: Stock of 0.01 mm on a circle of 240 mm is undone to half of 0.01 mm over 180 mm, for both ends.
ROUNDING_ARCSEC = 12.0


def actions(past, latitude_deg=46.0, **sections):
    return advise(site(latitude_deg, **sections), nights(), past).actions


def tip_of(action):
    heights = [next((b.thickness_mm for b in action.bolts if b.bearing_deg == x), 0.0) for x in BEARINGS]
    return tilt_from_bolts(BEARINGS, 240.0, heights)


def test_a_tilted_base_is_left_alone_and_that_is_said():
    tilted = history(axis_now=(0.0, 60.0), **ramp(EAST, 200.0))
    (only,) = actions(tilted)
    assert only.do == "nothing"
    assert "it need not be level to track well" in said_of(only)
    (turn,) = actions(replace(tilted, axis_now=np.array([0.0, 300.0])), plate=PLATE)
    assert turn.do == "turn_altitude"
    assert "it need not be level to track well" in said_of(turn)
    (plain,) = actions(history(axis_now=(0.0, 60.0)))
    assert "level" not in said_of(plain)


@pytest.mark.parametrize("latitude_deg", [46.0, -46.0])
def test_who_wants_it_level_gets_shims_and_turns_that_keep_the_axis(latitude_deg):
    # the base tilts 400" east; levelling tips it 400" west, which moves az_error by -400" tan(phi)
    wants = {"plate": {**PLATE, "want_level": True}}
    shim, turn = actions(history(axis_now=(0.0, 10.0), **ramp(EAST, 400.0)), latitude_deg, **wants)
    assert (shim.do, turn.do) == ("shim", "turn_azimuth")
    north, east = tip_of(shim)
    assert (north, east) == pytest.approx((0.0, -400.0), abs=ROUNDING_ARCSEC)
    assert turn.amount_arcmin * 60.0 == pytest.approx(-east * np.tan(np.radians(latitude_deg)), abs=0.5)
    assert "measure before the knobs are turned" in said_of(shim)


def test_levelling_and_a_wrong_axis_are_put_right_together():
    # 300" too high and tilted 400" north at +46: the tip of 400" south raises the axis by 400" more
    wants = {"plate": {**PLATE, "want_level": True}}
    shim, turn = actions(history(axis_now=(0.0, 300.0), **ramp(NORTH, 400.0)), **wants)
    north, _ = tip_of(shim)
    assert north == pytest.approx(-400.0, abs=ROUNDING_ARCSEC)
    assert turn.do == "turn_altitude"
    assert turn.amount_arcmin * 60.0 == pytest.approx(-300.0 + north, abs=0.5)


def test_what_was_shimmed_is_not_shimmed_again():
    change = ramp(EAST, 400.0)
    change["change"][:, HISTORY_COLUMNS.index("plate_east")] = -np.linspace(0.0, 395.0, 40)
    (only,) = actions(history(**change), plate={**PLATE, "want_level": True})
    assert only.do == "nothing"


def test_the_season_is_not_shimmed_out():
    # all of the 100" of tilt stand for the season: alt_offset -140" at +46 is 140" of tilt north
    past = history(axis_now=(0.0, 0.0), **{**yearly(alt=-140.0), **step(NORTH, 140.0, 30)})
    start = yearly(alt=-140.0)["seasonal_axis_offset"]
    situation = situation_of(site(), nights(), past, None)
    tilt, _ = base_tilt(situation, past)
    day = 29 - 1  # the first night is 29 January
    assert tilt[0] == pytest.approx(140.0 - (140.0 + start[day, 1]), abs=1.0)


def test_a_plate_not_described_is_asked_for_and_the_knobs_still_serve():
    wants = {"plate": {"want_level": True}}
    shim, turn = actions(history(axis_now=(0.0, 300.0), **ramp(EAST, 400.0)), **wants)
    assert (shim.do, shim.bolts, turn.do) == ("shim", (), "turn_altitude")
    assert "plate.bolt_bearings_deg" in said_of(shim)


@pytest.mark.parametrize("latitude_deg", [46.0, -46.0])
def test_knobs_work_across_each_other_as_exact_rotations_say(latitude_deg):
    """Turned by A on a base that tilts t east, the axis changes its altitude by -s A t."""
    tilt, turn, sign = 3000.0, 1800.0, np.sign(latitude_deg)
    _, before, _ = axis_of(latitude_deg, base(latitude_deg, 0.0, tilt, 0.0, 0.0))
    _, after, _ = axis_of(latitude_deg, base(latitude_deg, 0.0, tilt, turn, 0.0))
    shared = turn * tilt / 206265.0
    #: Terms of second order in the turn itself: (1800")^2 sin(2 phi) / 4.
    upright = axis_of(latitude_deg, base(latitude_deg, 0.0, 0.0, turn, 0.0))[1]
    assert after - before - upright == pytest.approx(-sign * shared, abs=0.03 * shared)
    situation = situation_of(site(latitude_deg), nights(), history(**ramp(EAST, tilt)), None)
    on_sky = turn * np.cos(np.radians(latitude_deg))
    assert across(situation, history(**ramp(EAST, tilt))) == pytest.approx(shared / on_sky, rel=1e-6)


def test_a_base_that_tilts_by_a_degree_is_levelled_for_the_knobs_sake():
    # 3600" east at 46 deg: 1.745 % / cos(46 deg) = 2.5 % of each turn goes to the other coordinate
    past = history(axis_now=(0.0, 10.0), **ramp(EAST, 3600.0))
    assert ACROSS_AT_MOST == 0.02
    shims = [a for a in actions(past, plate=PLATE) if a.do == "shim"]
    assert "each knob moves the other coordinate by 3 % of its turn (more than 2 %)" in said_of(shims[0])
    below = history(axis_now=(0.0, 10.0), **ramp(EAST, 2400.0))
    assert not [a for a in actions(below, plate=PLATE) if a.do == "shim"]


def test_a_noted_crack_calls_for_help_until_the_pier_was_worked_on():
    cracked = replace(correction("crack", 30), note="runs down the north side")
    (call,) = actions(history(corrections=(cracked,)))
    assert call.do == "call_for_help" and "crack" in said_of(call).lower()
    mended = correction("pier", 35)
    assert actions(history(corrections=(cracked, mended)))[0].do == "nothing"
    for harmless in ("no crack to be seen", "cracked loose with a long spanner", "not cracked"):
        noted = replace(correction("tighten", 30), note=harmless)
        assert actions(history(corrections=(noted,)))[0].do == "nothing", harmless


def test_a_crack_splits_no_night():
    times = np.array([0, 10], dtype=np.int64) * DAY_US
    kinds = pd.DataFrame({"time_us": times, "kind": ["crack", "azimuth"]})
    assert split_nights(0.0, kinds).correction_us.tolist() == [10 * DAY_US]


def test_a_tilt_too_large_for_the_piers_build_calls_for_help():
    # without a build 1 in 300: 687.5"; with 300 mm and 2.2 m 6 mm at the top: 562.5"
    assert large_tilt_arcsec(site())[0] == pytest.approx(687.5, abs=0.1)
    slender = site(pier={"diameter_mm": 300.0, "depth_m": 1.2, "height_m": 1.0})
    limit, top_mm = large_tilt_arcsec(slender)
    assert (limit, top_mm) == pytest.approx((562.5, 6.0), abs=0.1)
    past = history(axis_now=(0.0, 10.0), **ramp(EAST, 620.0))
    assert [a.do for a in advise(slender, nights(), past).actions] == ["call_for_help"]
    assert [a.do for a in actions(past)] == ["nothing"]
    untold = history(axis_now=(0.0, 10.0), east="no", north="no", **ramp(EAST, 620.0))
    assert [a.do for a in advise(slender, nights(), untold).actions] == ["measure"]


def test_each_reason_for_help_is_said():
    cracked = replace(correction("crack", 30), note="at the foot")
    past = history(
        lasting=Lasting(arcsec_per_year=200.0, arcsec_per_year_sd=30.0, toward_bearing_deg=90.0),
        corrections=(cracked,),
        **ramp(EAST, 900.0),
    )
    calls = [said_of(a) for a in actions(past) if a.do == "call_for_help"]
    assert len(calls) == 3
    assert "crack" in calls[0] and "1 in 300" in calls[1] and "a year" in calls[2]
    said = advise(site(), nights(), past).cautions
    assert [one.code for one in said] == [AdviceCode.BURIED_LINES, AdviceCode.DEEP_HOLES]


def test_past_turns_teach_the_knob_how_far_to_go():
    # asked 300" three times the same way, found 240" each time: the axis does about 0.8 of what is set
    past = tuple(
        replace(correction("altitude", night, asked=-300.0, found=-240.0, held=True), found_sd=2.0)
        for night in (10, 18, 26, 34)
    )
    mount = {"altitude_knob_arcmin_per_turn": 5.0}
    (turn,) = actions(history(axis_now=(0.0, 300.0), corrections=past), mount=mount)
    assert turn.amount_arcmin == pytest.approx(-5.0, abs=0.005)  # what is wanted of the axis
    assert -1.35 < turn.turns < -1.1  # down; 1 turn by the book, 1.25 going by the past
    assert "going by 4 past turns" in said_of(turn) and "which is counted in" in said_of(turn)
    (without,) = actions(history(axis_now=(0.0, 300.0), corrections=past))
    assert without.turns is None and "so set it as for 6" in said_of(without)
    (untaught,) = actions(history(axis_now=(0.0, 300.0)), mount=mount)
    assert untaught.turns == pytest.approx(-1.0)
    assert "about 1 turn" in said_of(untaught)


def test_a_turn_is_ended_pushing_and_that_is_said_once():
    advice = advise(site(), nights(), history(axis_now=(300.0, 300.0)))
    assert len([a for a in advice.actions if a.do.startswith("turn")]) == 2
    assert [one.code for one in advice.cautions].count(AdviceCode.SCREWS_HAVE_PLAY) == 1
    assert not any("play" in said_of(a) or "slack" in said_of(a) for a in advice.actions)
    names = ["mount.altitude_knob_arcmin_per_turn", "mount.azimuth_knob_arcmin_per_turn"]
    assert all(name in said_of(a) for name, a in zip(names, advice.actions, strict=True))


def test_the_last_night_may_be_too_old_by_the_present_time():
    past = history(axis_now=(0.0, 300.0))
    late = advise(site(), nights(), past, LAST_US + 61 * 86_400_000_000).actions
    assert [a.do for a in late] == ["measure"] and "61 days old" in said_of(late[0])
