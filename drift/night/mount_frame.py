"""Whether a mount's places are of date, as the record says, or of J2000: by which of them solves fit better.

Precession since 2000 has moved places by a third of a degree by 2026, in a
pattern over right ascension.  Taken for places of date, those of J2000 leave a
part of it that neither zeros nor axis can take up, and the axis takes up the
rest: minutes of arc, another way on every night.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from drift.night.assembly import assemble
from drift.night.fit import fit
from drift.night.nights import NightSplit
from drift.night.observations import Directions
from drift.quantities import Bools
from drift.sky.of_date import true_of_j2000
from drift.types import Readings, as_readings

#: So many nights, spread over the record, are looked at.
NIGHTS_LOOKED_AT = 60
#: The other frame is believed when the scatter of solves shrinks to this share and the log odds reach that.
SCATTER_SHARE, LEAST_LOG_ODDS = 0.8, 10.0
#: How far the axis of one night may be off by nutation and aberration that a mount applies or not, each
#: coordinate on the sky [arcsec]: they reach 9 and 20 arcsec, and most of the second goes into the zeros.
FRAME_AXIS_SD = 7.0
#: What the fit of one night takes up: an axis and two zeros.
UNKNOWNS_A_NIGHT = 4


@dataclass(frozen=True)
class FrameFit:
    """Scatter of one solve, one coordinate, with places as the record says and as of J2000 [arcsec]."""

    of_date: float
    j2000: float
    log_odds: float  # for J2000

    @property
    def is_j2000(self) -> bool:
        """Whether the mount's places are surely of J2000."""
        return self.j2000 < SCATTER_SHARE * self.of_date and self.log_odds > LEAST_LOG_ODDS


def turned_to_date(solves: pd.DataFrame) -> pd.DataFrame:
    """Return solves with the mount's places, taken as of J2000, turned to the true equinox of date.

    Nutation is put in and aberration is not: mounts differ in whether they
    apply them, and on one night they look like an axis elsewhere
    (`FRAME_AXIS_SD`).
    """
    ra, dec = true_of_j2000(
        solves["time_us"].to_numpy(dtype=np.int64),
        solves["mount_ra_deg"].to_numpy(dtype=float),
        solves["mount_dec_deg"].to_numpy(dtype=float),
    )
    return solves.assign(mount_ra_deg=ra, mount_dec_deg=dec)


def frame_of(
    latitude_rad: float,
    split: NightSplit,
    readings: Readings,
    directions: dict[str, Directions],
    zero_is: str,
    side: np.ndarray,
) -> FrameFit | None:
    """Fit some nights both ways; None where there is too little to tell.

    Parameters
    ----------
    latitude_rad, split, readings, directions, zero_is, side
        As for `drift.night.assembly.assemble`.
    """
    solves = readings["solves"]
    pick = _sample(split, solves)
    free = 2 * int(pick.sum()) - UNKNOWNS_A_NIGHT * np.unique(_night(split, solves)[pick]).size
    if free < LEAST_LOG_ODDS:
        return None
    some, seen = solves[pick].reset_index(drop=True), directions["solves"]
    air = None if seen.air is None else seen.air.rows(pick)
    nothing = Directions(np.zeros((0, 3)), np.zeros(0))
    where = {
        "solves": Directions(seen.enu[pick], seen.last_rad[pick], air),
        "sweeps": nothing,
        "runs": nothing,
    }
    scatter = []
    for table in (some, turned_to_date(some)):
        put = assemble(latitude_rad, split, as_readings({"solves": table}), where, zero_is, side[pick])
        if put is None:
            return None
        used = np.ones(put.sightings.size, dtype=bool)
        state = fit(put.sightings, put.layout, put.typed, used, None, robust=True)
        scatter.append(float(np.exp(np.mean(np.log(state.scales.scatter[:2])))))
    return FrameFit(scatter[0], scatter[1], free * float(np.log(scatter[0] / scatter[1])))


def _night(split: NightSplit, solves: pd.DataFrame) -> np.ndarray:
    return split.day(solves["time_us"].to_numpy(dtype=np.int64))


def _sample(split: NightSplit, solves: pd.DataFrame) -> Bools:
    """Return which solves lie in the nights that are looked at."""
    night = _night(split, solves)
    nights = np.unique(night)
    return np.isin(night, nights[:: max(1, -(-nights.size // NIGHTS_LOOKED_AT))])
