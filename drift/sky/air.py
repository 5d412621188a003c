"""The air: temperature and pressure of every reading, refraction, and its error where they are not known."""

from __future__ import annotations

from dataclasses import dataclass, field

import erfa
import numpy as np
import numpy.typing as npt

from drift.notices import Notice, SkyCode, Value, warning
from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints
from drift.sky.time_scales import FloatArray, IntArray

# ---- How the air lifts a direction, and the pole with it.


RELATIVE_HUMIDITY = 0.5  # assumed; from 0 to 1 it changes refraction by 0.2 % at 10 deg C
WAVELENGTH_UM = 0.55  # [um] assumed, middle of the visible; 0.45 to 0.70 is +1.0 to -0.7 %


def refraction_constants(
    temp_c: npt.ArrayLike,
    pressure_hpa: npt.ArrayLike,
    relative_humidity: npt.ArrayLike = RELATIVE_HUMIDITY,
    wavelength_um: npt.ArrayLike = WAVELENGTH_UM,
) -> tuple[FloatArray, FloatArray]:
    """Return A and B of dz = A tan z + B tan^3 z, z the observed zenith distance.

    Parameters
    ----------
    temp_c, pressure_hpa
        (n,) air at the telescope [deg C], [hPa]; pressure 0 means no air.
    relative_humidity, wavelength_um
        (n,) 0 to 1, [um].

    Returns
    -------
    tuple of numpy.ndarray
        (n,) A, (n,) B [rad].

    References
    ----------
    .. [1] ERFA/SOFA ``refco``, note 2: within 0.062 arcsec of ray tracing down to 15 deg
       altitude, 0.6 at 10 deg; the model is not meant for what is lower.
    """
    return erfa.refco(pressure_hpa, temp_c, relative_humidity, wavelength_um)


def refracted_pole_altitude_arcsec(
    latitude_deg: npt.ArrayLike, temp_c: npt.ArrayLike, pressure_hpa: npt.ArrayLike
) -> FloatArray:
    """Say by how much the refracted pole stands above the true one.

    An axis set on the pole as it is seen stands this much too high against the
    true pole.  It follows the weather: 9.9 arcsec from -20 to +25 deg C at
    latitude 45.

    Parameters
    ----------
    latitude_deg
        (n,) [deg], either sign; the elevated pole is meant.  Within some 5 deg of
        the equator the pole is too near the horizon for the model.
    temp_c, pressure_hpa
        (n,) [deg C], [hPa] at the telescope.

    Returns
    -------
    numpy.ndarray
        (n,) [arcsec], positive: higher than the true pole.

    References
    ----------
    .. [1] ERFA/SOFA ``refco``, ``apio``, ``atioq``.
    """
    latitude = np.radians(np.asarray(latitude_deg, dtype=np.float64))
    refa, refb = refraction_constants(temp_c, pressure_hpa)
    station = erfa.apio(0.0, 0.0, 0.0, latitude, 0.0, 0.0, 0.0, refa, refb)
    pole = np.where(latitude < 0, -np.pi / 2, np.pi / 2)
    zenith_distance = erfa.atioq(0.0, pole, station)[1]
    return np.asarray(np.degrees(np.pi / 2 - zenith_distance - np.abs(latitude)) * 3600.0)


def refracted_place(
    hour_angle: npt.ArrayLike,
    dec: npt.ArrayLike,
    latitude_deg: float,
    temp_c: float,
    pressure_hpa: float,
) -> tuple[FloatArray, FloatArray]:
    """Return where the air shows places, as hour angle and declination about the true pole.

    Parameters
    ----------
    hour_angle, dec
        (n,) without air [rad]; hour angle positive west.
    latitude_deg
        [deg].
    temp_c, pressure_hpa
        [deg C], [hPa] at the telescope.

    Returns
    -------
    hour_angle, dec
        (n,) as seen [rad].  Below some 10 deg altitude the model is not meant to hold.

    References
    ----------
    .. [1] ERFA/SOFA ``refco``, ``apio``, ``atioq``.
    """
    refa, refb = refraction_constants(temp_c, pressure_hpa)
    station = erfa.apio(0.0, 0.0, 0.0, np.radians(latitude_deg), 0.0, 0.0, 0.0, refa, refb)
    # without Earth rotation the intermediate right ascension is minus the hour angle
    _, _, seen_hour, seen_dec, _ = erfa.atioq(-np.asarray(hour_angle, dtype=np.float64), dec, station)
    return np.asarray(seen_hour), np.asarray(seen_dec)


# ---- Temperature and pressure for every reading: its own, the night's, or standard.


STANDARD_TEMP_C = 10.0  # [deg C] assumed where no thermometer says better

# ISO 2533:1975 = ICAO Doc 7488: sea-level pressure, temperature and its lapse, gravity, gas constant of air.
_P0_HPA, _T0_K, _LAPSE_K_M, _G_M_S2, _R_J_KG_K = 1013.25, 288.15, 0.0065, 9.80665, 287.05287

# A number outside these is no outdoor air at a telescope (highest sites: 500 hPa) but
# a wrong unit or a dead sensor; it is treated as missing, and counted.
PLAUSIBLE_PRESSURE_HPA = (400.0, 1100.0)
PLAUSIBLE_TEMP_C = (-90.0, 60.0)

# The middle of many readings never stands this far above the standard (the strongest
# winter highs reach about 40 hPa): then the barometer gives sea-level pressure.
SEA_LEVEL_SUSPICION_HPA = 50.0


BoolArray = npt.NDArray[np.bool_]

#: By how much a temperature or pressure used for a night differs from the true one, one sd.  Measured: the
#: thermometer stands in the building's warmth, the barometer is some hPa off; a day's mean against the hours
#: of the night; the standard value against the weather of that day, the season apart.  Common practice.
MEASURED_SD_C, DAILY_MEAN_SD_C, STANDARD_SD_C = 2.0, 3.0, 4.5
MEASURED_SD_HPA, STANDARD_SD_HPA = 2.0, 9.0
#: Refraction at 45 degrees altitude in the standard air [arcsec] (`drift.sky.air`).
_LIFT_AT_45 = 58.2


@dataclass(frozen=True)
class AirTaken:
    """The uncertainty of each row's assumed air, as an error of its refraction.

    `refraction_sd` is what differs from night to night, at 45 degrees altitude
    [arcsec]; `unlogged` says that the standard temperature was taken, whose
    error goes with the season.
    """

    refraction_sd: FloatArray  # (n,)
    unlogged: BoolArray  # (n,)
    usual_pressure_hpa: float = _P0_HPA

    @classmethod
    def measured(cls, rows: int) -> AirTaken:
        """Return air that was measured at every row."""
        sd = air_error_sd(np.full(rows, MEASURED_SD_C), np.full(rows, MEASURED_SD_HPA), _P0_HPA)
        return cls(sd, np.zeros(rows, dtype=bool))

    def rows(self, pick: slice | BoolArray) -> AirTaken:
        """Return that of some of the rows."""
        return AirTaken(self.refraction_sd[pick], self.unlogged[pick], self.usual_pressure_hpa)


def joined_air(parts: list[AirTaken]) -> AirTaken:
    """Join the airs of several tables."""
    return AirTaken(
        np.concatenate([one.refraction_sd for one in parts]),
        np.concatenate([one.unlogged for one in parts]),
        min(one.usual_pressure_hpa for one in parts),
    )


def refraction_at_45(pressure_hpa: float) -> float:
    """Return refraction at 45 degrees altitude and 10 deg C [arcsec]: it goes with the pressure."""
    return _LIFT_AT_45 * pressure_hpa / _P0_HPA


def air_error_sd(temp_sd_c: FloatArray, pressure_sd_hpa: FloatArray, usual_pressure_hpa: float) -> FloatArray:
    """Return the error of refraction at 45 degrees by errors of temperature and pressure, (n,) [arcsec].

    It goes with pressure over absolute temperature (`drift.sky.air`).
    """
    share = np.hypot(temp_sd_c / (STANDARD_TEMP_C + 273.15), pressure_sd_hpa / usual_pressure_hpa)
    return np.asarray(refraction_at_45(usual_pressure_hpa) * share)


@dataclass(frozen=True)
class RowsUsed:
    """How many rows used which value."""

    own: int
    night: int
    standard: int
    implausible: int  # rows whose value was implausible; they are counted in night or standard


@dataclass(frozen=True)
class FilledWeather:
    """Air for every row, none missing."""

    temp_c: FloatArray = field(repr=False)  # (n,) [deg C]
    pressure_hpa: FloatArray = field(repr=False)  # (n,) [hPa] at the station
    temp_rows: RowsUsed
    pressure_rows: RowsUsed
    notices: tuple[Notice, ...]  # of numbers that were not believed
    temp_standard: BoolArray = field(repr=False)  # (n,) which rows have the standard value
    pressure_standard: BoolArray = field(repr=False)


def standard_pressure_hpa(elevation_m: npt.ArrayLike) -> FloatArray:
    """Return the standard atmosphere's pressure at an elevation.

    Parameters
    ----------
    elevation_m
        (n,) [m] above sea level, up to 11 000.

    Returns
    -------
    numpy.ndarray
        (n,) [hPa].

    References
    ----------
    .. [1] ISO 2533:1975 (ICAO Doc 7488), layer below 11 km with constant lapse rate:
       p = p0 (1 - L h / T0) ** (g / (R L)).
    """
    height = np.asarray(elevation_m, dtype=np.float64)
    return np.asarray(_P0_HPA * (1.0 - _LAPSE_K_M * height / _T0_K) ** (_G_M_S2 / (_R_J_KG_K * _LAPSE_K_M)))


def fill_weather(
    temp_c: npt.ArrayLike, pressure_hpa: npt.ArrayLike, night: npt.ArrayLike, elevation_m: float
) -> FilledWeather:
    """Fill in temperature and pressure: the row's own, else its night's mean, else standard.

    Parameters
    ----------
    temp_c, pressure_hpa
        (n,) [deg C], [hPa at the station]; NaN where not given.
    night
        (n,) int, equal for rows of one night.
    elevation_m
        [m] of the site.

    Returns
    -------
    FilledWeather
        With counts, and a notice where numbers were not believed or look reduced to sea
        level (the rows keep them then: only the observer can tell).

    Raises
    ------
    ValueError
        If the three columns are not of one length.
    """
    temp, pressure = np.asarray(temp_c, dtype=np.float64), np.asarray(pressure_hpa, dtype=np.float64)
    nights = np.asarray(night)
    if not temp.shape == pressure.shape == nights.shape or temp.ndim != 1:
        raise ValueError(
            f"temp_c {temp.shape}, pressure_hpa {pressure.shape} and night {nights.shape} must be columns "
            "of one length"
        )
    row_night = np.unique(nights, return_inverse=True)[1]
    filled_temp, temp_rows, temp_standard = _fill(temp, row_night, STANDARD_TEMP_C, PLAUSIBLE_TEMP_C)
    standard = float(standard_pressure_hpa(elevation_m))
    filled_pressure, pressure_rows, pressure_standard = _fill(
        pressure, row_night, standard, PLAUSIBLE_PRESSURE_HPA
    )
    notices = (
        *_not_believed(SkyCode.TEMPERATURE_NOT_BELIEVED, "c", temp, temp_rows, PLAUSIBLE_TEMP_C),
        *_not_believed(SkyCode.PRESSURE_NOT_BELIEVED, "hpa", pressure, pressure_rows, PLAUSIBLE_PRESSURE_HPA),
        *_sea_level(pressure, standard, elevation_m),
    )
    return FilledWeather(
        filled_temp,
        filled_pressure,
        temp_rows,
        pressure_rows,
        notices,
        temp_standard,
        pressure_standard,
    )


def _fill(
    values: FloatArray, night: IntArray, standard: float, plausible: tuple[float, float]
) -> tuple[FloatArray, RowsUsed, BoolArray]:
    good = (values >= plausible[0]) & (values <= plausible[1])
    nights = int(night.max()) + 1 if night.size else 0
    count = np.bincount(night, weights=good, minlength=nights)
    total = np.bincount(night, weights=np.where(good, values, 0.0), minlength=nights)
    mean = np.divide(total, count, out=np.full(nights, standard), where=count > 0)
    from_night = ~good & (count > 0)[night]
    used = RowsUsed(
        own=int(good.sum()),
        night=int(from_night.sum()),
        standard=int((~good & ~from_night).sum()),
        implausible=int((~good & np.isfinite(values)).sum()),
    )
    return np.where(good, values, mean[night]), used, ~good & ~from_night


def _not_believed(
    code: SkyCode, unit: str, values: FloatArray, used: RowsUsed, plausible: tuple[float, float]
) -> tuple[Notice, ...]:
    if not used.implausible:
        return ()
    low, high = plausible
    first = float(values[np.isfinite(values) & ((values < low) | (values > high))][0])
    bounds: dict[str, Value] = {f"low_{unit}": low, f"high_{unit}": high, f"first_{unit}": first}
    return (warning(code, rows=used.implausible, **bounds),)


def _sea_level(pressure: FloatArray, standard: float, elevation_m: float) -> tuple[Notice, ...]:
    low, high = PLAUSIBLE_PRESSURE_HPA
    plausible = pressure[(pressure >= low) & (pressure <= high)]
    if not plausible.size or np.median(plausible) - standard < SEA_LEVEL_SUSPICION_HPA:
        return ()
    middle = float(np.median(plausible))
    return (
        warning(
            SkyCode.PRESSURE_OF_SEA_LEVEL,
            middle_hpa=middle,
            usual_hpa=standard,
            elevation_m=float(elevation_m),
        ),
    )


# ---- The error of refraction where the air was not measured.
#
# Refraction grows with pressure over absolute temperature.  The values used are wrong by some degrees and
# hectopascals: by one amount on all nights (the formula, the colour of the light, a thermometer in the
# warmth of the building; where temperatures were not logged, how far the site's mean is from the one
# taken), by another that goes with the season, and by what is left of each night.  The first two are
# estimated with the nights, from how the error grows toward the horizon; all of them widen the night's
# covariance.
#
# The unknown is always how much more the air lifts than was assumed, at 45 degrees altitude [arcsec].


#: What all nights share: formula and light, and of nights without a temperature the site's mean; the season's
#: two parts (cosine and sine of the year) of nights without a temperature.
SHARED = 4
VARYING = slice(2, 4)
#: Shares of the refraction, one sd.  Simple formulas differ by 3 to 5 % at middle altitudes, light from 0.45
#: to 0.70 um by 1.7 % (`drift.sky.air`), a thermometer in a warm building by 1 %: common practice.
FORMULA_SHARE = 0.03
#: The site's mean temperature against the standard one, and the amplitude of its year [deg C]: common
#: practice, means of 0 to 20 and amplitudes of 2 to 15 where people live.
MEAN_SD_C, SEASON_SD_C = 8.0, 10.0


@dataclass(frozen=True)
class NightAir:
    """What is unknown about the air on each night, by the nights' numbers.

    `shared` (n, 4) is how much of each shared error a night has; `sd` (n,) what
    is its own [arcsec]; `shared_sd` (4,) what is known of the shared errors
    beforehand [arcsec].
    """

    shared: Floats
    sd: Floats
    shared_sd: Floats

    def picked(self, every: int) -> NightAir:
        """Return every so many nights."""
        return NightAir(self.shared[::every], self.sd[::every], self.shared_sd)


def air_of_nights(nights: int, night: Ints, time_us: Ints, taken: AirTaken | None) -> NightAir:
    """Return what is unknown about each night's air.

    Parameters
    ----------
    nights
        How many there are, n.
    night, time_us
        Of each reading, (r,).
    taken
        The air used for each reading; None for directions without it: as if measured.
    """
    sd, unlogged = _by_night(nights, night, taken)
    turn = np.zeros(nights)
    turn[night] = 2.0 * np.pi * time_us / (DAY_US * YEAR_DAYS)
    shared = np.stack([np.ones(nights), unlogged, unlogged * np.cos(turn), unlogged * np.sin(turn)], axis=1)
    whole = refraction_at_45(1013.25 if taken is None else taken.usual_pressure_hpa)
    a_degree = whole / 283.0
    shared_sd = np.array([FORMULA_SHARE * whole, MEAN_SD_C * a_degree, *[SEASON_SD_C * a_degree] * 2])
    return NightAir(shared, sd, shared_sd)


def _by_night(nights: int, night: Ints, taken: AirTaken | None) -> tuple[Floats, Floats]:
    """Return each night's own sd, by its most uncertain reading, and whether its temperature is unknown."""
    sd, unlogged = np.zeros(nights), np.zeros(nights)
    if taken is None:
        taken = AirTaken.measured(night.size)
    np.maximum.at(sd, night, taken.refraction_sd)
    np.maximum.at(unlogged, night, taken.unlogged.astype(float))
    sd[sd == 0.0] = AirTaken.measured(1).refraction_sd[0]  # a night of typed errors only: it doesn't matter
    return sd, unlogged
