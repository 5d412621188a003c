"""From a place among the stars to the direction in which it is seen from this site, and the sidereal time."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Self

import erfa
import numpy as np
import numpy.typing as npt

from drift.notices import Notice, SkyCode, info
from drift.sky.air import (
    RELATIVE_HUMIDITY,
    STANDARD_TEMP_C,
    WAVELENGTH_UM,
    refraction_constants,
    standard_pressure_hpa,
)
from drift.sky.time_scales import (
    DAY_S,
    JD_OF_MJD_ZERO,
    TT_MINUS_TAI_S,
    EarthRotation,
    EarthState,
    FloatArray,
    IntArray,
    installed_earth_rotation,
    utc_day_and_fraction,
)

# ---- The slow parts of an apparent place, worked out sparsely in time.
#
# Precession, nutation and the Earth's motion take hundreds of series terms each but change smoothly.  They
# are evaluated on a fixed grid of dates, only near readings, and interpolated.  The grid never depends on
# the readings, so the result for one reading doesn't depend on which others there are.


# Eight points two days apart.  Largest errors found on 20 000 dates of 2000-2039: celestial
# pole 0.59 mas, equation of the origins 1.2 mas, aberration 0.002 mas, heliocentric place of
# the Earth 2e-9 au.  (Six points: 1.3 mas; four: 3.9 mas; three days and eight points: 6 mas;
# one day and four points: 0.29 mas, but twice the nodes, which are most of the work.)
SPACING_DAYS = 2.0
NEIGHBOURS = tuple(range(-3, 5))  # nodes used, counted from the one at or before the date

_POLE_X, _POLE_Y, _LOCATOR, _ORIGINS = range(4)
_VELOCITY, _FROM_SUN = slice(4, 7), slice(7, 10)
_COLUMNS = 10


@dataclass(frozen=True)
class SlowParts:
    """Where the celestial pole, the equinox and the Earth stand."""

    pole_x: FloatArray  # (n,) celestial intermediate pole X, Y (unit vector in the GCRS)
    pole_y: FloatArray  # (n,)
    locator_rad: FloatArray  # (n,) CIO locator s [rad]
    origins_rad: FloatArray  # (n,) equation of the origins, Earth rotation angle minus GAST [rad]
    velocity_au_day: FloatArray  # (n, 3) the Earth's, barycentric [au/day]
    from_sun_au: FloatArray  # (n, 3) the Earth's place, heliocentric [au]


@dataclass(frozen=True)
class Nodes:
    """The series evaluated at those nodes of the grid that some dates need."""

    first: int  # number of the first node that could be wanted; node k stands at k * SPACING_DAYS
    row_of: IntArray = field(repr=False)  # node - first -> row of `table`
    table: FloatArray = field(repr=False)  # (m, 10), columns as in `evaluate`

    @classmethod
    def near(cls, mjd_tt: FloatArray) -> Self:
        """Evaluate the nodes about the given dates.

        Parameters
        ----------
        mjd_tt
            (n,) [day] Modified Julian Date (TT), n > 0, between 1900 and 2100.
        """
        node = np.floor(mjd_tt / SPACING_DAYS).astype(np.int64)
        first = int(node.min()) + NEIGHBOURS[0]
        wanted = np.zeros(int(node.max()) + NEIGHBOURS[-1] - first + 1, dtype=bool)
        for offset in NEIGHBOURS:
            wanted[node - first + offset] = True
        dates = (np.flatnonzero(wanted) + first).astype(np.float64) * SPACING_DAYS
        return cls(first, np.cumsum(wanted) - 1, evaluate(dates))

    def at(self, mjd_tt: FloatArray) -> SlowParts:
        """Interpolate at some of the dates that the nodes were evaluated for.

        Parameters
        ----------
        mjd_tt
            (n,) [day] Modified Julian Date (TT).

        Returns
        -------
        SlowParts
            Errors as stated at `SPACING_DAYS`.
        """
        scaled = mjd_tt / SPACING_DAYS
        node = np.floor(scaled)
        row = self.row_of[node.astype(np.int64) - self.first]
        values = np.zeros((len(row), _COLUMNS))
        for weight, offset in zip(_weights(scaled - node), NEIGHBOURS, strict=True):
            values += weight[:, None] * self.table[row + offset]
        return SlowParts(
            values[:, _POLE_X],
            values[:, _POLE_Y],
            values[:, _LOCATOR],
            values[:, _ORIGINS],
            values[:, _VELOCITY],
            values[:, _FROM_SUN],
        )


def evaluate(mjd_tt: FloatArray) -> FloatArray:
    """Evaluate the full series at dates, (n, 10): X, Y, s, eo, velocity, heliocentric place.

    References
    ----------
    .. [1] ERFA/SOFA: ``pnm06a`` (IAU 2006 precession, 2000A nutation), ``bpn2xy``,
       ``s06``, ``eors``; IERS Conventions (2010) ch. 5.
    .. [2] ERFA/SOFA: ``epv00`` (abridged VSOP2000 with ELP; 1900-2100).  TT serves
       for TDB: 2 ms move the Earth by 60 m.
    """
    matrix = erfa.pnm06a(JD_OF_MJD_ZERO, mjd_tt)
    out = np.empty((len(mjd_tt), _COLUMNS))
    x, y = erfa.bpn2xy(matrix)
    s = erfa.s06(JD_OF_MJD_ZERO, mjd_tt, x, y)
    heliocentric, barycentric = erfa.epv00(JD_OF_MJD_ZERO, mjd_tt)
    out[:, _POLE_X], out[:, _POLE_Y], out[:, _LOCATOR] = x, y, s
    out[:, _ORIGINS] = erfa.eors(matrix, s)
    out[:, _VELOCITY], out[:, _FROM_SUN] = barycentric["v"], heliocentric["p"]
    return out


def _weights(u: FloatArray) -> list[FloatArray]:
    """Return the Lagrange weights of the neighbours for dates `u` spacings past their node."""
    weights = []
    for own in NEIGHBOURS:
        weight = np.ones_like(u)
        for other in NEIGHBOURS:
            if other != own:
                weight *= (u - other) / (own - other)
        weights.append(weight)
    return weights


# ---- From a place to the direction in which it is seen.


FIRST_MJD, LAST_MJD = 15_020, 88_069  # 1900-01-01, 2100-01-01: the range of the Earth's ephemeris

# Rows worked on at once: the intermediate tables (some 500 bytes a row) then stay in
# the processor's cache.  No row's result depends on it.
ROWS_AT_ONCE = 8192


@dataclass(frozen=True)
class Sky:
    """Where places are seen, and how far the sky has turned.

    `enu` is unit vectors East, North, Up of the observed (refracted) direction,
    in the local geodetic frame.  `last_rad` is local apparent sidereal time,
    Greenwich's plus the site's longitude: with the true equinox of date it is
    what a mount's own right ascension is counted from.
    """

    enu: FloatArray = field(repr=False)  # (n, 3)
    last_rad: FloatArray = field(repr=False)  # (n,) [rad] in [0, 2 pi)
    notices: tuple[Notice, ...] = ()


def observed(
    site_latitude_deg: npt.ArrayLike,
    site_longitude_deg: npt.ArrayLike,
    site_elevation_m: npt.ArrayLike,
    time_us: npt.ArrayLike,
    ra_deg: npt.ArrayLike,
    dec_deg: npt.ArrayLike,
    temp_c: npt.ArrayLike,
    pressure_hpa: npt.ArrayLike,
    *,
    relative_humidity: npt.ArrayLike = RELATIVE_HUMIDITY,
    wavelength_um: npt.ArrayLike = WAVELENGTH_UM,
    earth: EarthRotation | None = None,
) -> Sky:
    """Say in which direction solved places are seen from the site.

    Precession, nutation, light deflection by the Sun, annual and diurnal aberration, polar motion, UT1 and
    refraction are taken in.  A solved place is a direction at that instant, so parallax and proper motion
    don't matter.

    Parameters
    ----------
    site_latitude_deg, site_longitude_deg, site_elevation_m
        scalar or (n,) geodetic (WGS84) [deg], north positive; [deg], east positive; [m].
    time_us
        scalar or (n,) int [us] UTC since 1970-01-01, leap seconds not counted.
    ra_deg, dec_deg
        scalar or (n,) ICRS [deg].
    temp_c, pressure_hpa
        scalar or (n,) air at the telescope [deg C], [hPa, not reduced to sea level].
        NaN: 10 deg C, and the standard atmosphere at the elevation; this is said in
        the notices (`drift.sky.air.fill_weather` does better).  Pressure 0: no
        refraction.
    relative_humidity, wavelength_um
        scalar or (n,) for refraction, 0 to 1, [um].
    earth
        The Earth's rotation; by default the installed table.

    Returns
    -------
    Sky
        n rows (one if everything is scalar).  It agrees with the full series, evaluated
        row by row, to 0.001 arcsec.  Near and below the horizon the refraction model does
        not hold (see `refraction_constants`).

    Raises
    ------
    ValueError
        If a shape does not fit, a number is not finite or out of range, or a time is
        outside 1900-2100; names the argument, the row and the value.
    drift.errors.DriftError
        If the installed Earth-rotation table can't be read.

    References
    ----------
    .. [1] ERFA/SOFA ``apco``, ``atciqz``, ``atioq``, ``era00``, ``sp00``, ``refco``.
    .. [2] IERS Conventions (2010), Technical Note 36, ch. 5 (celestial to terrestrial).
    """
    times = _times(time_us)
    named = {
        "site_latitude_deg": site_latitude_deg,
        "site_longitude_deg": site_longitude_deg,
        "site_elevation_m": site_elevation_m,
        "ra_deg": ra_deg,
        "dec_deg": dec_deg,
        "temp_c": temp_c,
        "pressure_hpa": pressure_hpa,
        "relative_humidity": relative_humidity,
        "wavelength_um": wavelength_um,
    }
    times, columns = _as_columns(times, named)
    notices = _fill_in_air(columns)
    _check_ranges(times, columns)
    table = installed_earth_rotation() if earth is None else earth
    mjd, fraction = utc_day_and_fraction(times)
    enu, last = _in_pieces(mjd, fraction, columns, table)
    return Sky(enu, last, (*table.what_is_lost(mjd), *notices))


def sun_seen(
    site_latitude_deg: float,
    site_longitude_deg: float,
    site_elevation_m: float,
    time_us: npt.ArrayLike,
) -> FloatArray:
    """Return the direction of the Sun's middle without refraction, (n, 3) East, North, Up.

    Good to half an arcminute: light time, nutation's small terms and the Earth's radius are neglected.

    Parameters
    ----------
    site_latitude_deg, site_longitude_deg, site_elevation_m
        As for `observed`.
    time_us
        (n,) int [us] UTC.

    Raises
    ------
    ValueError
        As for `observed`.
    """
    times = np.atleast_1d(_times(time_us))
    mjd, fraction = utc_day_and_fraction(times)
    tt = mjd + fraction
    toward = -Nodes.near(tt).at(tt).from_sun_au
    ra, dec = erfa.c2s(toward)
    place = (site_latitude_deg, site_longitude_deg, site_elevation_m)
    return observed(*place, times, np.degrees(erfa.anp(ra)), np.degrees(dec), 10.0, 0.0).enu


def sun_altitude_deg(
    site_latitude_deg: float, site_longitude_deg: float, time_us: npt.ArrayLike
) -> FloatArray:
    """Return the Sun's altitude without refraction, (n,) [deg], good to half a degree.

    Far quicker than `sun_seen` for times over many years: the place of J2000 stands for that of date
    (a third of a degree by 2026), and parallax and the corrections of time are neglected.
    """
    mjd, fraction = utc_day_and_fraction(np.atleast_1d(_times(time_us)))
    heliocentric, _ = erfa.epv00(erfa.DJM0, mjd + fraction)
    ra, dec = erfa.c2s(-heliocentric["p"])
    turned = erfa.era00(erfa.DJM0, mjd + fraction) + np.radians(site_longitude_deg) - ra
    phi = np.radians(site_latitude_deg)
    return np.degrees(np.arcsin(np.sin(phi) * np.sin(dec) + np.cos(phi) * np.cos(dec) * np.cos(turned)))


def _in_pieces(
    mjd: IntArray, fraction: FloatArray, columns: dict[str, FloatArray], table: EarthRotation
) -> tuple[FloatArray, FloatArray]:
    enu, last = np.empty((len(mjd), 3)), np.empty(len(mjd))
    if not len(mjd):
        return enu, last
    tt_fraction = fraction + (table.leap_seconds.at(mjd) + TT_MINUS_TAI_S) / DAY_S
    nodes = Nodes.near(mjd + tt_fraction)
    for start in range(0, len(mjd), ROWS_AT_ONCE):
        rows = slice(start, start + ROWS_AT_ONCE)
        slow = nodes.at(mjd[rows] + tt_fraction[rows])
        state = table.at(mjd[rows], fraction[rows])
        piece = {name: column[rows] for name, column in columns.items()}
        ut1 = fraction[rows] + state.ut1_minus_utc_s / DAY_S
        day = JD_OF_MJD_ZERO + mjd[rows].astype(np.float64)
        turn = erfa.era00(day, ut1)
        enu[rows] = _direction(day, tt_fraction[rows], turn, slow, state, piece)
        last[rows] = erfa.anp(turn - slow.origins_rad + np.radians(piece["site_longitude_deg"]))
    return enu, last


def _direction(
    tt1: FloatArray,
    tt2: FloatArray,
    turn_rad: FloatArray,
    slow: SlowParts,
    state: EarthState,
    columns: dict[str, FloatArray],
) -> FloatArray:
    """Return (n, 3) East, North, Up; the times are TT as a two-part Julian Date."""
    motion = np.zeros(len(tt1), dtype=erfa.dt_pv)  # its place is only used for parallax: left at 0
    motion["v"] = slow.velocity_au_day
    refa, refb = refraction_constants(
        columns["temp_c"], columns["pressure_hpa"], columns["relative_humidity"], columns["wavelength_um"]
    )
    station = erfa.apco(
        tt1,
        tt2,
        motion,
        slow.from_sun_au,
        slow.pole_x,
        slow.pole_y,
        slow.locator_rad,
        turn_rad,
        np.radians(columns["site_longitude_deg"]),
        np.radians(columns["site_latitude_deg"]),
        columns["site_elevation_m"],
        state.xp_rad,
        state.yp_rad,
        erfa.sp00(tt1, tt2),
        refa,
        refb,
    )
    ra, dec = erfa.atciqz(np.radians(columns["ra_deg"]), np.radians(columns["dec_deg"]), station)
    azimuth, zenith_distance = erfa.atioq(ra, dec, station)[:2]
    off_zenith = np.sin(zenith_distance)
    return np.stack(
        (off_zenith * np.sin(azimuth), off_zenith * np.cos(azimuth), np.cos(zenith_distance)), axis=-1
    )


def _times(time_us: npt.ArrayLike) -> IntArray:
    times = np.asarray(time_us)
    if times.size and not np.issubdtype(times.dtype, np.integer):
        raise ValueError(f"time_us must be whole microseconds (int64), not {times.dtype}")
    return times.astype(np.int64)


def _as_columns(times: IntArray, named: dict[str, npt.ArrayLike]) -> tuple[IntArray, dict[str, FloatArray]]:
    """Stretch every argument to one length, n."""
    arrays = {name: np.asarray(value, dtype=np.float64) for name, value in named.items()}
    shapes = {"time_us": times.shape, **{name: array.shape for name, array in arrays.items()}}
    try:
        shape = np.broadcast_shapes((1,), *shapes.values())
    except ValueError:
        shape = (0, 0)
    if len(shape) != 1:
        listed = ", ".join(f"{name} {given}" for name, given in shapes.items() if given)
        raise ValueError(f"every argument must be one number or a column of the same length; given: {listed}")
    return np.broadcast_to(times, shape), {
        name: np.broadcast_to(array, shape) for name, array in arrays.items()
    }


def _fill_in_air(columns: dict[str, FloatArray]) -> tuple[Notice, ...]:
    """Fill in standard air where none is given, in place; return a notice of how often."""
    notices = []
    standard = {
        "pressure_hpa": (standard_pressure_hpa(columns["site_elevation_m"]), SkyCode.PRESSURE_STANDARD),
        "temp_c": (np.full_like(columns["temp_c"], STANDARD_TEMP_C), SkyCode.TEMPERATURE_STANDARD),
    }
    for name, (values, code) in standard.items():
        missing = np.isnan(columns[name])
        if missing.any():
            columns[name] = np.where(missing, values, columns[name])
            notices.append(info(code, rows=int(missing.sum()), of_rows=missing.size))
    return tuple(notices)


def _check_ranges(times: IntArray, columns: dict[str, FloatArray]) -> None:
    for name, column in columns.items():
        limit = 90.0 if name in ("dec_deg", "site_latitude_deg") else np.inf
        bad = ~np.isfinite(column) | (np.abs(column) > limit)
        if bad.any():
            row = int(np.argmax(bad))
            raise ValueError(f"{name} is {column[row]} in row {row}; it must be a finite number in its range")
    mjd = utc_day_and_fraction(times)[0]
    bad = (mjd < FIRST_MJD) | (mjd >= LAST_MJD)
    if bad.any():
        row = int(np.argmax(bad))
        raise ValueError(f"time_us is {times[row]} in row {row}; it must be a time between 1900 and 2100")
