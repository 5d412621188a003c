"""What the references do by themselves: the shared hour-angle zeros, and the levels at each place."""

from __future__ import annotations

import numpy as np

from drift.codes import OwnMovement, Place, Reference, ReferenceFinding, WouldTell
from drift.history import steady, warm
from drift.history.causes import level_places, zero_labels
from drift.history.model import Fit
from drift.history.rivals import rivals_of
from drift.notices import HistoryCode, Notice, warning
from drift.quantities import DAY_US, YEAR_DAYS
from drift.types import LevelDrift, Measure, ReferenceMoved, References, ZeroCreep

#: A reference is said to move when that has this share of all explanations (ten to one), it is told by
#: so many sds, and it has made this much over the record [arcsec]: our own rule.
SAID_SHARE, SAID_SDS, SAID_ARCSEC = 10.0 / 11.0, 2.0, 3.0
#: Readings that would tell for sure, by what moves.
WOULD_TELL = {Reference.ZERO: WouldTell.LEVEL, Reference.LEVEL: WouldTell.SOLVE_BEFORE_SYNC}


def references_of(fit: Fit) -> References | None:
    """Return what the references do; None where there is none that could be checked."""
    if steady.ZEROS not in fit.columns.at and steady.LEVELS not in fit.columns.at:
        return None
    return References(zeros=_zeros(fit), levels=_levels(fit), moved=_moved(fit), rivals=rivals_of(fit))


def references_told(references: References | None) -> list[Notice]:
    """Return what is to be said of references that move by themselves, and of rival explanations.

    Of a zero that was homed again and again the epoch in which it moved most is told.
    """
    if references is None:
        return []
    most: dict[tuple[Reference, Place | None, OwnMovement], ReferenceMoved] = {}
    for one in sorted(references.moved, key=lambda one: one.over_record_arcsec):
        most[one.reference, one.place, one.kind] = one
    told = [_moved_notice(one) for one in most.values()]
    for kind in dict.fromkeys(rival.kind for rival in references.rivals):
        told.append(_rivals_notice(references, kind))
    return told


def _moved_notice(one: ReferenceMoved) -> Notice:
    return warning(
        HistoryCode.REFERENCE_MOVED,
        reference=one.reference,
        place=one.place,
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
    for i, label in enumerate(zero_labels(series) if steady.ZEROS in fit.columns.at else ()):
        times = series.time_us[series.zero_label == label]
        out.append(
            ZeroCreep(
                from_us=int(times.min()),
                to_us=int(times.max()),
                creep=_known(_measure(fit, steady.ZEROS, i)),
                warmth=_measure(fit, warm.ZEROS, i),
            )
        )
    return tuple(sorted(out, key=lambda zero: zero.from_us))


def _levels(fit: Fit) -> tuple[LevelDrift, ...]:
    places = level_places(fit.model.series) if steady.LEVELS in fit.columns.at else ()
    return tuple(
        LevelDrift(
            place=Place(place),
            creep_north=_known(_measure(fit, steady.LEVELS, 2 * i)),
            creep_east=_known(_measure(fit, steady.LEVELS, 2 * i + 1)),
            warmth_north=_measure(fit, warm.LEVELS, 2 * i),
            warmth_east=_measure(fit, warm.LEVELS, 2 * i + 1),
        )
        for i, place in enumerate(places)
    )


def _moved(fit: Fit) -> tuple[ReferenceMoved, ...]:
    """Return which references move by themselves for all that can be told."""
    beliefs, odds = fit.model.beliefs, fit.odds
    if beliefs is None or odds is None:
        return ()
    out = []
    for cause, reference, kind in (
        (steady.ZEROS, Reference.ZERO, OwnMovement.STEADY),
        (warm.ZEROS, Reference.ZERO, OwnMovement.WARMTH),
        (steady.LEVELS, Reference.LEVEL, OwnMovement.STEADY),
        (warm.LEVELS, Reference.LEVEL, OwnMovement.WARMTH),
    ):
        if cause not in beliefs.causes:
            continue
        share = float(odds @ beliefs.moves[:, beliefs.causes.index(cause)])
        if share >= SAID_SHARE:
            out += _those_of(fit, cause, reference, kind, share)
    return tuple(out)


def _those_of(
    fit: Fit, cause: str, reference: Reference, kind: OwnMovement, share: float
) -> list[ReferenceMoved]:
    """Return the findings on one cause: one an epoch of the zero or a place of the levels."""
    series, out = fit.model.series, []
    both = steady.ZEROS in fit.columns.at and steady.LEVELS in fit.columns.at
    names = zero_labels(series) if reference is Reference.ZERO else level_places(series)
    for i, name in enumerate(names):
        own = (series.zero_label if reference is Reference.ZERO else series.place) == name
        columns = [i] if reference is Reference.ZERO else [2 * i, 2 * i + 1]
        measures = [_known(_measure(fit, cause, column)) for column in columns]
        span = _span(fit, own, kind)
        made = float(np.hypot.reduce([m.value for m in measures])) * span
        if made < SAID_ARCSEC or not any(abs(m.value) > SAID_SDS * m.sd for m in measures):
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
            )
        )
    return out


def _span(fit: Fit, own: np.ndarray, kind: OwnMovement) -> float:
    """Return over how many years, or degrees, some readings reach."""
    model = fit.model
    if kind is OwnMovement.STEADY or model.temp_c is None:
        return float(np.ptp(model.series.time_us[own])) / DAY_US / YEAR_DAYS
    return float(np.ptp(model.temp_c[own]))
