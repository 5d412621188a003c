"""Refraction and standard air against printed values."""

import numpy as np
import pytest

from drift.sky.air import refracted_pole_altitude_arcsec, refraction_constants, standard_pressure_hpa
from drift.sky.place import observed


def test_refraction_constants_of_the_erfa_checks():
    # ERFA t_erfa_c.c, t_refco.
    refa, refb = refraction_constants(10.0, 800.0, 0.9, 0.4)
    assert refa == pytest.approx(0.2264949956241415009e-3, abs=1e-15)
    assert refb == pytest.approx(-0.2598658261729343970e-6, abs=1e-18)


def refraction_arcsec(true_altitude_deg):
    """Refraction at true altitudes, as `observed` applies it: stars on one vertical circle."""
    latitude, altitude = 90.0, np.asarray(true_altitude_deg)
    where = {"time_us": 1_700_000_000_000_000, "ra_deg": 0.0, "dec_deg": altitude, "temp_c": 10.0}
    bare = observed(latitude, 0.0, 0.0, pressure_hpa=0.0, **where).enu[:, 2]
    lifted = observed(latitude, 0.0, 0.0, pressure_hpa=1010.0, **where).enu[:, 2]
    true = np.degrees(np.arcsin(bare))
    return true, (np.degrees(np.arcsin(lifted)) - true) * 3600


def test_refraction_against_ray_tracing():
    # ERFA refco.c, note 2: observed zenith distance [deg], traced refraction [arcsec]; lapse rate 6.5 K/km,
    # latitude 50, sea level, 1005 hPa, 280.15 K, humidity 0.8, 0.574 um.
    zenith_distance, traced = np.array(
        [(10, 10.27), (30, 33.61), (45, 58.16), (60, 100.51), (70, 158.63), (76, 229.45), (80, 319.13)]
    ).T
    refa, refb = refraction_constants(7.0, 1005.0, 0.8, 0.574)
    tan_z = np.tan(np.radians(zenith_distance))
    ours = np.degrees(refa * tan_z + refb * tan_z**3) * 3600
    assert ours[:-1] == pytest.approx(traced[:-1], abs=0.062)
    assert ours[-1] == pytest.approx(traced[-1], abs=0.6)


# Both are short formulas made to hold down to the horizon and stand a few per cent high at middle altitudes:
# Meeus' own series (16.1) gives 58.23" at an apparent altitude of 45 deg, Bennett 59.69", Saemundsson 60.76".
BENNETT_HIGH, SAEMUNDSSON_HIGH = 0.035, 0.06


def test_refraction_of_bennett_and_saemundsson():
    # Meeus, Astronomical Algorithms (2nd ed.), 16.3 and 16.4, p. 106: 1010 hPa, 10 deg C, in arcmin.
    # (Constants of 16.4 from memory.)
    true, lift = refraction_arcsec([15.0, 20.0, 30.0, 45.0, 60.0, 80.0])
    apparent = true + lift / 3600
    bennett = 60 / np.tan(np.radians(apparent + 7.31 / (apparent + 4.4)))
    saemundsson = 60 * 1.02 / np.tan(np.radians(true + 10.3 / (true + 5.11)))
    assert lift == pytest.approx(bennett, rel=BENNETT_HIGH)
    assert lift == pytest.approx(saemundsson, rel=SAEMUNDSSON_HIGH)
    assert np.all(lift < bennett)
    assert np.all(lift < saemundsson)


def test_refraction_series_above_15_degrees():
    # Meeus 16.2, p. 105: 58.276" tan z - 0.0824" tan^3 z, z the true zenith distance, same air.
    true, lift = refraction_arcsec([20.0, 30.0, 45.0, 60.0, 80.0])
    tan_z = np.tan(np.radians(90 - true))
    series = 58.276 * tan_z - 0.0824 * tan_z**3
    colour_and_damp = 0.008  # his mean light and dry air against 0.55 um and half damp: 0.5 %
    assert lift == pytest.approx(series, rel=colour_and_damp)


@pytest.mark.parametrize(
    ("latitude_deg", "at_minus_20", "at_plus_10", "at_plus_25"),
    [(45.0, 64.89, 57.95, 54.95), (52.0, 50.72, 45.30, 42.95), (60.0, 37.49, 33.49, 31.75)],
)
@pytest.mark.parametrize("hemisphere", [1, -1])
def test_the_pole_sways_with_the_seasons(latitude_deg, at_minus_20, at_plus_10, at_plus_25, hemisphere):
    # Worked out beforehand with refco at 1010 hPa, for an observed (not true) zenith distance equal to the
    # pole's: that differs by 58" of altitude, 0.04" of refraction.
    lift = refracted_pole_altitude_arcsec(hemisphere * latitude_deg, np.array([-20.0, 10.0, 25.0]), 1010.0)
    assert lift == pytest.approx([at_minus_20, at_plus_10, at_plus_25], abs=0.05)


def test_standard_atmosphere():
    # ISO 2533:1975 tables, from memory: 1013.25 hPa at 0 m, 898.75 at 1000 m, 794.95 at 2000 m, 540.2 at
    # 5000 m (geopotential heights; up to 5000 m geometric ones differ by 4 m).
    assert standard_pressure_hpa([0.0, 1000.0, 2000.0]) == pytest.approx([1013.25, 898.75, 794.95], abs=0.01)
    assert standard_pressure_hpa(5000.0) == pytest.approx(540.2, abs=0.1)
