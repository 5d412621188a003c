"""A tilt sensor that logs all day: one dense series, folded to a state a night and a mean a day.

A sensor of some hundred readings a day tells nothing more of the pier by its single readings than by their
daily means, and much less than their number says: what is left in them is the Sun's swing, the sensor's
warmth and its own wander.  So a dense series is taken as one.  What is no reading of the pier (stuck,
saturated, someone leaning on it) is put aside and counted; the swing with the Sun is fitted by two harmonics
of solar time, with the season's share where a year is there; sudden changes are looked for in what is left
and dated to the reading; and the rest is folded to the mean of each local noon-to-noon day, cut at sudden
changes and corrections.  What the sensor does by itself in the long run (rate, warmth, wander) is left to the
separation (`drift.history.causes`), which sees the nights as well.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from drift.codes import Part, Place
from drift.history.inputs import Warmth
from drift.history.sensor_day import (
    MAD,
    OFF_ARCSEC,
    OFF_SDS,
    Hours,
    Raw,
    at_limit,
    by_hours,
    changes_within_hours,
    clock_hours,
    daily_swing,
    resolution,
    robust_swing,
    stuck,
    swing_between,
    visitors,
)
from drift.history.series import LEVEL_SD_ARCSEC
from drift.mount.axis_error import axis_of_tilt
from drift.night.prepared import NightSplit
from drift.notices import HistoryCode, Notice, info, warning
from drift.quantities import DAY_US, HOUR_US, Bools, Floats, Ints
from drift.types import Event, Measure, Nights, SensorSeries, SensorStep

# ---- Which readings are of a sensor: those of one place, face and instrument, by how dense they are.


#: A day is dense with a reading every two hours or more: common practice, nobody reads by hand so often.
DENSE_A_DAY = 12
#: So many dense days make a series.
FEWEST_DAYS = 3
#: Two sensors at one place show as two heaps of readings in most hours, each with this share at least.
LEAST_SHARE = 0.2
#: A reading by hand lies off the middle of so many of the sensor's before and after it; such readings are at
#: most this share of all, and the sensor's next to it are no further apart than so many times the usual.
BY_HAND_AMONG, BY_HAND_SHARE, BY_HAND_GAP = 6, 0.02, 1.4
#: Readings that a look at heaps needs.
FEWEST_IN_HEAPS = 8


@dataclass(frozen=True)
class Folded:
    """Level readings with each dense series folded; the table is the one given where there is none.

    Parameters
    ----------
    levels
        Columns of `drift.readings.READING_COLUMNS` and, where something was folded, `instrument` (0 for what
        was read by hand, else the sensor's number).
    sensors
        What each sensor does.
    notices
        What is to be said of them.
    """

    levels: pd.DataFrame = field(repr=False)
    sensors: tuple[SensorSeries, ...] = ()
    notices: tuple[Notice, ...] = ()


def fold_sensors(
    levels: pd.DataFrame, nights: Nights, split: NightSplit, warmth: Warmth | None, latitude_rad: float
) -> Folded:
    """Fold each dense series among level readings to the days of its nights.

    Parameters
    ----------
    levels
        Table of level readings, end-for-end pairs joined.
    nights
        All nights: a day's state is told for the time of its night.
    split
        Days run from local mean noon to noon and are cut at corrections.
    warmth
        How warm the days were; None when that isn't known.
    latitude_rad
        Geodetic latitude [rad].
    """
    if len(levels) < DENSE_A_DAY * FEWEST_DAYS:
        return Folded(levels)
    taken = np.zeros(len(levels), dtype=bool)
    found = _dense(levels, split)
    if not found:
        return Folded(levels)
    for rows, _ in found:
        taken[rows] = True
    by_hand = levels[~taken].assign(instrument=0)
    witnesses = (nights_as_witness(nights, split, latitude_rad), _levels_as_witness(by_hand))
    tables, sensors, notices = [by_hand], [], []
    for number, (_, raw) in enumerate(found, 1):
        days, sensor, said = _folded(raw, number, witnesses, split, warmth)
        tables.append(days[levels.columns.tolist() + ["instrument"]])
        sensors.append(sensor)
        notices += said
    table = pd.concat([one for one in tables if len(one)], ignore_index=True)
    table = table.sort_values(["time_us", "instrument"], kind="stable", ignore_index=True)
    return Folded(table, tuple(sensors), tuple(notices))


def _dense(levels: pd.DataFrame, split: NightSplit) -> list[tuple[Ints, Raw]]:
    """Return the rows and the readings of each sensor."""
    code, names = pd.factorize(levels["place"])
    turned = levels["face_deg"].to_numpy(dtype=float) == 180.0
    claims = np.isfinite(levels["sigma_arcsec"].to_numpy(dtype=float))
    time_us = levels["time_us"].to_numpy(dtype=np.int64)
    tilt = levels[["tilt_north_arcsec", "tilt_east_arcsec"]].to_numpy(dtype=float)
    place = np.array([Place(name or Place.PIER) for name in names], dtype=object)
    out: list[tuple[Ints, Raw]] = []
    for where in sorted(set(place.tolist())):
        at_place = np.isin(code, np.flatnonzero(place == where))
        for face in (False, True):
            for claimed in (False, True):
                rows = np.flatnonzero(at_place & (turned == face) & (claims == claimed))
                rows = rows[np.argsort(time_us[rows], kind="stable")]
                rows = rows[_within_dense_days(time_us[rows], split)]
                rows = rows[~_read_by_hand(time_us[rows], tilt[rows])]
                if not rows.size:
                    continue
                sigma = levels["sigma_arcsec"].to_numpy(dtype=float)[rows]
                sd = float(np.median(sigma)) if claimed else np.nan
                raw = Raw(where, time_us[rows], (-1.0 if face else 1.0) * tilt[rows], sd)
                out += [(rows[own], raw.picked(own)) for own in _instruments(raw) if own.any()]
    return out


def _within_dense_days(time_us: Ints, split: NightSplit) -> Bools:
    """Return which readings, by time, lie from the first dense day to the last; none where there are too few.

    The unfinished days at both ends count in as far as readings follow each other closely.
    """
    out = np.zeros(time_us.size, dtype=bool)
    day = split.day(time_us)
    days, counts = np.unique(day, return_counts=True)
    dense = days[counts >= DENSE_A_DAY]
    if dense.size < FEWEST_DAYS:
        return out
    first, end = np.searchsorted(day, [dense[0], dense[-1] + 1])
    breaks = np.flatnonzero(np.diff(time_us) > DAY_US // DENSE_A_DAY) + 1
    first = max(breaks[breaks <= first], default=0)
    end = min(breaks[breaks >= end], default=time_us.size)
    out[first:end] = True
    return out


def _read_by_hand(time_us: Ints, tilt: Floats) -> Bools:
    """Tell which readings, by time, were read by hand between those of a sensor that logs at the same place.

    They lie off the sensor's, by the other instrument's own zero, and none of the sensor's is lacking where
    they are taken out; where the sensor itself jumps one is.
    """
    out = np.zeros(time_us.size, dtype=bool)
    if time_us.size < FEWEST_IN_HEAPS:
        return out
    usual = float(np.median(np.diff(time_us)))
    near = pd.DataFrame(tilt).rolling(2 * BY_HAND_AMONG + 1, center=True, min_periods=1).median().to_numpy()
    apart_arcsec = np.abs(tilt - near)
    scatter = MAD * np.median(apart_arcsec, axis=0)
    off = np.any(apart_arcsec > np.maximum(OFF_SDS * scatter, OFF_ARCSEC), axis=1)
    if not off.any() or off.all() or off.mean() > BY_HAND_SHARE:
        return out
    own = time_us[~off]
    at = np.searchsorted(own, time_us[off])
    inside = (at > 0) & (at < own.size)
    gap = own[np.minimum(at, own.size - 1)] - own[np.maximum(at - 1, 0)]
    out[np.flatnonzero(off)[inside & (gap < BY_HAND_GAP * usual)]] = True
    return out


def _instruments(raw: Raw) -> list[Bools]:
    """Return which readings are of which of two sensors that log at one place; of one that are all."""
    everything = np.ones(raw.time_us.size, dtype=bool)
    apart = float(np.median(np.diff(raw.time_us))) if raw.time_us.size > 1 else 0.0
    width = int(max(HOUR_US, FEWEST_IN_HEAPS * apart))
    for axis in (0, 1):
        lower = _lower_heap(raw.time_us // width, raw.tilt[:, axis])
        if lower is not None:
            return [lower, ~lower]
    return [everything]


def _lower_heap(span: Ints, value: Floats) -> Bools | None:
    """Return which readings are of the lower of two heaps; None where there is one heap."""
    order = np.lexsort((value, span))
    _, first, count = np.unique(span[order], return_index=True, return_counts=True)
    ranked, group = value[order], np.repeat(np.arange(first.size), count)
    gap = np.append(np.diff(ranked), 0.0)
    gap[first + count - 1] = 0.0
    most = np.maximum.reduceat(gap, first)
    total = ranked[first + count - 1] - ranked[first]
    at = np.full(first.size, -1, dtype=np.int64)  # place of the widest gap in each span
    hit = np.flatnonzero(gap == most[group])
    at[group[hit][::-1]] = hit[::-1]
    below = at - first + 1
    share = np.minimum(below, count - below) / count
    enough = count >= FEWEST_IN_HEAPS // 2
    two = enough & (most > 1.5 * (total - most)) & (share >= LEAST_SHARE)
    if np.count_nonzero(two) < 0.5 * np.count_nonzero(enough) or not two.any():
        return None
    between = 0.5 * (ranked[at] + ranked[np.minimum(at + 1, ranked.size - 1)])
    known = np.flatnonzero(two)
    edge = np.interp(np.arange(first.size), known, between[known])
    lower = np.empty(value.size, dtype=bool)
    lower[order] = ranked < edge[group]
    switches = np.count_nonzero(np.diff(lower.astype(np.int8)))
    return lower if switches > LEAST_SHARE * value.size else None  # they take turns: no pier does


# ---- Sudden changes, dated to the reading.


#: Means over so many hours before and after are compared: the day's own swing then drops out.
WINDOW_HOURS, FEWEST_HOURS = 24, 8
#: A change is taken up when it is so many robust sds, and so large [arcsec] or so many steps of the sensor.
STEP_SDS, STEP_ARCSEC, STEP_RESOLUTIONS = 8.0, 2.0, 2.0
#: A change that falls into a gap is dated and sized by so many readings on either side at least.
_FEWEST_A_SIDE = 4


def _sudden(hours: Hours, flat: Floats, used: Bools, coarse: Floats) -> list[tuple[int, Floats]]:
    """Return the hours since 1970 before which the tilt changed suddenly, and by how much."""
    first = int(hours.number[0])
    size = int(hours.number[-1]) - first + 1
    at = hours.number[used] - first
    count = np.concatenate([[0], np.cumsum(np.bincount(at, minlength=size))])
    total = [np.concatenate([[0.0], np.cumsum(np.bincount(at, flat[used, k], size))]) for k in (0, 1)]
    edge = np.arange(size + 1)

    def window(start: int) -> tuple[Floats, Floats]:
        a, b = (np.clip(edge + start + add, 0, size) for add in (0, WINDOW_HOURS))
        n = count[b] - count[a]
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = np.stack([(one[b] - one[a]) / n for one in total], axis=1)
        return np.where((n >= FEWEST_HOURS)[:, None], mean, np.nan), n

    (later, _), (earlier, _), (after, _), (before, _) = (window(k * WINDOW_HOURS) for k in (0, -1, 1, -2))
    slopes = np.stack([after - later, earlier - before])
    known = np.isfinite(slopes)
    slope = np.where(known, slopes, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    moved = later - earlier - slope
    moved[0] = moved[-1] = np.nan
    if not np.isfinite(moved).any():
        return []
    scatter = np.maximum(MAD * np.nanmedian(np.abs(moved), axis=0), np.maximum(0.05, 0.3 * coarse))
    score = np.sqrt(np.nansum((moved / scatter) ** 2, axis=1))
    large = np.hypot(moved[:, 0], moved[:, 1]) >= max(STEP_ARCSEC, STEP_RESOLUTIONS * float(coarse.max()))
    score = np.where(large & np.isfinite(score), score, 0.0)
    out = []
    while float(score.max()) >= STEP_SDS:
        top = int(np.argmax(score))
        out.append((first + top, moved[top]))
        score[max(top - 2 * WINDOW_HOURS, 0) : top + 2 * WINDOW_HOURS + 1] = 0.0
    return sorted(out, key=lambda one: one[0])


def change_point(value: Floats) -> int:
    """Return before which of n values (n, k) their mean changes, by least squares, 1 to n - 1."""
    n = len(value)
    value = value - value.mean(axis=0)
    left = np.cumsum(value, axis=0)[:-1]
    count = np.arange(1, n)[:, None]
    gain = left**2 / count + (value.sum(axis=0) - left) ** 2 / (n - count)
    return int(np.argmax(gain.sum(axis=1))) + 1


def _size_of(time_us: Ints, flat: Floats, at: int) -> Floats:
    """Return by how much n readings (n, 2) change before reading `at`, the slope about it apart."""
    window = WINDOW_HOURS * HOUR_US
    edges = [time_us[at] + k * window for k in (-2, -1)], [time_us[at] + k * window for k in (1, 2)]
    (a, b), (c, d) = (np.searchsorted(time_us, edge) for edge in edges)
    b, c = min(b, max(at - _FEWEST_A_SIDE, 0)), max(c, min(at + _FEWEST_A_SIDE, time_us.size))  # over a gap
    a, d = min(a, b), max(c, d)
    earlier, later = (np.median(flat[start:end], axis=0) for start, end in ((b, at), (at, c)))
    slopes = [np.median(flat[a:b], axis=0) * -1.0 + earlier] if b > a else []
    slopes += [np.median(flat[c:d], axis=0) - later] if d > c else []
    return np.asarray(later - earlier - (np.mean(slopes, axis=0) if slopes else 0.0))


def _dated(raw: Raw, flat: Floats, hour: int, moved: Floats) -> SensorStep | None:
    """Return a sudden change with the readings between which it lies."""
    reach = WINDOW_HOURS // 2
    a, b = np.searchsorted(raw.time_us, [(hour - reach) * HOUR_US, (hour + reach) * HOUR_US])
    if b - a < _FEWEST_A_SIDE:
        a, b = max(a - _FEWEST_A_SIDE, 0), min(b + _FEWEST_A_SIDE, raw.time_us.size)
    if b - a < 2:
        return None
    # along the change, so that the other direction's noise says nothing
    along = flat[a:b] @ (moved / max(float(np.hypot(*moved)), 1e-9))
    at = a + change_point(along[:, None])
    moved = _size_of(raw.time_us, flat, at)
    return SensorStep(
        after_us=int(raw.time_us[at - 1]),
        before_us=int(raw.time_us[at]),
        north=float(moved[0]),
        east=float(moved[1]),
    )


# ---- A sensor that was knocked itself: neither the axis nor a level read by hand followed.


#: Nights and levels so near to a sudden change tell whether the pier moved [days], at most so many a side.
WITNESS_WITHIN_DAYS, READINGS_A_SIDE = 120.0, 5
#: How far the axis, or a level, and the tilt that a sensor shows come apart by themselves, sd [arcsec]:
#: within days (a mount's own wander, a level's seat), and for each further month between the readings (a
#: sensor's warmth of 1 arcsec a degree or its creep).  Common practice.
WANDER, WANDER_A_MONTH = 3.0, 3.0
_MONTH_DAYS = 30.0
#: The sensor was knocked where they should have moved by so many sds and a hundred to one did not.
KNOCK_SDS, KNOCK_LOG_ODDS = 4.0, float(np.log(100.0))
#: How likely it is, before nights and levels are asked, that a sensor was knocked and not the pier: common
#: practice, a small box at a pier's side is touched as often as a pier tips suddenly.
KNOCKED_CHANCE = 0.5
#: Two sensors changed alike that differ by at most this share.
_ALIKE_SHARE = 0.5
#: Days on either side of a gap that are compared, and how far their means must be apart [arcsec].
GAP_DAYS, GAP_ARCSEC = 3, 10.0


@dataclass(frozen=True)
class Witness:
    """What else moves when the pier tips: the axis on the nights that show it, or levels read by hand."""

    time_us: Ints  # (n,) sorted
    value: Floats  # (n, 2) az_error and alt_error, or tilt_north and tilt_east [arcsec]
    variance: Floats  # (n, 2)
    part: Ints  # (n,) only those of one part are compared: a correction in between moves the axis as well
    of_tilt: Callable[[Floats], Floats]  # what a tilt (..., 2) makes of it


def nights_as_witness(nights: Nights, split: NightSplit, latitude_rad: float) -> Witness:
    """Return the axis on the nights that show how both of its coordinates changed."""
    told = (n for n in nights.nights if n.tells_change and np.all(np.isfinite(n.working[:2])))
    own = sorted(told, key=lambda night: night.time_us)
    time_us = np.array([night.time_us for night in own], dtype=np.int64)
    return Witness(
        time_us,
        np.array([night.working[:2] for night in own], dtype=float).reshape(-1, 2),
        np.array([np.diagonal(night.own_covariance)[:2] for night in own], dtype=float).reshape(-1, 2),
        split.part(time_us),
        lambda tilt: axis_of_tilt(tilt, latitude_rad),
    )


def _levels_as_witness(by_hand: pd.DataFrame) -> Witness:
    """Return levels read on the pier by hand, whatever was turned on the mount in between.

    The two faces of a level have zeros of their own, so that one is compared with its like.
    """
    own = by_hand[by_hand["place"].fillna("pier") == Place.PIER].sort_values("time_us", kind="stable")
    face = own["face_deg"].to_numpy(dtype=float)
    sign = np.where(face == 180.0, -1.0, 1.0)[:, None]
    sd = own["sigma_arcsec"].fillna(LEVEL_SD_ARCSEC).to_numpy(dtype=float)
    return Witness(
        own["time_us"].to_numpy(dtype=np.int64),
        sign * own[["tilt_north_arcsec", "tilt_east_arcsec"]].to_numpy(dtype=float),
        np.repeat(sd[:, None] ** 2, 2, axis=1),
        np.where(np.isnan(face), 0, np.where(face == 180.0, 2, 1)),
        lambda tilt: tilt,
    )


def _confirmed(step: SensorStep, witnesses: Sequence[Witness], rows: _Days) -> bool | None:
    """Return whether nights and levels moved with a change of the sensor; None where they can't tell."""
    tilt = np.array([step.north, step.east])
    odds = due2 = 0.0
    for witness in witnesses:
        for part in np.unique(witness.part):
            moved = _moved_beyond_sensor(step, witness, int(part), rows)
            if moved is None:
                continue
            due = witness.of_tilt(tilt)
            value, variance = moved[0] + due, moved[1]
            due2 += float(np.sum(due**2 / variance))
            odds += 0.5 * float(np.sum(value**2 / variance) - np.sum((value - due) ** 2 / variance))
    if due2 < KNOCK_SDS**2:
        return None
    return True if odds > KNOCK_LOG_ODDS else False if odds < -KNOCK_LOG_ODDS else None


def _moved_beyond_sensor(
    step: SensorStep, witness: Witness, part: int, rows: _Days
) -> tuple[Floats, Floats] | None:
    """Return how far a witness moved over a step beyond what the sensor shows, (2,), and the variance.

    What else the sensor shows between its readings, such as a winter's heave, is taken out first.
    """
    known = np.isfinite(witness.value).all(axis=1) & np.isfinite(witness.variance).all(axis=1)
    known &= (witness.variance > 0.0).all(axis=1) & (witness.part == part)
    mean, variance, apart = [], [], 0.0
    for edge, side in ((step.after_us, -1), (step.before_us, 1)):
        away = side * (witness.time_us - edge) / DAY_US
        near = known & (away >= 0.0) & (away <= WITNESS_WITHIN_DAYS)
        picked = np.flatnonzero(near)[np.argsort(away[near])][:READINGS_A_SIDE]
        if not picked.size:
            return None
        weight = 1.0 / witness.variance[picked]
        shown = _tilt_at(rows, step, side, witness.time_us[picked])
        left = witness.value[picked] - witness.of_tilt(shown)
        mean.append((weight * left).sum(axis=0) / weight.sum(axis=0))
        variance.append(1.0 / weight.sum(axis=0))
        apart += float(away[picked].mean())
    itself = WANDER**2 + (WANDER_A_MONTH * apart / _MONTH_DAYS) ** 2
    return mean[1] - mean[0], variance[0] + variance[1] + itself


def _tilt_at(rows: _Days, step: SensorStep, side: int, time_us: Ints) -> Floats:
    """Return the tilt (n, 2) that a sensor shows at moments before a change of it, or after (`side` 1)."""
    own = rows.time_us >= step.before_us if side > 0 else rows.time_us <= step.after_us
    if not own.any():
        own = np.ones(rows.time_us.size, dtype=bool)
    return np.stack([np.interp(time_us, rows.time_us[own], rows.tilt[own, k]) for k in (0, 1)], axis=1)


def _knocks_taken_back(
    rows: _Days, steps: list[SensorStep], witnesses: Sequence[Witness]
) -> tuple[_Days, list[SensorStep]]:
    """Take what only the sensor did out of its later days; what happened over a gap is looked at as well."""
    out, tilt = [], rows.tilt.copy()
    for step in sorted([*steps, *_over_gaps(rows)], key=lambda step: step.before_us):
        followed = _confirmed(step, witnesses, replace(rows, tilt=tilt))
        if followed is False:
            tilt[rows.time_us >= step.before_us] -= [step.north, step.east]
        if followed is False or step in steps:
            out.append(replace(step, followed=followed))
    return replace(rows, tilt=tilt), out


def _over_gaps(rows: _Days) -> list[SensorStep]:
    """Return by how much the days after each gap differ from those before it."""
    out = []
    for at in np.flatnonzero(np.diff(rows.day) > 1) + 1:
        before, after = rows.tilt[max(at - GAP_DAYS, 0) : at], rows.tilt[at : at + GAP_DAYS]
        moved = np.median(after, axis=0) - np.median(before, axis=0)
        if np.hypot(*moved) >= GAP_ARCSEC:
            first, last = int(rows.time_us[at - 1]), int(rows.time_us[at])
            out.append(
                SensorStep(after_us=first, before_us=last, north=float(moved[0]), east=float(moved[1]))
            )
    return out


def dated(event: Event, sensors: Sequence[SensorSeries]) -> Event:
    """Return an event of the pier with the sensor's readings between which it lies.

    Where nothing but one sensor shows it, the event says so: that may have been knocked.  Where no sensor
    dates it the means of days are all that is known, which reach half a day to each side.
    """
    seen = [one for one in sensors if one.place is Place.PIER and _spans(one, event)]
    if event.what is not Part.PIER or event.recorded or not seen:
        return event
    half = DAY_US // 2
    first, last = event.after_us - half, event.before_us + half
    steps = [s for one in seen for s in one.steps if not s.of_sensor]
    steps = [s for s in steps if first <= s.after_us and s.before_us <= last]
    if not steps:
        return replace(event, after_us=first, before_us=last)
    best = max(steps, key=lambda step: np.hypot(step.north, step.east))
    clock = next(one.clock_hours or 0.0 for one in seen if best in one.steps)
    leeway = round(abs(clock) * HOUR_US)
    event = replace(event, after_us=best.after_us - leeway, before_us=best.before_us + leeway)
    witnesses = sum(any(_alike(step, best) for step in one.steps if not step.of_sensor) for one in seen)
    return event if best.followed or witnesses > 1 else _by_sensor_alone(event)


def _alike(one: SensorStep, other: SensorStep) -> bool:
    """Whether two sensors changed at about the same time by about the same."""
    near = one.after_us <= other.before_us + HOUR_US and other.after_us <= one.before_us + HOUR_US
    apart, size = np.hypot(one.north - other.north, one.east - other.east), np.hypot(other.north, other.east)
    return bool(near and apart <= _ALIKE_SHARE * size)


def _by_sensor_alone(event: Event) -> Event:
    odds = event.probability
    knocked = KNOCKED_CHANCE * odds[Part.PIER]
    odds = {**odds, Part.PIER: odds[Part.PIER] - knocked, Part.NOTHING: odds[Part.NOTHING] + knocked}
    return replace(event, provisional=True, only_sensor=True, probability=odds)


def unconfirmed_variance(events: Sequence[Event], time_us: Ints) -> Floats:
    """Return what steps that one sensor alone shows add to the variance of the tilt, (n, 2) [arcsec2]."""
    out = np.zeros((time_us.size, 2))
    for event in (event for event in events if event.only_sensor):
        size = np.array([event.size.get("tilt_north", 0.0), event.size.get("tilt_east", 0.0)])
        out[time_us >= event.before_us] += KNOCKED_CHANCE * (1.0 - KNOCKED_CHANCE) * size**2
    return out


def _spans(sensor: SensorSeries, event: Event) -> bool:
    return sensor.from_us <= event.before_us and event.after_us <= sensor.to_us


# ---- The fold: the mean of each day, told for its night, as sure as neighbouring days agree.


#: Least sd of a day's mean [arcsec]: common practice, mounting and housing.
LEAST_SD = 0.1


def _folded(
    raw: Raw, number: int, witnesses: Sequence[Witness], split: NightSplit, warmth: Warmth | None
) -> tuple[pd.DataFrame, SensorSeries, list[Notice]]:
    """Fold one sensor's readings."""
    readings, night_us = raw.time_us.size, witnesses[0].time_us
    coarse = np.array([resolution(raw.tilt[:, axis]) for axis in (0, 1)])
    day = split.day(raw.time_us)
    still = np.zeros(readings, dtype=bool)
    for axis in (0, 1):
        value = raw.tilt[:, axis]
        still |= stuck(raw.time_us, value)
        if changes_within_hours(raw.time_us, value):
            still |= at_limit(day, value, float(coarse[axis]))
    if still.all() or np.count_nonzero(~still) < DENSE_A_DAY:
        still[:] = False
    stuck_span = _span(raw.time_us, still)
    raw = raw.picked(~still)
    hours = by_hours(raw)
    swing = robust_swing(hours, split.longitude_deg)
    flat_hours = hours.tilt - swing.at(hours.time_us)
    visits = visitors(hours, flat_hours, 0.3 * coarse)
    flat = raw.tilt - swing_between(swing, raw.time_us)
    scatter = np.maximum(hours.noise, 0.3 * coarse)
    off = np.abs(raw.tilt - hours.tilt[hours.group]) > np.maximum(OFF_SDS * scatter, OFF_ARCSEC + coarse)
    steps = [
        step
        for hour, moved in _sudden(hours, flat_hours, ~visits, coarse)
        if (step := _dated(raw, flat, hour, moved)) is not None
    ]
    near_step = np.zeros(hours.number.size, dtype=bool)  # there two levels share an hour: both are right
    for step in steps:
        near_step |= np.abs(hours.number - step.before_us // HOUR_US) <= 1
    keep = ~(np.any(off, axis=1) | visits[hours.group]) | near_step[hours.group]
    rows = _days(raw, flat, keep, steps, split, night_us)
    rows, steps = _knocks_taken_back(rows, steps, witnesses)
    sd = _sds(rows, hours, coarse, raw.claimed)
    daily = daily_swing(swing)
    if _rounds(hours, coarse):  # what is rounded off comes again every day
        size = daily.peak_to_trough
        blurred = Measure(value=size.value, sd=float(np.hypot(size.sd, _rounds(hours, coarse))))
        daily = replace(daily, peak_to_trough=blurred)
    warm = _warmth(rows, split, warmth)
    table = pd.DataFrame(
        {
            "row_id": 0,
            "time_us": rows.time_us,
            "tilt_north_arcsec": rows.tilt[:, 0],
            "tilt_east_arcsec": rows.tilt[:, 1],
            "place": str(raw.place),
            "face_deg": np.nan,
            "sigma_arcsec": sd,
            "instrument": number,
        }
    )
    sensor = SensorSeries(
        place=raw.place,
        number=number,
        from_us=int(raw.time_us[0]),
        to_us=int(raw.time_us[-1]),
        readings=readings,
        days=int(np.unique(rows.day).size),
        swing=daily,
        warmth_north=warm[0],
        warmth_east=warm[1],
        steps=tuple(steps),
        put_aside=int(np.count_nonzero(~keep)),
        stuck=int(np.count_nonzero(still)),
        resolution=float(coarse.max()),
        day_sd=float(np.median(sd)),
        clock_hours=clock_hours(hours, swing, daily),
        day_us=rows.time_us,
    )
    return table, sensor, _notices(sensor, stuck_span)


def _span(time_us: Ints, pick: Bools) -> tuple[int, int] | None:
    return (int(time_us[pick][0]), int(time_us[pick][-1])) if pick.any() else None


@dataclass(frozen=True)
class _Days:
    """One row a local day, two where it was cut."""

    day: Ints  # (r,)
    part: Ints  # (r,) how many cuts came before
    time_us: Ints  # (r,)
    tilt: Floats  # (r, 2)
    covered: Floats  # (r,) share of the day's hours with readings


def _days(
    raw: Raw, flat: Floats, keep: Bools, steps: list[SensorStep], split: NightSplit, night_us: Ints
) -> _Days:
    time_us, tilt = raw.time_us[keep], flat[keep]
    cuts = np.array([step.before_us for step in steps], dtype=np.int64)
    day = split.day(time_us)
    part = np.searchsorted(cuts, time_us, side="right") + split.part(time_us)
    first = np.append(0, np.flatnonzero(np.diff(day) | np.diff(part)) + 1)
    count = np.diff(np.append(first, time_us.size))
    mean_us = time_us[first] + (np.add.reduceat(time_us - np.repeat(time_us[first], count), first) // count)
    mean = np.add.reduceat(tilt, first, axis=0) / count[:, None]
    fresh = np.append(True, np.diff(time_us // HOUR_US) != 0)
    fresh[first] = True
    covered = np.minimum(np.add.reduceat(fresh.astype(float), first) / 24.0, 1.0)
    rows = _Days(day[first], part[first], mean_us, mean, covered)
    last = time_us[np.append(first[1:], time_us.size) - 1]
    return _at_nights(rows, time_us[first], last, night_us)


def _at_nights(rows: _Days, from_us: Ints, to_us: Ints, night_us: Ints) -> _Days:
    """Tell each day's mean for the time of its night, along the slope of the days about it."""
    if not night_us.size:
        return rows
    at = np.minimum(np.searchsorted(night_us, from_us), night_us.size - 1)
    night_time_us = night_us[at]
    has = (night_time_us >= from_us) & (night_time_us <= to_us)
    slope = np.zeros_like(rows.tilt)
    if rows.day.size > 2:
        whole = (np.diff(rows.part) == 0) & (np.diff(rows.day) == 1)
        both = np.append(False, whole[1:] & whole[:-1])
        inner = np.flatnonzero(both)
        apart = (rows.time_us[inner + 1] - rows.time_us[inner - 1]) / DAY_US
        slope[inner] = (rows.tilt[inner + 1] - rows.tilt[inner - 1]) / apart[:, None]
    ahead = np.where(has, night_time_us - rows.time_us, 0) / DAY_US
    time_us = np.where(has, night_time_us + 1, rows.time_us)  # no two readings of one time
    return replace(rows, time_us=time_us, tilt=rows.tilt + slope * ahead[:, None])


def _sds(rows: _Days, hours: Hours, coarse: Floats, claimed: float) -> Floats:
    """Return the sd of each day's mean, (r,), by how neighbouring days scatter.

    The second difference of three days' means has six times the variance of one, and no slope in it.  What a
    coarse sensor rounds off stays the same for as long as its reading does, so it is counted once for all
    those days together.
    """
    bend = rows.tilt[2:] - 2.0 * rows.tilt[1:-1] + rows.tilt[:-2]
    whole = (np.diff(rows.part) == 0) & (np.diff(rows.day) == 1)
    bend = bend[whole[1:] & whole[:-1]] if bend.size else bend
    if len(bend) >= FEWEST_DAYS:
        sd = float(MAD * np.median(np.abs(bend)) / np.sqrt(6.0))
        sd = max(sd, float(np.sqrt(np.mean(bend**2) / 6.0)) if len(bend) < 10 else 0.0)
    else:
        sd = claimed if np.isfinite(claimed) else LEVEL_SD_ARCSEC
    rounded = _rounds(hours, coarse)
    if rounded:
        passed = float(np.max(np.sum(np.abs(np.diff(rows.tilt, axis=0)), axis=0) / np.maximum(coarse, 1e-6)))
        rounded *= float(np.sqrt(max(len(rows.tilt) / (1.0 + passed), 1.0)))
    return np.asarray(np.hypot(max(sd, LEAST_SD) / np.sqrt(rows.covered), rounded))


def _rounds(hours: Hours, coarse: Floats) -> float:
    """Return the sd of what a sensor rounds off and its noise does not blur [arcsec]; 0 for a fine one."""
    return float(np.max(np.where(hours.noise < 0.3 * coarse, coarse, 0.0))) / float(np.sqrt(12.0))


def _warmth(rows: _Days, split: NightSplit, warmth: Warmth | None) -> tuple[Measure | None, Measure | None]:
    """Return how the tilt goes with the temperature from day to day, north and east [arcsec/deg C]."""
    pick = (np.diff(rows.part) == 0) & (np.diff(rows.day) == 1) if rows.day.size > 1 else np.zeros(0, bool)
    if warmth is None or np.count_nonzero(pick) < 10 * FEWEST_DAYS:
        return None, None
    # the mean of a noon-to-noon day against that of the two calendar days that it is of
    middle = ((rows.day + 1) * DAY_US - round(split.longitude_deg / 360.0 * DAY_US)).astype(np.int64)
    known = np.isin(rows.day, warmth.day)
    temp = warmth.at_readings(middle, np.zeros(middle.size, dtype=bool))
    pick &= known[1:] & known[:-1]
    degree = np.diff(temp)[pick]
    degree = degree - degree.mean() if degree.size else degree
    if degree.size < 10 * FEWEST_DAYS or np.std(degree) < 0.2:
        return None, None
    out = []
    for axis in (0, 1):
        moved = np.diff(rows.tilt[:, axis])[pick]
        slope = float(degree @ moved / (degree @ degree))
        rest = moved - slope * degree
        rest = rest[np.abs(rest) <= OFF_SDS * MAD * np.median(np.abs(rest - np.median(rest))) + 1e-9]
        out.append(Measure(value=slope, sd=float(np.std(rest) / np.sqrt(degree @ degree))))
    return out[0], out[1]


def _notices(sensor: SensorSeries, stuck_span: tuple[int, int] | None) -> list[Notice]:
    """Return what is to be said of a sensor."""
    size, warm = sensor.swing.peak_to_trough, (sensor.warmth_north, sensor.warmth_east)
    varies = sensor.swing.most is not None and sensor.swing.least is not None
    common: dict[str, Any] = {"place": sensor.place, "number": sensor.number}
    out = [
        info(
            HistoryCode.SENSOR_FOLDED,
            **common,
            readings=sensor.readings,
            days=sensor.days,
            put_aside=sensor.put_aside,
            resolution_arcsec=sensor.resolution,
            day_sd_arcsec=sensor.day_sd,
        ),
        info(
            HistoryCode.SENSOR_SWINGS,
            **common,
            swing_arcsec=size.value,
            swing_sd_arcsec=size.sd,
            toward_bearing_deg=sensor.swing.toward_bearing_deg,
            furthest_solar_hour=sensor.swing.furthest_solar_hour,
            least_arcsec=sensor.swing.least if varies else None,
            most_arcsec=sensor.swing.most if varies else None,
            warmth_north=None if warm[0] is None else warm[0].value,
            warmth_north_sd=None if warm[0] is None else warm[0].sd,
            warmth_east=None if warm[1] is None else warm[1].value,
            warmth_east_sd=None if warm[1] is None else warm[1].sd,
        ),
    ]
    if stuck_span is not None:
        out.append(
            warning(
                HistoryCode.SENSOR_STUCK,
                **common,
                readings=sensor.stuck,
                from_us=stuck_span[0],
                until_us=stuck_span[1],
            )
        )
    for step in sensor.steps:
        if step.of_sensor:
            out.append(
                warning(
                    HistoryCode.SENSOR_KNOCKED,
                    **common,
                    after_us=step.after_us,
                    before_us=step.before_us,
                    north_arcsec=step.north,
                    east_arcsec=step.east,
                )
            )
    if sensor.clock_hours is not None:
        out.append(warning(HistoryCode.SENSOR_CLOCK, **common, hours=sensor.clock_hours))
    return out
