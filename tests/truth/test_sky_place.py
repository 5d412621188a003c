"""What must hold for directions whatever the numbers are."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.sky.air import refracted_pole_altitude_arcsec
from drift.sky.place import NEIGHBOURS, ROWS_AT_ONCE, SPACING_DAYS, observed
from drift.sky.time_scales import ARCSEC, EarthRotation, LeapSeconds

DAY_US = 86_400_000_000
SIDEREAL_DAY = 0.99726957  # [day]
T0_US = 1_750_000_000_000_000
SITE = (47.3, -92.4, 410.0)


def even_earth():
    """A table without polar motion and with UT1 = UTC, 2010 to 2037."""
    zero = np.zeros(10_000)
    return EarthRotation(55_197, zero, zero, zero, LeapSeconds(np.array([41_317]), np.array([37.0]), 99_999))


def invented(n, seed):
    rng = np.random.default_rng(seed)
    return {
        "time_us": T0_US + rng.integers(0, 700 * DAY_US, n),
        "ra_deg": rng.uniform(0, 360, n),
        "dec_deg": rng.uniform(-90, 90, n),
        "temp_c": rng.normal(5, 10, n),
        "pressure_hpa": rng.normal(960, 10, n),
    }


def test_a_row_does_not_depend_on_its_company():
    rows = invented(ROWS_AT_ONCE + 300, seed=1)
    whole = observed(*SITE, **rows)
    rng = np.random.default_rng(2)
    for pick in (
        rng.permutation(len(whole.last_rad)),
        rng.choice(len(whole.last_rad), 37),
        [5],
        [ROWS_AT_ONCE],
    ):
        part = observed(*SITE, **{name: column[pick] for name, column in rows.items()})
        np.testing.assert_array_equal(part.enu, whole.enu[pick])
        np.testing.assert_array_equal(part.last_rad, whole.last_rad[pick])


def test_one_number_serves_for_every_row():
    rows = invented(50, seed=3) | {"temp_c": 4.0, "pressure_hpa": 955.0}
    spread = {name: np.broadcast_to(value, 50) for name, value in rows.items()}
    site = [np.full(50, value) for value in SITE]
    np.testing.assert_array_equal(observed(*SITE, **rows).enu, observed(*site, **spread).enu)
    assert observed(*SITE, T0_US, 1.0, 2.0, 3.0, 950.0).enu.shape == (1, 3)


def test_no_rows():
    sky = observed(*SITE, np.array([], dtype=np.int64), [], [], [], [])
    assert (sky.enu.shape, sky.last_rad.shape, sky.notices) == ((0, 3), (0,), ())


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"time_us": 1.7e15}, "time_us must be whole microseconds"),
        (
            {"time_us": 10**17},
            "time_us is 100000000000000000 in row 0; it must be a time between 1900 and 2100",
        ),
        ({"dec_deg": [10.0, 90.5]}, "dec_deg is 90.5 in row 1"),
        ({"site_latitude_deg": 147.0}, "site_latitude_deg is 147.0 in row 0"),
        ({"ra_deg": float("nan")}, "ra_deg is nan in row 0"),
        ({"ra_deg": [1.0, 2.0, 3.0], "temp_c": [1.0, 2.0]}, r"given: ra_deg \(3,\), temp_c \(2,\)"),
        ({"ra_deg": np.zeros((2, 2))}, r"given: ra_deg \(2, 2\)"),
    ],
)
def test_what_can_not_be_answered_is_named(wrong, said):
    given = {
        "site_latitude_deg": 47.3,
        "site_longitude_deg": -92.4,
        "site_elevation_m": 410.0,
        "time_us": T0_US,
        "ra_deg": 10.0,
        "dec_deg": 20.0,
        "temp_c": 5.0,
        "pressure_hpa": 960.0,
    }
    with pytest.raises(ValueError, match=said):
        observed(**(given | wrong))


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-80, 80),
    st.floats(-90, 90),
    st.floats(0, 360),
    st.floats(-180, 180),
    st.integers(0, 3000 * DAY_US),
)
def test_turning_site_and_time_together_changes_little(latitude, dec, ra, turn_deg, after_us):
    # An eastward site meets the same sky earlier, by the sidereal time of its longitude.  What is left is the
    # day's share of annual aberration (0.35" a day), precession and nutation (0.3" a day).
    earth = even_earth()
    shift_us = round(turn_deg / 360 * SIDEREAL_DAY * DAY_US)
    one = observed(latitude, -60.0, 300.0, T0_US + after_us, ra, dec, 10.0, 0.0, earth=earth)
    two = observed(
        latitude, -60.0 + turn_deg, 300.0, T0_US + after_us - shift_us, ra, dec, 10.0, 0.0, earth=earth
    )
    a_day_arcsec, of_rounding_arcsec = 0.7, 0.01
    off = np.linalg.norm(one.enu - two.enu) / ARCSEC
    assert off <= a_day_arcsec * abs(turn_deg) / 360 + of_rounding_arcsec


@pytest.mark.parametrize("latitude", [60.0, 15.0, -15.0, -60.0])
def test_signs_on_the_meridian_and_in_the_east(latitude):
    # A star on the equator: at hour angle 0 it is in the meridian, toward the equator; 6 h earlier due east.
    earth = even_earth()
    day = T0_US + np.arange(0, DAY_US, DAY_US // 720)
    sky = observed(latitude, 20.0, 0.0, day, 80.0, 0.0, 10.0, 0.0, earth=earth)
    of_date = 80.3  # right ascension of date [deg], to half a degree
    hour_angle = (np.degrees(sky.last_rad) - of_date + 180) % 360 - 180
    south = sky.enu[np.argmin(np.abs(hour_angle))]
    east = sky.enu[np.argmin(np.abs(hour_angle + 90))]
    a_degree = 0.02
    phi = np.radians(latitude)
    assert south == pytest.approx([0.0, -np.sin(phi), np.cos(phi)], abs=a_degree)
    assert east == pytest.approx([1.0, 0.0, 0.0], abs=a_degree)


@pytest.mark.parametrize("latitude", [75.0, 47.3, 20.0, -20.0, -47.3, -75.0])
def test_stars_turn_about_the_pole_once_a_sidereal_day(latitude):
    # Without air the directions of a star near the elevated pole make a circle about it; its middle is the
    # pole at altitude |latitude|, due north or south.  Polar motion is off; aberration moves the whole circle
    # with the star, precession closes it to 0.2".
    earth = even_earth()
    times = T0_US + (np.arange(12) / 12 * SIDEREAL_DAY * DAY_US).astype(np.int64)
    circle = observed(latitude, 10.0, 0.0, times, 40.0, np.sign(latitude) * 89.5, 10.0, 0.0, earth=earth).enu
    middle = circle.mean(axis=0) / np.linalg.norm(circle.mean(axis=0))
    phi = np.radians(latitude)
    pole = np.sign(latitude) * np.array([0.0, np.cos(phi), np.sin(phi)])
    # Diurnal aberration tilts each direction east by up to 0.32" cos(latitude).
    assert np.linalg.norm(middle - pole) / ARCSEC < 0.6


def test_polar_motion_moves_the_pole_over_the_site():
    # IERS Conventions (2010) ch. 5: with the pole xp toward Greenwich's meridian, a site on that meridian has
    # it xp nearer, so higher; at 90 deg west the same holds of yp.
    even = even_earth()
    moved = EarthRotation(
        55_197, even.ut1_minus_utc_s, np.full(10_000, 0.3), np.full(10_000, 0.2), even.leap_seconds
    )
    times = T0_US + (np.arange(24) / 24 * SIDEREAL_DAY * DAY_US).astype(np.int64)
    for longitude, rise in ((0.0, 0.3), (-90.0, 0.2), (180.0, -0.3), (90.0, -0.2)):
        up = [
            observed(45.0, longitude, 0.0, times, 40.0, 89.9, 10.0, 0.0, earth=table).enu.mean(axis=0)
            for table in (even, moved)
        ]
        higher = (np.arcsin(up[1][2]) - np.arcsin(up[0][2])) / ARCSEC
        assert higher == pytest.approx(rise, abs=0.002)


def test_a_second_of_ut1_turns_the_sky_fifteen_arcsec_and_leaves_the_axis():
    even = even_earth()
    later = EarthRotation(55_197, np.ones(10_000), even.xp_arcsec, even.yp_arcsec, even.leap_seconds)
    rows = invented(40, seed=6) | {"pressure_hpa": 0.0}
    one, two = observed(*SITE, **rows, earth=even), observed(*SITE, **rows, earth=later)
    turn = np.angle(np.exp(1j * (two.last_rad - one.last_rad))) / ARCSEC
    assert turn == pytest.approx(np.full(40, 15.04107), abs=1e-4)  # Earth's rotation in 1 s [arcsec]
    pole = np.array([0.0, np.cos(np.radians(SITE[0])), np.sin(np.radians(SITE[0]))])
    # Only diurnal aberration (0.3") turns with the Earth: 15" of it is 2e-5".
    assert np.abs(two.enu @ pole - one.enu @ pole).max() / ARCSEC < 1e-4


@pytest.mark.parametrize("latitude", [25.0, 47.3, -47.3, 85.0])
def test_the_refracted_pole_is_the_lifted_pole(latitude):
    times = T0_US + (np.arange(24) / 24 * SIDEREAL_DAY * DAY_US).astype(np.int64)
    close = {"ra_deg": 0.0, "dec_deg": np.sign(latitude) * 89.999, "temp_c": -5.0, "earth": even_earth()}
    bare = observed(latitude, 0.0, 0.0, times, pressure_hpa=0.0, **close).enu
    lifted = observed(latitude, 0.0, 0.0, times, pressure_hpa=900.0, **close).enu
    lift = (np.arcsin(lifted[:, 2]) - np.arcsin(bare[:, 2])) / ARCSEC
    at_pole = refracted_pole_altitude_arcsec(latitude, -5.0, 900.0)
    # The star goes some 0.15 deg about the pole of date: its lift sways about the pole's.
    assert lift.mean() == pytest.approx(at_pole, rel=1e-3)


def test_refraction_lifts_straight_up():
    rows = invented(300, seed=7)
    bare = observed(*SITE, **(rows | {"pressure_hpa": 0.0})).enu
    lifted = observed(*SITE, **rows).enu
    high = bare[:, 2] > 0.1
    sideways = bare[:, 0] * lifted[:, 1] - bare[:, 1] * lifted[:, 0]
    assert np.abs(sideways[high]).max() < 1e-12
    assert np.all(lifted[high, 2] > bare[high, 2])


def test_crossing_a_node_leaves_no_step():
    # Either side of a node, 20 ms apart, the sky turns 0.3"; the second difference shows any step.
    node_mjd = 2 * 30_000
    edge_us = round((node_mjd - 40_587) * DAY_US - 69.184e6)
    times = edge_us + np.array([-30_000, -10_000, 10_000, 30_000])
    sky = observed(*SITE, times, 10.0, 50.0, 10.0, 0.0, earth=even_earth())
    second = np.diff(sky.enu, n=2, axis=0)
    assert np.abs(second).max() / ARCSEC < 1e-4
    assert (SPACING_DAYS, NEIGHBOURS[0]) == (2.0, -3)  # else the node above is none
