"""What is not known of the air, night by night, as an error of refraction.

Refraction grows with pressure over absolute temperature.  What was taken for
them is wrong by some degrees and hectopascals: by one amount on all nights
(the formula, the colour of the light, a thermometer in the warmth of the
building; where temperatures were not logged, how far the site's mean is from
the one taken), by another that goes with the season, and by what is left of
each night.  The first two are estimated with the nights, from how the error
grows toward the horizon; all of them widen the night's covariance.

The unknown is always by how much the air lifts more than was taken, at 45
degrees altitude [arcsec].
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints
from drift.sky.air import AirTaken, refraction_at_45

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
    """How little is known of the air on each night, by the nights' numbers.

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
    """Put together what is not known of each night's air.

    Parameters
    ----------
    nights
        How many there are, n.
    night, time_us
        Of each reading, (r,).
    taken
        What was taken for each reading's air; None for directions that come without: as if measured.
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
    """Return each night's own sd, by its least known reading, and whether its temperature is not known."""
    sd, unlogged = np.zeros(nights), np.zeros(nights)
    if taken is None:
        taken = AirTaken.measured(night.size)
    np.maximum.at(sd, night, taken.refraction_sd)
    np.maximum.at(unlogged, night, taken.unlogged.astype(float))
    sd[sd == 0.0] = AirTaken.measured(1).refraction_sd[0]  # a night of typed errors only: no matter
    return sd, unlogged
