"""Trailing, field rotation and go-to miss at every place, against exact rotations and published numbers."""

import numpy as np
import pytest
from advice_world import site
from exact_mount import ARCSEC, base
from said import said_of

from drift.advice import matters
from drift.advice.matters import NEAREST_POLE_DEG, OpenSky, matters_of, open_sky, usual_place
from drift.codes import AxisBound
from drift.mount.axis_error import parts_on_sky
from drift.render.phrases import plain_arcmin

#: First-order effects of an error E leave out parts of E itself, here at most 400" = 0.002 rad, near the
#: poles of the sky more by 1 / cos(80 deg).
FIRST_ORDER = 0.02
ERRORS = [(0.0, 60.0), (60.0, 0.0), (300.0, 120.0), (-200.0, 90.0)]
SIDEREAL_ARCSEC_PER_S = 15.041067


def places(latitude_deg):
    """Some places, not near a pole of the sky."""
    hours, decs = np.meshgrid([-90.0, -45.0, 0.0, 30.0, 100.0], [-60.0, -20.0, 0.0, 40.0, 75.0])
    unused = np.zeros(hours.size)
    return OpenSky(
        latitude_deg=latitude_deg,
        hour_angle=hours.ravel(),
        declination=decs.ravel(),
        bearing=unused,
        altitude=unused,
    )


def one_place(latitude_deg, hour_angle_deg, declination_deg):
    return OpenSky(
        latitude_deg=latitude_deg,
        hour_angle=np.array([hour_angle_deg]),
        declination=np.array([declination_deg]),
        bearing=np.zeros(1),
        altitude=np.zeros(1),
    )


def in_mount(latitude_deg, az, alt, hour_deg, dec_deg):
    """Hour angle and declination in the mount's own frame, by exact rotation [rad]."""
    phi, hour, dec = np.radians(latitude_deg), np.radians(hour_deg), np.radians(dec_deg)
    frame = base(latitude_deg, 0.0, 0.0, az, alt)
    meridian = np.array([0.0, -np.sin(phi), np.cos(phi)])
    pole = np.array([0.0, np.cos(phi), np.sin(phi)])
    star = (
        np.outer(np.cos(dec) * np.cos(hour), meridian)
        - np.outer(np.cos(dec) * np.sin(hour), [1.0, 0.0, 0.0])
        + np.outer(np.sin(dec), pole)
    )
    own = star @ frame  # columns: meridian, east, pole
    return np.arctan2(-own[:, 1], own[:, 0]), np.arcsin(np.clip(own[:, 2], -1.0, 1.0))


def ends(latitude_deg, az, alt, sky, exposure_s, north_deg=0.0):
    half = SIDEREAL_ARCSEC_PER_S * exposure_s / 3600.0 / 2.0
    return [
        in_mount(latitude_deg, az, alt, sky.hour_angle + shift, sky.declination + north_deg)
        for shift in (-half, half)
    ]


@pytest.mark.parametrize("latitude_deg", [52.0, -33.0])
@pytest.mark.parametrize(("az", "alt"), ERRORS)
@pytest.mark.parametrize("exposure_s", [300.0, 7200.0])
def test_a_star_trails_as_exact_rotations_say(latitude_deg, az, alt, exposure_s):
    sky = places(latitude_deg)
    (hour_0, dec_0), (hour_1, dec_1) = ends(latitude_deg, az, alt, sky, exposure_s)
    passed = np.radians(SIDEREAL_ARCSEC_PER_S * exposure_s / 3600.0)
    along = np.angle(np.exp(1j * (hour_1 - hour_0 - passed))) * np.cos(np.radians(sky.declination))
    exact = np.hypot(along, dec_1 - dec_0) / ARCSEC
    axis = parts_on_sky(np.array([az, alt]), np.radians(latitude_deg))
    ours = matters.of_error(matters.trail(sky, exposure_s), axis)
    size = np.hypot(*axis) * 2.0 * np.sin(passed / 2.0)
    assert ours == pytest.approx(exact, abs=FIRST_ORDER * size)
    assert np.all(ours <= matters.worst_direction(matters.trail(sky, exposure_s)) * np.hypot(*axis) + 1e-9)


@pytest.mark.parametrize("latitude_deg", [52.0, -33.0])
@pytest.mark.parametrize(("az", "alt"), ERRORS)
def test_the_field_turns_as_exact_rotations_say(latitude_deg, az, alt):
    sky, exposure_s, north = places(latitude_deg), 3600.0, 1e-3
    (hour_0, dec_0), (hour_1, dec_1) = ends(latitude_deg, az, alt, sky, exposure_s)
    (hour_n0, dec_n0), (hour_n1, dec_n1) = ends(latitude_deg, az, alt, sky, exposure_s, north)
    first = np.arctan2((hour_n0 - hour_0) * np.cos(dec_0), dec_n0 - dec_0)
    last = np.arctan2((hour_n1 - hour_1) * np.cos(dec_1), dec_n1 - dec_1)
    exact = np.abs(last - first) / ARCSEC
    axis = parts_on_sky(np.array([az, alt]), np.radians(latitude_deg))
    ours = matters.of_error(matters.rotation(sky, exposure_s), axis)
    largest = np.hypot(*axis) * 2.0 * np.sin(np.radians(7.52)) / np.cos(np.radians(75.0))
    assert ours == pytest.approx(exact, abs=FIRST_ORDER * largest)


@pytest.mark.parametrize("latitude_deg", [52.0, -33.0])
def test_a_slew_misses_as_exact_rotations_say(latitude_deg):
    sky, star = places(latitude_deg), one_place(latitude_deg, -20.0, 30.0)
    az, alt = 120.0, 60.0
    hour, dec = in_mount(latitude_deg, az, alt, sky.hour_angle, sky.declination)
    star_hour, star_dec = in_mount(latitude_deg, az, alt, star.hour_angle, star.declination)
    off_hour = np.angle(np.exp(1j * (hour - np.radians(sky.hour_angle)))) - (star_hour - np.radians(-20.0))
    off_dec = dec - np.radians(sky.declination) - (star_dec - np.radians(30.0))
    exact = np.hypot(off_hour * np.cos(np.radians(sky.declination)), off_dec) / ARCSEC
    axis = parts_on_sky(np.array([az, alt]), np.radians(latitude_deg))
    assert matters.of_error(matters.goto_miss(sky, star), axis) == pytest.approx(
        exact, abs=FIRST_ORDER * 135.0
    )


def test_half_an_hour_at_two_arcmin_trails_15_7_arcsec_where_it_is_worst():
    # M. A. Covington, Astrophotography for the Amateur (Cambridge 1999), appendix B, as quoted in APML
    # January 2002, msg00121: 30 minutes at 2 arcmin; exactly 15.740
    optics = {"guided": False, "exposure_s": 1800.0, "focal_length_mm": 1000.0, "pixel_um": 4.848137}
    trailing = matters_of(site(optics=optics), np.array([0.0, 120.0]), np.array([1.0, 1.0]))[0]
    assert trailing.effect == AxisBound.TRAILING
    assert trailing.worst.unit == "pixels"  # of 1.000" each
    assert trailing.worst.effect == pytest.approx(15.74, abs=0.005)
    assert trailing.allowed_arcmin == pytest.approx(2.0 / 15.74, rel=1e-3)


def test_a_degree_drifts_by_15_7_arcsec_a_minute_where_it_is_worst():
    # D. Rowe, APML archive, January 2002, msg00114: at most 15.7 arcsec/min a degree; exactly 15.751
    sky = open_sky(site())
    worst = matters.of_error(matters.trail(sky, 60.0), np.array([3600.0, 0.0])).max()
    assert worst == pytest.approx(15.751, abs=0.001)


def test_field_rotation_of_hook_through_the_matters():
    # R. N. Hook, J. Brit. Astron. Assoc. 99 (1989): E[deg] = 750 S[um] cos(dec) / (T[min] F[mm] A[deg]), as
    # generalised in APML November 2003, msg00871; the constant is 750.4 before rounding, hence 0.2 per cent
    focal, half_mm, minutes, dec = 1000.0, 15.0, 20.0, 40.0
    corner_deg = np.degrees(half_mm / focal)
    hook_arcmin = 60.0 * 750.0 * 3.8 * np.cos(np.radians(dec)) / (minutes * focal * corner_deg)
    optics = {"focal_length_mm": focal, "pixel_um": 3.8, "exposure_s": 60.0 * minutes}
    optics |= {"sensor_width_mm": 24.0, "sensor_height_mm": 18.0, "typical_declination_deg": dec}
    rotation = matters_of(site(optics=optics), np.array([0.0, 60.0]), np.array([1.0, 1.0]))[0]
    assert rotation.allowed_arcmin == pytest.approx(hook_arcmin, rel=2e-3)


def test_the_worst_field_rotation_is_near_the_pole_and_stays_finite():
    rotation = matters_of(site(), np.array([0.0, 60.0]), np.array([1.0, 1.0]))[0]
    assert abs(rotation.worst.declination_deg) == NEAREST_POLE_DEG
    pole = site(optics={"typical_declination_deg": 90.0})
    at_pole = matters_of(pole, np.array([0.0, 60.0]), np.array([1.0, 1.0]))[0]
    # 1 / cos(80 deg) = 5.76 against 1 / cos(40 deg) = 1.31
    assert rotation.allowed_arcmin / at_pole.allowed_arcmin == pytest.approx(5.759 / 1.3054, rel=1e-3)


def test_the_horizon_hides_the_worst_place():
    # an axis too high drifts most for stars 6 hours from the meridian, not on it
    axis, sd = np.array([0.0, 120.0]), np.array([1.0, 1.0])
    optics = {"guided": False, "typical_declination_deg": 0.0}
    slit = ((0, 89), (150, 89), (170, 30), (190, 30), (210, 89))
    wide = matters_of(site(optics=optics), axis, sd)[0]
    narrow = matters_of(site(optics=optics, horizon={"altitude_deg": slit}), axis, sd)[0]
    # what is left overhead, at declination 45, trails by sin(45 deg) of the most
    assert narrow.worst.effect == pytest.approx(np.sin(np.radians(45.0)) * wide.worst.effect, rel=1e-3)
    assert narrow.worst.allowed_arcmin > wide.worst.allowed_arcmin
    assert narrow.allowed_arcmin == pytest.approx(wide.allowed_arcmin)  # in whatever direction it is off
    # on the meridian and the equator it does not trail at all: the drift in declination is -w a_alt sin H
    assert wide.usual.effect == pytest.approx(0.0, abs=1e-9)


def test_a_declination_that_never_rises_has_no_place():
    hidden = site(optics={"typical_declination_deg": -80.0})
    assert usual_place(hidden).declination.size == 0
    walled = site(horizon={"altitude_deg": ((0, 90), (180, 90))})
    for matter in matters_of(walled, np.array([0.0, 60.0]), np.array([1.0, 1.0])):
        assert matter.worst is None and matter.usual is None
        assert np.isfinite(matter.allowed_arcmin)


def test_what_is_said_depends_on_the_habit():
    axis, sd = np.array([0.0, 60.0]), np.array([1.0, 1.0])
    named = {
        guided: [m.effect for m in matters_of(site(optics={"guided": guided}), axis, sd)]
        for guided in (False, True)
    }
    assert named[False][0] == AxisBound.TRAILING and named[True] == named[False][1:]
    assert named[True] == [
        AxisBound.CORNER_ROTATION,
        AxisBound.SESSION_ROTATION,
        AxisBound.OVERLAP,
        AxisBound.GOTO,
    ]
    for matter in matters_of(site(), axis, sd):
        assert matter.margin_arcmin == pytest.approx(matter.allowed_arcmin - 1.0)
        assert plain_arcmin(matter.allowed_arcmin) in said_of(matter)


def test_a_slew_with_kept_zeros_misses_by_the_axis_error_itself():
    optics = {"goto_field_arcmin": 40.0}
    axis, sd = np.array([0.0, 60.0]), np.array([1.0, 1.0])
    kept = matters_of(site(mount={"hour_angle_zero": "kept"}, optics=optics), axis, sd)[-1]
    # the miss is never more than the error, and all of it somewhere: half the field of 40'
    assert kept.allowed_arcmin == pytest.approx(20.0)
    assert kept.worst.effect == pytest.approx(1.0)
    synced = matters_of(site(optics=optics), axis, sd)[-1]
    assert 9.0 < synced.allowed_arcmin < 20.0
    assert synced.usual.effect == pytest.approx(0.0, abs=1e-9)  # there it was synced


def test_overlap_is_lost_by_drift_unguided_and_by_rotation_guided():
    axis, sd = np.array([0.0, 120.0]), np.array([1.0, 1.0])
    optics = {"session_min": 180.0, "typical_declination_deg": 0.0}
    unguided = matters_of(site(optics={**optics, "guided": False}), axis, sd)
    drift = next(m for m in unguided if m.effect == AxisBound.OVERLAP)
    # 3 hours: a chord of 2 sin(22.56 deg) = 0.7675 of 120" are 92.1", of 18 mm / 1000 mm = 3712.8"
    assert drift.worst.effect == pytest.approx(100.0 * 92.1 / 3712.8, rel=1e-3)
    guided = next(m for m in matters_of(site(optics=optics), axis, sd) if m.effect == AxisBound.OVERLAP)
    # at declination 0 on the meridian all of it turns: 92.1" times (24^2 + 18^2) / (4 24 18) = 0.5208
    assert guided.usual.effect == pytest.approx(100.0 * 92.1 / 206265.0 * 0.5208, rel=1e-3)


def test_the_area_lost_to_a_turn_is_that_of_its_four_corners():
    """Two rectangles turned against one another, cut by a fine grid: the share used for guided stacks."""
    width, height, turn = 24.0, 18.0, 0.02
    x, y = np.meshgrid(np.linspace(-12, 12, 4001), np.linspace(-9, 9, 3001))
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    lost = 1.0 - np.mean((np.abs(u) <= width / 2) & (np.abs(v) <= height / 2))
    #: The share is of first order in the turn, and the grid has cells of 0.006 mm.
    assert lost == pytest.approx((width**2 + height**2) / (4.0 * width * height) * turn, rel=0.04)
