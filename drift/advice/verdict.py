"""The verdict, whether pier or mount moved, as codes with their numbers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.advice.movement import Movement, axis_step, baseline_of, event_part, side_of, tilt_now
from drift.codes import CorrectionKind, MovedPart, Part
from drift.notices import AdviceCode, Notice, Value, info, warning
from drift.quantities import local_date, reading_date
from drift.types import Verdict

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.types import CorrectionFound, Event, History, Nights


#: The verdict has a clause for this many events, the latest; the table of events has all.
_EVENTS_NAMED = 3
#: A coordinate of the axis moved clearly from so many standard deviations on.
_CLEAR_SDS = 2.0
#: The knob that a part of the mount is turned by.
KNOB_OF = {Part.MOUNT_AZ: CorrectionKind.AZIMUTH, Part.MOUNT_ALT: CorrectionKind.ALTITUDE}


def verdict_of(
    situation: Situation, findings: tuple[Movement, ...], nights: Nights, history: History
) -> Verdict:
    """Put the findings into a verdict.

    Parameters
    ----------
    situation
        Where the axis stands.
    findings
        What `drift.advice.movement.findings_of` found.
    nights, history
        The nights and the history that they come from.

    Returns
    -------
    Verdict
        `part` is "undetermined" only when nothing that moved can be named; other movements are in the
        clauses.
    """
    part = _part({finding.part for finding in findings})
    if part == MovedPart.NONE:
        return Verdict(
            moved=False,
            part=part,
            notice=_quiet(situation, history),
            seen_once=_seen_once(situation, nights, history),
        )
    unresolved = tuple(
        f for f in findings if f.event is None or not put_right_us(f.event, f.part, situation, history)
    )
    return Verdict(
        moved=True,
        part=part,
        notice=_head(findings, unresolved, situation, history),
        clauses=_clauses(findings, situation, nights, history),
        put_right=not unresolved and not situation.is_over,
    )


def _head(
    findings: tuple[Movement, ...], unresolved: tuple[Movement, ...], situation: Situation, history: History
) -> Notice:
    """Return the head: what moved and still holds, or has been corrected since."""
    if unresolved:
        part = _part({finding.part for finding in unresolved})
        return warning(AdviceCode.MOVED, part=part, slip_put_right=len(unresolved) < len(findings))
    moved = [_year(f.event.before_us, situation) for f in findings if f.event is not None]
    right = [put_right_us(f.event, f.part, situation, history) for f in findings if f.event is not None]
    last = max(history.corrections, key=lambda c: (c.time_us in right, c.time_us))
    years: dict[str, Value] = {
        "slipped_in_years": tuple(sorted(set(moved))),
        "put_right_in_year": _year(max(right), situation),
    }
    if not situation.is_over:
        return info(AdviceCode.PUT_RIGHT, **years)
    error, sd = situation.error_now()
    return warning(
        AdviceCode.CORRECTED_BUT_OFF,
        **years,
        by=CorrectionKind(last.kind),
        axis_arcsec=error,
        axis_sd_arcsec=sd,
    )


def _year(time_us: int, situation: Situation) -> int:
    return int(local_date(time_us, situation.zone)[:4])


def put_right_us(event: Event, part: MovedPart, situation: Situation, history: History) -> int:
    """Return when a slip of the mount was corrected by what a night has seen [us]; 0 where it stands.

    Parameters
    ----------
    event, part
        The event, and what `drift.advice.movement.event_part` says of it.
    situation, history
        As for `verdict_of`.
    """
    if part != MovedPart.MOUNT:
        return 0
    return min(
        (c.time_us for c in _corrections_of(event, history) if c.time_us <= situation.time_us), default=0
    )


def _corrections_of(event: Event, history: History) -> list[CorrectionFound]:
    """Return the later corrections of the knob that slipped, except those that did not hold."""
    kinds = (KNOB_OF[Part(event.what)], CorrectionKind.REMOUNT)
    return [
        c
        for c in history.corrections
        if c.kind in kinds and c.time_us >= event.before_us and c.held is not False
    ]


def event_notice(
    event: Event, part: MovedPart, situation: Situation, nights: Nights, history: History
) -> Notice:
    """Return what an event did, between which days, how sure that is, and whether it was corrected.

    Parameters
    ----------
    event, part
        The event, and what `drift.advice.movement.event_part` says of it.
    situation, nights, history
        As for `verdict_of`.
    """
    longitude = situation.site.site.longitude_deg
    days = {
        "after_date": reading_date(event.after_us, longitude),
        "before_date": reading_date(event.before_us, longitude),
    }
    tilt = [float(sizes.get(name, math.nan)) for sizes in (event.size, event.size_sd) for name in _TILT]
    if part == MovedPart.PIER and math.hypot(*tilt[:2]) > 0.0:
        named = dict(zip(_TILT_VALUES, tilt, strict=True))
        return warning(
            AdviceCode.PIER_TIPPED,
            **days,
            **named,
            probability=event.probability[Part.PIER],
            only_sensor=event.only_sensor,
        )
    size, sd = event.size.get(event.what, math.nan), event.size_sd.get(event.what, math.nan)
    if part == MovedPart.MOUNT and math.isfinite(size):
        side = side_of(event.what, size, situation.site.site.latitude_deg)
        return warning(
            AdviceCode.MOUNT_STEPPED,
            **days,
            of=Part(event.what),
            size_arcsec=size,
            sd_arcsec=sd,
            side=side,
            probability=event.probability[event.what],
            **_corrected(event, situation, history),
        )
    # the odds may tilt on the direction alone: a knob slips along its own axis only, a pier tips any way
    odds = tuple((Part(name), float(p)) for name, p in event.probability.items())
    return warning(
        AdviceCode.STEP_OF_UNKNOWN_PART,
        **days,
        axis=_axis_stepped(event, situation, nights, history),
        odds=odds,
    )


_TILT = ("tilt_north", "tilt_east")
_TILT_VALUES = ("tilt_north_arcsec", "tilt_east_arcsec", "tilt_north_sd_arcsec", "tilt_east_sd_arcsec")


def _part(parts: set[MovedPart]) -> MovedPart:
    if {MovedPart.PIER, MovedPart.MOUNT} <= parts:
        return MovedPart.BOTH
    named = (MovedPart.PIER, MovedPart.MOUNT, MovedPart.UNDETERMINED)
    return next((part for part in named if part in parts), MovedPart.NONE)


def _clauses(
    findings: tuple[Movement, ...], situation: Situation, nights: Nights, history: History
) -> tuple[Notice, ...]:
    events = [(f.event, f.part) for f in findings if f.event is not None]
    clauses = [event_notice(*each, situation, nights, history) for each in events[:_EVENTS_NAMED]]
    if len(events) > _EVENTS_NAMED:
        clauses.append(info(AdviceCode.EARLIER_STEPS, count=len(events) - _EVENTS_NAMED))
    tellers = {"tilt": _tilts, "season": _swings, "mount": _crept, "axis": _crept}
    clauses += [tellers[f.how](f, situation, history) for f in findings if f.event is None]
    return tuple(clauses)


def _tilts(finding: Movement, situation: Situation, history: History) -> Notice:
    """Return how much the pier tilts from its baseline; a component that isn't known is None."""
    of = {change.component: change for change in finding.changes}
    base = baseline_of(situation.site, history)
    values: dict[str, Value] = dict(base.values(situation.site.site.longitude_deg))
    for name in _TILT:
        values[f"{name}_arcsec"] = of[name].size if name in of else None
        values[f"{name}_sd_arcsec"] = of[name].sd if name in of else None
    beside_steps = any(event.is_movement for event in history.events)
    return warning(AdviceCode.PIER_TILTS, **values, beside_steps=beside_steps)


def _swings(finding: Movement, situation: Situation, history: History) -> Notice:
    seasonal, lasting = history.seasonal, history.lasting
    assert seasonal is not None
    return warning(
        AdviceCode.PIER_SWINGS,
        swing_arcsec=seasonal.peak_to_trough,
        swing_sd_arcsec=seasonal.peak_to_trough_sd,
        toward_bearing_deg=seasonal.toward_bearing_deg,
        lasting_arcsec_per_year=None if lasting is None else lasting.arcsec_per_year,
        lasting_sd_arcsec_per_year=None if lasting is None else lasting.arcsec_per_year_sd,
        lasting_toward_bearing_deg=None if lasting is None else lasting.toward_bearing_deg,
    )


def _crept(finding: Movement, situation: Situation, history: History) -> Notice:
    """Return how far the mount, or the axis where no part can be named, moved gradually."""
    (change,) = finding.changes
    return warning(
        AdviceCode.MOUNT_CREPT if finding.how == "mount" else AdviceCode.AXIS_CREPT,
        of=Part(change.component),
        size_arcsec=change.size,
        sd_arcsec=change.sd,
        side=side_of(change.component, change.size, situation.site.site.latitude_deg),
    )


def _quiet(situation: Situation, history: History) -> Notice:
    """Return that nothing moved, with the smallest movement that would have been seen."""
    tilt = tilt_now(history)
    if tilt is None and not situation.known:
        return warning(AdviceCode.NO_AXIS)
    values: dict[str, float | None] = dict.fromkeys((*_TILT_VALUES, "axis_arcsec", "axis_sd_arcsec"))
    if tilt is not None:
        found = (float(value) for of in tilt for value in of)
        values |= {
            name: value for name, value in zip(_TILT_VALUES, found, strict=True) if math.isfinite(value)
        }
    if situation.known:
        values["axis_arcsec"], values["axis_sd_arcsec"] = situation.error_now()
    if situation.span_days < 1.0:
        return info(AdviceCode.ONE_NIGHT, **values)
    return info(AdviceCode.NOTHING_MOVED, span_days=situation.span_days, **values)


def _seen_once(situation: Situation, nights: Nights, history: History) -> tuple[Notice, ...]:
    """Return the steps that only one night shows."""
    once = [event for event in history.events if event.provisional and event.is_movement]
    return tuple(event_notice(e, event_part(e), situation, nights, history) for e in once)


def _corrected(event: Event, situation: Situation, history: History) -> dict[str, str | None]:
    """Return the kind and day of a later correction that turned the knob back."""
    later = _corrections_of(event, history)
    first = min(later, key=lambda c: c.time_us) if later else None
    return {
        "corrected_by": None if first is None else CorrectionKind(first.kind),
        "corrected_date": None if first is None else local_date(first.time_us, situation.zone),
    }


def _axis_stepped(
    event: Event, situation: Situation, nights: Nights, history: History
) -> tuple[tuple[str, float, float], ...]:
    """Return (side, size, sd) [arcsec] of the coordinates that moved clearly, else of both; () if unknown."""
    step = axis_step(nights, history, event)
    if step is None:
        return ()
    size, sd = step
    clear = [k for k in (0, 1) if abs(size[k]) > _CLEAR_SDS * sd[k]] or [0, 1]
    names, latitude = (Part.MOUNT_AZ, Part.MOUNT_ALT), situation.site.site.latitude_deg
    return tuple((side_of(names[k], size[k], latitude), abs(float(size[k])), float(sd[k])) for k in clear)
