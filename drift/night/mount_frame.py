"""What the places that a mount reports mean: of date or J2000, with refraction or without, altered or raw."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from drift.mount.instrument import drooped, hour_angle_and_dec
from drift.night.fit import FitState, fit, row_class
from drift.night.observations import Assembly, Directions, assemble
from drift.night.prepared import NightSplit
from drift.quantities import ARCSEC_PER_RAD, Bools, Floats
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
    later = np.angle(np.exp(1j * (with_air[0] - without[0])))  # in the hour angle
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
    air = None if seen.air is None else seen.air.rows(pick)
    nothing = Directions(np.zeros((0, 3)), np.zeros(0))
    where = {
        "solves": Directions(seen.enu[pick], seen.last_rad[pick], air),
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


# ---- The chance that a model inside the mount has altered its reports, from pointing solves alone.
#
# A raw mount shows cone error, non-perpendicular axes and the axis error that its
# owner left.  A mount with a model of many stars reports where it really points,
# so that all of these come out near nothing; one with a model of two or three
# stars takes out the axis error alone, one of a few more the cone error as well.
# What such a small model doesn't know of, it takes for an axis elsewhere: the
# constants that it left in show how far from nothing its axis may come out.  No
# raw mount is known to be perfect and none is known not to be, so this is a matter
# of odds: how often each kind of mount comes out as near to nothing as this one.


#: What raw mounts show, as ranges in which the logarithm of the scale is equally likely [arcsec]: common
#: practice, cone errors of 10 arcsec (shimmed) to 10 arcmin, axes perpendicular to 5 arcsec to 5 arcmin, a
#: polar axis set to 20 arcsec (with care) to 25 arcmin (by eye).
RAW_CONE, RAW_NONPERP, RAW_AXIS = (10.0, 600.0), (5.0, 300.0), (20.0, 1500.0)
#: What a model leaves of each [arcsec]: common practice, its stars are centred to some arcsec.
LEFT = (0.5, 20.0)
#: How far off the axis of a small model is, as a share of the constants that it doesn't know of: 0.1 to 0.6
#: by 4,000 draws each of two, three or six stars anywhere above 25 degrees on one side of the pier or both,
#: a rotation fitted to them (an error of 100 arcsec moved it by 9 to 60); stars through a small gap move it
#: two or three times as far.
TAKEN_FOR_AXIS = (0.03, 1.5)
#: How common each kind is where the site file doesn't say: common practice, most logs come from encoders or
#: from a driver without a model; go-to mounts set on two or three stars are more common than larger models.
CHANCE_ALL, CHANCE_CONE, CHANCE_AXIS = 0.05, 0.05, 0.10
_GRID = 40


def hidden_variance(chance: float) -> float:
    """Return the variance of what a model may have taken out of one coordinate, on the sky [arcsec^2].

    Where the reports are altered, with that chance, the axis stands anywhere that raw mounts stand: the mean
    square of a scale between the ends of `RAW_AXIS` whose logarithm is equally likely, that is
    (b^2 - a^2) / (2 ln(b / a)); else nothing is hidden.
    """
    least, most = RAW_AXIS
    return chance * (most**2 - least**2) / (2.0 * float(np.log(most / least)))


@dataclass(frozen=True)
class Shown:
    """What pointing solves show of an instrument: values with sds [arcsec]; NaN where they show nothing.

    `axis` and its sds are on the sky, azimuth with the cosine of latitude, from
    the time before anybody turned a knob.
    """

    cone: tuple[float, float]
    nonperp: tuple[float, float]
    axis: Floats  # (2,)
    axis_sd: Floats  # (2,)


def chance_altered(shown: Shown, verified_log_odds: float = 0.0) -> float:
    """Return the chance that the reports are altered so that the axis can't be seen in them.

    Parameters
    ----------
    shown
        What the solves show.
    verified_log_odds
        What sweeps and runs say for altered reports, as the logarithm of odds; 0 where there are none.
    """
    cone = _evidence(*shown.cone, LEFT) - _evidence(*shown.cone, RAW_CONE)
    nonperp = _evidence(*shown.nonperp, LEFT) - _evidence(*shown.nonperp, RAW_NONPERP)
    unknown_to = (_size(shown.cone, RAW_CONE), _size(shown.nonperp, RAW_NONPERP))

    def axis(*unknown: float) -> float:
        left = _evidence(shown.axis, shown.axis_sd, LEFT, float(np.hypot.reduce([0.0, *unknown])))
        return left - _evidence(shown.axis, shown.axis_sd, RAW_AXIS)

    kinds = (
        np.log(CHANCE_AXIS) + axis(*unknown_to),
        np.log(CHANCE_CONE) + axis(unknown_to[1]) + cone,
        np.log(CHANCE_ALL) + axis() + cone + nonperp,
    )
    raw = np.log(1.0 - CHANCE_ALL - CHANCE_CONE - CHANCE_AXIS)
    odds = np.logaddexp.reduce(kinds) - raw + verified_log_odds
    return float(1.0 / (1.0 + np.exp(-np.clip(odds, -500.0, 500.0))))


def verified(apart: Floats, cov: Floats) -> float:
    """Return the log odds for altered reports by one axis that was measured without them.

    Parameters
    ----------
    apart
        The axis by sweep or run less that by pointing solves, on the sky, (2,) [arcsec].
    cov
        Its covariance if nothing is altered, (2, 2), what the axis may have moved in between included.
    """
    scales = np.geomspace(*RAW_AXIS, _GRID)
    raw = _normal(apart, cov)
    return float(np.logaddexp.reduce([_normal(apart, cov + np.eye(2) * s**2) for s in scales])) - float(
        np.log(_GRID) + raw
    )


def _evidence(
    value: Floats | float, sd: Floats | float, between: tuple[float, float], taken: float = 0.0
) -> float:
    """Return the log density of values scattered about nothing by one scale of a range; 0 for none.

    `taken` is the size of the constants [arcsec] of which a share (`TAKEN_FOR_AXIS`) scatters them too.
    """
    x, s = np.atleast_1d(value), np.atleast_1d(sd)
    known = np.isfinite(x) & np.isfinite(s)
    if not known.any():
        return 0.0
    shares = np.geomspace(*TAKEN_FOR_AXIS, _GRID) if taken else np.zeros(1)
    scale2 = np.geomspace(*between, _GRID)[:, None] ** 2 + (shares * taken) ** 2
    variance = scale2.reshape(-1, 1) + s[known] ** 2
    each = -0.5 * np.sum(x[known] ** 2 / variance + np.log(2.0 * np.pi * variance), axis=1)
    return float(np.logaddexp.reduce(each) - np.log(each.size))


def _size(constant: tuple[float, float], between: tuple[float, float]) -> float:
    """Return the size of a constant [arcsec]; the middle of what raw mounts have where nothing shows it."""
    value, sd = constant
    return abs(value) if np.isfinite(value) and np.isfinite(sd) else float(np.sqrt(np.prod(between)))


def _normal(x: Floats, cov: Floats) -> float:
    _, size = np.linalg.slogdet(cov)
    return float(-0.5 * (x @ np.linalg.solve(cov, x) + size + x.size * np.log(2.0 * np.pi)))
