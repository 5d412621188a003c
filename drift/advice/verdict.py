"""The verdict: whether pier or mount moved, in one plain sentence with numbers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.advice.movement import Movement, axis_step, counts, event_part, tilt_now
from drift.mount.axis_error import size_of
from drift.quantities import local_date
from drift.render.phrases import angle, arcmin, azimuth_side, listed, percent, ranked, toward, toward_of
from drift.types import Verdict

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.quantities import Floats
    from drift.types import CorrectionFound, Event, History, Nights


#: The sentence tells this many events, the latest; the table of events has all.
_EVENTS_TOLD = 3
_HEADS = {
    "pier": "The pier has moved",
    "mount": "The mount has moved on its pier",
    "both": "Both the pier and the mount have moved",
    "undetermined": "Something has moved, and no reading tells whether it was the pier or the mount",
}
_PART_NAMES = {
    "pier": "the pier",
    "mount_az": "the mount in azimuth",
    "mount_alt": "the mount in altitude",
    "zero": "only the hour-angle zero",
    "nothing": "nothing",
}


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
        `part` is "undetermined" only when nothing that moved can be named; what
        else moved and can't be named is in the sentence.
    """
    part = _part({finding.part for finding in findings})
    if part == "none":
        return Verdict(False, part, _quiet(situation, history) + _seen_once(situation, nights, history))
    clauses = _clauses(findings, situation, nights, history)
    standing = tuple(f for f in findings if not _put_right_us(f, situation, history))
    head = _head(findings, standing, situation, history)
    return Verdict(True, part, f"{head}: {'; '.join(clauses)}.", head, tuple(clauses), not standing)


def _head(
    findings: tuple[Movement, ...], standing: tuple[Movement, ...], situation: Situation, history: History
) -> str:
    """Say what stands now, and what has been put right since."""
    if standing:
        head = _HEADS[_part({finding.part for finding in standing})]
        return (
            f"{head}; an earlier slip of the mount was put right" if len(standing) < len(findings) else head
        )
    moved = [_year(f.event.before_us, situation) for f in findings if f.event is not None]
    right = [_year(_put_right_us(finding, situation, history), situation) for finding in findings]
    when = listed(sorted(set(moved)))
    return f"The mount slipped in {when} and was put right in {max(right)}; since then it stands"


def _year(time_us: int, situation: Situation) -> str:
    return local_date(time_us, situation.zone)[:4]


def _put_right_us(finding: Movement, situation: Situation, history: History) -> int:
    """Return when a slip of the mount was corrected by what a night has seen; 0 where it stands."""
    event = finding.event
    if event is None or finding.part != "mount":
        return 0
    return min(
        (c.time_us for c in _corrections_of(event, history) if c.time_us <= situation.time_us), default=0
    )


def _corrections_of(event: Event, history: History) -> list[CorrectionFound]:
    """Return the later corrections of the knob that slipped, but those that did not hold."""
    knob = {"mount_az": "azimuth", "mount_alt": "altitude"}[event.what]
    return [
        c
        for c in history.corrections
        if c.kind in (knob, "remount") and c.time_us >= event.before_us and c.held is not False
    ]


def event_words(event: Event, part: str, situation: Situation, nights: Nights, history: History) -> str:
    """Return what an event did, between which days, how sure that is, and whether it was corrected."""
    first, last = (local_date(one, situation.zone) for one in (event.after_us, event.before_us))
    when = f"between {first} and {last}"
    tilt, turn = _tilt_step(event), _mount_step(event, situation.site.site.latitude_deg)
    if part == "pier" and tilt:
        return f"the pier tipped by {tilt} {when} ({percent(event.probability['pier'])} sure)"
    if part == "mount" and turn:
        later = _corrected(event, situation, history)
        return f"the mount's {turn}, {when} ({percent(event.probability[event.what])} sure{later})"
    moved = _axis_words(axis_step(nights, history, event), situation)
    # the odds may tilt on the direction alone: a knob slips along its own axis only, a pier tips any way
    return f"{moved} {when}; going by its direction and date the odds are {_odds(event)}"


def mount_words(component: str, size: float, sd: float, latitude_deg: float) -> str:
    """Return ``azimuth turned by 2.8' ± 0.1', the axis going east`` or the like for altitude."""
    if component == "mount_az":
        return f"azimuth turned by {arcmin(abs(size), sd)}, the axis going {azimuth_side(size, latitude_deg)}"
    return f"altitude changed by {arcmin(abs(size), sd)}, the axis going {'up' if size >= 0 else 'down'}"


def _part(parts: set[str]) -> str:
    if {"pier", "mount"} <= parts:
        return "both"
    return next((part for part in ("pier", "mount", "undetermined") if part in parts), "none")


def _clauses(
    findings: tuple[Movement, ...], situation: Situation, nights: Nights, history: History
) -> list[str]:
    events = [finding for finding in findings if finding.event is not None]
    clauses = [
        event_words(finding.event, finding.part, situation, nights, history)
        for finding in events[:_EVENTS_TOLD]
        if finding.event is not None
    ]
    if len(events) > _EVENTS_TOLD:
        clauses.append(f"earlier steps in the list of events: {len(events) - _EVENTS_TOLD}")
    tellers = {"tilt": _tilt_clause, "season": _season_clause, "mount": _mount_clause, "axis": _axis_clause}
    clauses += [tellers[f.how](f, situation, history) for f in findings if f.event is None]
    return clauses


def _tilt_clause(finding: Movement, situation: Situation, history: History) -> str:
    tilt = {change.component: change for change in finding.changes}
    north, east = tilt.get("tilt_north"), tilt.get("tilt_east")
    if north is None or east is None:
        (only,) = finding.changes
        side = _side(only.component, only.size)
        other = "east-west" if east is None else "north-south"
        return (
            f"it tilts {angle(abs(only.size), only.sd)} further {side} than at the start ({other} not told)"
        )
    size, sd = size_of(north.size, east.size, north.sd, east.sd)
    steps = ", apart from the steps" if any(counts(event) for event in history.events) else ""
    way = toward_of(north.size, east.size)
    return f"the pier tilts {angle(size, sd)} further {way} than at the start{steps}"


def _season_clause(finding: Movement, situation: Situation, history: History) -> str:
    seasonal = history.seasonal
    if seasonal is None:
        return ""
    way = "" if seasonal.toward_bearing_deg is None else f" {toward(seasonal.toward_bearing_deg)}"
    swing = angle(seasonal.peak_to_trough, seasonal.peak_to_trough_sd)
    return f"the pier swings by {swing}{way} and back each year{_lasting_words(history)}"


def _lasting_words(history: History) -> str:
    lasting = history.lasting
    if lasting is None:
        return ""
    rate = angle(lasting.arcsec_per_year, lasting.arcsec_per_year_sd)
    way = "" if lasting.toward_bearing_deg is None else f" {toward(lasting.toward_bearing_deg)}"
    return f", and {rate} a year{way} stays"


def _mount_clause(finding: Movement, situation: Situation, history: History) -> str:
    (change,) = finding.changes
    moved = mount_words(change.component, change.size, change.sd, situation.site.site.latitude_deg)
    return f"by and by the mount's {moved}"


def _axis_clause(finding: Movement, situation: Situation, history: History) -> str:
    (change,) = finding.changes
    if change.component == "mount_az":
        side = azimuth_side(change.size, situation.site.site.latitude_deg)
        return f"by and by the axis has gone {side} by {arcmin(abs(change.size), change.sd)} in azimuth"
    way = "up" if change.size >= 0 else "down"
    return f"by and by the axis has gone {way} by {arcmin(abs(change.size), change.sd)}"


def _quiet(situation: Situation, history: History) -> str:
    """Return the sentence for "nothing moved", with what could have been seen."""
    told = tilt_now(history)
    if told is None and not situation.known:
        return (
            "There is no night from which the axis can be worked out, so nothing can be said about movement."
        )
    parts = []
    if told is not None:
        tilt, sd = told
        changed = [
            f"{angle(abs(tilt[k]), sd[k])} {_side(component, tilt[k])}"
            for k, component in enumerate(("tilt_north", "tilt_east"))
            if math.isfinite(tilt[k])
        ]
        parts.append(f"the tilt has changed by {listed(changed)}")
    if situation.known:
        parts.append(f"the axis is {arcmin(*situation.error_now())} from the pole")
    if situation.span_days < 1.0:
        return f"There is one night only, so nothing can be said about movement yet: {listed(parts)}."
    return (
        "Nothing has moved beyond its warning limit and its uncertainty: "
        f"in {situation.span_days:.0f} days {listed(parts)}."
    )


def _seen_once(situation: Situation, nights: Nights, history: History) -> str:
    """Return a sentence for steps that one night only shows."""
    once = [event for event in history.events if event.provisional and counts(event)]
    words = [event_words(e, event_part(e), situation, nights, history) for e in once]
    return "".join(f"  One night only shows otherwise: {each}." for each in words)


def _side(component: str, size: float) -> str:
    if component == "tilt_north":
        return "toward the north" if size >= 0 else "toward the south"
    return "toward the east" if size >= 0 else "toward the west"


def _tilt_step(event: Event) -> str:
    """Return size and direction of a pier step; empty when its size isn't known."""
    north, east = (event.size.get(name, math.nan) for name in ("tilt_north", "tilt_east"))
    sds = [event.size_sd.get(name, math.nan) for name in ("tilt_north", "tilt_east")]
    size, sd = size_of(north, east, *sds)
    return f"{angle(size, sd)} {toward_of(north, east)}" if size > 0.0 else ""


def _mount_step(event: Event, latitude_deg: float) -> str:
    """Return size and side of a mount step; empty when it is none or its size isn't known."""
    size, sd = event.size.get(event.what, math.nan), event.size_sd.get(event.what, math.nan)
    return mount_words(event.what, size, sd, latitude_deg) if math.isfinite(size) else ""


def _corrected(event: Event, situation: Situation, history: History) -> str:
    """Return that the knob was turned back later, when the record holds such a correction."""
    later = _corrections_of(event, history)
    if not later:
        return ""
    first = min(later, key=lambda c: c.time_us)
    what = "mount put back" if first.kind == "remount" else f"{first.kind} corrected"
    return f"; {what} on {local_date(first.time_us, situation.zone)}"


def _axis_words(step: tuple[Floats, Floats] | None, situation: Situation) -> str:
    """Return by how much the axis stepped, the coordinates that moved clearly, else both."""
    if step is None:
        return "a step of unknown size"
    size, sd = step
    latitude = situation.site.site.latitude_deg
    ways = (azimuth_side(size[0], latitude), "up" if size[1] >= 0 else "down")
    clear = [k for k in (0, 1) if abs(size[k]) > 2.0 * sd[k]] or [0, 1]
    return f"the axis stepped {listed([f'{ways[k]} by {arcmin(abs(size[k]), sd[k])}' for k in clear])}"


def _odds(event: Event) -> str:
    return listed([f"{_PART_NAMES[part]} {percent(p)}" for part, p in ranked(event.probability)])
