"""Reports that hide the axis error: places logged after a sync on the solve, and mounts with a star model.

A sweep or an unguided run sees all of the axis error.  A mount with a star model of its own takes part of it
out of what it reports; a place that was logged after a sync on its own solve shows nothing of it at all.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from drift.codes import AxisReason, PointingUse, Reports, Source
from drift.mount.instrument import CONE, NONPERP, first_order_of_night, hour_angle_and_dec, wrapped
from drift.night.fit import HUBER, MEDIAN_OF_NORMAL, PRIOR_SD, FitState, row_class
from drift.night.mount_frame import lifted
from drift.night.observations import Directions, tube_sides
from drift.night.sightings import POINTING, SessionRows, Sightings
from drift.night.system import AXIS_PRIOR_SD, ZERO_PRIOR_SD
from drift.notices import NightCode, Notice, info, warning
from drift.quantities import ARCSEC_PER_RAD, DAY_US, Bools, Floats, Ints
from drift.sky.air import STANDARD_TEMP_C, standard_pressure_hpa
from drift.types import InstrumentConstants, NightAxis, Nights

# ---- Mounts whose own star model alters what they report.
#
# Such a mount takes part of its axis error out of what it reports, so pointing solves see too little of it,
# while sweeps and unguided runs see it all.  Where both are there, their disagreement shows it.  Without
# sweeps it can't be known; how likely it is follows from how near to nothing everything is that the solves
# show (`chance_altered`); from a chance of `SPOKEN_FROM` on, what may be hidden is part of the
# uncertainty that all nights share.  Changes of the axis are seen either way, as long as the model inside
# is not made anew.


#: Pointing nights are compared with nights of sweeps or runs no further apart than this [days].
NEAR_DAYS = 20.0
#: A disagreement counts when it is larger than both: a number of sds, and a number of arcsec (a few good
#: nights' sd).
ALARM_SDS, ALARM_ARCSEC = 4.0, 15.0
#: Between two nights the axis may have moved by about this much [arcsec].
BETWEEN_NIGHTS_ARCSEC = 8.0
FEWEST_PAIRS = 3
#: How many nights give where the axis stood at first, before it moved.
FIRST_NIGHTS = 20
#: From the first chance on reports are taken for altered; from the second on it is mentioned.
TAKEN_FROM, SPOKEN_FROM = 0.5, 0.05
#: A night further than this from the median of the others is not used for where the axis stood at first.
STRAY_SDS = 5.0
AXIS = slice(0, 2)


# ---- Places that were logged after a sync on the very solve: they are the solve's own, and hide all.


#: In the middle of the nights before or after one of echoes mount and solve differ by less than the first,
#: and on that night by less than the second [arcsec]: common practice, a sync is exact to the encoders' step
#: of an arcsecond or two, while a raw mount, or one with a model, is off by five and more each way.
ECHOES_ARCSEC, ECHO_ARCSEC = 4.0, 12.0
#: So many nights on each side are looked at; where a log begins to echo, one side tells.
NIGHTS_ABOUT = 5
#: So many solves, and places so far apart [rad], tell it from a mount that stays where it was synced.
FEWEST_ECHOES, ECHOES_APART = 3, np.radians(15.0)
#: So many single solves within `ECHOES_ARCSEC` of the mount's place are echoes where there are more of them
#: than in the ring from there to `ECHO_ARCSEC`, which is eight times as large.
FEWEST_SINGLE = 10
#: One echo in a night is the sync that the others of the night rest on, and as good as they are; several, on
#: this share of nights, are none.
FEWEST_A_NIGHT, SHARE_OF_NIGHTS = 2, 0.5
#: Rounds toward the scatter of what mount and solves differ by.
_SETTLES = 5


def echoes(solves: pd.DataFrame, seen: Directions, day: Ints, latitude_rad: float) -> Bools:
    """Return for which pointing solves the mount's place is the solve's own, (n,): all of a night, or single.

    Parameters
    ----------
    solves, seen
        The solves and their directions.
    day
        (n,) the night of each.
    latitude_rad
        Geodetic latitude [rad].
    """
    nights, night = np.unique(day, return_inverse=True)
    found = np.zeros(nights.size, dtype=bool)
    ha, dec = hour_angle_and_dec(seen.enu, latitude_rad)
    wide = _seen_wide(seen.enu, night, nights.size)
    single = np.zeros(day.size, dtype=bool)
    if not wide.any():
        return single
    for later, higher in _differences(solves, seen, ha, dec, latitude_rad):
        before, single_before = found.copy(), single.copy()
        apart = np.hypot(np.cos(dec) * later, higher) * ARCSEC_PER_RAD
        middle = pd.Series(apart).groupby(night).median().to_numpy()
        about = _about(middle[wide], np.searchsorted(np.flatnonzero(wide), np.arange(nights.size)))
        found |= (middle < ECHO_ARCSEC) & (about < ECHOES_ARCSEC)
        left = wide[night] & ~found[night]
        near, ring = left & (apart < ECHOES_ARCSEC), left & (apart >= ECHOES_ARCSEC) & (apart < ECHO_ARCSEC)
        near &= (np.bincount(night, near, minlength=nights.size) >= FEWEST_A_NIGHT)[night]
        often = np.unique(night[near]).size >= SHARE_OF_NIGHTS * np.unique(night[left]).size
        if often and max(FEWEST_SINGLE, int(ring.sum())) <= int(near.sum()):
            single |= near
        own = (found & ~before)[night] | (single & ~single_before)
        if own.any() and _shows_axis(solves[own], ha[own], dec[own], later[own], higher[own], latitude_rad):
            found, single = before, single_before
    return np.asarray(found[night] | single)


#: Chi squared of two axis errors from which places show an axis, however near to the pole it stands.
SHOWN_CHI2 = 25.0


def _shows_axis(
    solves: pd.DataFrame, ha: Floats, dec: Floats, later: Floats, higher: Floats, latitude_rad: float
) -> bool:
    """Return whether what mount and solves differ by follows an axis that is off the pole.

    Solves can't show the axis of a mount that took its places from them; a raw mount that stands within
    arcseconds of the pole shows just that.
    """
    side, _ = tube_sides(solves, ha)
    columns = first_order_of_night(ha, dec, side, latitude_rad).reshape(2 * ha.size, -1)
    value = np.stack([np.cos(dec) * later, higher], axis=1).reshape(-1) * ARCSEC_PER_RAD
    prior = np.eye(columns.shape[1]) * 1e-4  # 100 arcsec: all of them are small here
    scatter, weight = ECHOES_ARCSEC, np.ones(value.size)
    for _ in range(_SETTLES):
        info = (columns * weight[:, None]).T @ columns / scatter**2 + prior
        cov = np.linalg.inv(info)
        unknown = cov @ (columns * weight[:, None]).T @ value / scatter**2
        left = np.abs(value - columns @ unknown)
        scatter = max(float(np.median(left)) / MEDIAN_OF_NORMAL, 0.3)
        weight = np.minimum(1.0, HUBER * scatter / np.maximum(left, 1e-9))
    axis = unknown[2:4]
    return bool(axis @ np.linalg.solve(cov[2:4, 2:4], axis) > SHOWN_CHI2)


def _differences(
    solves: pd.DataFrame, seen: Directions, ha: Floats, dec: Floats, latitude_rad: float
) -> Iterator[tuple[Floats, Floats]]:
    """Yield by how much the mount reads a later hour angle and a higher declination than the solve [rad].

    Its places may be of date as the telescope sees them, of date without refraction (as the logged air of
    each row has it), or the solve's own numbers.
    """
    names = ("mount_ra_deg", "mount_dec_deg")
    bare, place = (
        np.radians(solves[list(columns)].to_numpy(dtype=float).T)
        for columns in (names, ("ra_deg", "dec_deg"))
    )
    whole = np.radians(lifted(solves, seen, latitude_rad)[list(names)].to_numpy(dtype=float).T)
    usual = float(standard_pressure_hpa(0.0)) if seen.air is None else seen.air.usual_pressure_hpa
    pressure = solves["pressure_hpa"].to_numpy(dtype=float) / usual
    kelvin = (solves["temp_c"].to_numpy(dtype=float) - STANDARD_TEMP_C) / (STANDARD_TEMP_C + 273.15) + 1.0
    share = np.where(np.isfinite(pressure), pressure, 1.0) / np.where(np.isfinite(kelvin), kelvin, 1.0)
    for ra, mount_dec in (bare, bare + share * (whole - bare)):
        yield wrapped(seen.last_rad - ra - ha), mount_dec - dec
    yield wrapped(place[0] - bare[0]), bare[1] - place[1]


def _about(value: Floats, at: Ints) -> Floats:
    """Return the lesser of the medians of the nights up to each place and of those from it on, (n,)."""
    sides = (
        [value[max(k - NIGHTS_ABOUT, 0) : k + 1] for k in at.tolist()],
        [value[k : k + NIGHTS_ABOUT + 1] for k in at.tolist()],
    )
    medians = [[float(np.median(one)) if one.size else np.inf for one in side] for side in sides]
    return np.asarray(np.min(medians, axis=0))


def _seen_wide(enu: Floats, night: Ints, nights: int) -> Bools:
    """Return which nights have enough solves, far enough apart, (nights,)."""
    first = np.zeros(nights, dtype=np.int64)
    first[night[::-1]] = np.arange(night.size)[::-1]
    nearest = np.ones(nights)
    np.minimum.at(nearest, night, np.sum(enu * enu[first[night]], axis=1))
    return (np.bincount(night, minlength=nights) >= FEWEST_ECHOES) & (nearest < np.cos(ECHOES_APART))


# ---- Sweeps that see another axis than the pointing solves of the same nights.


def sees_two_axes(sightings: Sightings, state: FitState) -> bool:
    """Return whether sweeps and runs see another axis than the pointing solves of the same nights.

    One fit of both gives way to the more numerous, and calls the others wild.  So each kind is asked alone,
    by what each is good for beforehand.

    Parameters
    ----------
    sightings, state
        A fit of all nights, for its constants.
    """
    sessions = state.layout.sessions
    sd = PRIOR_SD[row_class(sightings)]
    grams = SessionRows(sightings, sessions.size).grams(state.readings, sightings.share[:, None] / sd**2)
    constants = state.solution.constants()[sessions.era]
    right = grams[:, :4, 10] - np.einsum("sij,sj->si", grams[:, :4, 4:8], constants)
    tied = grams[:, :2, :2] + np.eye(2) * ZERO_PRIOR_SD**-2.0
    gain = np.swapaxes(np.linalg.solve(tied, grams[:, :2, 2:4]), 1, 2)
    info = grams[:, 2:4, 2:4] - gain @ grams[:, :2, 2:4]
    score = right[:, 2:4] - np.einsum("sij,sj->si", gain, right[:, :2])
    axes, covs = [], []
    of_pointing = sessions.source == POINTING
    for kind in (of_pointing, ~of_pointing):
        total = np.zeros((state.layout.nights, 2, 2)) + np.eye(2) * AXIS_PRIOR_SD**-2.0
        sums = np.zeros((state.layout.nights, 2))
        np.add.at(total, sessions.night[kind], info[kind])
        np.add.at(sums, sessions.night[kind], score[kind])
        covs.append(np.linalg.inv(total))
        axes.append(np.einsum("nij,nj->ni", covs[-1], sums))
    both = np.intersect1d(sessions.night[of_pointing], sessions.night[~of_pointing])
    if not both.size:
        return False
    on_sky = np.array([np.cos(sightings.latitude_rad), 1.0])
    apart, cov = (axes[1] - axes[0])[both] * on_sky, (covs[0] + covs[1])[both] * np.outer(on_sky, on_sky)
    sds = np.sqrt(np.einsum("ni,ni->n", apart, np.linalg.solve(cov, apart[:, :, None])[:, :, 0]))
    return bool(np.median(sds) > ALARM_SDS and np.median(np.hypot(*apart.T)) > ALARM_ARCSEC)


def disagreement(nights: Nights) -> tuple[Floats, Floats, int]:
    """Return the middle of still-axis minus pointing (az_error, alt_error), its sds, and the pairs."""
    pointing = _pointing(nights)
    still = [
        n for n in nights.nights if n.has_axis and n.sources and set(n.sources) <= {Source.SWEEP, Source.RUN}
    ]
    if not pointing:
        return np.zeros(2), np.full(2, np.inf), 0
    apart, weight = [], []
    for night in still:
        near = _nearest(pointing, night.time_us)
        if abs(near.time_us - night.time_us) <= NEAR_DAYS * DAY_US:
            apart.append(night.estimate[AXIS] - near.estimate[AXIS])
            variance = np.diagonal(night.covariance)[AXIS] + np.diagonal(near.covariance)[AXIS]
            weight.append(1.0 / (variance + BETWEEN_NIGHTS_ARCSEC**2))
    if len(apart) < FEWEST_PAIRS:
        return np.zeros(2), np.full(2, np.inf), len(apart)
    w = np.array(weight)
    middle = np.median(
        np.array(apart), axis=0
    )  # a slip between two nights of a pair must not raise the alarm
    return middle, 1.2533 / np.sqrt(w.sum(axis=0)), len(apart)


def modelled_or_not(
    nights: Nights, reports: str, latitude_rad: float, correction_us: Ints | None = None
) -> Nights:
    """Find whether pointing solves see too little of the axis error; if so, rely on what sees all of it.

    With `FEWEST_PAIRS` or more nights of sweeps or runs, pointing nights are
    left out of the history.  With fewer, pointing nights are brought to the
    axis that those show.  With none, the axis is not known; how it changes is.

    Parameters
    ----------
    nights
        All nights.
    reports
        ``mount.reports`` of the site file: "raw", "modelled" or "unknown".
    latitude_rad
        Geodetic latitude [rad]; azimuth counts with its cosine.
    correction_us
        Sorted times of recorded corrections: what the axis was before the first of them counts as evidence.
    """
    middle, sd, pairs = disagreement(nights)
    on_sky = middle * np.array([np.cos(latitude_rad), 1.0])
    noticed = bool(np.any((np.abs(middle) > ALARM_SDS * sd) & (np.abs(on_sky) > ALARM_ARCSEC)))
    if noticed:
        notice = warning(
            NightCode.REPORTS_ALTERED_BY_SWEEPS,
            az_apart_arcsec=float(middle[0]),
            alt_apart_arcsec=float(middle[1]),
            pairs=pairs,
        )
    elif reports == Reports.MODELLED:
        notice = warning(NightCode.REPORTS_ALTERED_BY_SITE_FILE)
    elif reports == Reports.RAW or pairs >= FEWEST_PAIRS:
        return nights
    else:
        return _by_odds(nights, latitude_rad, correction_us)
    return _held_back(nights, notice)


def _by_odds(nights: Nights, latitude_rad: float, correction_us: Ints | None) -> Nights:
    """Decide by the odds from the solves' own constants, where there are no sweeps or runs."""
    pointing = _pointing(nights)
    if not pointing:
        return nights
    turned = np.zeros(0, dtype=np.int64) if correction_us is None else correction_us
    chances = [_chance(nights, one, latitude_rad, turned) for one in nights.instruments]
    chance = max((c for c in chances if c is not None), default=0.0)
    if chance < SPOKEN_FROM:
        return nights
    if chance < TAKEN_FROM:
        notice = warning(NightCode.AXIS_RESTS_ON_RAW_REPORTS, chance=chance)
        hidden = hidden_variance(chance) * np.diag([np.cos(latitude_rad) ** -2, 1.0])
        wider = (
            _moved(n, np.zeros(2), hidden) if n.sources == (Source.POINTING,) else n for n in nights.nights
        )
        return replace(nights, nights=tuple(wider), notices=(*nights.notices, notice))
    return _held_back(nights, warning(NightCode.REPORTS_LOOK_ALTERED, chance=chance))


def _chance(
    nights: Nights, instrument: InstrumentConstants, latitude_rad: float, correction_us: Ints
) -> float | None:
    """Return the chance of altered reports in one instrument's time; None without pointing nights in it."""
    start, end = instrument.start_us, instrument.end_us
    turned = correction_us[(correction_us > start) & (correction_us < end)]
    until = int(turned[0]) if turned.size else end
    mine = [n for n in _pointing(nights) if start <= n.time_us < end]
    first = [n for n in mine if n.time_us < until][:FIRST_NIGHTS]
    if not first:
        return None
    scale = np.array([np.cos(latitude_rad), 1.0])
    axis, cov = _mean(first)
    log_odds = 0.0
    for night in _still(nights, start, end):
        near = _nearest(mine, night.time_us)
        days = abs(near.time_us - night.time_us) / DAY_US
        moved = np.eye(2) * BETWEEN_NIGHTS_ARCSEC**2 * max(1.0, days / NEAR_DAYS)
        joint = night.covariance[AXIS, AXIS] + near.covariance[AXIS, AXIS]
        apart = (night.working[AXIS] - near.working[AXIS]) * scale
        log_odds += verified(apart, joint * np.outer(scale, scale) + moved)
    shown = Shown(
        _constant(instrument, CONE),
        _constant(instrument, NONPERP),
        axis * scale,
        np.sqrt(np.diagonal(cov)) * scale,
    )
    return chance_altered(shown, log_odds)


def _constant(instrument: InstrumentConstants, which: int) -> tuple[float, float]:
    return float(instrument.values[which]), float(instrument.sds[which])


def _mean(nights: list[NightAxis]) -> tuple[Floats, Floats]:
    """Return the middle axis of nights that may move a little, and its covariance with what they share."""
    axes = np.array([n.working[AXIS] for n in nights])
    own = np.array([n.own_covariance[AXIS, AXIS] for n in nights]) + np.eye(2) * BETWEEN_NIGHTS_ARCSEC**2
    off = np.abs(axes - np.median(axes, axis=0)) / np.sqrt(np.diagonal(own, axis1=1, axis2=2))
    alike = np.all(off <= np.maximum(STRAY_SDS, 2.0 * STRAY_SDS * np.median(off, axis=0)), axis=1)
    axes, own = axes[alike], own[alike]
    weights = np.linalg.inv(own)
    cov = np.linalg.inv(weights.sum(axis=0))
    shared = np.median([n.covariance[AXIS, AXIS] - n.own_covariance[AXIS, AXIS] for n in nights], axis=0)
    return cov @ np.einsum("nij,nj->i", weights, axes), cov + np.diag(np.maximum(np.diagonal(shared), 0.0))


def _held_back(nights: Nights, notice: Notice) -> Nights:
    """Withhold what pointing solves can't know, by how many other nights there are."""
    kept = nights.nights
    more: tuple[Notice, ...] = ()
    whole = [n for n in kept if n.has_axis and set(n.sources) & {Source.SWEEP, Source.RUN, Source.TYPED}]
    some = _still(nights)
    if len(whole) >= FEWEST_PAIRS:
        kept = tuple(_without_axis(n) if n.sources == (Source.POINTING,) else n for n in kept)
        use = PointingUse.LEFT_OUT
    elif some and _pointing(nights):
        offset, cov = _offset(nights, some)
        kept = tuple(_moved(n, offset, cov) if n.sources == (Source.POINTING,) else n for n in kept)
        more = (info(NightCode.AXIS_BY_FEW_SWEEPS, nights=len(some)),)
        use = PointingUse.BROUGHT
    else:
        unknown = np.eye(2) * AXIS_PRIOR_SD**2
        kept = tuple(_moved(n, np.zeros(2), unknown) if n.sources == (Source.POINTING,) else n for n in kept)
        use = PointingUse.CHANGES_ONLY
    notice = replace(notice, values={**notice.values, "use": use})
    return replace(nights, nights=kept, notices=(*nights.notices, notice, *more))


def _offset(nights: Nights, still: list[NightAxis]) -> tuple[Floats, Floats]:
    """Return by how much the axis of still nights exceeds that of pointing ones, (2,); its covariance."""
    pointing = _pointing(nights)
    total, right = np.eye(2) * AXIS_PRIOR_SD**-2, np.zeros(2)
    for night in still:
        near = _nearest(pointing, night.time_us)
        days = abs(near.time_us - night.time_us) / DAY_US
        cov = night.covariance[AXIS, AXIS] + near.covariance[AXIS, AXIS]
        weight = np.linalg.inv(cov + np.eye(2) * BETWEEN_NIGHTS_ARCSEC**2 * max(1.0, days / NEAR_DAYS))
        total = total + weight
        right = right + weight @ (night.working[AXIS] - near.working[AXIS])
    cov = np.linalg.inv(total)
    return cov @ right, cov


def _moved(night: NightAxis, offset: Floats, cov: Floats) -> NightAxis:
    """Return a pointing night with its axis moved by what the mount's model took out, known to `cov`."""
    covariance, working = night.covariance.copy(), night.working.copy()
    covariance[AXIS, AXIS] += cov
    working[AXIS] += offset
    known = np.sqrt(np.diagonal(covariance)[AXIS]) <= 0.5 * AXIS_PRIOR_SD
    estimate = night.estimate.copy()
    estimate[AXIS] = np.where(known, estimate[AXIS] + offset, np.nan)
    reason = night.axis_reason if known.all() else AxisReason.REPORTS_ALTERED
    return replace(night, estimate=estimate, covariance=covariance, working=working, axis_reason=reason)


def _pointing(nights: Nights) -> list[NightAxis]:
    return [n for n in nights.nights if n.has_axis and n.sources == (Source.POINTING,)]


def _still(nights: Nights, start_us: int = -(2**62), end_us: int = 2**62) -> list[NightAxis]:
    """Return nights that do not rest on the mount's reports, also half-known ones (a run)."""
    return [
        n
        for n in nights.nights
        if n.sources
        and set(n.sources) <= {Source.SWEEP, Source.RUN, Source.TYPED}
        and np.all(np.isfinite(n.working[AXIS]))
        and start_us <= n.time_us < end_us
    ]


def _nearest(nights: list[NightAxis], time_us: int) -> NightAxis:
    return nights[int(np.argmin([abs(n.time_us - time_us) for n in nights]))]


def _without_axis(night: NightAxis) -> NightAxis:
    """Return the night with its axis shown but kept out of the history."""
    notice = warning(NightCode.NOT_IN_HISTORY)
    return replace(night, working=np.full(3, np.nan), notices=(*night.notices, notice))


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
