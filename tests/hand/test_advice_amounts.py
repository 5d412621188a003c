"""Amounts as a person at the pier can set them, and what the axis error does, in a short sentence."""

import pytest
from advice_world import NORTH, history, nights, ramp, site
from said import said_of

from drift.advice.plate import in_steps, stacked, tip_plate
from drift.advice.steps import advise
from drift.notices import AdviceCode, info
from drift.render.advice_words import matter_name

PLATE = {"bolt_bearings_deg": (0.0, 120.0, 240.0), "bolt_circle_mm": 200.0}
PURPOSE = info(
    AdviceCode.TO_LEVEL_BASE,
    tilt_north_arcsec=0.0,
    tilt_east_arcsec=60.0,
    tilt_sd_arcsec=3.0,
    since_date="2024-01-01",
    knobs_share=None,
    knobs_share_limit=0.02,
)
#: Of what counts only for frames that are stacked as they are.
UNTURNED = " more than that, so turn the frames back."
#: The north bolt on this circle stands 150 mm from the line of the other two.
LEVER_MM, ARCSEC = 150.0, 206_264.806


def tipped(mm, **plate):
    """Return the sentence on a tip for which the north bolt rises by `mm`."""
    return said_of(tip_plate(site(plate={**PLATE, **plate}), -mm / LEVER_MM * ARCSEC, 0.0, PURPOSE).action)


@pytest.mark.parametrize(
    ("stock", "mm", "said"),
    [
        ((0.1, 0.2, 0.5), 0.31, "by 0.3 mm (0.2 + 0.1);"),
        ((0.05, 0.5), 0.5, "by 0.5 mm;"),
        ((0.025, 0.1), 0.124, "by 0.125 mm (0.1 + 0.025);"),
    ],
)
def test_shims_are_told_to_the_digits_of_the_stock(stock, mm, said):
    assert said in tipped(mm, shims_mm=stock)


@pytest.mark.parametrize(
    ("mm", "said"),
    [
        # ISO 261: a turn of M8 is 1.25 mm, so a flat 0.2083 mm and a quarter of one 0.052 mm
        (0.052, "by 1/4 flat of its nut (0.05 mm)"),
        (0.208, "by 1 flat of its nut (0.21 mm)"),
        (0.52, "by 2 1/2 flats of its nut (0.52 mm)"),
        (1.25, "by 1 turn of its nut (1.25 mm)"),
        (3.9, "by 3 turns and 3/4 flat of its nut (3.91 mm)"),
    ],
)
def test_nuts_are_told_in_flats(mm, said):
    assert said in tipped(mm, nuts=True, thread="M8")


def test_nuts_are_set_to_quarters_of_a_flat_and_what_that_leaves_is_said():
    # ISO 261: a turn of M12 is 1.75 mm, so a quarter of a flat 0.0729 mm, on a lever of 187.5 mm 80"
    plate = {**PLATE, "bolt_circle_mm": 250.0, "nuts": True, "thread": "M12"}
    lever, quarter = 187.5, 1.75 / 24.0
    wanted = -2.3 * quarter / lever * ARCSEC
    tip = tip_plate(site(plate=plate), wanted, 0.0, PURPOSE)
    (bolt,) = tip.action.bolts
    assert (bolt.thickness_mm, bolt.nut_turns) == pytest.approx((2.0 * quarter, 2.0 / 24.0), abs=5e-5)
    assert "by 1/2 flat of its nut (0.15 mm)" in said_of(tip.action)
    assert 'leave 24" of the tip undone' in said_of(tip.action)  # 0.3 of 80"
    # what comes after reckons with what is set, not with what was wanted
    assert tip.north_arcsec == pytest.approx(-2.0 * quarter / lever * ARCSEC, rel=1e-6)


@pytest.mark.parametrize("north", [-30.0, 30.0, -39.0])
def test_nuts_too_coarse_for_a_tip_are_left_alone(north):
    plate = {**PLATE, "bolt_circle_mm": 250.0, "nuts": True, "thread": "M12"}
    tip = tip_plate(site(plate=plate), north, 0.0, PURPOSE)
    assert tip.left and tip.action.bolts == () and tip.north_arcsec == 0.0
    assert "too coarse: a quarter of a flat, 0.073 mm, is the least" in said_of(tip.action)
    assert 'tips the plate by 80"' in said_of(tip.action)
    assert "leave it to the knobs, or use shims" in said_of(tip.action)


def test_a_tilt_too_small_for_nuts_is_a_remark_and_no_step():
    plate = {**PLATE, "bolt_circle_mm": 250.0, "nuts": True, "thread": "M12", "want_level": True}
    (only,) = advise(site(plate=plate), nights(), history(axis_now=(0.0, 30.0), **ramp(NORTH, 35.0))).actions
    assert only.do == "nothing" and "nuts are too coarse" in said_of(only)
    off = history(axis_now=(0.0, 300.0), **ramp(NORTH, 35.0))
    (turn,) = advise(site(plate=plate), nights(), off).actions
    assert turn.do == "turn_altitude" and "nuts are too coarse" in said_of(turn)


def test_nuts_of_unknown_thread_need_a_gauge():
    assert "by 0.87 mm, by a dial gauge" in tipped(0.87, nuts=True)


def test_each_bolt_is_told_once():
    from drift.render.status import action_words

    past = history(axis_now=(0.0, -1200.0))
    shim = advise(site(mount={"knob_travel_arcmin": 15.0}, plate=PLATE), nights(), past).actions[0]
    assert shim.bolts and action_words(shim).count(" mm") == 1


@pytest.mark.parametrize("guided", [True, False])
def test_what_matters_is_said_in_a_short_sentence(guided):
    for matter in advise(site(optics={"guided": guided}), nights(), history(axis_now=(0.0, 60.0))).matters:
        first, *rest = said_of(matter).split("  ")
        name, said = first.split(": ", 1)
        assert name.lower() == matter_name(matter)
        assert said.startswith("up to ") and "' is allowed (" in said
        assert said.endswith((" to spare.", " too much.", UNTURNED))
        # from 10' on a margin is rounded to 1', in which its uncertainty of 0.05' is lost
        margin = abs(matter.margin_arcmin)
        assert ("' ± 0.05' " in said) == (margin < 10.0), said
        assert len(said) <= 200 and len(" ".join(rest)) <= 190


def test_a_margin_smaller_than_its_uncertainty_is_too_close_to_call():
    near = history(axis_now=(0.0, 118.0), axis_sd=(12.0, 12.0))
    advice = advise(site(), nights(), near)
    (only,) = advice.actions
    assert "0.0' ± 0.2' inside the warning limit for the axis (2'), too close to call." in said_of(only)
    far = advise(site(), nights(), history(axis_now=(0.0, 60.0), axis_sd=(3.0, 3.0)))
    assert "1.00' ± 0.05' inside the warning limit for the axis (2')." in said_of(far.actions[0])
    near_ones = [said_of(matter) for matter in advice.matters if abs(matter.margin_arcmin) < 10.0]
    assert near_ones and all(
        any(f" ± 0.2' {end}" in said for end in ("to spare", "too much", "more than that"))
        for said in near_ones
    )


def test_bolts_that_stand_unevenly_seat_by_the_largest_gap():
    """At 0, 60, 180 and 300 degrees heights lie in one plane where -3 a + 2 b - c + 2 d is 0.

    1 mm at the north bolt alone is off it by 3, 2, 1 and 2 sixths of 1 mm: half a millimetre.  1, 1, 0 and 1
    mm are off by 3, 2, 1 and 2 eighteenths, and their plane rises by 5/9 where 1/3 of the arm is wanted:
    nearer, on an arm of 100 mm.
    """
    bearings = (0.0, 60.0, 180.0, 300.0)
    found = in_steps(bearings, 200.0, (1.0, 0.0, 0.0, 0.0), 1.0)
    assert found.heights_mm == (1.0, 1.0, 0.0, 1.0)
    assert found.misfit_mm == pytest.approx(3.0 / 18.0)
    assert found.left_arcsec == pytest.approx((5.0 / 9.0 - 1.0 / 3.0) / 100.0 * ARCSEC, rel=1e-5)
    assert stacked(bearings, 200.0, (1.0, 0.0, 0.0, 0.0), (1.0,)).misfit_mm < 0.005
