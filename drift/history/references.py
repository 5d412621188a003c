"""Which references move by themselves, and rival explanations where two movements imitate a third."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from drift.codes import Mover, OwnMovement, Place, Reference, ReferenceFinding, WouldTell
from drift.history import causes
from drift.history.causes import TILT_EAST, TILT_NORTH, level_sources, zero_labels
from drift.history.changes import LevelStep
from drift.history.inputs import KINDS, Beliefs, swapped
from drift.history.model import WALKS, Fit, columns_that_may_stand
from drift.history.outcome import WITHIN_REACH_SHARE, weight
from drift.notices import HistoryCode, Notice, warning
from drift.quantities import DAY_US, YEAR_DAYS, Bools, Floats
from drift.types import LevelDrift, Measure, ReferenceMoved, References, Rival, ZeroCreep

# ---- Rival explanations: where two movements imitate a third.
#
# A pier that tilts and a mount that turns back leave the axis where it was, and so does a reference that
# drifts; mount and reference together may imitate a tilt.  No prior cures that.  So the explanations are
# reported with their odds, and the uncertainty of the history reaches out to each that is not ruled out.


_MOVER_OF: dict[str, Mover] = {
    causes.STEADY_PIER: Mover.PIER,
    causes.STEADY_AZIMUTH: Mover.MOUNT,
    causes.STEADY_ALTITUDE: Mover.MOUNT,
    causes.STEADY_ZEROS: Mover.REFERENCE,
    causes.STEADY_LEVELS: Mover.REFERENCE,
    causes.WARM_PIER: Mover.PIER,
    causes.WARM_AZIMUTH: Mover.MOUNT,
    causes.WARM_ALTITUDE: Mover.MOUNT,
    causes.WARM_ZEROS: Mover.REFERENCE,
    causes.WARM_LEVELS: Mover.REFERENCE,
}
#: Explanations are reported when they put the pier so far apart [arcsec]: our own rule.
RIVAL_ARCSEC = 5.0
#: A level's scale is told from so many sds and such a share on: our own rule, less changes no advice.
SCALE_SDS, SCALE_SHARE = 3.0, 0.1
#: A level can't show more of its own reading too much than this.
_MOST_TOO_MUCH = 0.8
#: The kinds of movement for which rivals are reported.
RIVAL_KINDS = (OwnMovement.STEADY, OwnMovement.WARMTH)
#: The weight of the squared distance to such an explanation.  What it says of pier and mount is itself known
#: to some tenth (in 18 invented histories the truth lay up to a tenth beyond its middle), so what lies a
#: sixth further off than that is within two sds still: (1.16 / 1.96)^2.
RIVAL_REACH = 0.35


@dataclass(frozen=True)
class Explanation:
    """One explanation, and how far it would move everything from where the history puts it."""

    kind: OwnMovement
    moving: tuple[Mover, ...]
    share: float
    apart: Floats = field(repr=False)  # (n, 6) [arcsec]


def explanations(fit: Fit) -> list[Explanation]:
    """Return the explanations that are not ruled out, by what moves; none where nothing was told apart."""
    beliefs, wide, odds = fit.model.beliefs, fit.wide, fit.odds
    if beliefs is None or wide is None or odds is None:
        return []
    at, which = columns_that_may_stand(fit.columns, beliefs)
    mean, cov = wide.amplitude[at], wide.amplitude_cov[np.ix_(at, at)]
    posterior = swapped(mean, cov, np.sqrt(np.diagonal(wide.columns.cov)[at]), beliefs.sd[:, which])
    leads = np.linalg.solve(cov, wide.amplitude_cov[at]).T
    out = []
    for kind in RIVAL_KINDS:
        for moving, pick in _by_movers(beliefs, kind).items():
            share = float(odds[pick].sum())
            if share >= WITHIN_REACH_SHARE:
                moved = leads @ (odds[pick] @ posterior.mean[pick] / share - odds @ posterior.mean)
                out.append(Explanation(kind, moving, share, _components(fit, moved)))
    return out


def _by_movers(beliefs: Beliefs, kind: OwnMovement) -> dict[tuple[Mover, ...], Bools]:
    """Return which combinations let the same ones move, (K,) each."""
    own = {
        mover: [i for i, c in enumerate(beliefs.causes) if c in KINDS[kind] and _MOVER_OF[c] == mover]
        for mover in Mover
    }
    moves = np.stack([beliefs.moves[:, columns].any(axis=1) for columns in own.values()], axis=1)
    out = {}
    for row in np.unique(moves, axis=0):
        out[tuple(m for m, on in zip(Mover, row, strict=True) if on)] = np.all(moves == row, axis=1)
    return out


def _components(fit: Fit, moved: Floats) -> Floats:
    """Return what a change of the amplitudes does to pier, plate and mount, the walk following, (n, 6)."""
    out = np.asarray(fit.columns.state @ moved)
    out[1:, WALKS] -= (fit.follows @ moved).reshape(-1, 5)[:, :4]
    return out


def with_rivals(fit: Fit, sd: Floats) -> Floats:
    """Return the sds (n, 6) reaching out to each explanation that is not ruled out [arcsec].

    The spread of the explanations by their odds is in them already.
    """
    variance = sd**2
    for one in explanations(fit):
        variance = variance + max(weight(one.share, RIVAL_REACH) - one.share, 0.0) * one.apart**2
    return np.asarray(np.sqrt(variance))


def rivals_of(fit: Fit) -> tuple[Rival, ...]:
    """Return the explanations that put the pier in places that differ, by kind, the likeliest first."""
    out: list[Rival] = []
    all_of_them = explanations(fit)
    for kind in RIVAL_KINDS:
        own = [one for one in all_of_them if one.kind == kind]
        if max((float(np.abs(one.apart[:, :2]).max()) for one in own), default=0.0) < RIVAL_ARCSEC:
            continue
        for one in sorted(own, key=lambda e: -e.share):
            north, east = one.apart[-1, [TILT_NORTH, TILT_EAST]]
            out.append(
                Rival(
                    kind=kind,
                    moving=one.moving,
                    probability=one.share,
                    tilt_north=float(north),
                    tilt_east=float(east),
                )
            )
    return tuple(out)


# ---- What the references do: shared hour-angle zeros, and levels at each place.


#: A reference is said to move when that has this share of all explanations (ten to one), is known to so
#: many sds, and amounts to this much over the record [arcsec]: our own rule.
MOVED_SHARE, MOVED_SDS, MOVED_ARCSEC = 10.0 / 11.0, 2.0, 3.0
#: The readings that would settle it, by what moves.
WOULD_TELL = {Reference.ZERO: WouldTell.LEVEL, Reference.LEVEL: WouldTell.SOLVE_BEFORE_SYNC}


def references_of(fit: Fit) -> References | None:
    """Return what the references do; None where there is none that could be checked."""
    if causes.STEADY_ZEROS not in fit.columns.at and causes.STEADY_LEVELS not in fit.columns.at:
        return None
    return References(zeros=_zeros(fit), levels=_levels(fit), moved=_moved(fit), rivals=rivals_of(fit))


def reference_notices(references: References | None) -> list[Notice]:
    """Return notices of references that move by themselves, and of rival explanations.

    Of a zero that was homed several times the epoch in which it moved most is named.
    """
    if references is None:
        return []
    most: dict[tuple[Reference, Place | None, int, OwnMovement], ReferenceMoved] = {}
    for one in sorted(references.moved, key=lambda one: one.over_record_arcsec):
        most[one.reference, one.place, one.instrument, one.kind] = one
    notices = [_moved_notice(one) for one in most.values()]
    for kind in dict.fromkeys(rival.kind for rival in references.rivals):
        notices.append(_rivals_notice(references, kind))
    return notices


def _moved_notice(one: ReferenceMoved) -> Notice:
    return warning(
        HistoryCode.REFERENCE_MOVED,
        reference=one.reference,
        place=one.place,
        sensor=one.instrument or None,
        kind=one.kind,
        north=None if one.north is None else one.north.value,
        north_sd=None if one.north is None else one.north.sd,
        east=one.east.value,
        east_sd=one.east.sd,
        probability=one.probability,
        would_tell=one.would_tell,
    )


def _rivals_notice(references: References, kind: OwnMovement) -> Notice:
    rivals = [rival for rival in references.rivals if rival.kind is kind]
    read_by = [Reference.ZERO] * bool(references.zeros) + [Reference.LEVEL] * bool(references.levels)
    return warning(
        HistoryCode.RIVALS,
        kind=kind,
        references=tuple(read_by),
        moving=tuple(rival.moving for rival in rivals),
        probability=tuple(rival.probability for rival in rivals),
        tilt_north_arcsec=tuple(rival.tilt_north for rival in rivals),
        tilt_east_arcsec=tuple(rival.tilt_east for rival in rivals),
    )


def _measure(fit: Fit, cause: str, column: int) -> Measure | None:
    at = fit.columns.at.get(cause)
    if at is None:
        return None
    k = at.start + column
    return Measure(value=float(fit.amplitude[k]), sd=float(np.sqrt(fit.amplitude_cov[k, k])))


def _known(measure: Measure | None) -> Measure:
    if measure is None:
        raise ValueError("every reference that is told has a rate")
    return measure


def _zeros(fit: Fit) -> tuple[ZeroCreep, ...]:
    series, out = fit.model.series, []
    for i, label in enumerate(zero_labels(series) if causes.STEADY_ZEROS in fit.columns.at else ()):
        times = series.time_us[series.zero_label == label]
        out.append(
            ZeroCreep(
                from_us=int(times.min()),
                to_us=int(times.max()),
                creep=_known(_measure(fit, causes.STEADY_ZEROS, i)),
                warmth=_measure(fit, causes.WARM_ZEROS, i),
            )
        )
    return tuple(sorted(out, key=lambda zero: zero.from_us))


def _levels(fit: Fit) -> tuple[LevelDrift, ...]:
    sources = level_sources(fit.model.series) if causes.STEADY_LEVELS in fit.columns.at else ()
    return tuple(
        LevelDrift(
            place=Place(place),
            creep_north=_known(_measure(fit, causes.STEADY_LEVELS, 2 * i)),
            creep_east=_known(_measure(fit, causes.STEADY_LEVELS, 2 * i + 1)),
            warmth_north=_measure(fit, causes.WARM_LEVELS, 2 * i),
            warmth_east=_measure(fit, causes.WARM_LEVELS, 2 * i + 1),
            shows_north=_share_shown(fit, 2 * i),
            shows_east=_share_shown(fit, 2 * i + 1),
            instrument=number,
        )
        for i, (place, number) in enumerate(sources)
    )


def _share_shown(fit: Fit, column: int) -> Measure:
    """Return which share of a tilt a level shows: with g of its own reading too much, 1 / (1 - g)."""
    more = _known(_measure(fit, causes.LEVEL_SCALES, column))
    share = 1.0 / (1.0 - min(more.value, _MOST_TOO_MUCH))
    return Measure(value=share, sd=more.sd * share**2)


def scale_notices(references: References | None) -> list[Notice]:
    """Return notices of levels that show too little or too much of a tilt."""
    out = []
    for level in () if references is None else references.levels:
        both = (level.shows_north, level.shows_east)
        weight = np.array([one.sd**-2.0 for one in both])
        share = float(weight @ [one.value for one in both] / weight.sum())
        sd = float(weight.sum() ** -0.5)
        if abs(share - 1.0) > max(SCALE_SDS * sd, SCALE_SHARE):
            place, sensor = level.place, level.instrument or None
            out.append(warning(HistoryCode.LEVEL_SCALE, place=place, sensor=sensor, share=share, sd=sd))
    return out


def level_step_notices(fit: Fit, steps: Sequence[LevelStep]) -> list[Notice]:
    """Return notices of levels that read otherwise from some reading on."""
    times, out = fit.model.series.time_us, []
    for step in steps:
        north, east = (_known(_measure(fit, step.name, column)) for column in (0, 1))
        notice = warning(
            HistoryCode.LEVEL_STEPPED,
            place=step.place,
            sensor=step.instrument or None,
            after_us=int(times[step.before]),
            before_us=int(times[step.index]),
            north_arcsec=north.value,
            north_sd_arcsec=north.sd,
            east_arcsec=east.value,
            east_sd_arcsec=east.sd,
        )
        out.append(notice)
    return out


def _moved(fit: Fit) -> tuple[ReferenceMoved, ...]:
    """Return which references move by themselves, as far as that can be known."""
    beliefs, odds = fit.model.beliefs, fit.odds
    if beliefs is None or odds is None:
        return ()
    out = []
    for cause, reference, kind in (
        (causes.STEADY_ZEROS, Reference.ZERO, OwnMovement.STEADY),
        (causes.WARM_ZEROS, Reference.ZERO, OwnMovement.WARMTH),
        (causes.STEADY_LEVELS, Reference.LEVEL, OwnMovement.STEADY),
        (causes.WARM_LEVELS, Reference.LEVEL, OwnMovement.WARMTH),
    ):
        if cause not in beliefs.causes:
            continue
        share = float(odds @ beliefs.moves[:, beliefs.causes.index(cause)])
        if share >= MOVED_SHARE:
            out += _those_of(fit, cause, reference, kind, share)
    return tuple(out)


def _those_of(
    fit: Fit, cause: str, reference: Reference, kind: OwnMovement, share: float
) -> list[ReferenceMoved]:
    """Return the findings on one cause: one an epoch of the zero or a place of the levels."""
    series, out = fit.model.series, []
    both = causes.STEADY_ZEROS in fit.columns.at and causes.STEADY_LEVELS in fit.columns.at
    labels = [(label, 0) for label in zero_labels(series)]
    for i, (name, number) in enumerate(labels if reference is Reference.ZERO else level_sources(series)):
        if reference is Reference.ZERO:
            own = series.zero_label == name
        else:
            own = (series.place == name) & (series.instrument == number)
        columns = [i] if reference is Reference.ZERO else [2 * i, 2 * i + 1]
        measures = [_known(_measure(fit, cause, column)) for column in columns]
        span = _span(fit, own, kind)
        made = float(np.hypot.reduce([m.value for m in measures])) * span
        if made < MOVED_ARCSEC or not any(abs(m.value) > MOVED_SDS * m.sd for m in measures):
            continue
        out.append(
            ReferenceMoved(
                code=ReferenceFinding.MOVED,
                reference=reference,
                place=None if reference is Reference.ZERO else Place(name),
                kind=kind,
                north=None if reference is Reference.ZERO else measures[0],
                east=measures[-1],
                probability=share,
                over_record_arcsec=made,
                would_tell=None if both else WOULD_TELL[reference],
                instrument=number,
            )
        )
    return out


def _span(fit: Fit, own: np.ndarray, kind: OwnMovement) -> float:
    """Return over how many years, or degrees, some readings reach."""
    model = fit.model
    if kind is OwnMovement.STEADY or model.temp_c is None:
        return float(np.ptp(model.series.time_us[own])) / DAY_US / YEAR_DAYS
    return float(np.ptp(model.temp_c[own]))
