"""Invented weather, and what frost makes of it; simple on purpose and unlike the product's own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

YEAR_DAYS = 365.25
#: Day-to-day memory and scatter of daily means about the season [deg C] (from memory: middle latitudes).
MEMORY, SCATTER_C = 0.75, 3.6
#: Half of the daily range [deg C] (from memory).
HALF_RANGE_C = 4.0
#: Coldest day of the year, counted from 1 January, in the north (common practice).
COLDEST_DAY = 20.0


@dataclass(frozen=True)
class Climate:
    """Mean of the year and half the swing of the seasons [deg C]."""

    mean_c: float
    swing_c: float


@dataclass(frozen=True)
class Weather:
    """Daily means at local noon of days counted from the record's first, with what frost does."""

    day: Floats
    mean_c: Floats
    low_c: Floats
    high_c: Floats
    winter: npt.NDArray[np.int64]

    def air_c(self, day: Floats) -> Floats:
        """Return the temperature of the air at moments [days since the first local noon]."""
        hour = 24.0 * (np.asarray(day) % 1.0) + 12.0
        return np.interp(day, self.day, self.mean_c) + HALF_RANGE_C * np.cos(2 * np.pi * (hour - 15.0) / 24.0)

    def frost(self, melt: float) -> Floats:
        """Return the root of the freezing index left, 1 at the worst of a usual winter.

        A degree-day above freezing takes away `melt` degree-days of frost: about 1 where ground thaws slowly
        from above under shade, 6 and more where a wet pier lets go within days.
        """
        index = np.zeros_like(self.mean_c)
        for k in range(1, index.size):
            warm = self.mean_c[k]
            index[k] = max(0.0, index[k - 1] - (warm if warm < 0.0 else melt * warm))
        worst = [index[self.winter == w].max() for w in np.unique(self.winter)]
        usual = max(float(np.median(worst)), 30.0)
        return np.sqrt(index / usual)


def invent_weather(
    rng: np.random.Generator, climate: Climate, first_day_of_year: float, days: int, south: bool
) -> Weather:
    """Draw weather from 400 days before the record to a few days after it."""
    day = np.arange(-400.0, days + 10.0)
    coldest = COLDEST_DAY + (YEAR_DAYS / 2.0 if south else 0.0)
    phase = (first_day_of_year + day - coldest) / YEAR_DAYS
    noise = np.zeros(day.size)
    kicks = rng.normal(0.0, SCATTER_C * np.sqrt(1.0 - MEMORY**2), day.size)
    for k in range(1, day.size):
        noise[k] = MEMORY * noise[k - 1] + kicks[k]
    mean = climate.mean_c - climate.swing_c * np.cos(2.0 * np.pi * phase) + noise
    half = HALF_RANGE_C + rng.normal(0.0, 0.5, day.size)
    # Winters are counted from midsummer to midsummer.
    winter = np.floor(phase + 0.5).astype(np.int64)
    return Weather(day, mean, mean - half, mean + half, winter)
