"""What is new since it was last acknowledged, what was known before, and what is still to be sent to whom."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from drift.advice.knobs import odds_held
from drift.advice.misrecorded import Suspect, suspects
from drift.advice.movement import event_part
from drift.advice.situation import latest_us, looked_at, situation_of
from drift.advice.verdict import event_notice, put_right_us
from drift.codes import LimitName, NewsKind
from drift.errors import RecordError
from drift.notices import Notice, Value, WatchCode, info, warning
from drift.quantities import DAY_US, local_date
from drift.watch.coming import Item, News, blind_spots, moved_over_gaps, passed_soon
from drift.watch.limits import (
    Limit,
    LimitState,
    failed_at_least,
    is_alarm,
    limits_of,
    sds_needed,
    sds_needed_in_plane,
)

if TYPE_CHECKING:
    from pathlib import Path

    from drift.advice.situation import Situation
    from drift.types import Analysis, CorrectionFound, Event


# ---- What was reported before, as JSON, and whether news is the same.


FORMAT, VERSION = "drift-watch", 1
#: An event whose date further nights shift by no more than this [days] is the same one when its size agrees.
_REDATED_DAYS = 10.0
_SAME_SDS = 3.0
#: A notice is repeated after this long [days], if it still holds.
_NOTICE_DAYS = 180.0
SIZES = ("tilt_north", "tilt_east", "mount_az", "mount_alt")


def event_mark(event: Event) -> dict[str, Any]:
    """Return the mark of an event."""
    return {
        "after_us": int(event.after_us),
        "before_us": int(event.before_us),
        "what": str(event.what),
        "size": {name: number(event.size.get(name)) for name in SIZES},
        "size_sd": {name: number(event.size_sd.get(name)) for name in SIZES},
    }


def correction_mark(correction: CorrectionFound) -> dict[str, Any]:
    """Return the mark of a correction."""
    return {"time_us": int(correction.time_us), "kind": str(correction.kind)}


def number(value: float | None) -> float | None:
    """Return a plain number, or None for what isn't known."""
    return None if value is None or not math.isfinite(value) else float(value)


def same_event(mark: Mapping[str, Any], known: Mapping[str, Any]) -> bool:
    """Whether an event is a known one: by its part, and by its interval or else its date and size."""
    if mark["what"] != known["what"] and "undetermined" not in (mark["what"], known["what"]):
        return False
    gap_us = max(mark["after_us"] - known["before_us"], known["after_us"] - mark["before_us"])
    if gap_us <= 0:
        return True
    return gap_us <= _REDATED_DAYS * DAY_US and _sizes_agree(mark, known)


def _sizes_agree(mark: Mapping[str, Any], known: Mapping[str, Any]) -> bool:
    for name in SIZES:
        size, sd, was, was_sd = (one[key][name] for one in (mark, known) for key in ("size", "size_sd"))
        if None in (size, sd, was, was_sd):
            continue
        if abs(size - was) > _SAME_SDS * math.hypot(sd, was_sd):
            return False
    return True


def same_notice(mark: Mapping[str, Any], known: Mapping[str, Any]) -> bool:
    """Whether a notice was already given not long ago."""
    if (mark["kind"], mark["of"]) != (known["kind"], known["of"]):
        return False
    return abs(mark["as_of_us"] - known["as_of_us"]) <= _NOTICE_DAYS * DAY_US


#: Names in marks and states that earlier versions wrote -> names of today.
_FORMER = {
    "lean": "tilt",
    "lean_limit": "tilt_limit",
    "lean_north": "tilt_north",
    "lean_east": "tilt_east",
}


def renamed(mark: Mapping[str, Any]) -> dict[str, Any]:
    """Return a mark, or what an earlier version wrote as one, under the names of today."""
    out = {}
    for name, value in mark.items():
        if isinstance(value, Mapping):
            value = renamed(value)
        out[_FORMER.get(name, name)] = _FORMER.get(value, value) if isinstance(value, str) else value
    return out


def state_as_text(
    as_of_us: int | None,
    events: Iterable[Event],
    limits: Mapping[str, float | None],
    failed: Iterable[CorrectionFound],
    notices: Iterable[Mapping[str, Any]],
) -> str:
    """Return what is known now as the JSON text of an acknowledgement."""
    state = {
        "format": FORMAT,
        "version": VERSION,
        "as_of_us": as_of_us,
        "events": [event_mark(event) for event in events],
        "limits": dict(limits),
        "corrections": [list(correction_mark(correction).values()) for correction in failed],
        "notices": [dict(mark) for mark in notices],
    }
    return json.dumps(state, allow_nan=False)


def parsed_state(acknowledged_json: str | None) -> dict[str, Any]:
    """Read back what `state_as_text` wrote; nothing known when it is None.

    Raises
    ------
    drift.errors.RecordError
        When it is something else.
    """
    if acknowledged_json is None:
        return {"as_of_us": None, "events": [], "limits": {}, "corrections": [], "notices": []}
    try:
        state = json.loads(acknowledged_json)
        if (state["format"], state["version"]) != (FORMAT, VERSION):
            raise ValueError(f"it is {state['format']!r} version {state['version']!r}")
        return {
            "as_of_us": state["as_of_us"],
            "events": [renamed(one) for one in state["events"]],
            "limits": {_FORMER.get(name, name): value for name, value in state["limits"].items()},
            "corrections": [{"time_us": key[0], "kind": key[1]} for key in state["corrections"]],
            "notices": [renamed(one) for one in state.get("notices", [])],
        }
    except (ValueError, KeyError, TypeError, IndexError) as error:
        raise RecordError(
            f"What was last acknowledged can't be read back from the record ({error}).  Look at "
            "`drift status`, then run `drift acknowledge` to mark it as seen afresh."
        ) from error


# ---- What is new since it was last acknowledged.


def news(
    analysis: Analysis,
    acknowledged_json: str | None,
    now_us: int | None = None,
    arrived_us: int | None = None,
) -> News:
    """Compare what is known now with what was last acknowledged.

    Parameters
    ----------
    analysis
        Today's analysis.
    acknowledged_json
        What `state_text` returned when it was last acknowledged, None when it never was.
    now_us
        The present time [UTC microseconds]; None: that of the latest reading, and then no reading is old.
    arrived_us
        When readings last came into the record.

    Returns
    -------
    News
        Events are matched by part and by overlap of their intervals; limits have hysteresis (see
        `drift.watch.limits`); recorded events, and slips of the mount corrected since, are not news.

    Raises
    ------
    drift.errors.RecordError
        When `acknowledged_json` isn't what `state_text` writes.
    """
    before = parsed_state(acknowledged_json)
    situation = _situation(analysis, now_us, arrived_us)
    fresh = [
        event
        for event in _alarms(analysis)
        if not (_acknowledged(event, before) or _is_past_slip(event, situation, analysis))
    ]
    new = [_event_item(event, situation, analysis) for event in fresh if not event.provisional]
    limits = _limits(analysis, before)
    passed = [(limit, state) for limit, state in limits if state.is_new]
    new += [_limit_item(*each, situation) for each in passed if not _on_one_night(each[1], analysis)]
    sds = sds_needed_in_plane(analysis.site.warn.false_alarms_per_year)
    suspected = {
        id(one.correction): one for one in suspects(analysis.site, analysis.history) if one is not None
    }
    new += moved_over_gaps(analysis, situation, before["as_of_us"], sds)
    new += [
        _correction_item(correction, held, suspected.get(id(correction)), situation)
        for correction, held in _failed(analysis)
        if correction_mark(correction) not in before["corrections"]
    ]
    provisional = [_event_item(event, situation, analysis) for event in fresh if event.provisional]
    provisional += [
        replace(_limit_item(*each, situation), seen_once=_seen_once(once, analysis))
        for each in passed
        if (once := _on_one_night(each[1], analysis)) is not None
    ]
    notices = _notices(analysis, situation, limits, before, now_us, arrived_us)
    return News(new=tuple(new), provisional=tuple(provisional), notices=notices)


def news_afresh(
    analysis: Analysis, acknowledged_json: str | None, now_us: int | None, arrived_us: int | None
) -> tuple[News, str | None]:
    """Return the news to be acknowledged, and what was acknowledged before; None where that can't be read.

    A stored state that is damaged must not prevent a new one.
    """
    try:
        return news(analysis, acknowledged_json, now_us, arrived_us), acknowledged_json
    except RecordError:
        return news(analysis, None, now_us, arrived_us), None


def state_text(
    analysis: Analysis,
    acknowledged_json: str | None = None,
    now_us: int | None = None,
    arrived_us: int | None = None,
) -> str:
    """Return what is known now as JSON text, to be kept with an acknowledgement.

    Events seen on one night only are left out: they are news again once a second night confirms them.

    Parameters
    ----------
    analysis, acknowledged_json, now_us, arrived_us
        As for `news`: a limit that was acknowledged before and has not come back since stays acknowledged.
    """
    before = parsed_state(acknowledged_json)
    situation = _situation(analysis, now_us, arrived_us)
    limits = _limits(analysis, before)
    fresh = _notices(analysis, situation, limits, before, now_us, arrived_us)
    kept = [mark for mark in before["notices"] if not any(same_notice(item.mark, mark) for item in fresh)]
    return state_as_text(
        max((limit.time_us for limit, _ in limits), default=None),
        [event for event in _alarms(analysis) if not event.provisional],
        {
            limit.name: state.acknowledged if _on_one_night(state, analysis) else limit.to_acknowledge(state)
            for limit, state in limits
        },
        [correction for correction, _ in _failed(analysis)],
        [*(item.mark for item in fresh), *kept],
    )


def _situation(analysis: Analysis, now_us: int | None, arrived_us: int | None) -> Situation:
    """Return the situation today or, for an archive, at the end of its log."""
    today_us = None if _is_past(analysis, now_us, arrived_us) else now_us
    return situation_of(analysis.site, analysis.nights, analysis.history, today_us)


def _is_past(analysis: Analysis, now_us: int | None, arrived_us: int | None) -> bool:
    return now_us is not None and looked_at(latest_us(analysis.nights, analysis.history), now_us, arrived_us)


def _alarms(analysis: Analysis) -> list[Event]:
    allowed = analysis.site.warn.false_alarms_per_year
    return [event for event in analysis.history.events if is_alarm(event, allowed)]


def _is_past_slip(event: Event, situation: Situation, analysis: Analysis) -> bool:
    """Whether a slip was put right: its owner knew of it, and it is history and no warning any more."""
    return bool(put_right_us(event, event_part(event), situation, analysis.history))


def _acknowledged(event: Event, before: dict[str, Any]) -> bool:
    return any(same_event(event_mark(event), known) for known in before["events"])


def _limits(analysis: Analysis, before: dict[str, Any]) -> list[tuple[Limit, LimitState]]:
    known = before["limits"]
    return [
        (limit, limit.standing(known.get(limit.name), before["as_of_us"])) for limit in limits_of(analysis)
    ]


def _on_one_night(state: LimitState, analysis: Analysis) -> Event | None:
    """Return the step, seen on one night only, without which a limit would not be passed; None if passed."""
    if state.passed_us is None:
        return None
    once = (event for event in analysis.history.events if event.provisional and not event.recorded)
    return next((event for event in once if state.passed_us >= event.before_us), None)


def _seen_once(event: Event, analysis: Analysis) -> Notice:
    at_night = any(night.time_us == event.before_us for night in analysis.nights.nights)
    return info(WatchCode.SEEN_ONCE, at_night=at_night, only_sensor=event.only_sensor)


def _failed(analysis: Analysis) -> list[tuple[CorrectionFound, float]]:
    """Return the corrections that did not hold, each with the probability that it did."""
    odds = odds_held(analysis.site, analysis.history)
    needed = failed_at_least(analysis.site.warn.false_alarms_per_year)
    pairs = zip(analysis.history.corrections, odds, strict=True)
    return [(one, held) for one, held in pairs if held is not None and 1.0 - held >= needed]


def _notices(
    analysis: Analysis,
    situation: Situation,
    limits: list[tuple[Limit, LimitState]],
    before: dict[str, Any],
    now_us: int | None,
    arrived_us: int | None,
) -> tuple[Item, ...]:
    sds = sds_needed(analysis.site.warn.false_alarms_per_year)
    past = _is_past(analysis, now_us, arrived_us)  # what would have come soon then is not news today
    found = [
        *(() if past else passed_soon(situation, analysis.history, limits)),
        *blind_spots(analysis, situation, sds, now_us, arrived_us),
        *misrecorded_items(analysis, situation),
    ]
    known = before["notices"]
    return tuple(item for item in found if not any(same_notice(item.mark, mark) for mark in known))


def _event_item(event: Event, situation: Situation, analysis: Analysis) -> Item:
    seen_once = _seen_once(event, analysis) if event.provisional else None
    return Item(
        kind=NewsKind.EVENT,
        time_us=int(event.before_us),
        notice=event_notice(event, event_part(event), situation, analysis.nights, analysis.history),
        seen_once=seen_once,
        mark=event_mark(event),
        facts={
            "part": str(event.what),
            "probability": {str(name): float(p) for name, p in event.probability.items()},
        },
    )


def _limit_item(limit: Limit, state: LimitState, situation: Situation) -> Item:
    return Item(
        kind=NewsKind.AXIS_LIMIT if limit.name is LimitName.AXIS else NewsKind.TILT_LIMIT,
        time_us=limit.time_us,
        notice=limit.notice(state, situation.site.site.longitude_deg),
        mark={"of": str(limit.name), "as_of_us": limit.time_us},
        facts={
            "value": number(limit.values[-1]),
            "value_sd": number(limit.sds[-1]),
            "limit": limit.limit,
            "passed_us": state.passed_us,
        },
    )


def _correction_item(
    correction: CorrectionFound, held: float, suspect: Suspect | None, situation: Situation
) -> Item:
    asked, found, sd = (number(one) for one in (correction.asked, correction.found, correction.found_sd))
    if suspect is None:
        notice = warning(
            WatchCode.CORRECTION_FAILED, **_asked_and_found(correction, situation), probability=1.0 - held
        )
    else:
        notice = misrecorded_notice(suspect, situation)
    return Item(
        kind=NewsKind.CORRECTION,
        time_us=int(correction.time_us),
        notice=notice,
        mark=correction_mark(correction),
        facts={
            "asked": asked,
            "found": found,
            "found_sd": sd,
            "held_probability": held,
            "misrecorded": None if suspect is None else str(suspect.wrong),
            "misrecorded_probability": None if suspect is None else suspect.probability,
        },
    )


def _asked_and_found(correction: CorrectionFound, situation: Situation) -> dict[str, Value]:
    return {
        "kind": correction.kind,
        "date": local_date(correction.time_us, situation.zone),
        "asked_arcsec": number(correction.asked),
        "found_arcsec": number(correction.found),
        "found_sd_arcsec": number(correction.found_sd),
        "latitude_deg": float(np.degrees(situation.latitude_rad)),
    }


def misrecorded_notice(suspect: Suspect, situation: Situation) -> Notice:
    """Return the notice of how a correction was probably written down wrongly."""
    return warning(
        WatchCode.CORRECTION_MISRECORDED,
        **_asked_and_found(suspect.correction, situation),
        wrong=suspect.wrong,
        probability=suspect.probability,
    )


def misrecorded_items(analysis: Analysis, situation: Situation) -> tuple[Item, ...]:
    """Return a notice for each correction that looks misrecorded but didn't fail on its day."""
    failed = [correction for correction, _ in _failed(analysis)]
    return tuple(
        Item(
            kind=NewsKind.MISRECORDED,
            time_us=int(one.correction.time_us),
            notice=misrecorded_notice(one, situation),
            mark={
                "kind": str(NewsKind.MISRECORDED),
                "of": f"{one.correction.kind} {one.correction.time_us} {one.wrong}",
                "as_of_us": int(one.correction.time_us),
            },
            facts={"misrecorded": str(one.wrong), "misrecorded_probability": one.probability},
        )
        for one in suspects(analysis.site, analysis.history)
        if one is not None and one.correction not in failed
    )


# ---- Which news is still to be sent to whom.


class EarlierMessage(Protocol):
    """A message that was made before, whether or not it was sent."""

    @property
    def address(self) -> str:
        """The mark of its address."""

    @property
    def about(self) -> str:
        """What a `Letter` had as `about`."""

    @property
    def made_us(self) -> int:
        """When it was made [us]."""


@dataclass(frozen=True)
class Letter:
    """One message to one address; `about` is JSON text by which the same news is known again."""

    number: str
    address: str
    about: str
    item: Item


def letters_for(
    found: News,
    analysis: Analysis,
    before: Sequence[EarlierMessage],
    addresses: Sequence[str],
    acknowledged_us: int | None,
    now_us: int,
) -> list[Letter]:
    """Return a letter for each thing that is new and each address that has no message of it.

    Parameters
    ----------
    found
        What is new since the last acknowledgement.
    analysis
        Today's analysis.
    before
        All messages made before.
    addresses
        Marks of those that want to know.
    acknowledged_us
        When it was last acknowledged.  A limit that was sent before then and is passed anew is sent again.
    now_us
        The present time [us].
    """
    out = []
    for address in dict.fromkeys(addresses):
        known = [(_about(one), one.made_us) for one in before if one.address == address]
        for item in (*found.new, *found.notices):
            if not _was_sent(item, known, analysis, acknowledged_us):
                out.append(_letter(item, address, now_us, analysis.site.path))
    return out


def _about(one: EarlierMessage) -> Mapping[str, Any]:
    try:
        about = json.loads(one.about)
    except ValueError:
        return {}
    return renamed(about) if isinstance(about, dict) else {}


def _was_sent(
    item: Item, known: list[tuple[Mapping[str, Any], int]], analysis: Analysis, acknowledged_us: int | None
) -> bool:
    same_kind = [(about["mark"], made_us) for about, made_us in known if about.get("kind") == item.kind]
    if item.kind is NewsKind.EVENT:
        return any(same_event(item.mark, mark) for mark, _ in same_kind)
    if item.kind in (NewsKind.CORRECTION, NewsKind.GAP):
        return any(mark == item.mark for mark, _ in same_kind)
    if item.kind in (NewsKind.AXIS_LIMIT, NewsKind.TILT_LIMIT):
        since = acknowledged_us or 0
        return any(_still_passed(item, mark, analysis) for mark, made_us in same_kind if made_us > since)
    return any(same_notice(item.mark, mark) for mark, _ in same_kind)


def _still_passed(item: Item, mark: Mapping[str, Any], analysis: Analysis) -> bool:
    """Whether a limit has not come back and been passed anew since it was sent."""
    limit = next(one for one in limits_of(analysis) if one.name == item.mark["of"])
    return not limit.standing(math.inf, mark["as_of_us"]).is_new


def about_text(item: Item) -> str:
    """Return the text by which a piece of news is known again."""
    return json.dumps({"kind": str(item.kind), "mark": item.mark}, allow_nan=False, sort_keys=True)


def _letter(item: Item, address: str, now_us: int, site_file: Path | None) -> Letter:
    about = about_text(item)
    number = hashlib.blake2b(f"{site_file} {address} {about} {now_us}".encode(), digest_size=6).hexdigest()
    return Letter(number, address, about, item)
