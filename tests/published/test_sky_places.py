"""Places and sidereal times printed by others."""

import erfa
import numpy as np
import pytest

from drift.sky.place import Nodes, observed
from drift.sky.time_scales import EarthRotation, LeapSeconds

ARCSEC = np.pi / 648_000.0
MJD_1970 = 40_587
DAY_US = 86_400_000_000


def steady_earth(ut1_minus_utc_s, tai_minus_utc_s, xp_arcsec=0.0, yp_arcsec=0.0):
    days = 20_000  # from 1973-01-02
    leap = LeapSeconds(np.array([41_317]), np.array([float(tai_minus_utc_s)]), expires_mjd=99_999)
    columns = (np.full(days, value) for value in (ut1_minus_utc_s, xp_arcsec, yp_arcsec))
    return EarthRotation(41_684, *columns, leap)


def utc_us(jd1, jd2=0.0, minus_s=0.0):
    day, part = divmod((jd1 - 2_440_587.5) + jd2, 1.0)
    return int(day) * DAY_US + round((part - minus_s / 86_400.0) * DAY_US)


def of_date(sky, latitude_deg):
    """Right ascension [rad] and declination [rad] of date of an unrefracted direction."""
    east, north, up = sky.enu.T
    phi = np.radians(latitude_deg)
    toward_equator = up * np.cos(phi) - north * np.sin(phi)
    hour_angle = np.arctan2(-east, toward_equator)
    dec = np.arctan2(up * np.sin(phi) + north * np.cos(phi), np.hypot(east, toward_equator))
    return sky.last_rad - hour_angle, dec


# USNO, NOVAS-C 3.1, file checkout-stars-full-usno.txt: topocentric places at latitude 45, longitude -75,
# height 0, TT - UT1 = 60 s.  Catalogue: RA [h], Dec [deg] (ICRS, 2000.0), proper motion in RA (times
# cos(dec)) and Dec [mas/yr], parallax [mas], radial velocity [km/s].  Places: JD (TT), RA [h], Dec [deg] of
# date.
USNO_STARS = {
    "polaris": (2.530301028, 89.264109444, 44.22, -11.75, 7.56, -17.4),
    "delta ori": (5.533444639, -0.299091944, 1.67, 0.56, 3.56, 16.0),
    "theta car": (10.715944806, -64.394450000, -18.87, 12.06, 7.43, 24.0),
}
USNO_PLACES = [
    ("polaris", 2450203.5, 2.446988922, 89.24635149),
    ("polaris", 2450417.5, 2.509480139, 89.25196813),
    ("polaris", 2450300.5, 2.481177533, 89.24254404),
    ("delta ori", 2450203.5, 5.530110723, -0.30571737),
    ("delta ori", 2450417.5, 5.531195904, -0.30301961),
    ("delta ori", 2450300.5, 5.530372288, -0.30231606),
    ("theta car", 2450203.5, 10.714525513, -64.38130590),
    ("theta car", 2450417.5, 10.714444761, -64.37366514),
    ("theta car", 2450300.5, 10.713575394, -64.37966995),
]
# Printed to 0.04 mas; the grid adds at most 0.6 mas in the pole and 1.2 mas in sidereal time.
USNO_TOLERANCE_MAS = 2.0


def seen_by_the_solver(star, jd_tt):
    """Instantaneous ICRS direction [deg]: the catalogue place moved by proper motion and parallax."""
    ra_h, dec_deg, pm_ra, pm_dec, parallax, velocity = USNO_STARS[star]
    ra, dec = np.radians(15 * ra_h), np.radians(dec_deg)
    earth = erfa.epv00(jd_tt, 0.0)[1]["p"]
    mas = ARCSEC / 1000
    years = (jd_tt - 2451545.0) / 365.25
    pm = (pm_ra * mas / np.cos(dec), pm_dec * mas)
    moved = erfa.c2s(erfa.pmpx(ra, dec, *pm, parallax / 1000, velocity, years, earth))
    return np.degrees(moved)


@pytest.mark.parametrize(("star", "jd_tt", "ra_h", "dec_deg"), USNO_PLACES)
def test_topocentric_places_of_the_naval_observatory(star, jd_tt, ra_h, dec_deg):
    tai_minus_utc = 30.0  # 1996
    earth = steady_earth(32.184 + tai_minus_utc - 60.0, tai_minus_utc)
    ra, dec = seen_by_the_solver(star, jd_tt)
    time_us = utc_us(jd_tt, minus_s=32.184 + tai_minus_utc)
    sky = observed(45.0, -75.0, 0.0, time_us, ra, dec, 10.0, 0.0, earth=earth)
    our_ra, our_dec = of_date(sky, 45.0)
    off = erfa.seps(our_ra[0], our_dec[0], np.radians(15 * ra_h), np.radians(dec_deg))
    assert off / ARCSEC * 1000 < USNO_TOLERANCE_MAS


def test_whole_chain_of_the_erfa_checks():
    # ERFA t_erfa_c.c, t_atco13: its star is moved by proper motion and parallax first (pmpx), which a solved
    # place already holds.
    utc = (2456384.5, 0.969254051)
    earth_place = erfa.epv00(utc[0], utc[1] + 67.184 / 86400)[1]["p"]
    years = (utc[0] - 2451545.0 + utc[1]) / 365.25
    ra, dec = erfa.c2s(erfa.pmpx(2.71, 0.174, 1e-5, 5e-6, 0.1, 55.0, years, earth_place))
    sky = observed(
        np.degrees(-1.2345856),
        np.degrees(-0.527800806),
        2738.0,
        utc_us(*utc),
        np.degrees(ra),
        np.degrees(dec),
        12.8,
        731.0,
        relative_humidity=0.59,
        wavelength_um=0.55,
        earth=steady_earth(0.1550675, 35.0, 2.47230737e-7 / ARCSEC, 1.82640464e-6 / ARCSEC),
    )
    azimuth, zenith_distance = 0.9251774485485515207e-1, 1.407661405256499357
    printed = [
        np.sin(zenith_distance) * np.sin(azimuth),
        np.sin(zenith_distance) * np.cos(azimuth),
        np.cos(zenith_distance),
    ]
    within_arcsec = 0.002  # grid 0.6 mas; microsecond times 0.015 mas; parallax at the Earth's centre
    assert np.linalg.norm(sky.enu[0] - printed) / ARCSEC < within_arcsec


def test_sidereal_time_and_direction_of_meeus():
    # Meeus, Astronomical Algorithms (2nd ed.), examples 12.a (p. 88) and 13.b (p. 95): 1987-04-10.
    # UT1 = UTC here.
    earth = steady_earth(0.0, 23.0)
    midnight = observed(0.0, 0.0, 0.0, utc_us(2446895.5), 0.0, 0.0, 10.0, 0.0, earth=earth)
    gast_s = np.degrees(midnight.last_rad[0]) * 240
    # He uses the sidereal time of 1982, which differs from the present one by some ms.
    assert gast_s == pytest.approx(13 * 3600 + 10 * 60 + 46.1351, abs=0.01)

    latitude, longitude = 38 + 55 / 60 + 17 / 3600, -(77 + 3 / 60 + 56 / 3600)
    evening = observed(latitude, longitude, 0.0, utc_us(2446896.30625), 0.0, 0.0, 10.0, 0.0, earth=earth)
    ra, dec = np.radians(15 * (23 + 9 / 60 + 16.641 / 3600)), -np.radians(6 + 43 / 60 + 11.61 / 3600)
    azimuth, altitude = erfa.hd2ae(evening.last_rad[0] - ra, dec, np.radians(latitude))
    printed_digits_deg = 0.0001
    assert np.degrees(azimuth) - 180 == pytest.approx(68.0337, abs=printed_digits_deg)  # his count from south
    assert np.degrees(altitude) == pytest.approx(15.1249, abs=printed_digits_deg)


@pytest.mark.parametrize(
    ("year", "arcsec"), [(2010.0, 206.963), (2020.0, 394.235), (2026.9, 542.517), (2030.0, 608.137)]
)
def test_how_far_the_pole_of_date_stands_from_that_of_the_catalogues(year, arcsec):
    # Worked out beforehand with erfa.xy06, another series for the same pole (agrees to 0.001 mas).
    date = np.array([51_544.5 + (year - 2000.0) * 365.25])
    slow = Nodes.near(date).at(date)
    angle = np.arcsin(np.hypot(slow.pole_x, slow.pole_y)) / ARCSEC
    assert angle[0] == pytest.approx(arcsec, abs=0.0015)  # grid 0.6 mas, three digits listed
    pole = observed(90.0, 0.0, 0.0, utc_us(2400000.5 + date[0]), 0.0, 90.0, 10.0, 0.0)
    off_zenith = np.hypot(*pole.enu[0, :2]) / ARCSEC
    aberration_arcsec = 20.5 + 0.5  # the yearly constant, and polar motion
    assert off_zenith == pytest.approx(arcsec, abs=aberration_arcsec)
