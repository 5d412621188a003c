"""The plausible range of each number in a log, and the likely slip behind a value outside it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from drift.ingest.units import HPA_PER_INHG
from drift.notices import IngestCode, Notice, warning


class Quantity(StrEnum):
    """What a range is of."""

    RIGHT_ASCENSION = "right_ascension"
    DECLINATION = "declination"
    TEMPERATURE = "temperature"
    PRESSURE = "pressure"
    BEARING = "bearing"
    POSITION_ANGLE = "position_angle"
    EXPOSURE = "exposure"
    SIGMA = "sigma"
    OFFSET = "offset"
    AXIS_ERROR = "axis_error"
    THICKNESS = "thickness"
    TURNS = "turns"
    SNOW = "snow"
    FACE = "face"


class Slip(StrEnum):
    """What may have happened to a value outside its range."""

    NONE = ""
    FULL_TURN = "full_turn"
    NEGATIVE_TURN = "negative_turn"
    FAHRENHEIT = "fahrenheit"
    KELVIN = "kelvin"
    INCHES_OF_MERCURY = "inches_of_mercury"
    SEA_LEVEL = "sea_level"


def _no_slip(value: float) -> Slip:
    return Slip.NONE


@dataclass(frozen=True)
class Limits:
    """The range a number may have, in the contract's unit; `slip` names the likely slip behind a value."""

    low: float
    high: float
    quantity: Quantity
    open_high: bool = False
    open_low: bool = False
    slip: Callable[[float], Slip] = field(default=_no_slip, repr=False)
    elevation_m: float | None = None  # of the site, where the range depends on it

    def outside(self, values: np.ndarray) -> np.ndarray:
        """Tell which values lie outside; NaN does not."""
        below = values <= self.low if self.open_low else values < self.low
        above = values >= self.high if self.open_high else values > self.high
        return below | above

    def reason(self, value: float) -> Notice:
        """Say what is allowed, and what may have happened."""
        return warning(
            IngestCode.OUT_OF_RANGE,
            quantity=self.quantity,
            low=self.low,
            high=self.high if math.isfinite(self.high) else None,
            slip=self.slip(value),
            **({} if self.elevation_m is None else {"elevation_m": self.elevation_m}),
        )


#: How far a true station pressure may lie from the standard atmosphere's at the site: weather moves it
#: by 5 % at most, the rest allows for a rough elevation.
PRESSURE_LEEWAY = 0.15


def _ra_slip(value: float) -> Slip:
    if value == 360.0:
        return Slip.FULL_TURN
    return Slip.NEGATIVE_TURN if -180.0 <= value < 0.0 else Slip.NONE


def _temperature_slip(value: float) -> Slip:
    if 60.0 < value <= 130.0:
        return Slip.FAHRENHEIT
    return Slip.KELVIN if 180.0 <= value <= 335.0 else Slip.NONE


RIGHT_ASCENSION = Limits(0.0, 360.0, Quantity.RIGHT_ASCENSION, open_high=True, slip=_ra_slip)
DECLINATION = Limits(-90.0, 90.0, Quantity.DECLINATION)
TEMPERATURE = Limits(-90.0, 60.0, Quantity.TEMPERATURE, slip=_temperature_slip)
BEARING = Limits(-180.0, 360.0, Quantity.BEARING)
POSITION_ANGLE = Limits(-360.0, 360.0, Quantity.POSITION_ANGLE)
EXPOSURE = Limits(0.0, 86_400.0, Quantity.EXPOSURE)
SIGMA = Limits(0.0, float("inf"), Quantity.SIGMA, open_low=True, open_high=True)
# Ten degrees: an axis, a pier or a star that far out is another unit or another column.
OFFSET_ARCSEC = Limits(-36_000.0, 36_000.0, Quantity.OFFSET)
AXIS_ARCMIN = Limits(-600.0, 600.0, Quantity.AXIS_ERROR)
THICKNESS = Limits(-100.0, 100.0, Quantity.THICKNESS)
TURNS = Limits(-100.0, 100.0, Quantity.TURNS)
SNOW = Limits(0.0, 2_000.0, Quantity.SNOW)
FACE = Limits(0.0, 180.0, Quantity.FACE)


def standard_pressure_hpa(elevation_m: float) -> float:
    """Return the pressure of the standard atmosphere [hPa] at an elevation [m], valid up to 11 km.

    ISO 2533:1975 (also U.S. Standard Atmosphere 1976), troposphere: 1013.25 hPa at sea level,
    288.15 K, 6.5 K/km, exponent g M / (R L) = 5.25588.
    """
    return float(1013.25 * (1.0 - 0.0065 * elevation_m / 288.15) ** 5.25588)


def usual_temperatures_c(
    latitude_deg: float, elevation_m: float, day: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the lowest and the highest monthly mean temperature that is usual at a latitude in a season [C].

    Between inland and maritime places of the Earth, to some degrees; good enough to tell Celsius from
    Fahrenheit.  Annual means of 27 - 35 sin^2(latitude) and 27 - 29 sin^2(latitude), half swings between 6
    and
    20 sin(latitude), warmest in late July or late January, 6.5 C less a kilometre up (ISO 2533).  The round
    values are from memory; Reykjavik, Brest, Phoenix and Minnesota lie within 8 degrees of these bounds.

    Parameters
    ----------
    day
        (n,) days since 1970-01-01.
    """
    sine = math.sin(math.radians(latitude_deg))
    season = np.cos(2.0 * np.pi * (day % 365.25 - 205.0) / 365.25) * np.sign(sine)  # 1 in summer
    up = 0.0065 * elevation_m
    lowest = 27.0 - 35.0 * sine**2 - up + abs(sine) * np.where(season > 0.0, 6.0, 20.0) * season
    highest = 27.0 - 29.0 * sine**2 - up + abs(sine) * np.where(season > 0.0, 18.0, 6.0) * season
    return lowest, highest


def station_pressure(elevation_m: float) -> Limits:
    """Return the plausible pressure at a site: within 300 to 1100 hPa and near the standard atmosphere's."""
    expected = standard_pressure_hpa(elevation_m)
    low = max(300.0, expected * (1.0 - PRESSURE_LEEWAY))
    high = min(1100.0, expected * (1.0 + PRESSURE_LEEWAY))

    def slip(value: float) -> Slip:
        if low <= value * HPA_PER_INHG <= high or 20.0 <= value <= 32.0:
            return Slip.INCHES_OF_MERCURY
        if high < value <= 1080.0 and value >= 950.0:
            return Slip.SEA_LEVEL
        return Slip.NONE

    return Limits(low, high, Quantity.PRESSURE, slip=slip, elevation_m=elevation_m)
