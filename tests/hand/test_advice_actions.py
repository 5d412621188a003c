"""What to do on invented histories: which step, which way, how far, until when."""

from dataclasses import replace

import numpy as np
import pytest
from advice_world import (
    DAY_US,
    LAST_US,
    correction,
    event,
    history,
    nights,
    site,
    yearly,
)
from said import said_of

from drift.advice.steps import advise
from drift.codes import AxisBound, Lift
from drift.mount.plate import tilt_from_bolts
from drift.notices import AdviceCode, NightCode, warning
from drift.render.notices import sentence
from drift.types import Lasting, Seasonal

#: Amounts are given to 0.01 arcmin.
ROUNDING_ARCMIN = 0.005


def steps(past, latitude_deg=46.0, now_us=None, seen=None, **sections):
    return advise(site(latitude_deg, **sections), seen or nights(), past, now_us).actions


def names(actions):
    return [action.do for action in actions]


def test_an_axis_inside_its_limit_needs_nothing():
    (only,) = steps(history(axis_now=(0.0, 60.0)))
    assert (only.do, only.notice.code) == ("nothing", AdviceCode.NOTHING)
    values = only.notice.values
    assert (values["axis_arcsec"], values["axis_sd_arcsec"]) == pytest.approx((60.0, 3.0))
    assert (values["margin_arcsec"], values["tolerance_arcsec"]) == pytest.approx((60.0, 120.0))
    assert values["tolerance_of"] == AxisBound.WARNING_LIMIT
    assert "1.00' ± 0.05' inside the warning limit for the axis (2')" in said_of(only)


@pytest.mark.parametrize(
    ("latitude_deg", "az", "way"),
    [
        (46.0, 240.0, "west (anticlockwise"),
        (46.0, -240.0, "east (clockwise"),
        (-46.0, 240.0, "east (anticlockwise"),
        (-46.0, -240.0, "west (clockwise"),
    ],
)
def test_the_azimuth_goes_back_to_the_pole_in_both_hemispheres(latitude_deg, az, way):
    mount = {"azimuth_knob_arcmin_per_turn": 6.0}
    (turn,) = steps(history(axis_now=(az, 5.0)), latitude_deg, mount=mount)
    assert turn.do == "turn_azimuth"
    assert turn.amount_arcmin == pytest.approx(-az / 60.0, abs=ROUNDING_ARCMIN)
    assert turn.turns == pytest.approx(-np.sign(az) * 0.67, abs=ROUNDING_ARCMIN), "the sign of the amount"
    values = turn.notice.values
    assert (turn.notice.code, values["knob"]) == (AdviceCode.TURN, "azimuth")
    assert way == f"{values['side']} ({'clockwise' if values['clockwise'] else 'anticlockwise'}"
    assert f"so that the axis goes {way}" in said_of(turn)
    assert "by 4.00' ± 0.05' (0.67 turns of the knob, about 240°)" in said_of(turn)


@pytest.mark.parametrize("latitude_deg", [46.0, -46.0])
@pytest.mark.parametrize(("alt", "way"), [(180.0, "down"), (-180.0, "up")])
def test_up_is_up_in_both_hemispheres(latitude_deg, alt, way):
    (turn,) = steps(history(axis_now=(0.0, alt)), latitude_deg)
    assert (turn.do, turn.turns) == ("turn_altitude", None)
    assert turn.amount_arcmin == pytest.approx(-alt / 60.0, abs=ROUNDING_ARCMIN)
    assert f"goes {way} by 3.00'" in said_of(turn)


def test_the_larger_on_the_sky_comes_first_and_a_small_one_is_left():
    # at 60 degrees 300" of azimuth are 150" on the sky
    assert names(steps(history(axis_now=(300.0, 200.0)), 60.0)) == ["turn_altitude", "turn_azimuth"]
    assert names(steps(history(axis_now=(300.0, 50.0)), 60.0)) == ["turn_azimuth"]


def test_nothing_is_turned_by_what_is_not_known_well_enough():
    past = history(axis_now=(0.0, 130.0), axis_sd=(70.0, 70.0))
    (only,) = steps(past)
    assert (only.do, only.notice.code) == ("measure", AdviceCode.AXIS_UNCERTAIN)
    assert (only.notice.values["axis_arcsec"], only.notice.values["axis_sd_arcsec"]) == (130.0, 70.0)


def test_where_a_model_inside_the_mount_may_hide_the_axis_the_owner_is_asked_for_it():
    past = history(axis_now=(0.0, 130.0), axis_sd=(70.0, 70.0))
    told = warning(NightCode.AXIS_RESTS_ON_RAW_REPORTS, chance=0.12)
    advice = advise(site(), replace(nights(), notices=(told,)), past)
    (only,) = advice.actions
    assert (only.do, only.notice.code) == ("measure", AdviceCode.SAY_WHAT_IS_REPORTED)
    assert 'reports = "raw" under [mount]' in sentence(only.notice)


def test_the_optics_tighten_the_limit():
    # 1000 mm and 4.8481 um: 1" a pixel; in 300 s the chord is 0.021876 of the error, so 45.7" are allowed
    optics = {
        "focal_length_mm": 1000.0,
        "pixel_um": 4.848137,
        "exposure_s": 300.0,
        "typical_declination_deg": 0.0,
    }
    advice = advise(site(optics={**optics, "guided": False}), nights(), history(axis_now=(0.0, 60.0)))
    matter = next(m for m in advice.matters if m.effect == AxisBound.TRAILING)
    assert matter.allowed_arcmin * 60.0 == pytest.approx(45.71, abs=0.01)
    assert names(advice.actions) == ["turn_altitude"]
    assert "0.24' ± 0.05' too much" in said_of(matter)
    guided = advise(site(optics={**optics, "guided": True}), nights(), history(axis_now=(0.0, 60.0)))
    matter = next(m for m in guided.matters if m.effect == AxisBound.CORNER_ROTATION)
    # a sensor of 24 x 18 mm (the default) has its corner 15 mm from the middle
    # the corner turns by one pixel: 4.848137 um / 15 mm = 66.67", over a chord of 0.021876
    assert matter.allowed_arcmin * 60.0 == pytest.approx(66.667 / 0.0218760, rel=1e-3)
    assert names(guided.actions) == ["nothing"]


def test_what_the_season_takes_back_is_waited_for():
    # 150" now = 10" lasting + 140" seasonal; 10 + 140 cos(2 pi d / 365.25) <= 120 first on day 39
    (wait,) = steps(history(axis_now=(0.0, 150.0), **yearly(alt=140.0)))
    assert wait.do == "wait"
    assert wait.until_us == LAST_US + 39 * DAY_US
    values = wait.notice.values
    assert wait.notice.code == AdviceCode.WAIT_FOR_SEASON
    assert (values["left_arcsec"], values["until_date"]) == (pytest.approx(10.0, abs=0.1), "2024-04-27")
    assert "of the present 2.50' ± 0.05' the season takes back all but 0.2' ± 0.2'" in said_of(wait)


def test_what_lasts_is_turned_out_and_the_season_left_to_itself():
    # 300" now = 160" lasting + 140" seasonal; afterwards 140 cos(...) <= 120 first on day 32
    past = history(axis_now=(0.0, 300.0), **yearly(alt=140.0))
    wait, turn = steps(past)
    assert (wait.do, turn.do) == ("wait", "turn_altitude")
    assert turn.amount_arcmin == pytest.approx(-160.0 / 60.0, abs=ROUNDING_ARCMIN)
    assert wait.until_us == LAST_US + 32 * DAY_US
    assert "2.7' ± 0.2'" in said_of(turn)


def test_winters_that_differ_leave_it_open_what_lasts():
    # 300" now = 160" lasting + 140" seasonal; winters of 0.7, 1.0 and 1.3 of a swing of 280" scatter by 84"
    # at the peak, and 160" are within 2 sd of none
    differ = {"alt": 140.0, "swings": (0.7, 1.0, 1.3)}
    (wait,) = steps(history(axis_now=(0.0, 300.0), **yearly(**differ)))
    assert (wait.do, wait.notice.code) == ("wait", AdviceCode.WAIT_FOR_WHAT_LASTS)
    assert wait.notice.values["lasting_arcsec"] == pytest.approx(160.0, abs=0.1)
    assert wait.notice.values["lasting_sd_arcsec"] == pytest.approx(84.0, abs=2.0)
    assert "how much of it lasts (2.7' ± 1.4')" in said_of(wait)
    # half a year on, when the heave is out
    assert abs(wait.until_us - (LAST_US + 183 * DAY_US)) <= DAY_US
    # one winter alone is taken to differ by 0.3 as well
    assert names(steps(history(axis_now=(0.0, 300.0), **yearly(alt=140.0, swings=(1.0,))))) == ["wait"]


def test_with_the_heave_out_the_difference_of_winters_does_not_count():
    # the last night stands at the other end, -140" seasonal: 300" now are 440" lasting +- 14" (mean swing)
    out = yearly(alt=-140.0, swings=(0.7, 1.0, 1.3))
    out["seasonal"] = replace(out["seasonal"], peak_day_of_year=79 + 183)
    wait, turn = steps(history(axis_now=(0.0, 300.0), **out))
    assert (wait.do, turn.do) == ("wait", "turn_altitude")
    assert turn.amount_arcmin == pytest.approx(-440.0 / 60.0, abs=ROUNDING_ARCMIN)
    assert "by 7.3' ± 0.2'" in said_of(turn)


def test_a_season_that_may_be_there_widens_what_lasts():
    # a swing of 100" +- 80" is not sure: it may stand for sqrt(100^2 + 80^2) / 2 = 64" of the 130"
    unsure = Seasonal(
        peak_to_trough=100.0, peak_to_trough_sd=80.0, toward_bearing_deg=None, peak_day_of_year=None
    )
    (only,) = steps(history(axis_now=(0.0, 125.0), seasonal=unsure))
    assert only.do == "measure"
    assert "how much of it lasts (2.1' ± 1.1')" in said_of(only)
    (turn,) = steps(history(axis_now=(0.0, 300.0), seasonal=unsure))
    assert turn.do == "turn_altitude"


def test_a_season_that_should_be_over_is_measured_not_waited_for():
    past = history(axis_now=(0.0, 150.0), **yearly(alt=140.0))
    assert names(steps(past, now_us=LAST_US + 50 * DAY_US)) == ["measure"]
    assert names(steps(past, now_us=LAST_US + 5 * DAY_US)) == ["wait"]


def test_an_old_night_turns_no_knob():
    past = history(axis_now=(0.0, 300.0))
    (only,) = steps(past, now_us=LAST_US + 100 * DAY_US)
    assert (only.do, only.notice.code) == ("measure", AdviceCode.OLD_NIGHT)
    assert dict(only.notice.values) == {"age_days": 100, "last_night_date": "2024-03-18"}


def test_a_step_seen_once_is_seen_again_before_anything_is_turned():
    seen_once = event("mount_az", 39, provisional=True, mount_az=300.0)
    (only,) = steps(history(axis_now=(300.0, 0.0), events=(seen_once,)))
    assert (only.do, only.notice.code) == ("measure", AdviceCode.STEP_SEEN_ONCE)


def test_a_hidden_lasting_error_is_told_but_not_turned():
    # -40" now = 100" seasonal - 140" lasting
    (only,) = steps(history(axis_now=(0.0, -40.0), **yearly(alt=100.0)))
    assert only.do == "nothing"
    assert only.notice.values["lasting_arcsec"] == pytest.approx(140.0, abs=0.1)
    assert "the season hides part of a lasting error of 2.33'" in said_of(only)


def test_an_undetermined_step_asks_for_what_would_settle_it():
    slip = event("undetermined", probability={"pier": 0.5, "mount_az": 0.49}, mount_az=80.0, tilt_east=80.0)
    actions = steps(history(axis_now=(150.0, 0.0), events=(slip,), east="no", north="partly"))
    assert actions[0].do == "measure"
    assert "5 level readings on the pier top" in said_of(actions[0])


def test_a_slip_is_tightened_before_it_is_turned_back():
    slip = event("mount_az", mount_az=300.0)
    assert names(steps(history(axis_now=(300.0, 0.0), events=(slip,)))) == ["tighten", "turn_azimuth"]
    tightened = (correction("tighten", 30),)
    past = history(axis_now=(300.0, 0.0), events=(slip,), corrections=tightened)
    assert names(steps(past)) == ["turn_azimuth"]
    turned = (correction("azimuth", 30, asked=-300.0, found=-300.0, held=True),)
    assert names(steps(history(events=(slip,), corrections=turned))) == ["nothing"]
    did_not_hold = (correction("azimuth", 30, asked=-300.0, found=-120.0, held=False),)
    assert names(steps(history(events=(slip,), corrections=did_not_hold))) == ["tighten"]


PLATE = {"bolt_bearings_deg": [0.0, 120.0, 240.0], "bolt_circle_mm": 200.0}


@pytest.mark.parametrize(("latitude_deg", "raised"), [(46.0, (0.0,)), (-46.0, (120.0, 240.0))])
def test_a_knob_out_of_travel_is_replaced_by_shims(latitude_deg, raised):
    # the axis must come up by 20': in the north the plate's top tips south, so its north bolt rises
    past = history(axis_now=(0.0, -1200.0))
    (shim,) = steps(past, latitude_deg, mount={"knob_travel_arcmin": 15.0}, plate=PLATE)
    assert shim.do == "shim"
    assert tuple(bolt.bearing_deg for bolt in shim.bolts) == raised
    # 1200" over 150 mm are 0.8727 mm
    assert [bolt.thickness_mm for bolt in shim.bolts] == pytest.approx([0.87] * len(raised))
    heights = [
        next((b.thickness_mm for b in shim.bolts if b.bearing_deg == x), 0.0) for x in (0.0, 120.0, 240.0)
    ]
    north, east = tilt_from_bolts((0.0, 120.0, 240.0), 200.0, heights)
    assert -np.sign(latitude_deg) * north == pytest.approx(1200.0, rel=0.005)
    assert east == pytest.approx(0.0, abs=1e-6)
    assert "can't reach" in said_of(shim)


def test_nuts_are_turned_by_their_pitch():
    # ISO 261: the coarse pitch of M8 is 1.25 mm; 0.8727 mm are 16.8 quarters of a flat
    plate = {**PLATE, "nuts": True, "thread": "M8"}
    past = history(axis_now=(0.0, -1200.0))
    (nuts,) = steps(past, mount={"knob_travel_arcmin": 15.0}, plate=plate)
    assert nuts.do == "nuts"
    assert [bolt.nut_turns for bolt in nuts.bolts] == pytest.approx([17.0 / 24.0], abs=5e-5)
    assert "by 4 1/4 flats of its nut (0.89 mm)" in said_of(nuts)  # 17 x 1.25 mm / 24


def test_a_plate_that_is_not_described_is_asked_for():
    (shim,) = steps(history(axis_now=(0.0, -1200.0)), mount={"knob_travel_arcmin": 15.0})
    assert (shim.do, shim.bolts) == ("shim", ())
    assert "plate.bolt_bearings_deg" in said_of(shim)


def test_an_azimuth_out_of_travel_and_one_near_its_end_are_flagged():
    (turn,) = steps(history(axis_now=(1200.0, 0.0)), mount={"knob_travel_arcmin": 15.0})
    assert (turn.do, turn.turns) == ("turn_azimuth", None)
    assert "turn the mount's base" in said_of(turn)
    (near,) = steps(history(axis_now=(600.0, 0.0)), mount={"knob_travel_arcmin": 15.0})
    assert "whole travel is 15'" in said_of(near)


def test_a_tilt_that_runs_away_calls_for_help():
    # 200 - 2 * 30 = 140 a year is beyond 120; 200 - 2 * 45 = 110 is not
    running = history(
        lasting=Lasting(arcsec_per_year=200.0, arcsec_per_year_sd=30.0, toward_bearing_deg=90.0)
    )
    (call,) = steps(running)
    assert (call.do, call.notice.code) == ("call_for_help", AdviceCode.TILT_RUNS_AWAY)
    assert call.notice.values["arcsec_per_year"] == 200.0
    assert '200" ± 30" a year toward the east' in said_of(call)
    assert names(
        steps(
            history(lasting=Lasting(arcsec_per_year=200.0, arcsec_per_year_sd=45.0, toward_bearing_deg=90.0))
        )
    ) == ["nothing"]
    assert names(
        steps(
            history(
                lasting=Lasting(arcsec_per_year=200.0, arcsec_per_year_sd=30.0, toward_bearing_deg=90.0),
                east="no",
                north="no",
            )
        )
    ) == ["nothing"]


def test_no_axis_asks_for_a_first_night():
    empty = history(axis_now=(np.nan, np.nan), axis_sd=(np.nan, np.nan), change=np.full((40, 6), np.nan))
    (only,) = steps(empty, seen=nights(times=()))
    assert (only.do, only.notice.code) == ("measure", AdviceCode.FIRST_NIGHT)


def test_cautions_belong_to_what_is_advised():
    def minded(where, past):
        return {caution.code: caution for caution in advise(where, nights(), past).cautions}

    assert minded(site(), history()) == {}
    turn = minded(site(), history(axis_now=(300.0, 0.0)))
    assert list(turn) == [
        AdviceCode.PARK_FIRST,
        AdviceCode.EASE_BOLTS,
        AdviceCode.SCREWS_HAVE_PLAY,
        AdviceCode.NEVER_THE_SUN,
    ]
    heavy = site(mount={"knob_travel_arcmin": 15.0, "mass_kg": 60.0}, plate=PLATE)
    shims = minded(heavy, history(axis_now=(0.0, -1200.0)))
    assert list(shims) == [
        AdviceCode.PARK_FIRST,
        AdviceCode.TAKE_LOAD_OFF,
        AdviceCode.LIFTING,
        AdviceCode.POWER_OFF,
    ]
    assert shims[AdviceCode.LIFTING].values["by"] == Lift.MACHINE
    digging = minded(
        site(),
        history(lasting=Lasting(arcsec_per_year=200.0, arcsec_per_year_sd=30.0, toward_bearing_deg=90.0)),
    )
    assert list(digging) == [AdviceCode.BURIED_LINES, AdviceCode.DEEP_HOLES]
    assert "1.2 m" in said_of(digging[AdviceCode.DEEP_HOLES])
    altitude = minded(site(), history(axis_now=(0.0, 300.0)))
    assert "support the head before you ease the locks" in said_of(altitude[AdviceCode.SCREW_CARRIES_HEAD])


@pytest.mark.parametrize(
    ("mass_kg", "by", "said"),
    [
        (12.0, Lift.ONE_PERSON, "have its support in place"),
        (25.0, Lift.TWO_PEOPLE, "25 kg: two people and a plan"),
        (50.0, Lift.TWO_PEOPLE, "50 kg: two people and a plan"),
        (60.0, Lift.MACHINE, "a hoist, a jack or a crane that is rated for it"),
        (1000.0, Lift.MACHINE, "1000 kg, more than people should lift"),
        (None, None, "from some 50 kg on a hoist, a jack or a crane"),
    ],
)
def test_what_two_people_can_not_lift_is_for_a_machine(mass_kg, by, said):
    mount = {"knob_travel_arcmin": 15.0} | ({} if mass_kg is None else {"mass_kg": mass_kg})
    advice = advise(site(mount=mount, plate=PLATE), nights(), history(axis_now=(0.0, -1200.0)))
    (lifting,) = (one for one in advice.cautions if one.code == AdviceCode.LIFTING)
    assert lifting.values["by"] == by
    assert said in said_of(lifting)


def test_nothing_to_do_agrees_with_a_field_that_turns_over_a_session():
    # 60" let the corner turn by more than a pixel in 180 min: the axis is within its limit, the frames turn
    advice = advise(site(), nights(), history(axis_now=(0.0, 60.0)))
    (only,) = advice.actions
    assert only.do == "nothing"
    assert [remark.code for remark in only.remarks] == [AdviceCode.TURN_FRAMES_BACK]
    (session,) = (m for m in advice.matters if m.effect == AxisBound.SESSION_ROTATION)
    assert session.margin_arcmin < 0.0 and not session.binding
    assert "too much" not in said_of(session) and "turn the frames back" in said_of(session)
    (calm,) = advise(site(), nights(), history(axis_now=(0.0, 10.0))).actions
    assert calm.remarks == ()


def test_turning_the_base_needs_the_cautions_of_lifting():
    far = advise(site(mount={"knob_travel_arcmin": 15.0}), nights(), history(axis_now=(1200.0, 0.0)))
    assert AdviceCode.LIFTING in [caution.code for caution in far.cautions]


def test_a_short_record_says_that_a_turn_may_be_of_the_season():
    times = np.array([LAST_US - 60 * DAY_US, LAST_US])
    (turn,) = steps(history(axis_now=(0.0, 300.0)), seen=nights((0.0, 300.0), times=times))
    assert turn.notice.values["span_days"] == pytest.approx(60.0)
    assert "the nights span 60 days" in said_of(turn)


def test_what_one_sensor_shows_waits_for_a_night():
    knocked = replace(event("pier", 39, provisional=True, tilt_east=-60.0), only_sensor=True)
    (only,) = steps(history(axis_now=(300.0, 0.0), events=(knocked,)))
    assert (only.do, only.notice.code) == ("measure", AdviceCode.STEP_SEEN_ONCE)
    assert only.notice.values["only_sensor"]
    assert "seen by the tilt sensor only, which may have been knocked" in sentence(only.notice)
