"""A tilt sensor within the day: readings that are none of the pier's, and its swing with the Sun.

Stuck and saturated readings and visitors are found and counted.  The swing is fitted by two harmonics of
solar time about a course that is straight from day to day, with the season's share where there is a year.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solveh_banded

from drift.codes import Place
from drift.quantities import DAY_US, HOUR_US, YEAR_DAYS, Bools, Floats, Ints
from drift.types import DailySwing, Measure


@dataclass(frozen=True)
class Raw:
    """The readings of one sensor in order of time."""

    place: Place
    time_us: Ints
    tilt: Floats  # (n, 2) north, east [arcsec]
    claimed: float  # median of the sds that came with them, NaN without

    def picked(self, pick: Bools) -> Raw:
        """Return some of the readings."""
        return replace(self, time_us=self.time_us[pick], tilt=self.tilt[pick])


# ---- Readings that are none of the pier: a sensor that stands still or is at its limit, a bump, a visitor.


#: A value that stays the same to the digit for so many days, where it else changes every hour, is stuck.
STUCK_DAYS = 1.0
#: Readings so many robust sds (and at least this) off their hours are none of the pier [arcsec].
OFF_SDS, OFF_ARCSEC = 6.0, 1.0
#: Hours that are off from those about them are put aside when they are so many at most.
LONGEST_VISIT_HOURS = 9
#: A sensor is at its limit where so many readings are just its greatest or least, and so many times as many
#: as have one of the values next to it; days with this share of them go unused.
FEWEST_AT_LIMIT, TIMES_AS_MANY, SHARE_AT_LIMIT = 20, 5.0, 0.02
MAD = 1.4826


def resolution(value: Floats) -> float:
    """Return the step in which a sensor tells its readings [arcsec]; near 0 where it is fine."""
    return float(np.median(np.diff(np.unique(np.round(value, 6))))) if np.ptp(value) > 0.0 else 0.0


def stuck(time_us: Ints, value: Floats) -> Bools:
    """Return which readings stand still to the digit, (n,), though the sensor else changes each hour."""
    out = np.zeros(value.size, dtype=bool)
    if not changes_within_hours(time_us, value):
        return out  # too coarse to tell
    start = np.append(0, np.flatnonzero(np.diff(value) != 0.0) + 1)
    end = np.append(start[1:], value.size) - 1
    long = (time_us[end] - time_us[start]) / DAY_US >= STUCK_DAYS
    for a, b in zip(start[long], end[long], strict=True):
        out[a : b + 1] = True
    return out


def at_limit(day: Ints, value: Floats, coarse: float) -> Bools:
    """Return the readings of days on which the sensor was at the end of its range, (n,).

    What is left of such a day is no mean of it.
    """
    out = np.zeros(value.size, dtype=bool)
    for end, inward in ((value.max(), -1.0), (value.min(), 1.0)):
        hit = value == end
        beside = inward * (value - end)
        usual = np.count_nonzero((beside > 0.0) & (beside <= 10.5 * coarse)) / 10.0
        if np.count_nonzero(hit) < max(FEWEST_AT_LIMIT, TIMES_AS_MANY * usual):
            continue
        days, number = np.unique(day, return_inverse=True)
        share = np.bincount(number, hit) / np.bincount(number)
        out |= (share > SHARE_AT_LIMIT)[number]
    return out


def changes_within_hours(time_us: Ints, value: Floats) -> bool:
    """Tell whether most hours see more than one value."""
    _, first = np.unique(time_us // HOUR_US, return_index=True)
    return bool(np.median(np.maximum.reduceat(value, first) - np.minimum.reduceat(value, first)) > 0.0)


@dataclass(frozen=True)
class Hours:
    """Medians of the hours with readings."""

    number: Ints  # (m,) hours since 1970 UTC
    time_us: Floats  # (m,) mean time of the readings
    tilt: Floats  # (m, 2)
    group: Ints  # (n,) which of them each reading is of
    noise: Floats  # (2,) robust sd of a reading within its hour


def by_hours(raw: Raw) -> Hours:
    """Return the readings as one value an hour, with how they scatter within it."""
    number, first, count = np.unique(raw.time_us // HOUR_US, return_index=True, return_counts=True)
    group = np.repeat(np.arange(number.size), count)
    since = raw.time_us - raw.time_us[0]
    time_us = raw.time_us[0] + np.add.reduceat(since.astype(float), first) / count
    low, high = first + (count - 1) // 2, first + count // 2
    tilt, noise = np.empty((number.size, 2)), np.empty(2)
    for axis in (0, 1):
        value = raw.tilt[:, axis]
        ranked = value[np.lexsort((value, group))]
        tilt[:, axis] = 0.5 * (ranked[low] + ranked[high])
        near = np.diff(raw.time_us) <= HOUR_US
        moved = np.abs(np.diff(value)[near]) if near.any() else np.zeros(1)
        noise[axis] = MAD * float(np.median(moved)) / np.sqrt(2.0)
    return Hours(number, time_us, tilt, group, noise)


def visitors(hours: Hours, flat: Floats, least: Floats) -> Bools:
    """Return which hours are off from those about them, (m,), by more than their scatter allows."""
    out = np.zeros(hours.number.size, dtype=bool)
    reach = LONGEST_VISIT_HOURS
    if hours.number.size <= 2 * reach + 1:
        return out
    padded = np.pad(flat, ((reach, reach), (0, 0)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=0)
    off = np.abs(flat - np.median(windows, axis=2))
    near = np.maximum(MAD * np.median(off, axis=0), least)
    return np.asarray(np.any(off > np.maximum(OFF_SDS * near, OFF_ARCSEC), axis=1))


# ---- The swing with the Sun: two harmonics of solar time over a course that goes straight from day to day.


#: The season's share of the swing is fitted over so many days.
SEASON_DAYS = 300.0
#: Spans over which the phase of the swing is looked at [days], fewest of them.
PHASE_DAYS, FEWEST_PHASES = 30.0, 5
#: A clock is said to drift when the swing's phase goes by so many hours over the record, and so many sds.
CLOCK_HOURS, CLOCK_SDS = 2.0, 5.0


def solar_hours(time_us: Floats, longitude_deg: float) -> Floats:
    """Return the apparent solar time since midnight, (n,) [h]; the equation of time to half a minute.

    Its two terms are those of solar engineering (Duffie and Beckman, Solar Engineering of Thermal Processes,
    section 1.5, from memory).
    """
    days = np.asarray(time_us, dtype=float) / DAY_US
    turn = 2.0 * np.pi * ((days % YEAR_DAYS) - 81.0) / 364.0
    minutes = 9.87 * np.sin(2.0 * turn) - 7.53 * np.cos(turn) - 1.5 * np.sin(turn)
    return np.asarray(24.0 * ((days + longitude_deg / 360.0) % 1.0) + minutes / 60.0)


def swing_columns(hour: Floats, season_rad: Floats | None) -> Floats:
    """Return cos and sin of the day and the half day, each by itself and times the year's, (n, 4 or 12)."""
    turn = 2.0 * np.pi * hour / 24.0
    day = np.stack([np.cos(turn), np.sin(turn), np.cos(2.0 * turn), np.sin(2.0 * turn)], axis=1)
    if season_rad is None:
        return day
    return np.concatenate([day, day * np.cos(season_rad)[:, None], day * np.sin(season_rad)[:, None]], axis=1)


@dataclass(frozen=True)
class _Swing:
    """The fit of the swing: amplitudes of the columns, their covariance, and what is left of the hours."""

    longitude_deg: float
    seasonal: bool
    amplitude: Floats  # (q, 2)
    cov: Floats  # (2, q, q)
    course: Floats  # (m, 2) of the hours, without the swing

    def columns(self, time_us: Floats) -> Floats:
        season = 2.0 * np.pi * np.asarray(time_us, dtype=float) / (DAY_US * YEAR_DAYS)
        return swing_columns(solar_hours(time_us, self.longitude_deg), season if self.seasonal else None)

    def at(self, time_us: Floats) -> Floats:
        """Return the swing at some times, (n, 2)."""
        return np.asarray(self.columns(time_us) @ self.amplitude)


def swing_between(swing: _Swing, time_us: Ints) -> Floats:
    """Return the swing at a great many times, (n, 2): straight lines between quarters of an hour."""
    grid = np.arange(time_us[0], time_us[-1] + HOUR_US // 2, HOUR_US // 4)
    swung = swing.at(grid.astype(float))
    return np.stack([np.interp(time_us, grid, swung[:, axis]) for axis in (0, 1)], axis=1)


def fit_swing(time_us: Floats, tilt: Floats, longitude_deg: float, weight: Floats) -> _Swing:
    """Fit the swing with the Sun together with a course that is straight from one midnight to the next.

    Least squares; what repeats from day to day can't be taken up by the course.  The covariance is that by
    days, whose errors belong together (Liang and Zeger 1986, from memory).

    Parameters
    ----------
    time_us, tilt
        (m,) and (m, 2) of the hours.
    longitude_deg
        East positive.
    weight
        (m,) 0 for hours that are not used.
    """
    days = (time_us - time_us[0]) / DAY_US
    knot = np.minimum(days.astype(np.int64), max(int(days[-1]), 0))
    share, size = days - knot, int(knot[-1]) + 2
    seasonal = bool(days[-1] >= SEASON_DAYS)
    empty = _Swing(longitude_deg, seasonal, np.zeros((0, 2)), np.zeros((2, 0, 0)), tilt)
    columns = empty.columns(time_us)

    def gathered(value: Floats) -> Floats:
        one = np.bincount(knot, (1.0 - share) * weight * value, size)
        return np.asarray(one + np.bincount(knot + 1, share * weight * value, size), dtype=float)

    band = np.zeros((2, size))
    band[1] = np.bincount(knot, (1.0 - share) ** 2 * weight, size)
    band[1] += np.bincount(knot + 1, share**2 * weight, size) + 1.0e-6
    band[0, 1:] = np.bincount(knot, share * (1.0 - share) * weight, size)[:-1]
    middle = np.average(tilt, axis=0, weights=weight)
    all_of = np.concatenate([columns, tilt - middle], axis=1)
    nodes = solveh_banded(band, np.stack([gathered(one) for one in all_of.T], axis=1))
    net = all_of - (1.0 - share)[:, None] * nodes[knot] - share[:, None] * nodes[knot + 1]
    q = columns.shape[1]
    free, left = net[:, :q], net[:, q:]
    inverse = np.linalg.pinv(free.T @ (weight[:, None] * free), hermitian=True)
    amplitude = inverse @ (free.T @ (weight[:, None] * left))
    rest = left - free @ amplitude
    _, first = np.unique(days.astype(np.int64), return_index=True)
    cov = np.empty((2, q, q))
    for axis in (0, 1):
        score = np.add.reduceat(free * (weight * rest[:, axis])[:, None], first, axis=0)
        cov[axis] = inverse @ (score.T @ score) @ inverse
    return _Swing(longitude_deg, seasonal, amplitude, cov, tilt - columns @ amplitude - rest)


def robust_swing(hours: Hours, longitude_deg: float) -> _Swing:
    """Fit twice: the second time without the hours that stand off."""
    weight = np.ones(hours.number.size)
    swing = fit_swing(hours.time_us, hours.tilt, longitude_deg, weight)
    rest = hours.tilt - swing.course - swing.at(hours.time_us)
    scatter = np.maximum(MAD * np.median(np.abs(rest), axis=0), 1.0e-3)
    weight = np.where(np.all(np.abs(rest) <= OFF_SDS * scatter, axis=1), 1.0, 0.0)
    if np.count_nonzero(weight) < 0.5 * weight.size:
        return swing
    return fit_swing(hours.time_us, hours.tilt, longitude_deg, weight)


def daily_swing(swing: _Swing) -> DailySwing:
    """Return the mean day's swing along its own direction."""
    hour = np.arange(0.0, 24.0, 0.25)
    columns = swing_columns(hour, None)
    curve = columns @ swing.amplitude[:4]
    curve = curve - curve.mean(axis=0)
    along = np.linalg.svd(curve, full_matrices=False)[2][0]
    along_curve = curve @ along
    top, foot = int(np.argmax(along_curve)), int(np.argmin(along_curve))
    if abs(hour[foot] - 13.0) < abs(hour[top] - 13.0):  # the way in which it goes by day
        along, top, foot = -along, foot, top
    apart = columns[top] - columns[foot]
    variance = float(along**2 @ [apart @ swing.cov[axis][:4, :4] @ apart for axis in (0, 1)])
    most = least = None
    if swing.seasonal:
        sizes = []
        for season in np.arange(0.0, 2.0 * np.pi, 0.1):
            own = swing_columns(hour, np.full(hour.size, season)) @ swing.amplitude @ along
            sizes.append(float(np.ptp(own)))
        least, most = min(sizes), max(sizes)
    return DailySwing(
        peak_to_trough=Measure(value=float(np.ptp(along_curve)), sd=float(np.sqrt(variance))),
        toward_bearing_deg=float(np.degrees(np.arctan2(along[1], along[0])) % 360.0),
        furthest_solar_hour=float(hour[top]),
        least=least,
        most=most,
    )


def clock_hours(hours: Hours, swing: _Swing, daily: DailySwing) -> float | None:
    """Return by how many hours the swing's phase went over the record; None where it stood still."""
    size = daily.peak_to_trough
    if size.value < 4.0 * size.sd or size.value <= 0.0:
        return None
    bearing = np.radians(daily.toward_bearing_deg)
    along = (hours.tilt - swing.course) @ np.array([np.cos(bearing), np.sin(bearing)])
    turn = np.exp(-2j * np.pi * solar_hours(hours.time_us, swing.longitude_deg) / 24.0)
    days = (hours.time_us - hours.time_us[0]) / DAY_US
    span = (days / PHASE_DAYS).astype(np.int64)
    count = np.bincount(span)
    full = count >= 12.0 * PHASE_DAYS
    if np.count_nonzero(full) < FEWEST_PHASES:
        return None
    sums = np.bincount(span, (along * turn).real) + 1j * np.bincount(span, (along * turn).imag)
    phase = np.unwrap(np.angle(sums[full])) * -24.0 / (2.0 * np.pi)
    (rate, _), cov = np.polyfit(np.flatnonzero(full) * PHASE_DAYS, phase, 1, cov=True)
    gone, sd = rate * days[-1], np.sqrt(cov[0, 0]) * days[-1]
    return float(gone) if abs(gone) >= CLOCK_HOURS and abs(gone) >= CLOCK_SDS * sd else None
