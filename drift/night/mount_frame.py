"""What a mount's places are, beside what the record says: of date or of J2000, with or without refraction.

Precession since 2000 has moved places by a third of a degree by 2026, in a
pattern over right ascension.  Taken for places of date, those of J2000 leave a
part of it that neither zeros nor axis can take up, and the axis takes up the
rest: minutes of arc, another way on every night.  Some mounts and drivers report
where the star would be without air; taken for where the axes stand, that leaves
refraction itself, minutes of arc toward the horizon.  So some nights are fitted
each way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from drift.mount.instrument import drooped
from drift.mount.orientation import hour_angle_and_dec
from drift.night.assembly import assemble
from drift.night.fit import fit
from drift.night.nights import NightSplit
from drift.night.observations import Directions
from drift.quantities import ARCSEC_PER_RAD, Bools
from drift.sky.air import refraction_at_45, standard_pressure_hpa
from drift.sky.of_date import true_of_j2000
from drift.types import Readings, as_readings

#: So many nights, spread over the record, are looked at.
NIGHTS_LOOKED_AT = 60
#: Another way is believed when the scatter of solves shrinks to this share and the log odds reach that.
SCATTER_SHARE, LEAST_LOG_ODDS = 0.93, 20.0
#: How far the axis of one night may be off by nutation and aberration that a mount applies or not, each
#: coordinate on the sky [arcsec]: they reach 9 and 20 arcsec, and most of the second goes into the zeros.
FRAME_AXIS_SD = 7.0
#: How far it may be off where the mount takes refraction out by air of its own [arcsec]: common practice,
#: some per cent of refraction at 45 degrees altitude.
AIR_AXIS_SD = 3.0
#: What the fit of one night takes up: an axis and two zeros.
UNKNOWNS_A_NIGHT = 4


@dataclass(frozen=True)
class Places:
    """One way to take the mount's places; as the record says where both are False."""

    j2000: bool = False
    airless: bool = False


AS_RECORDED = Places()
#: What is tried.
WAYS = (AS_RECORDED, Places(j2000=True), Places(airless=True), Places(j2000=True, airless=True))


@dataclass(frozen=True)
class FrameFit:
    """Scatter of one solve, one coordinate, by each way to take the mount's places [arcsec]."""

    scatter: dict[Places, float]
    free: int  # readings less unknowns

    @property
    def best(self) -> Places:
        """What the mount's places surely are; as the record says where it isn't sure."""
        way = min(self.scatter, key=lambda one: self.scatter[one])
        ratio = self.scatter[AS_RECORDED] / self.scatter[way]
        sure = ratio * SCATTER_SHARE > 1.0 and self.free * np.log(ratio) > LEAST_LOG_ODDS
        return way if sure else AS_RECORDED


def taken_as(places: Places, solves: pd.DataFrame, seen: Directions, latitude_rad: float) -> pd.DataFrame:
    """Return solves with the mount's places as places of date with refraction, whatever they were."""
    if places.j2000:
        solves = turned_to_date(solves)
    return lifted(solves, seen, latitude_rad) if places.airless else solves


def lifted(solves: pd.DataFrame, seen: Directions, latitude_rad: float) -> pd.DataFrame:
    """Return solves with the mount's places lifted by refraction at the place that was solved."""
    pressure = float(standard_pressure_hpa(0.0)) if seen.air is None else seen.air.usual_pressure_hpa
    lift = np.full(len(solves), refraction_at_45(pressure) / ARCSEC_PER_RAD)
    with_air = hour_angle_and_dec(seen.enu, latitude_rad)
    without = hour_angle_and_dec(drooped(seen.enu, np.zeros(len(solves)), lift), latitude_rad)
    later = np.angle(np.exp(1j * (with_air[0] - without[0])))  # in the hour angle
    return solves.assign(
        mount_ra_deg=solves["mount_ra_deg"] - np.degrees(later),
        mount_dec_deg=solves["mount_dec_deg"] + np.degrees(with_air[1] - without[1]),
    )


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
    """Fit some nights each way; None where there is too little to tell.

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
    scatter = {}
    for way in WAYS:
        table = taken_as(way, some, where["solves"], latitude_rad)
        put = assemble(latitude_rad, split, as_readings({"solves": table}), where, zero_is, side[pick])
        if put is None:
            return None
        used = np.ones(put.sightings.size, dtype=bool)
        state = fit(put.sightings, put.layout, put.typed, used, None, robust=True)
        scatter[way] = float(np.exp(np.mean(np.log(state.scales.scatter[:2]))))
    return FrameFit(scatter, free)


def _night(split: NightSplit, solves: pd.DataFrame) -> np.ndarray:
    return split.day(solves["time_us"].to_numpy(dtype=np.int64))


def _sample(split: NightSplit, solves: pd.DataFrame) -> Bools:
    """Return which solves lie in the nights that are looked at."""
    night = _night(split, solves)
    nights = np.unique(night)
    return np.isin(night, nights[:: max(1, -(-nights.size // NIGHTS_LOOKED_AT))])
