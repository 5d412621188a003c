"""The fields of tonight by hand: a sky whose best pair is known, mirrors, horizon, Sun, the same plan."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from drift.advice.matters import horizon_at
from drift.codes import Instead, Purpose
from drift.notices import TonightCode
from drift.readings import as_readings
from drift.site.file import pier_from_mapping
from drift.tonight.evening import (
    SUN_APART_DEG,
    Wish,
    away_from_sun,
    darkness,
    evening,
    plan_key,
    plan_of_text,
    plan_text,
    tonight_of,
)
from drift.tonight.plan import (
    Before,
    Chooser,
    Places,
    axis_sd_after,
    candidates,
    places_at,
    random_sd,
    slew_s,
)
from drift.tonight.state import Splitting

DAY_US = 86_400_000_000


def us(year, month, day, hour):
    return int(datetime(year, month, day, hour, tzinfo=UTC).timestamp()) * 1_000_000


NIGHT = us(2026, 11, 30, 20)
WALLED = [[0, 15], [100, 15], [120, 60], [300, 60], [320, 15]]
#: Rounding of sums over some thousand numbers.
ROUNDING = 1e-9


def site(latitude_deg=47.0, horizon=None, longitude_deg=15.0, **mount):
    made = {
        "site": {"latitude_deg": latitude_deg, "longitude_deg": longitude_deg, "elevation_m": 300.0},
        "mount": mount,
    }
    return pier_from_mapping(made | ({"horizon": {"altitude_deg": horizon}} if horizon else {}))


def fields_of(made):
    return [one for one in made.fields if one.again is None]


# ---- By hand.


def test_the_best_pair_on_the_equator_stands_six_hours_apart():
    """There a field sees a_alt cos H - a_az sin H alone: two of them tell most at right angles.

    With zeros and constants known each adds 1/s^2 along its direction, so that var(alt) + var(az cos phi)
    after the pair is 2 / (1/60^2 + 1/s^2).
    """
    latitude, s = 40.0, 5.0
    hour_angle = np.radians(np.arange(-90.0, 91.0, 15.0))
    places = places_at(latitude, hour_angle, np.zeros(13), np.zeros(13))
    before = Before(
        axis_sd=np.array([60.0 / np.cos(np.radians(latitude)), 60.0]),
        zero_sd=np.full(2, 1e-3),
        constant_sd=np.full(4, 1e-3),
        solve_sd=s,
    )
    chooser = Chooser(places, before)
    first, second = chooser.best(2)
    apart = np.degrees(abs(hour_angle[first] - hour_angle[second]))
    assert apart == pytest.approx(90.0)
    known = 2.0 / (60.0**-2 + s**-2)
    assert chooser.criterion([first, second]) == pytest.approx(known, rel=1e-6)  # zeros known to 0.001 arcsec


def test_one_field_tells_nothing_of_the_axis_where_the_zeros_are_lost():
    places = places_at(40.0, np.array([0.3]), np.array([0.5]), np.ones(1))
    assert axis_sd_after(places, Before())[0] == pytest.approx([60.0, 60.0], rel=1e-3)


def test_the_gain_of_a_field_is_what_the_criterion_falls_by():
    places = candidates(site())
    chooser = Chooser(places, Before())
    chosen = [5, 200, 400]
    more = chooser.next_best(chosen)
    rest = [k for k in range(0, places.size, 7) if k not in chosen]
    after = [chooser.criterion([*chosen, k]) for k in rest]
    assert chooser.criterion([*chosen, more]) <= min(after) * (1.0 + ROUNDING)


def test_south_is_the_mirror_image_of_north():
    """A sky mirrored north to south has the same plan mirrored, as sure."""
    north, south = candidates(site(47.0, WALLED)), candidates(site(-47.0, [[180, 15]]))
    mirrored = Places(-47.0, (180.0 - north.bearing_deg) % 360.0, north.altitude_deg, north.side)
    assert south.size > mirrored.size
    ways = [Chooser(places, Before()) for places in (north, mirrored)]
    costs = [chooser.criterion(chooser.best(6)) for chooser in ways]
    assert costs[0] == pytest.approx(costs[1], rel=1e-6)  # equal choices may be met in another order
    same = [0, 50, 90, 130]
    sds = [axis_sd_after(places.picked(same), Before()) for places in (north, mirrored)]
    assert sds[0] == pytest.approx(sds[1], rel=ROUNDING)


def test_chosen_fields_do_better_than_chance_and_stand_apart():
    places = candidates(site())
    chosen = places.picked(Chooser(places, Before()).best(6))
    apart = chosen.apart_deg(chosen)[np.triu_indices(6, 1)]
    assert apart.min() >= 10.0 - 1e-6
    assert np.all(axis_sd_after(chosen, Before())[-1] < 0.7 * random_sd(places, Before(), 6))


# ---- The sky that is left.


def test_no_field_behind_the_horizon_or_beyond_the_mount():
    pier = site(47.0, WALLED, hour_angle_limit_deg=75.0, highest_altitude_deg=80.0, flip_overlap_deg=10.0)
    places = candidates(pier)
    hour_angle, dec = (np.degrees(angle) for angle in places.equatorial_rad())
    assert np.all(places.altitude_deg >= np.maximum(horizon_at(pier, places.bearing_deg) + 3.0, 20.0))
    assert np.all(np.abs(hour_angle) <= 75.0)
    assert np.all(places.altitude_deg <= 80.0)
    assert np.all(np.abs(dec) <= 85.0 + 1e-6)
    assert np.all(hour_angle * places.side >= -10.0 - 1e-6)
    assert np.any(hour_angle * places.side < -1.0)  # the overlap is made use of


def test_a_tube_on_the_east_side_looks_west_and_no_star_is_about_to_cross():
    places = candidates(site())
    hour_angle = np.degrees(places.equatorial_rad()[0])
    east, west = places.side > 0, places.side < 0
    assert np.all(hour_angle[east] >= -1e-6)
    # west of the pier it looks east, and 16 minutes (4 degrees) are left before the meridian
    assert np.all((hour_angle[west] <= -4.0 + 1e-6) | (hour_angle[west] == 180.0))


def test_a_mount_that_does_not_flip_has_no_sides():
    assert set(candidates(site(flips=False)).side) == {0.0}
    made = evening(site(flips=False), Purpose.FIND_AXIS, Before(), Wish(at_us=NIGHT))
    assert made.fields[-1].again is None


def test_a_flip_turns_the_hour_axis_by_half_a_turn():
    pier = site(slew_deg_per_s=2.0, settle_s=10.0)
    at = places_at(47.0, np.radians([10.0, -10.0]), np.radians([30.0, 30.0]), np.array([1.0, -1.0]))
    # from +10 to -10 + 180 degrees of the hour axis, and from 30 to 150 of the other: 160 at 2 a second
    assert slew_s(pier, at.picked([0]), at.picked([1]))[0] == pytest.approx(90.0)


# ---- The Sun.


def test_in_the_day_the_list_is_for_the_evening():
    noon = us(2026, 11, 30, 11)
    dark = darkness(site(), noon)
    assert dark.notice.code == TonightCode.NOT_DARK
    assert us(2026, 11, 30, 15) < dark.start_us < us(2026, 11, 30, 18)
    made = evening(site(), Purpose.FIND_AXIS, Before(), Wish(at_us=noon))
    assert made.fields[0].start_us >= dark.start_us
    assert made.sun_altitude_deg > 0.0


def test_where_the_sun_does_not_set_no_field_is_given():
    made = evening(site(75.0), Purpose.FIND_AXIS, Before(), Wish(at_us=us(2026, 6, 21, 22)))
    assert made.fields == ()
    assert [one.code for one in made.notices] == [TonightCode.SUN_UP]


def test_in_a_white_night_no_field_is_near_the_sun():
    pier = site(61.0, [[0, 10], [90, 89], [270, 89]])
    made = evening(pier, Purpose.FIND_AXIS, Before(), Wish(at_us=us(2026, 6, 21, 22)))
    assert TonightCode.NEVER_DARK in [one.code for one in made.notices]
    places = Places(
        61.0,
        np.array([one.azimuth_deg for one in made.fields]),
        np.array([one.altitude_deg for one in made.fields]),
        np.zeros(len(made.fields)),
    )
    for one in made.fields:
        assert away_from_sun(pier, places, one.start_us).all()
    low = Places(61.0, np.array([0.0]), np.array([20.0]), np.zeros(1))
    assert not away_from_sun(pier, low, us(2026, 6, 21, 23))[0], f"within {SUN_APART_DEG} degrees"


# ---- The list.


def test_at_most_one_flip_and_a_return_to_the_first_field():
    for latitude in (47.0, 60.0, -35.0):
        made = evening(site(latitude), Purpose.LEARN_CONSTANTS, Before(), Wish(at_us=NIGHT))
        sides = [one.side for one in fields_of(made)]
        assert sum(a != b for a, b in zip(sides[:-1], sides[1:], strict=True)) == 1
        last, first = made.fields[-1], made.fields[0]
        assert (last.again, last.side, last.azimuth_deg, last.altitude_deg) == (
            1,
            first.side,
            first.azimuth_deg,
            first.altitude_deg,
        )


def test_every_field_makes_the_axis_surer_and_the_end_beats_chance():
    made = evening(site(), Purpose.FIND_AXIS, Before(), Wish(at_us=NIGHT))
    sd = np.array([[one.az_error_sd_after, one.alt_error_sd_after] for one in made.fields])
    assert len(fields_of(made)) == 8
    assert np.all(np.diff(sd, axis=0) < 0.0)
    assert np.all(sd[-1] < made.random_sd)
    assert 2 < made.stop_after < 8


def test_short_minutes_shorten_the_list_but_never_under_six():
    whole = evening(site(), Purpose.FIND_AXIS, Before(), Wish(at_us=NIGHT))
    short = evening(site(), Purpose.FIND_AXIS, Before(), Wish(at_us=NIGHT, minutes=0.8 * whole.minutes))
    assert 6 <= len(fields_of(short)) < 9
    assert short.minutes <= 0.8 * whole.minutes
    least = evening(site(), Purpose.FIND_AXIS, Before(), Wish(at_us=NIGHT, minutes=4.0, fields=2))
    assert len(least.fields) == 6
    said = next(one for one in least.notices if one.code == TonightCode.MINUTES_SHORT)
    assert 0 < said.values["done"] < 6


def test_two_or_three_fields_verify_a_turn():
    made = evening(site(), Purpose.VERIFY_TURN, Before(), Wish(at_us=NIGHT))
    assert len(fields_of(made)) == 3
    made = evening(site(), Purpose.VERIFY_TURN, Before(), Wish(at_us=NIGHT, minutes=1.0))
    assert len(fields_of(made)) == 2


def test_a_substitute_stands_elsewhere_on_the_same_side():
    made = evening(site(), Purpose.FIND_AXIS, Before(), Wish(at_us=NIGHT))
    for one in fields_of(made):
        other = one.substitute
        at = Places(47.0, np.array([one.azimuth_deg]), np.array([one.altitude_deg]), np.zeros(1))
        there = Places(47.0, np.array([other.azimuth_deg]), np.array([other.altitude_deg]), np.zeros(1))
        assert at.apart_deg(there)[0, 0] >= 15.0 - 1e-6


def test_the_same_fields_come_again_and_more_are_added_to_them():
    first = evening(site(), Purpose.FIND_AXIS, Before(), Wish(at_us=NIGHT))
    kept = plan_of_text(plan_text(first.plan), 47.0)
    later = Before(axis_sd=np.full(2, 7200.0), zero_sd=np.array([60.0, 10.0]))
    again = evening(site(), Purpose.FIND_AXIS, later, Wish(at_us=NIGHT + 40 * DAY_US), kept)
    assert _where(again) == _where(first)
    more = evening(site(), Purpose.LEARN_CONSTANTS, later, Wish(at_us=NIGHT), kept)
    assert _where(first) < _where(more)
    fewer = evening(site(), Purpose.VERIFY_TURN, later, Wish(at_us=NIGHT), kept)
    assert _where(fewer) < _where(first)


def _where(made):
    return {(one.azimuth_deg, one.altitude_deg, one.side) for one in made.fields}


def test_the_plan_is_made_anew_for_another_horizon_mount_or_telescope():
    keys = {
        plan_key(one)
        for one in (
            site(),
            site(47.0, WALLED),
            site(flip_overlap_deg=5.0),
            site(highest_altitude_deg=80.0),
            pier_from_mapping(
                {
                    "site": {"latitude_deg": 47.0, "longitude_deg": 15.0, "elevation_m": 300.0},
                    "optics": {"focal_length_mm": 500.0},
                }
            ),
        )
    }
    assert len(keys) == 5
    assert plan_key(site()) == plan_key(site(slew_deg_per_s=1.0))


def test_a_plan_that_is_none_is_not_taken():
    assert plan_of_text("[]", 47.0) is None
    assert plan_of_text("[[1, 2]]", 47.0) is None
    assert plan_of_text("nonsense", 47.0) is None


def test_no_sky_at_all():
    made = evening(site(47.0, [[0, 89]]), Purpose.FIND_AXIS, Before(), Wish(at_us=NIGHT))
    assert made.fields == ()
    assert made.notices[-1].code == TonightCode.NO_SKY


def test_a_hole_in_the_roof_holds_fewer_fields():
    made = evening(site(47.0, [[0, 80]]), Purpose.FIND_AXIS, Before(), Wish(at_us=NIGHT))
    assert 0 < len(fields_of(made)) < 8
    assert TonightCode.FEW_PLACES in [one.code for one in made.notices]


# ---- What does more than any field.


def test_a_level_tells_what_no_field_does():
    """Where a knob may have moved, fields leave the tilt as it was; a level does not."""
    apart = Splitting(
        covariance=np.diag([20.0**2, 20.0**2, 6e4**2, 6e4**2]),
        latitude_rad=np.radians(45.0),
        axis_sd=np.array([5.0, 5.0]),
        zero_sd=6.0,
        level_sd=10.0,
    )
    alone, level, zero = apart.after(), apart.after(level=True), apart.after(zero=True)
    assert (alone.tilt_east_sd, alone.tilt_north_sd) == pytest.approx((20.0, 20.0), rel=1e-3)
    one = 1.0 / np.sqrt(20.0**-2 + 10.0**-2)
    assert (level.tilt_east_sd, level.tilt_north_sd) == pytest.approx((one, one), rel=1e-3)
    # tau_E = cos(phi) (z + az sin(phi)): cos(45) hypot(6, 5 sin(45)) = 4.92"
    by_zero = 1.0 / np.sqrt(20.0**-2 + (np.sqrt(0.5) * np.hypot(6.0, 5.0 * np.sqrt(0.5))) ** -2)
    assert zero.tilt_east_sd == pytest.approx(by_zero, rel=1e-3)
    assert zero.tilt_north_sd == pytest.approx(20.0, rel=1e-3)


def test_a_modelled_mount_is_told_to_sweep():
    pier = site(reports="modelled")
    tonight = tonight_of(pier, None, as_readings({}), Wish(at_us=NIGHT))
    assert tonight.better[0].reading is Instead.SWEEP
