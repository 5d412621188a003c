"""Nights that fit better with their times moved by a whole hour: a clock set wrong, or not put forward.

Logged an hour late, the whole sky stands 15 degrees too far west.  Solves and the mount's own places turn
with it, so that most of it goes unseen in a night; what does not turn is the ground: refraction and droop
go with the true height, the tube's side with the true meridian, and nothing is seen below the horizon.  A
mount whose own sidereal time comes from the same clock shows its kept hour-angle zero off by 15.04 degrees
besides.  Refraction alone says little about one night and enough about a series of them; so nights are
weighed in order, with a clock that is seldom changed, and most often when summer time begins or ends.  The
axis, turned by 15 degrees about the pole, is not where it was on other nights either; but a knob or a pier
that moved looks the same on all nights after it, so that this counts over changes of summer time only, and
for which night was the first or the last with a wrong clock.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from drift.mount.instrument import Pose, drooped, first_order_of_night, hour_angle_and_dec
from drift.night.fit import FitState, row_sd
from drift.night.outliers import NightsSearched
from drift.night.sightings import POINTING, SIDEREAL_RAD_PER_US, SessionRows, Sightings
from drift.night.system import (
    AXIS_PRIOR_SD,
    LIFT,
    NIGHT,
    NIGHT_COEFFICIENTS,
    OWN,
    OWN_COEFFICIENTS,
    SHIFTS,
    ZERO_PRIOR_SD,
    by_night,
    eliminated,
)
from drift.quantities import ARCSEC_PER_RAD, DAY_US, HOUR_US, Bools, Floats, Ints

#: The instrument's scatter counts against a night's own as this many readings.
SCATTER_SHARE = 20.0
#: Clocks less likely than this are ignored.
LEAST_CHANCE = 1.0e-3
#: By how many hours a clock may run ahead: common practice, summer time or the zone next door.
HOURS = (1, -1)
HOUR_ARCSEC = SIDEREAL_RAD_PER_US * HOUR_US * ARCSEC_PER_RAD  # 15.04 degrees
_CYCLE = HOUR_ARCSEC / (2.0 * np.pi)
FULL_TURN_ARCSEC = 1_296_000.0
#: Share of nights on which a kept zero is lost; and the best repeatability assumed in this test [arcsec].
LOST_ZERO, LEAST_ZERO_SD = 0.01, 20.0
#: The chance for each night that a clock is set wrong, and that it is put right (common practice: twice a
#: year at most over some hundred nights, for a night or until the next change); and that it is wrong at
#: first.
SET_WRONG, PUT_RIGHT, FIRST_WRONG = 2.0e-3, 5.0e-2, 1.0e-2
#: The same over a change of summer time: common practice, one change in fifty is missed or made twice, and
#: half of the clocks that are wrong are put right at one.
SET_WRONG_AT_CHANGE, PUT_RIGHT_AT_CHANGE = 2.0e-2, 0.5
#: How a clock goes from one night to the next: set wrong, put right, from one wrong hour to another, as local
#: time goes with summer time.
_RARELY = (SET_WRONG, PUT_RIGHT, SET_WRONG * PUT_RIGHT)
_AT_CHANGE = (SET_WRONG_AT_CHANGE, PUT_RIGHT_AT_CHANGE, PUT_RIGHT_AT_CHANGE)
#: How many nights, within how many days, give the axis before and after a change.
NIGHTS_ABOUT, DAYS_ABOUT = 5, 45.0
#: How far it may have moved by itself meanwhile, (chance, sd [arcsec]): hardly, mostly; with the frost; by
#: a knob or a knock.  Common practice.
MOVES_MEANWHILE = ((0.9, 4.0), (0.09, 15.0), (0.01, 100.0))
#: Log odds of a solve below the horizon against an open sky; of a tube on the wrong side by more than
#: `PAST_MERIDIAN` they are counted over all nights, and half is taken a solve, as a night's hang together.
BELOW_HORIZON = -8.0
PAST_MERIDIAN = np.radians(8.0)
#: Passes of geometry; the axis turned by 15 degrees is a good start.
PASSES = 2
#: How often clocks are looked for: once most of them are right, so is the instrument, and the rest shows; and
#: each time moves a night by one hour, of up to fourteen that local time is off from UTC.
MOST_MOVES = 16
#: So many stretches of nights whose clock differs from that before and after are looked at again.
MOST_ISLANDS = 6
#: What it costs to set one more solve aside: common practice, one in a hundred is wrong.
LOG_WRONG_SOLVE = float(np.log(0.01))
#: Refraction at 45 degrees that is taken off and put on again in turning [arcsec].
_LIFT = 58.2


@dataclass(frozen=True)
class Clocks:
    """What each of n nights says about its clock, for each of `HOURS`.

    `log_odds` (n, 2) is how much better a night fits with its times moved than
    as it is, by itself; `chance` (n, 2) that its clock ran ahead by so much, with
    the nights before and after; `axis` (n, 3, 2) where the axis is as it is and
    for each of `HOURS`, instrument held [arcsec]; `zero_hours` (s,) by how many
    hours each session's kept hour-angle zero is off.
    """

    log_odds: Floats
    chance: Floats
    axis: Floats
    zero_hours: Ints

    def hours(self) -> Ints:
        """Return by how many hours the clock most likely ran ahead, (n,); 0 for a right one."""
        best = np.argmax(self.chance, axis=1)
        taken = np.max(self.chance, axis=1, initial=0.0) > 0.5
        return np.where(taken, np.array(HOURS)[best], 0)

    def left_open(self) -> Floats:
        """Return the spread of each night's axis over the less likely clocks, (n, 2, 2) [arcsec^2]."""
        chance = np.column_stack([1.0 - self.chance.sum(axis=1), self.chance])
        chance = np.where(chance < LEAST_CHANCE, 0.0, chance)
        place = np.array([(0, *HOURS).index(int(h)) for h in self.hours()], dtype=np.int64)
        apart = self.axis - self.axis[np.arange(place.size), place][:, None]
        return np.einsum("nk,nki,nkj->nij", chance, apart, apart)


@dataclass(frozen=True)
class ClocksRight:
    """The nights with their clocks put right: by how many hours (n,), the log odds, and what is left open."""

    searched: NightsSearched
    hours: Ints  # (n,) by which each clock ran ahead
    log_odds: Floats  # (n,) of the last hour
    left_open: Floats  # (n, 2, 2) spread of each night's axis over the less likely clocks [arcsec^2]


def clocks_put_right(
    searched: NightsSearched,
    again: Callable[[Sightings], NightsSearched],
    sides_logged: bool,
    changes_us: Ints | None = None,
    whole_log: tuple[int, float] = (0, 0.0),
) -> ClocksRight:
    """Move the times of nights whose clock was wrong, an hour at a time, until nothing changes.

    Parameters
    ----------
    searched
        The nights as they were logged, or with all times moved alike.
    again
        Fits moved sightings.
    sides_logged, changes_us
        As for `clocks_of_nights`.
    whole_log
        By how many hours all times were moved back before, and the log odds (`drift.night.log_zone`).
    """
    nights = searched.state.layout.nights
    hours: Ints = np.full(nights, whole_log[0], dtype=np.int64)
    log_odds, been, is_joined = np.full(nights, whole_log[1] / max(nights, 1)), {hours.tobytes()}, False
    for _ in range(MOST_MOVES):
        clocks = clocks_of_nights(
            searched.sightings, searched.state, searched.used, sides_logged, changes_us, hours
        )
        found = clocks.hours()
        if not found.any() and not is_joined:
            joined, searched = _islands_joined(searched, hours, again, sides_logged, changes_us)
            is_joined = True
            if np.array_equal(joined, hours):
                break
            hours = joined
            continue
        if not found.any() or (hours + found).tobytes() in been:
            break
        hours, log_odds = hours + found, np.where(found != 0, clocks.log_odds.max(axis=1), log_odds)
        been.add(hours.tobytes())
        searched = again(put_right(searched.sightings, clocks, searched.sessions.night))
    return ClocksRight(searched, hours, log_odds, clocks.left_open())


def turned_enu(enu: Floats, latitude_rad: float, angle_rad: float) -> Floats:
    """Turn directions (n, 3) about the pole toward smaller hour angles, refraction taken off and put on."""
    none, lift = np.zeros(len(enu)), np.full(len(enu), _LIFT / ARCSEC_PER_RAD)
    ha, dec = hour_angle_and_dec(drooped(enu, none, lift), latitude_rad)
    ha = ha - angle_rad
    sin_phi, cos_phi = np.sin(latitude_rad), np.cos(latitude_rad)
    meridian, pole = np.cos(dec) * np.cos(ha), np.sin(dec)
    airless = np.stack(
        [-np.cos(dec) * np.sin(ha), cos_phi * pole - sin_phi * meridian, sin_phi * pole + cos_phi * meridian],
        axis=1,
    )
    return np.asarray(drooped(airless, none, -lift))


def _islands_joined(
    searched: NightsSearched,
    hours: Ints,
    again: Callable[[Sightings], NightsSearched],
    sides_logged: bool,
    changes_us: Ints | None,
) -> tuple[Ints, NightsSearched]:
    """Give stretches of nights the clock of the nights before and after where all in all that fits better.

    Solves that spoke against the hour found were set aside on the way, so that they speak no more: the other
    hour is tried with all of them.
    """
    for nights, by in _islands(hours, searched, changes_us)[:MOST_ISLANDS]:
        of_row = np.isin(searched.sessions.night[searched.sightings.session], nights)
        trial = again(_moved(searched.sightings, of_row, by))
        was, stands = int(hours[nights[0]]), int(hours[nights[0]] + by)
        there_and_back = _changed(np.array([[stands], [was]]), np.array([[was], [stands]]), *_RARELY)
        alone = _fits(searched, nights, sides_logged) + float(np.log(there_and_back).sum())
        if _fits(trial, nights, sides_logged) > alone:
            hours, searched = hours + np.where(np.isin(np.arange(hours.size), nights), by, 0), trial
    return hours, searched


def _islands(hours: Ints, searched: NightsSearched, changes_us: Ints | None) -> list[tuple[Ints, int]]:
    """Return nights in a row whose hours differ from those before and after, which agree; and by how much.

    Where summer time begins or ends with them the axis has told, which is not asked again.
    """
    of_row = searched.sessions.night[searched.sightings.session]
    own, first = np.unique(of_row, return_index=True)
    summer = np.searchsorted(
        np.zeros(0) if changes_us is None else changes_us, searched.sightings.time_us[first]
    )
    if not own.size:
        return []
    edges = np.append(0, np.flatnonzero(np.diff(hours[own])) + 1)
    ends = np.append(edges[1:], own.size)
    value = hours[own[edges]]
    found = [
        (own[edges[k] : ends[k]], int(value[k - 1] - value[k]))
        for k in range(1, edges.size - 1)
        if value[k - 1] == value[k + 1]
        and summer[edges[k] - 1] == summer[edges[k]]
        and summer[ends[k] - 1] == summer[ends[k]]
    ]
    return sorted(found, key=lambda one: one[0].size)


def _moved(sightings: Sightings, rows: Bools, hours: int, kept: Bools | None = None) -> Sightings:
    """Return the sightings with those of some rows moved back by so many hours.

    The mount's own hour angles go along, but for rows where a mount that goes by the same clock `kept` them.
    """
    turned = _turned(sightings, hours)
    with_mount = rows if kept is None else rows & ~kept
    return replace(
        sightings,
        enu=np.where(rows[:, None], turned.enu, sightings.enu),
        ha=np.where(rows, turned.ha, sightings.ha),
        dec=np.where(rows, turned.dec, sightings.dec),
        mech_ha_rad=np.where(with_mount, turned.mech_ha_rad, sightings.mech_ha_rad),
        coefficients=np.where(rows[:, None, None], turned.coefficients, sightings.coefficients),
    )


def _fits(searched: NightsSearched, nights: Ints, sides_logged: bool) -> float:
    """Return the log likelihood of some nights, what was set aside of them counted in."""
    sightings, used = searched.sightings, searched.used
    sides = _side_log_odds(sightings, used) if sides_logged else 0.0
    own = np.isin(searched.sessions.night[sightings.session], nights)
    fits, _ = _weighed(sightings, searched.state, used, 0, sides)
    return float(fits[nights].sum()) + LOG_WRONG_SOLVE * int(np.count_nonzero(own & ~used))


def put_right(sightings: Sightings, clocks: Clocks, session_night: Ints) -> Sightings:
    """Return the sightings with the times of nights whose clock was wrong moved back.

    Parameters
    ----------
    sightings
        Those that the clocks were found from.
    session_night
        The night of each session, (s,).
    """
    hours = clocks.hours()[session_night][sightings.session]
    zero_hours = clocks.zero_hours[sightings.session]
    for hour in HOURS:
        own = hours == hour
        if own.any():
            sightings = _moved(sightings, own, hour, kept=zero_hours == hour)
    return sightings


def clocks_of_nights(
    sightings: Sightings,
    state: FitState,
    used: Bools,
    sides_logged: bool,
    changes_us: Ints | None = None,
    before: Ints | None = None,
) -> Clocks:
    """Weigh for each night whether its clock ran ahead or behind by an hour.

    Parameters
    ----------
    sightings, state, used
        The final fit.
    sides_logged
        Whether the logs give the tube side; a side taken from the hour angle proves nothing.
    changes_us
        When summer time begins and ends, sorted; None where that is not known.
    before
        By how many hours each night's times were put right before, (n,): a clock that was hours off is found
        an hour at a time, and it is the whole that hardly ever changes.  None: by none.
    """
    sides = _side_log_odds(sightings, used) if sides_logged else 0.0
    plain, plain_axis = _weighed(sightings, state, used, 0, sides)
    moved = [_weighed(_turned(sightings, hour), state, used, hour, sides) for hour in HOURS]
    by_zero, zero_hours = _zeros_off(state)
    odds = np.stack([fits - plain for fits, _ in moved], axis=1) + by_zero
    axis = np.stack([plain_axis, *(one for _, one in moved)], axis=1)
    ahead = (np.zeros(len(odds), dtype=np.int64) if before is None else before)[:, None] + (0, *HOURS)
    about = _axes_by_clock(sightings, state, axis)
    changes = _changed(ahead[:-1], ahead[1:], *_RARELY)
    if changes_us is not None:
        for night, over_change in _over_changes(about, changes_us).items():
            if night:
                changes[night - 1] = _changed(ahead[night - 1], ahead[night], *_AT_CHANGE)
                changes[night - 1] *= np.exp(over_change)
    first = np.where(ahead[:1] == 0, 1.0 - FIRST_WRONG, FIRST_WRONG / len(HOURS)).reshape(-1)
    found = Clocks(odds, _in_order(odds, first, changes), axis, zero_hours)
    at_edges = _at_edges(about, found.hours(), ahead)
    return replace(found, chance=_in_order(odds + at_edges, first, changes)) if at_edges.any() else found


def _changed(was: Ints, stands: Ints, set_wrong: float, put_right: float, other: float) -> Floats:
    """Return the chance of each of three clocks after each of those of the night before, (..., 3, 3).

    Parameters
    ----------
    was, stands
        By how many hours clocks run ahead, (..., 3) each.
    set_wrong, put_right, other
        The chance that a right clock is set wrong, that a wrong one is put right, and that it goes from one
        wrong hour to another, as local time does with summer time.
    """
    was, stands = was[..., :, None], stands[..., None, :]
    stays = np.where(was == 0, 1.0 - set_wrong, 1.0 - put_right)
    goes = np.where(was == 0, set_wrong / len(HOURS), np.where(stands == 0, put_right, other))
    return np.asarray(np.where(was == stands, stays, goes))


@dataclass(frozen=True)
class _Axes:
    """Where the axis of each of n nights is, by each clock."""

    days: Floats  # (n,) of the nights; 0 for one without rows
    own: Ints  # nights with rows, in order
    axis: Floats  # (n, 3, 2) as it is and for each of `HOURS`
    cov: Floats  # (n, 2, 2)
    scale: Floats  # (2,) to the sky

    def moved(self, was: Floats, stands: Floats, cov: Floats) -> Floats:
        """Return the log density of axes that stand there after they were elsewhere, (..., 2) each."""
        joint = cov * np.outer(self.scale, self.scale)
        apart = (stands - was) * self.scale
        density = [np.log(p) + _log_normal(apart, joint + np.eye(2) * sd**2) for p, sd in MOVES_MEANWHILE]
        return np.asarray(np.logaddexp.reduce(density, axis=0))


def _axes_by_clock(sightings: Sightings, state: FitState, axis: Floats) -> _Axes:
    of_row = state.layout.sessions.night[sightings.session]
    nights = len(axis)
    rows = np.bincount(of_row, minlength=nights)
    days = np.bincount(of_row, sightings.time_us / DAY_US, minlength=nights) / np.maximum(rows, 1)
    cov = state.solution.axis_cov(state.solution.varying_cov())
    scale = np.array([np.cos(sightings.latitude_rad), 1.0])
    return _Axes(days, np.flatnonzero(rows > 0), axis, cov, scale)


def _over_changes(about: _Axes, changes_us: Ints) -> dict[int, Floats]:
    """Return what the axis says over each change of summer time: the log density by both clocks, (3, 3).

    The keys are the first nights after a change.
    """
    days, own = about.days, about.own
    out = {}
    for change in changes_us / DAY_US:
        at = int(np.searchsorted(days[own], change))
        before, after = own[max(0, at - NIGHTS_ABOUT) : at], own[at : at + NIGHTS_ABOUT]
        before = before[change - days[before] < DAYS_ABOUT]
        after = after[days[after] - change < DAYS_ABOUT]
        if not before.size or not after.size:
            continue
        (was, was_cov), (stands, cov_now) = (_middle(about.axis[n], about.cov[n]) for n in (before, after))
        density = about.moved(was[:, None], stands[None, :], was_cov + cov_now)
        out[int(after[0])] = density - density.max()
    return out


def _at_edges(about: _Axes, hours: Ints, ahead: Ints) -> Floats:
    """Return the log odds that the axis gives nights about the first and last of those with a wrong clock.

    Which night that was refraction alone says poorly; the axis says it well where it stood alike before and
    after.  For each of `HOURS`, (n, 2); 0 for nights further off than `NIGHTS_ABOUT`.  `ahead` (n, 3) is
    what 0 and `HOURS` come to with what was put right before.
    """
    out, own = np.zeros((len(hours), len(HOURS))), about.own
    place = np.array([(0, *HOURS).index(int(h)) for h in hours], dtype=np.int64)
    whole = ahead[np.arange(place.size), place]
    for edge in np.flatnonzero(np.diff(whole[own])) + 1:
        window = own[max(0, edge - NIGHTS_ABOUT) : edge + NIGHTS_ABOUT]
        sides = own[max(0, edge - 2 * NIGHTS_ABOUT) : max(0, edge - NIGHTS_ABOUT)]
        beyond = own[edge + NIGHTS_ABOUT : edge + 2 * NIGHTS_ABOUT]
        known = [
            _middle(about.axis[n, place[n]][:, None], about.cov[n]) for n in (sides, beyond) if n.size > 1
        ]
        for night in window:
            densities = [about.moved(was, about.axis[night], cov + about.cov[night]) for was, cov in known]
            if densities:
                density = np.mean(densities, axis=0)
                out[night] = density[1:] - density[0]
    return out


def _middle(axis: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """Return the weighted middle of some nights' axes by each clock, (3, 2), and its covariance (2, 2)."""
    weight = np.linalg.inv(cov)
    joint = np.linalg.inv(weight.sum(axis=0))
    return np.einsum("ij,njk,nck->ci", joint, weight, axis), joint


def _log_normal(apart: Floats, cov: Floats) -> Floats:
    square = np.einsum("...i,ij,...j->...", apart, np.linalg.inv(cov), apart)
    return np.asarray(-0.5 * square - 0.5 * np.linalg.slogdet(cov)[1])


def _in_order(odds: Floats, first: Floats, change: Floats) -> Floats:
    """Return the chance of `HOURS` on each night, (n, 2), the nights taken in order (Rabiner 1989).

    `first` (3,) is the chance of each clock on the first night, `change` (n - 1, 3, 3) that of each after
    each on the night before.
    """
    count = len(odds)
    seen = np.column_stack([np.zeros(count), odds])
    seen = np.exp(np.maximum(seen - seen.max(axis=1, keepdims=True), -200.0))
    forward, backward = np.empty_like(seen), np.ones_like(seen)
    for n in range(count):
        forward[n] = (first if n == 0 else forward[n - 1] @ change[n - 1]) * seen[n]
        forward[n] /= forward[n].sum()
    for n in range(count - 2, -1, -1):
        backward[n] = change[n] @ (seen[n + 1] * backward[n + 1])
        backward[n] /= backward[n].sum()
    both = forward * backward
    return np.asarray((both / both.sum(axis=1, keepdims=True))[:, 1:])


def _zeros_off(state: FitState) -> tuple[Floats, Ints]:
    """Return what kept zeros say for `HOURS`, (n, 2), and by how many hours each is off, (s,).

    A mount that takes its sidereal time from a clock an hour ahead reads its
    kept zero 15.04 degrees too small; the rival is a lost zero that lies there by accident.
    """
    sessions = state.layout.sessions
    out, off = np.zeros((state.layout.nights, len(HOURS))), np.zeros(sessions.size, dtype=np.int64)
    labels = np.array(sessions.zero_label, dtype=object)
    for label in {str(one) for one in labels} - {""}:
        own = np.flatnonzero(labels == label)
        zero = state.solution.own[own, 0]
        middle = np.angle(np.median(np.cos(zero / _CYCLE)) + 1j * np.median(np.sin(zero / _CYCLE))) * _CYCLE
        turns = np.round((zero - middle) / HOUR_ARCSEC)
        rest = zero - middle - turns * HOUR_ARCSEC
        spread = max(LEAST_ZERO_SD, 1.4826 * float(np.median(np.abs(rest))))
        usual = np.bincount((turns - turns.min()).astype(int)).argmax() + turns.min()
        hours = np.where(np.abs(rest) < 5.0 * spread, usual - turns, 0.0).astype(np.int64)
        off[own] = hours
        accident = -np.log(LOST_ZERO * min(1.0, 10.0 * spread / FULL_TURN_ARCSEC))
        for k, hour in enumerate(HOURS):
            out[sessions.night[own[hours == hour]], k] = accident
    return out, off


def _side_log_odds(sightings: Sightings, used: Bools) -> float:
    """Return the evidence of tubes on the wrong side against a clock, by how rare they usually are."""
    sided = used & (sightings.source == POINTING)
    wrong = int(np.sum(sided & _on_wrong_side(sightings)))
    return 0.5 * min(0.0, float(np.log((wrong + 1.0) / (sided.sum() - wrong + 20.0))))


def _on_wrong_side(sightings: Sightings) -> Bools:
    return np.asarray(sightings.side * sightings.ha < -PAST_MERIDIAN)


def _turned(sightings: Sightings, hours: int) -> Sightings:
    """Return the sightings as they were if the clock ran ahead by so many hours."""
    angle = SIDEREAL_RAD_PER_US * hours * HOUR_US
    enu = turned_enu(sightings.enu, sightings.latitude_rad, angle)
    ha, dec = hour_angle_and_dec(enu, sightings.latitude_rad)
    coefficients = first_order_of_night(ha, dec, sightings.side, sightings.latitude_rad)
    read = np.isfinite(sightings.mech_ha_rad)
    coefficients[~read, 0, :] = 0.0
    coefficients[~read, :, 4:7] = 0.0
    mech_ha = sightings.mech_ha_rad - angle
    return replace(sightings, enu=enu, ha=ha, dec=dec, mech_ha_rad=mech_ha, coefficients=coefficients)


def _weighed(
    sightings: Sightings, state: FitState, used: Bools, hours: int, sides: float
) -> tuple[Floats, Floats]:
    """Fit each night with the instrument held: log likelihood (n,) and axis (n, 2)."""
    layout, solution = state.layout, state.solution
    sessions = layout.sessions
    x = solution.ten()
    angle = SIDEREAL_RAD_PER_US * hours * HOUR_US
    x[:, 2:4] = _axis_turned(sightings.latitude_rad, x[:, 2:4], angle)
    weight = (state.weight * used * sightings.share)[:, None] / row_sd(sightings, state.scales) ** 2
    rows = SessionRows(sightings, sessions.size)
    of_nights: Floats = np.zeros((layout.nights, NIGHT))
    square: Floats = np.zeros(layout.nights)
    log_size: Floats = np.zeros(layout.nights)
    for _ in range(PASSES):
        own = x[sightings.session]
        pose = Pose(own[:, 2], own[:, 3], own[:, 0], own[:, 1], own[:, 4:8], own[:, 8], own[:, 9])
        readings = sightings.misfit(pose) + (sightings.coefficients @ own[:, :, None])[:, :, 0]
        grams = rows.grams(readings, weight)
        of_sessions, of_nights, square, log_size = _nights_held(grams, state)
        x[:, OWN_COEFFICIENTS] = of_sessions
        x[:, [4, 6]] += solution.constants()[sessions.era][:, [0, 2]]
        x[:, NIGHT_COEFFICIENTS] = of_nights[sessions.night]
    count = np.bincount(
        sessions.night[sightings.session], 2.0 * used * sightings.share, minlength=layout.nights
    )
    # a night that scatters more than the instrument does counts for less
    left = -0.5 * (SCATTER_SHARE + count) * np.log1p(np.maximum(square, 0.0) / SCATTER_SHARE) - 0.5 * log_size
    left = left + _ground(sightings, used, sessions.night, layout.nights, sides)
    return left, of_nights[:, :2]


def _axis_turned(latitude_rad: float, axis: Floats, angle_rad: float) -> Floats:
    """Turn axes (s, 2) about the pole by an angle, toward smaller hour angles.

    On the sky the north end's offset is a_alt up and a_az east; its bearing from
    the pole turns with the hour angles.
    """
    s = -1.0 if latitude_rad < 0.0 else 1.0
    cos_phi = np.cos(latitude_rad)
    up, east = s * axis[:, 1], axis[:, 0] * cos_phi
    new_up = up * np.cos(angle_rad) - east * np.sin(angle_rad)
    new_east = east * np.cos(angle_rad) + up * np.sin(angle_rad)
    return np.stack([new_east / cos_phi, s * new_up], axis=1)


def _nights_held(grams: Floats, state: FitState) -> tuple[Floats, Floats, Floats, Floats]:
    """Solve sessions and nights with the instrument held.

    Returns
    -------
    own, night, square, log_size
        (s, 5), (n, 3), and for the likelihood the sum of squares that is left and the logarithm of the
        determinant of what was solved for, (n,) each.
    """
    layout, solution = state.layout, state.solution
    sessions = layout.sessions
    constants = solution.constants()[sessions.era]
    inner = grams[:, OWN_COEFFICIENTS[:, None], OWN_COEFFICIENTS]
    cross = grams[:, OWN_COEFFICIENTS[:, None], NIGHT_COEFFICIENTS]
    held = slice(4, 8)
    right = grams[:, OWN_COEFFICIENTS, -1] - np.einsum(
        "sij,sj->si", grams[:, OWN_COEFFICIENTS, held], constants
    )
    square = (
        grams[:, -1, -1]
        - 2.0 * np.einsum("sj,sj->s", grams[:, held, -1], constants)
        + np.einsum("si,sij,sj->s", constants, grams[:, held, held], constants)
    )
    prior = np.zeros((sessions.size, OWN))
    prior[:, 0] = np.where(sessions.source == POINTING, ZERO_PRIOR_SD**-2, 1.0)
    prior[:, 1] = ZERO_PRIOR_SD**-2 + state.precision
    prior[:, SHIFTS] = state.scales.shift[[0, 0, 1]] ** -2.0
    inner[:, np.arange(OWN), np.arange(OWN)] += prior
    mean = np.append(solution.means(), 0.0)[sessions.group]
    right[:, 1] += state.precision * mean
    square += state.precision * mean**2
    _, gain, start, across, along = eliminated(inner, cross, right)
    log_size = np.linalg.slogdet(inner)[1]
    block = by_night(layout, grams[:, NIGHT_COEFFICIENTS[:, None], NIGHT_COEFFICIENTS])
    block -= by_night(layout, np.swapaxes(across, 1, 2) @ across)
    block_right = grams[:, NIGHT_COEFFICIENTS, -1] - np.einsum(
        "sij,sj->si", grams[:, NIGHT_COEFFICIENTS, held], constants
    )
    block_right = by_night(layout, block_right - np.einsum("sij,si->sj", across, along))
    known = np.zeros((layout.nights, NIGHT))
    known[:, LIFT] = layout.air.shared @ solution.air()
    precision = np.full((layout.nights, NIGHT), AXIS_PRIOR_SD**-2)
    precision[:, LIFT] = layout.air.sd**-2.0
    block[:, np.arange(NIGHT), np.arange(NIGHT)] += precision
    block_right += precision * known
    night_cov = np.linalg.inv(block)
    of_nights = np.einsum("nij,nj->ni", night_cov, block_right)
    left = by_night(layout, square - np.sum(along**2, axis=1)) + np.sum(precision * known**2, axis=1)
    left -= np.sum(of_nights * block_right, axis=1)
    log_size = by_night(layout, log_size) + np.linalg.slogdet(block)[1]
    own = start + np.einsum("sij,sj->si", gain, of_nights[sessions.night])
    return own, of_nights, left, log_size


def _ground(sightings: Sightings, used: Bools, night: Ints, nights: int, sides: float) -> Floats:
    """Return the log likelihood of each night by horizon and tube sides, (n,)."""
    of_row = night[sightings.session]
    below = used & (sightings.enu[:, 2] < 0.0)
    wrong = used & (sightings.source == POINTING) & _on_wrong_side(sightings)
    return np.asarray(
        BELOW_HORIZON * np.bincount(of_row, below, minlength=nights)
        + sides * np.bincount(of_row, wrong, minlength=nights)
    )
