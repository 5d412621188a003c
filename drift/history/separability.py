"""What can be told apart on this user's data, and which reading would settle it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drift.codes import Answer, HourAngleZero, Place
from drift.history.causes import TILT_EAST, TILT_NORTH
from drift.history.components import View
from drift.history.model import WALKS, Model, Scales
from drift.history.series import LEVEL_SD_ARCSEC, NOT_OBSERVED, Series
from drift.notices import HistoryCode, Notice, info, warning
from drift.quantities import Bools, Floats
from drift.types import Separable

# ---- What can be told apart on this user's data, and which reading would settle it.


#: A zero that repeats worse than this [arcsec] says little about the tilt.
POOR_REPEAT = 60.0
#: A zero that repeats worse than this is as good as lost; up to it, it still says something.
LOST_REPEAT = 600.0
#: Fewest readings that see the tilt itself before anything is called told apart.
FEWEST_TO_JUDGE = 3
#: Told apart when the tilt is known to this share of what was possible, partly up to the second.
YES_SHARE, PARTLY_SHARE = 0.35, 0.8
#: The uncertainty aimed for when the number of readings is told [arcsec]: a change of half a minute of
#: arc, which a user may act on, then stands out by three sds.
WANTED_SD = 10.0
#: How well a homed mount's zero repeats where this one's isn't known [arcsec]: common practice.
HOMED_REPEAT = 10.0


@dataclass(frozen=True)
class Evidence:
    """Which readings see the tilt itself."""

    zeros: int  # nights with a shared hour-angle zero
    levels: int  # level readings on the pier, the days of sensors among them
    sensor_days: int = 0  # of the levels those that are the days of a tilt sensor


def evidence(model: Model) -> Evidence:
    """Count the readings that see the tilt without the knobs."""
    series = model.series
    shared = (series.night >= 0) & (series.zero_label != "") & ~model.ignored & ~model.ignored_zero
    counts = {
        label: int(np.sum(shared & (series.zero_label == label))) for label in set(series.zero_label[shared])
    }
    zeros = sum(count - 1 for count in counts.values())
    on_pier = (series.place == Place.PIER) & ~model.ignored
    return Evidence(zeros, int(np.sum(on_pier)) - 1, int(np.sum(on_pier & (series.instrument > 0))))


def must_tie(model: Model) -> bool:
    """Return whether pier and mount must be given the same freedom.

    Where no reading sees the tilt itself, no scale parameter can be learned
    for pier and mount apart; then both are given the same freedom, so that the
    answer stays open instead of following a prior.
    """
    seen = evidence(model)
    return seen.levels < FEWEST_TO_JUDGE - 1 and seen.zeros < FEWEST_TO_JUDGE - 1


def without_lost_zeros(model: Model, scales: Scales) -> Model:
    """Return the model with zeros that were taken for kept treated as what they are.

    Zeros that repeat poorly say too little to tell pier from mount; zeros that
    don't repeat at all say nothing.
    """
    if model.tied or scales.zero_repeat <= POOR_REPEAT or evidence(model).levels >= FEWEST_TO_JUDGE - 1:
        return model
    lost = scales.zero_repeat > LOST_REPEAT
    return replace(model, tied=True, ignored_zero=model.ignored_zero | lost)


def prior_sd(view: View, component: int) -> Floats:
    """Return how much a component could have changed since the reference, before the readings, (n,)."""
    fit = view.fit
    own = WALKS.index(component)
    walk = fit.days[:, own] * fit.rate[own, own]
    state = fit.columns.state[:, component, :]
    return np.sqrt(np.append(0.0, np.cumsum(walk)) + np.einsum("np,pq,nq->n", state, fit.columns.cov, state))


def judge(view: View, sd: Floats) -> tuple[Separable, Separable]:
    """Judge both pairs from how far the readings narrowed the tilt down, and by what."""
    model, scales = view.fit.model, view.fit.scales
    seen = evidence(model)
    series, frost = model.series, model.frost is not None
    east = _east(series, model.latitude_rad, seen, scales, _share(view, sd, TILT_EAST), frost)
    return east, _north(series, seen, scales, _share(view, sd, TILT_NORTH), frost)


def _share(view: View, sd: Floats, component: int) -> float:
    prior = prior_sd(view, component)
    late = np.arange(prior.size) >= prior.size // 2
    return float(np.median(sd[late, component] / np.maximum(prior[late], 1e-9)))


@dataclass(frozen=True)
class Remedy:
    """A reading that would tell pier from mount, with how many of them it takes."""

    count: int  # on either side of a change
    at_arcsec: float  # of levels the scatter of one, of zeros how well they repeat


def wanted(sd_arcsec: float) -> int:
    """Return how many readings on either side of a change tell it to `WANTED_SD`.

    The difference of two means of n readings of standard deviation s has the variance 2 s^2 / n.
    """
    return max(1, int(np.ceil(2.0 * (sd_arcsec / WANTED_SD) ** 2)))


def by_levels(series: Series) -> Remedy:
    """Count level readings at the claimed scatter of those in the record, else at the usual one."""
    by_hand = (series.place == Place.PIER) & (series.instrument == 0)
    own = np.sqrt(series.variance[by_hand, 0, 0])
    sd = float(np.median(own)) if own.size else LEVEL_SD_ARCSEC
    return Remedy(wanted(sd), sd)


def by_zeros(series: Series, latitude_rad: float, repeat_arcsec: float) -> Remedy:
    """Count nights with a kept zero: tau_E = cos(phi) ((z - z0) + az sin(phi)), geometry of the axis."""
    night = series.night >= 0
    turn = np.array([np.sin(latitude_rad), 0.0, 1.0]) * np.cos(latitude_rad)
    sees = np.where(series.variance[night, 2, 2] < NOT_OBSERVED / 10.0)[0]
    own = np.einsum("i,nij,j->n", turn, series.variance[night][sees], turn)
    night_sd = float(np.sqrt(np.median(own))) if own.size else HOMED_REPEAT
    count = wanted(float(np.hypot(night_sd, np.cos(latitude_rad) * repeat_arcsec)))
    return Remedy(count, repeat_arcsec)


def _settled_by(levels: Remedy, zeros: Remedy | None = None, has_sensor: bool = False) -> Notice:
    """Return the remedies as a notice; a tilt sensor that logs all day is one where there is none."""
    return info(
        HistoryCode.SETTLED_BY_READINGS,
        levels=levels.count,
        level_sd_arcsec=levels.at_arcsec,
        zeros=None if zeros is None else zeros.count,
        zero_repeat_arcsec=None if zeros is None else zeros.at_arcsec,
        wanted_arcsec=WANTED_SD,
        sensor=not has_sensor,
    )


def _by_levels_read(seen: Evidence) -> list[Notice]:
    """Return which levels tell: a sensor that logs all day, and those read by hand."""
    read, out = seen.levels + 1 - seen.sensor_days, []
    if seen.sensor_days:
        out.append(info(HistoryCode.BY_SENSOR, days=seen.sensor_days))
    if read or not out:
        out.append(info(HistoryCode.BY_LEVELS, levels=read))
    return out


def _east(
    series: Series, latitude_rad: float, seen: Evidence, scales: Scales, share: float, frost: bool
) -> Separable:
    repeat = scales.zero_repeat
    good_zero = seen.zeros >= FEWEST_TO_JUDGE - 1 and repeat <= POOR_REPEAT
    levels = seen.levels >= FEWEST_TO_JUDGE - 1
    zeros = by_zeros(series, latitude_rad, min(repeat, HOMED_REPEAT))
    settle = _settled_by(by_levels(series), zeros, seen.sensor_days > 0)
    if good_zero or levels:
        by = []
        if good_zero:
            by.append(info(HistoryCode.BY_ZERO, repeat_arcsec=repeat, nights=seen.zeros + 1))
        if levels:
            by += _by_levels_read(seen)
        answer = Answer.YES if share <= YES_SHARE else Answer.PARTLY
        return Separable(
            answer=answer, because=tuple(by), would_settle_it=None if answer is Answer.YES else settle
        )
    if seen.zeros >= FEWEST_TO_JUDGE - 1:
        why = info(HistoryCode.ZERO_REPEATS_POORLY, repeat_arcsec=repeat)
        return Separable(
            answer=Answer.PARTLY if share <= PARTLY_SHARE and repeat < 5 * POOR_REPEAT else Answer.NO,
            because=(why,),
            would_settle_it=settle,
        )
    why = info(HistoryCode.ZERO_LOST_NO_LEVEL)
    return _by_frost(frost, share, why, settle)


def _north(series: Series, seen: Evidence, scales: Scales, share: float, frost: bool) -> Separable:
    settle = _settled_by(by_levels(series), has_sensor=seen.sensor_days > 0)
    if seen.levels >= FEWEST_TO_JUDGE - 1:
        answer = Answer.YES if share <= YES_SHARE else Answer.PARTLY
        return Separable(
            answer=answer,
            because=tuple(_by_levels_read(seen)),
            would_settle_it=None if answer is Answer.YES else settle,
        )
    if seen.zeros >= FEWEST_TO_JUDGE - 1 and scales.zero_repeat <= POOR_REPEAT:
        why = info(HistoryCode.BY_SHAPE_IN_TIME)
        return Separable(
            answer=Answer.PARTLY if share <= PARTLY_SHARE else Answer.NO,
            because=(why,),
            would_settle_it=settle,
        )
    why = info(HistoryCode.SUM_ONLY_NO_LEVEL)
    return _by_frost(frost, share, why, settle)


def _by_frost(frost: bool, share: float, why: Notice, settle: Notice) -> Separable:
    """Judge where only the shape in time tells: a pier heaves with the frost, a mount does not."""
    if frost and share <= PARTLY_SHARE:
        return Separable(
            answer=Answer.PARTLY,
            because=(why, info(HistoryCode.BY_FROST)),
            would_settle_it=settle,
        )
    return Separable(answer=Answer.NO, because=(why,), would_settle_it=settle)


# ---- Whether hour-angle zeros really come back, or are set anew by a sync: the second say nothing of a
# tilt.
#
# A sync makes the mount read right at one star, so the zeros after it lie near
# zero and scatter with the axis error and the star chosen.  A homed mount has a
# constant zero of any size that repeats to arcseconds.  Taking the first for the
# second would lay every tilt at the mount's door.


#: Zeros that repeat to this from night to night are homed or parked ones [arcsec]: common practice, a home
#: switch or an encoder repeats to seconds.
HOMED_ARCSEC = 20.0
#: Zeros that repeat to this were hardly set by syncs, which scatter with the mount's own noise and the star.
SURELY_HOMED_ARCSEC = 12.0
#: Zeros whose middle is this many scatters (of at least `LEAST_SCATTER`) from zero were not set by a sync.
FAR_FROM_ZERO, LEAST_SCATTER = 3.0, 10.0
FEWEST_ZEROS = 5
#: A sync sets the zero wrong by at most about this many times the axis error (the tangent of the star's
#: declination) and what the mount itself adds [arcsec]; what scatters more was parked by eye.
SYNC_FACTOR, SYNC_NOISE = 1.5, 30.0
#: Median of the absolute difference of two unit normals.
MEDIAN_OF_DIFFERENCE = 0.953873


def question_zeros(series: Series, zero_is: str) -> tuple[Series, list[Notice]]:
    """Take zeros for lost that look as if a sync had set them; return the series and what to say.

    Parameters
    ----------
    series
        Not centred yet.
    zero_is
        "kept", "synced" or "unknown", from the site file.
    """
    if zero_is == HourAngleZero.SYNCED:  # only zeros from before the sync are shared then
        return series, []
    shared = series.homed & (series.zero_label != "")
    if shared.sum() < FEWEST_ZEROS:
        return series, []
    scatter, middle = _scatter_and_middle(series, shared)
    near_zero = middle < FAR_FROM_ZERO * max(scatter, LEAST_SCATTER)
    homed = scatter <= HOMED_ARCSEC
    if homed and zero_is == HourAngleZero.KEPT:
        return series, []
    if scatter <= SURELY_HOMED_ARCSEC or (homed and not near_zero):
        return series, [warning(HistoryCode.ZEROS_TAKEN_FOR_KEPT, scatter_arcsec=scatter)]
    if zero_is == HourAngleZero.KEPT and (
        not near_zero or scatter > SYNC_FACTOR * _axis_error(series) + SYNC_NOISE
    ):
        return series, []  # kept poorly, which the fit finds and allows for
    label = np.where(shared, "", series.zero_label)
    return replace(series, zero_label=label), [
        warning(
            HistoryCode.ZEROS_AS_AFTER_SYNC, scatter_arcsec=scatter, site_file_says=HourAngleZero(zero_is)
        )
    ]


def _scatter_and_middle(series: Series, shared: Bools) -> tuple[float, float]:
    """Return the scatter from one night to the next, and how far the middle is from zero [arcsec]."""
    steps, middles = [], []
    for name in sorted({str(label) for label in series.zero_label[shared]}):
        own = series.value[series.zero_label == name, 2]
        steps.append(np.diff(own))
        middles.append(abs(float(np.median(own))))
    step = np.abs(np.concatenate(steps))
    return float(np.median(step)) / MEDIAN_OF_DIFFERENCE if step.size else 0.0, float(np.median(middles))


def _axis_error(series: Series) -> float:
    """Return the typical size of the axis error on the nights [arcsec]."""
    night = series.night >= 0
    return float(np.median(np.hypot(series.value[night, 0], series.value[night, 1])))
