"""The same directions and tables by astropy, the plain way."""

import erfa
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drift.sky.place import Nodes, evaluate, observed
from drift.sky.time_scales import ARCSEC, TT_MINUS_TAI_S, installed_earth_rotation, utc_day_and_fraction

SECOND_US = 1_000_000
DAY_US = 86_400 * SECOND_US
LAST_MJD = installed_earth_rotation().last_mjd
SPAN = (np.datetime64("1992-01-01"), np.datetime64("1858-11-17") + np.timedelta64(int(LAST_MJD) - 1, "D"))
LEAP_DAY_MJD = 57_753  # 2016-12-31

# With one Earth-rotation table on both sides only the grid differs: pole 0.6 mas, Earth's motion 0.002 mas.
SAME_TABLE_ARCSEC = 0.001
# With astropy's default, which puts the series C04 for Bulletin B: UT1 differs by up to 7.2 mas since 2000.
DEFAULT_TABLE_ARCSEC = 0.01


@pytest.fixture(scope="module")
def bulletins():
    return iers.IERS_A.read(iers.IERS_A_FILE)


@pytest.fixture
def offline():
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        yield


def plain(site, time_us, ra_deg, dec_deg, temp_c, pressure_hpa):
    latitude, longitude, elevation = site
    frame = AltAz(
        obstime=Time(time_us.astype("datetime64[us]"), scale="utc"),
        location=EarthLocation.from_geodetic(longitude, latitude, elevation),
        pressure=pressure_hpa * u.hPa,
        temperature=temp_c * u.deg_C,
        relative_humidity=0.5,
        obswl=0.55 * u.micron,
    )
    place = SkyCoord(ra_deg * u.deg, dec_deg * u.deg, frame="icrs").transform_to(frame)
    north, east, up = place.cartesian.xyz.value
    return np.stack((east, north, up), axis=-1)


def solves(seed, n, first=SPAN[0], last=SPAN[1]):
    """Invent solves all over the sky, with some near both poles, the equator and 0h."""
    rng = np.random.default_rng(seed)
    low, high = (day.astype("datetime64[us]").astype(np.int64) for day in (first, last))
    ra, dec = rng.uniform(0, 360, n), np.degrees(np.arcsin(rng.uniform(-1, 1, n)))
    dec[:20] = rng.uniform(89.9, 90, 20) * rng.choice([-1, 1], 20)
    dec[20:40] = rng.uniform(-0.01, 0.01, 20)
    ra[30:50] = rng.uniform(-0.01, 0.01, 20) % 360
    return rng.integers(low, high, n), ra, dec, rng.normal(5, 12, n), rng.normal(950, 15, n)


def apart_arcsec(a, b):
    assert len(a) == len(b) > 50
    return np.linalg.norm(a - b, axis=1).max() / ARCSEC


@pytest.mark.parametrize(
    "site",
    [(47.3, -92.4, 410.0), (-33.0, 151.0, 900.0), (0.0, 10.0, 0.0), (69.7, 19.0, 50.0), (-90.0, 0.0, 2800.0)],
)
def test_directions_agree_with_the_plain_route(site, bulletins, offline):
    rows = solves(3, 250)
    with iers.earth_orientation_table.set(bulletins):
        theirs = plain(site, *rows)
    assert apart_arcsec(observed(*site, *rows).enu, theirs) < SAME_TABLE_ARCSEC


def test_directions_agree_with_the_default_table(offline):
    rows = solves(4, 250, first=np.datetime64("2000-01-01"))
    site = (47.3, -92.4, 410.0)
    assert apart_arcsec(observed(*site, *rows).enu, plain(site, *rows)) < DEFAULT_TABLE_ARCSEC


def test_directions_agree_without_air(bulletins, offline):
    rows = (*solves(5, 200)[:4], np.zeros(200))
    site = (-12.0, -70.0, 3000.0)
    with iers.earth_orientation_table.set(bulletins):
        theirs = plain(site, *rows)
    assert apart_arcsec(observed(*site, *rows).enu, theirs) < SAME_TABLE_ARCSEC


def test_sidereal_time_agrees(bulletins, offline):
    time_us = solves(6, 200)[0]
    with iers.earth_orientation_table.set(bulletins):
        time = Time(time_us.astype("datetime64[us]"), scale="utc")
        theirs = time.sidereal_time("apparent", longitude=17.5 * u.deg, model="IAU2006A").to_value(u.rad)
    ours = observed(40.0, 17.5, 0.0, time_us, 0.0, 0.0, 10.0, 1000.0).last_rad
    # Half the grid's largest error in the equation of the origins.
    assert np.abs(np.angle(np.exp(1j * (ours - theirs)))).max() / ARCSEC < 0.0015


def test_table_reads_as_astropy_reads_it(bulletins):
    table = installed_earth_rotation()
    mjd = bulletins["MJD"].to_value(u.day)
    assert (table.first_mjd, table.last_mjd) == (mjd[0], mjd[-1])
    np.testing.assert_array_equal(table.ut1_minus_utc_s, bulletins["UT1_UTC"].to_value(u.s))
    np.testing.assert_array_equal(table.xp_arcsec, bulletins["PM_x"].to_value(u.arcsec))
    np.testing.assert_array_equal(table.yp_arcsec, bulletins["PM_y"].to_value(u.arcsec))


@settings(max_examples=60, deadline=None)
@given(st.integers(41_684, LAST_MJD - 1), st.floats(0, 0.999999))
@example(LEAP_DAY_MJD, 0.75)
def test_table_is_interpolated_as_astropy_does(bulletins, mjd, fraction):
    state = installed_earth_rotation().at(np.array([mjd]), np.array([fraction]))
    theirs = bulletins.ut1_utc(2_400_000.5 + mjd, fraction).to_value(u.s)
    assert state.ut1_minus_utc_s[0] == pytest.approx(theirs, abs=1e-9)
    pole = [axis.to_value(u.rad) for axis in bulletins.pm_xy(2_400_000.5 + mjd, fraction)]
    assert [state.xp_rad[0], state.yp_rad[0]] == pytest.approx(pole, abs=1e-14)


def test_leap_seconds_are_those_of_erfa():
    theirs = erfa.leap_seconds.get()
    theirs = theirs[theirs["year"] >= 1972]
    leap = installed_earth_rotation().leap_seconds
    days = [np.datetime64(f"{row['year']:04d}-{row['month']:02d}-01").astype(int) + 40_587 for row in theirs]
    np.testing.assert_array_equal(leap.at(np.array(days)), theirs["tai_utc"])
    np.testing.assert_array_equal(leap.at(np.array(days[1:]) - 1), theirs["tai_utc"][:-1])


@pytest.mark.parametrize("utc", ["2016-12-31T23:59:59.5", "2017-01-01T00:00:00.5", "2015-06-30T12:00:00"])
def test_clock_about_a_leap_second(utc):
    time_us = np.array([np.datetime64(utc, "us").astype(np.int64)])
    day, part = utc_day_and_fraction(time_us)
    offset = installed_earth_rotation().leap_seconds.at(day)
    ours = (day - 51_544) * 86_400 + part * 86_400 + offset + TT_MINUS_TAI_S
    theirs = Time(utc, scale="utc").tt
    seconds = (theirs.jd1 - 2_451_544.5) * 86_400 + theirs.jd2 * 86_400
    assert ours[0] == pytest.approx(seconds, abs=1e-5)


def test_grid_meets_the_errors_that_it_states():
    dates = np.random.default_rng(8).uniform(51_544, 66_000, 1500)
    slow, full = Nodes.near(dates).at(dates), evaluate(dates)
    mas = ARCSEC / 1000
    assert np.abs(slow.pole_x - full[:, 0]).max() < 0.6 * mas
    assert np.abs(slow.pole_y - full[:, 1]).max() < 0.6 * mas
    assert np.abs(slow.locator_rad - full[:, 2]).max() < 0.01 * mas
    assert np.abs(slow.origins_rad - full[:, 3]).max() < 1.2 * mas
    light_au_day = 173.14463
    assert np.abs(slow.velocity_au_day - full[:, 4:7]).max() / light_au_day < 0.002 * mas
    assert np.abs(slow.from_sun_au - full[:, 7:]).max() < 2e-9


# ---- The Sun, and the stars of a place.


def test_the_sun_stands_where_astropy_has_it(bulletins, offline):
    from astropy.coordinates import get_sun

    from drift.sky.place import sun_altitude_deg, sun_seen

    times = np.array([1_796_065_200_000_000, 1_782_086_400_000_000, 1_600_000_000_000_000], dtype=np.int64)
    place = EarthLocation.from_geodetic(15.0 * u.deg, 47.0 * u.deg, 300.0 * u.m)
    when = Time(times / 1e6, format="unix", scale="utc")
    with iers.earth_orientation_table.set(bulletins):
        expected = get_sun(when).transform_to(AltAz(obstime=when, location=place))
    seen = sun_seen(47.0, 15.0, 300.0, times)
    altitude = np.degrees(np.arcsin(seen[:, 2]))
    bearing = np.degrees(np.arctan2(seen[:, 0], seen[:, 1])) % 360.0
    # aberration 20", parallax 9"
    assert altitude == pytest.approx(expected.alt.deg, abs=0.01)
    assert bearing == pytest.approx(expected.az.deg, abs=0.01)
    # the place of J2000 for that of date, a third of a degree
    assert sun_altitude_deg(47.0, 15.0, times) == pytest.approx(expected.alt.deg, abs=0.5)


def test_the_stars_of_a_place_are_seen_there(bulletins, offline):
    from drift.site.file import pier_from_mapping
    from drift.sky.air import STANDARD_TEMP_C, standard_pressure_hpa
    from drift.tonight.evening import stars_of
    from drift.tonight.plan import Places

    site = pier_from_mapping({"site": {"latitude_deg": -35.0, "longitude_deg": 149.0, "elevation_m": 600.0}})
    places = Places(-35.0, np.array([10.0, 175.0, 260.0]), np.array([20.0, 40.0, 70.0]), np.ones(3))
    times = np.full(3, 1_700_000_000_000_000, dtype=np.int64)
    stars = stars_of(site, places, times)
    here = EarthLocation.from_geodetic(149.0 * u.deg, -35.0 * u.deg, 600.0 * u.m)
    air = {
        "pressure": float(standard_pressure_hpa(600.0)) * u.hPa,
        "temperature": STANDARD_TEMP_C * u.deg_C,
        "relative_humidity": 0.5,
        "obswl": 0.55 * u.micron,
    }
    when = Time(times / 1e6, format="unix", scale="utc")
    with iers.earth_orientation_table.set(bulletins):
        seen = SkyCoord(stars.ra_deg * u.deg, stars.dec_deg * u.deg).transform_to(
            AltAz(obstime=when, location=here, **air)
        )
    # asked for to the degree; the stars are found to a tenth of an arcsecond
    assert seen.alt.deg == pytest.approx(places.altitude_deg, abs=3e-5)
    assert seen.az.deg == pytest.approx(places.bearing_deg, abs=1e-4)
