"""What the places that a mount reports mean: of date or J2000, with refraction or without, altered or raw."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from drift.mount.instrument import drooped, hour_angle_and_dec, wrapped
from drift.night.fit import FitState, fit, row_class
from drift.night.observations import Assembly, Directions, assemble
from drift.night.prepared import NightSplit
from drift.quantities import ARCSEC_PER_RAD, Bools
from drift.sky.air import refraction_at_45, standard_pressure_hpa
from drift.sky.of_date import apparent_place, true_of_j2000
from drift.types import Readings, as_readings

# ---- Of date or of J2000, with or without refraction.
#
# Precession since 2000 has moved places by a third of a degree by 2026, in a
# pattern over right ascension.  Taken for places of date, those of J2000 leave a
# part of it that neither zeros nor axis can take up, and the axis takes up the
# rest: minutes of arc, another way on every night.  Some mounts and drivers report
# where the star would be without air; taken for where the axes stand, that leaves
# refraction itself, minutes of arc toward the horizon.  So some nights are fitted
# each way.


#: How many nights, spread over the record, are looked at.
NIGHTS_LOOKED_AT = 60
#: Another way is believed when the log odds reach this, and the scatter of solves shrinks to that share or,
#: where a mount's own scatter hides it, the axis is so many times steadier from night to night.
SCATTER_SHARE, LEAST_LOG_ODDS, STEADIER_TIMES = 0.93, 20.0, 3.0
#: A solve further than so many sds from the fits of all ways is left out of the next, as long as those are
#: more than this share, and not more often: a quarter of wrong solves pulls fits whose weights fall as
#: 1/distance far enough to hide which way is right; a few per cent don't.
_STRAY_SDS, _STRAY_SHARE, _ROUNDS = 6.0, 0.03, 5
#: How far the axis of one night may be off by nutation that a mount applies or not, each coordinate on the
#: sky [arcsec]: it reaches 9; a mount that takes aberration out knows nutation too, and leaves some arcsec.
FRAME_AXIS_SD, ASTROMETRIC_AXIS_SD = 7.0, 3.0
#: How far it may be off on all nights alike by aberration, where the solves don't tell whether a mount takes
#: it out, from so small log odds on: it moves the axis by some 10 arcsec at one hour of the night.
ABERRATION_AXIS_SD, ABERRATION_LOG_ODDS = 10.0, 5.0
#: How far it may be off where the mount takes refraction out by air of its own [arcsec]: common practice,
#: some per cent of refraction at 45 degrees altitude.
AIR_AXIS_SD = 3.0
#: What the fit of one night takes up: an axis and two zeros.
UNKNOWNS_A_NIGHT = 4


@dataclass(frozen=True)
class Places:
    """One reading of the mount's places; as the record says where all are False.

    Parameters
    ----------
    j2000
        Of the equator and equinox of J2000, not of date.
    airless
        With refraction taken out.
    astrometric
        Of J2000 with aberration taken out as well, as a catalogue has them.
    """

    j2000: bool = False
    airless: bool = False
    astrometric: bool = False


AS_RECORDED = Places()
#: What is tried.
ALTERNATIVES = (
    AS_RECORDED,
    Places(j2000=True),
    Places(airless=True),
    Places(j2000=True, airless=True),
    Places(j2000=True, astrometric=True),
    Places(j2000=True, astrometric=True, airless=True),
)


@dataclass(frozen=True)
class FrameFit:
    """What comes of each reading of the mount's places [arcsec]."""

    scatter: dict[Places, float]  # of one coordinate of a solve
    wander: dict[Places, float]  # how far the axis stands from where it stood the night before, in the middle
    free: int  # readings less unknowns

    @property
    def least_scatter(self) -> float:
        """How the solves scatter by the reading that fits them best [arcsec]."""
        return min(self.scatter.values())

    @property
    def best(self) -> Places:
        """The likeliest reading of the mount's places; as the record says where that isn't sure."""
        places = min(self.scatter, key=lambda one: self.scatter[one])
        ratio = self.scatter[AS_RECORDED] / self.scatter[places]
        steadier = self.wander[AS_RECORDED] > STEADIER_TIMES * self.wander[places]
        shown = ratio * SCATTER_SHARE > 1.0 or steadier
        sure = shown and self.free * np.log(ratio) > LEAST_LOG_ODDS
        return places if sure else AS_RECORDED

    def knows_aberration(self, places: Places) -> bool:
        """Whether the solves tell if aberration was taken out of places of J2000."""
        other = Places(places.j2000, places.airless, not places.astrometric)
        odds = self.free * abs(float(np.log(self.scatter[other] / self.scatter[places])))
        return odds > ABERRATION_LOG_ODDS


def taken_as(places: Places, solves: pd.DataFrame, seen: Directions, latitude_rad: float) -> pd.DataFrame:
    """Return solves with the mount's places as places of date with refraction, whatever they were."""
    if places.j2000:
        solves = turned_to_date(solves, places.astrometric)
    return lifted(solves, seen, latitude_rad) if places.airless else solves


def lifted(solves: pd.DataFrame, seen: Directions, latitude_rad: float) -> pd.DataFrame:
    """Return solves with the mount's places lifted by refraction at the place that was solved."""
    pressure = float(standard_pressure_hpa(0.0)) if seen.air is None else seen.air.usual_pressure_hpa
    lift = np.full(len(solves), refraction_at_45(pressure) / ARCSEC_PER_RAD)
    with_air = hour_angle_and_dec(seen.enu, latitude_rad)
    without = hour_angle_and_dec(drooped(seen.enu, np.zeros(len(solves)), lift), latitude_rad)
    later = wrapped(with_air[0] - without[0])  # in the hour angle
    return solves.assign(
        mount_ra_deg=solves["mount_ra_deg"] - np.degrees(later),
        mount_dec_deg=solves["mount_dec_deg"] + np.degrees(with_air[1] - without[1]),
    )


def turned_to_date(solves: pd.DataFrame, astrometric: bool) -> pd.DataFrame:
    """Return solves with the mount's places, taken as of J2000, turned to the true equinox of date.

    Nutation is put in either way, though some mounts know nothing of it: on one night that looks like an
    axis elsewhere (`FRAME_AXIS_SD`).  Aberration, which moves a star by up to 20 arcsec, is put in where the
    mount took it out (`astrometric`).  At one hour of the night it looks much the same all year, so that an
    axis would be wrong by 10 arcsec on all nights alike.
    """
    rows = [solves[name].to_numpy() for name in ("time_us", "mount_ra_deg", "mount_dec_deg")]
    ra, dec = apparent_place(*rows) if astrometric else true_of_j2000(*rows)
    return solves.assign(mount_ra_deg=ra, mount_dec_deg=dec)


@dataclass(frozen=True)
class EachWay:
    """The same solves fitted by each reading of the mount's places."""

    puts: dict[Places, Assembly]
    states: dict[Places, FitState]
    free: int  # readings less unknowns


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
        As for `drift.night.observations.assemble`.
    """
    each = fitted_each_way(latitude_rad, split, readings, directions, zero_is, side)
    return None if each is None else frame_fit(each, latitude_rad)


def frame_fit(each: EachWay, latitude_rad: float) -> FrameFit:
    """Return what came of each reading of the mount's places."""
    return FrameFit(
        {places: _scatter(state) for places, state in each.states.items()},
        {places: _wander(state, latitude_rad) for places, state in each.states.items()},
        each.free,
    )


def fitted_each_way(
    latitude_rad: float,
    split: NightSplit,
    readings: Readings,
    directions: dict[str, Directions],
    zero_is: str,
    side: np.ndarray,
    most_nights: int = NIGHTS_LOOKED_AT,
    ways: tuple[Places, ...] = ALTERNATIVES,
) -> EachWay | None:
    """Fit so many nights each way; None where there is too little to tell."""
    solves = readings["solves"]
    pick = _sample(split, solves, most_nights)
    free = 2 * int(pick.sum()) - UNKNOWNS_A_NIGHT * np.unique(_night(split, solves)[pick]).size
    if free < LEAST_LOG_ODDS:
        return None
    some, seen = solves[pick].reset_index(drop=True), directions["solves"]
    nothing = Directions(np.zeros((0, 3)), np.zeros(0))
    where = {
        "solves": seen.picked(pick),
        "sweeps": nothing,
        "runs": nothing,
    }
    puts = {}
    for places in ways:
        table = taken_as(places, some, where["solves"], latitude_rad)
        put = assemble(latitude_rad, split, as_readings({"solves": table}), where, zero_is, side[pick])
        if put is None:
            return None
        puts[places] = put
    return EachWay(puts, _states_by_way(puts), free)


def _states_by_way(puts: dict[Places, Assembly]) -> dict[Places, FitState]:
    """Fit the same solves each way, without those that no way fits."""
    used = np.ones(puts[AS_RECORDED].sightings.size, dtype=bool)
    states: dict[Places, FitState | None] = dict.fromkeys(puts)
    for _ in range(_ROUNDS):
        fits_in = np.zeros(used.size, dtype=bool)
        for places, put in puts.items():
            state = fit(put.sightings, put.layout, put.typed, used, states[places], robust=True)
            sd = state.scales.scatter[row_class(put.sightings)]
            fits_in |= np.sqrt(np.sum((state.residual / sd) ** 2, axis=1)) < _STRAY_SDS
            states[places] = state
        if np.count_nonzero(used & ~fits_in) <= _STRAY_SHARE * used.size:
            break
        used &= fits_in
    return {places: state for places, state in states.items() if state is not None}


def _scatter(state: FitState) -> float:
    """Return how the solves of a fit scatter in one coordinate [arcsec]."""
    return float(np.exp(np.mean(np.log(state.scales.scatter[:2]))))


def _wander(state: FitState, latitude_rad: float) -> float:
    """Return how far the axis usually stands from where it stood the night before [arcsec], 0 for one."""
    nights = np.unique(state.layout.sessions.night)
    axis = state.solution.night[nights, :2] * np.array([np.cos(latitude_rad), 1.0])
    return float(np.median(np.hypot(*np.diff(axis, axis=0).T))) if nights.size > 1 else 0.0


def _night(split: NightSplit, solves: pd.DataFrame) -> np.ndarray:
    return split.day(solves["time_us"].to_numpy(dtype=np.int64))


def _sample(split: NightSplit, solves: pd.DataFrame, most_nights: int) -> Bools:
    """Return which solves lie in the nights that are looked at."""
    night = _night(split, solves)
    nights = np.unique(night)
    return np.isin(night, nights[:: max(1, -(-nights.size // most_nights))])
