"""Plates on bolts against numbers worked out by hand and against exact rotations."""

import numpy as np
import pytest

from drift.errors import PlateError
from drift.mount.plate import heights_for_tilt, seat_on_bolts, tilt_from_bolts

ARCSEC = 180.0 * 3600.0 / np.pi
#: The values below are given to two decimals.
ROUNDING_ARCSEC = 0.005
#: Second-order terms of a tip of 600 arcsec are below 3e-6 of it.
FIRST_ORDER = 1e-5

THREE = (90.0, 210.0, 330.0)
FOUR = (0.0, 90.0, 180.0, 270.0)


def test_a_twentieth_under_one_side_of_200_mm_is_51_57_arcsec():
    # common practice: 0.05 mm / 200 mm; here the two east bolts up against the two west ones
    north, east = tilt_from_bolts((45.0, 135.0, 225.0, 315.0), 200.0 * np.sqrt(2.0), (0.05, 0.05, 0.0, 0.0))
    assert east == pytest.approx(-51.57, abs=ROUNDING_ARCSEC)
    assert north == pytest.approx(0.0, abs=1e-9)


def test_a_twentieth_under_one_of_three_bolts_tips_68_75():
    # 0.05 mm over 150 mm, the distance from a bolt to the line of the other two on a circle of 200 mm
    north, east = tilt_from_bolts(THREE, 200.0, (0.05, 0.0, 0.0))
    assert east == pytest.approx(-68.75, abs=ROUNDING_ARCSEC)
    assert north == pytest.approx(0.0, abs=1e-9)


def test_one_turn_of_m8_on_a_lever_of_100_mm_is_2578_31():
    # ISO 261 coarse pitch of M8 is 1.25 mm; the opposite two bolts stand 100 mm away along the tip
    circle = 2.0 * 100.0 / 1.5
    north, _ = tilt_from_bolts((0.0, 120.0, 240.0), circle, (1.25, 0.0, 0.0))
    assert north == pytest.approx(-2578.31, abs=ROUNDING_ARCSEC)


@pytest.mark.parametrize(
    ("raised", "north_sign", "east_sign"),
    [(0, -1, 0), (1, 0, -1), (2, 1, 0), (3, 0, 1)],
    ids=["north up", "east up", "south up", "west up"],
)
def test_raising_a_side_tips_the_top_to_the_other(raised, north_sign, east_sign):
    heights = [0.05] * 4
    heights[raised], heights[(raised + 2) % 4] = 0.1, 0.0
    seat = seat_on_bolts(FOUR, 200.0, heights)
    assert seat.seats
    assert seat.north_arcsec == pytest.approx(north_sign * 0.1 / 200.0 * ARCSEC, abs=1e-6)
    assert seat.east_arcsec == pytest.approx(east_sign * 0.1 / 200.0 * ARCSEC, abs=1e-6)


def test_one_of_four_bolts_alone_does_not_seat():
    seat = seat_on_bolts(FOUR, 200.0, (0.2, 0.0, 0.0, 0.0))
    assert not seat.seats
    # least squares: north = -(0.2 * 100) / (2 * 100^2); every bolt misses the plane by a quarter of the shim
    assert seat.north_arcsec == pytest.approx(-0.001 * ARCSEC, rel=1e-9)
    assert seat.misfit_mm == pytest.approx(0.05, abs=1e-12)


@pytest.mark.parametrize("bearings", [THREE, FOUR, (10.0, 95.0, 200.0), (0.0, 72.0, 144.0, 216.0, 288.0)])
@pytest.mark.parametrize("toward_deg", [0.0, 37.0, 90.0, 200.0, 315.0])
def test_heights_turned_back_give_the_tip(bearings, toward_deg):
    north, east = 600.0 * np.cos(np.radians(toward_deg)), 600.0 * np.sin(np.radians(toward_deg))
    heights = heights_for_tilt(bearings, 180.0, north, east)
    assert heights.min() == 0.0
    assert tilt_from_bolts(bearings, 180.0, heights) == pytest.approx((north, east), abs=1e-6)
    assert seat_on_bolts(bearings, 180.0, heights).seats


@pytest.mark.parametrize(("north", "east"), [(600.0, 0.0), (0.0, 600.0), (-300.0, 450.0)])
def test_heights_are_those_of_an_exactly_rotated_plate(north, east):
    # the rotation vector of a tilt is (-north, +east, 0) in East, North, Up
    axis = np.array([-north, east, 0.0]) / ARCSEC
    angle = np.linalg.norm(axis)
    unit = axis / angle
    bearings = np.radians(THREE)
    bolts = 90.0 * np.column_stack([np.sin(bearings), np.cos(bearings), np.zeros(3)])
    turned = (
        bolts * np.cos(angle)
        + np.cross(unit, bolts) * np.sin(angle)
        + np.outer(bolts @ unit, unit) * (1.0 - np.cos(angle))
    )
    exact = turned[:, 2] - turned[:, 2].min()
    heights = heights_for_tilt(THREE, 180.0, north, east)
    assert heights == pytest.approx(exact, rel=FIRST_ORDER, abs=1e-9)


@pytest.mark.parametrize(
    ("bearings", "circle", "words"),
    [
        ((0.0, 180.0, 0.0), 200.0, "one line"),
        ((0.0, 180.0, 181.0), 200.0, "one line"),
        ((0.0, 180.0), 200.0, "at least three"),
        (THREE, 0.0, "bolt_circle_mm"),
        (THREE, -5.0, "bolt_circle_mm"),
        (THREE, float("nan"), "bolt_circle_mm"),
    ],
)
def test_bolts_that_hold_no_plane_are_refused(bearings, circle, words):
    with pytest.raises(PlateError, match=words):
        heights_for_tilt(bearings, circle, 10.0, 0.0)
    with pytest.raises(PlateError, match=words):
        tilt_from_bolts(bearings, circle, [0.0] * len(bearings))


def test_heights_that_do_not_belong_to_the_bolts_are_refused():
    with pytest.raises(PlateError, match="3 bolts"):
        tilt_from_bolts(THREE, 200.0, (0.1, 0.2))
    with pytest.raises(PlateError, match="nan"):
        heights_for_tilt(THREE, 200.0, float("nan"), 0.0)
