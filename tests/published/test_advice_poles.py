"""The true and the refracted pole: how far apart, and which one suits how a mount is driven."""

import numpy as np
import pytest
from advice_world import site
from said import said_of

from drift.advice import situation as rooms
from drift.advice.matters import OpenSky, of_error, trail
from drift.advice.situation import corner_turn, lift_of, poles_of, refracted_trail
from drift.mount.axis_error import parts_on_sky

#: Exact against first order in an error of 60", and the diurnal aberration that the air's route contains.
FIRST_ORDER_ARCSEC = 0.02
ARCSEC = 180.0 * 3600.0 / np.pi


def sky(latitude_deg, hours, decs):
    unused = np.zeros(len(hours))
    return OpenSky(
        latitude_deg=latitude_deg,
        hour_angle=np.array(hours, float),
        declination=np.array(decs, float),
        bearing=unused,
        altitude=unused,
    )


@pytest.mark.parametrize(
    ("latitude_deg", "lift"),
    # ERFA refco at 1010 hPa, 10 deg C, 0.55 um, worked out apart: 57.95" at 45 deg, 45.30" at 52, 33.49" at
    # 60; here at sea level 1013.25 hPa, so 1.003 times as much
    [(45.0, 57.95), (-45.0, 57.95), (52.0, 45.30), (60.0, 33.49)],
)
def test_how_high_the_refracted_pole_stands(latitude_deg, lift):
    at_sea = site(latitude_deg, site={"elevation_m": 0.0})
    assert lift_of(at_sea)[0] == pytest.approx(1.003 * lift, abs=0.03)


def test_the_lift_covers_a_years_weather():
    # the same source: 64.89" at -20 deg C and 54.95" at +25 deg C are +12 % and -5 % of the lift at 45 deg
    lift, sd = lift_of(site(45.0))
    assert sd == pytest.approx(0.05 * lift)


@pytest.mark.parametrize("latitude_deg", [50.0, -35.0])
def test_without_air_only_the_axis_error_trails(latitude_deg, monkeypatch):
    monkeypatch.setattr(rooms, "standard_pressure_hpa", lambda elevation_m: np.float64(0.0))
    here = site(latitude_deg, optics={"exposure_s": 600.0})
    places = sky(latitude_deg, [0.0, -60.0, 45.0], [10.0, 50.0, -20.0])
    assert ARCSEC * refracted_trail(here, places, 0.0) == pytest.approx(0.0, abs=FIRST_ORDER_ARCSEC)
    axis = parts_on_sky(np.array([0.0, 60.0]), np.radians(latitude_deg))
    expected = of_error(trail(places, 600.0), axis)
    assert ARCSEC * refracted_trail(here, places, 60.0) == pytest.approx(expected, abs=FIRST_ORDER_ARCSEC)


def test_the_refracted_pole_and_the_king_rate_hold_a_star_near_the_pole():
    # near the pole the air lifts stars and pole alike, so that an axis on the refracted pole follows them
    here = site(50.0, optics={"exposure_s": 600.0})
    near = sky(50.0, [0.0, 90.0, 180.0, -90.0], [88.0] * 4)
    lift, _ = lift_of(here)
    on_true, on_refracted = (ARCSEC * refracted_trail(here, near, alt) for alt in (0.0, lift))
    # 49" of lift times the chord of 600 s, 0.0437
    assert on_true.mean() == pytest.approx(0.0437 * lift, rel=0.1)
    assert on_refracted.max() < 0.15 * on_true.max()


def test_a_star_on_the_equator_goes_at_the_king_rate():
    # E. S. King: refraction draws stars together toward the zenith, by 58" / 206265" = 0.00028 of their
    # distance, so that on the meridian and the equator they go by that share slower than sidereal; the
    # average rate of 15.0369"/s against 15.0411, 0.00028 less, is from memory
    places = sky(45.0, [0.0], [0.0])
    lift, _ = lift_of(site(45.0))
    sidereal = refracted_trail(site(45.0, optics={"exposure_s": 600.0}), places, lift)
    king = site(45.0, optics={"exposure_s": 600.0}, mount={"tracking": "king"})
    assert ARCSEC * sidereal[0] == pytest.approx(0.00028 * 15.0411 * 600.0, rel=0.05)
    assert refracted_trail(king, places, lift)[0] < 0.1 * sidereal[0]


def test_the_sentence_names_both_and_what_suits():
    unguided = {"guided": False, "exposure_s": 300.0, "focal_length_mm": 2000.0}
    found = poles_of(site(48.0, optics=unguided), np.array([0.0, 50.0]), np.array([3.0, 3.0]))
    assert found.true_arcmin == pytest.approx(50.0 / 60.0, abs=1e-6)
    assert found.refracted_arcmin == pytest.approx(abs(50.0 - found.lift_arcsec) / 60.0, abs=0.03)
    assert found.suits == "refracted" and found.aimed_at == "true"
    assert "The refracted pole suits your tracking better" in said_of(found)
    assert 'put pole = "refracted" below [mount]' in said_of(found)
    there = site(48.0, optics=unguided, mount={"pole": "refracted"})
    assert "put pole" not in said_of(poles_of(there, np.array([0.0, 50.0]), np.array([3.0, 3.0])))


def test_guided_either_pole_does():
    guided = site(48.0, optics={"exposure_s": 600.0})
    found = poles_of(guided, np.array([0.0, 50.0]), np.array([3.0, 3.0]))
    assert found.suits == "either" and "Either suits" in said_of(found)


def test_the_field_turns_about_a_guide_star_as_the_axis_error_alone_says(monkeypatch):
    monkeypatch.setattr(rooms, "standard_pressure_hpa", lambda elevation_m: np.float64(0.0))
    here, places = site(50.0, optics={"exposure_s": 3600.0}), sky(50.0, [0.0, 60.0], [40.0, 60.0])
    # 60" cos(H) / cos(D) over a chord of 0.2620, the turn of the field by an axis 60" too high
    expected = 60.0 * 0.26203 * np.cos(np.radians([0.0, 60.0])) / np.cos(np.radians([40.0, 60.0]))
    # the turn is taken over half a degree, across which 1 / cos(D) changes by 1.5 % at 60 deg
    assert ARCSEC * np.abs(corner_turn(here, places, 60.0)) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("latitude_deg", [0.0, 4.0, -8.0])
def test_near_the_equator_there_is_no_telling(latitude_deg):
    found = poles_of(site(latitude_deg), np.array([0.0, 50.0]), np.array([3.0, 3.0]))
    assert found.lift_arcsec == 0.0 and found.suits == "either"
