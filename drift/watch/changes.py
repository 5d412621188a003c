"""What is new since it was last acknowledged: events, limits passed, corrections that did not hold."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from drift.advice.movement import counts, event_part
from drift.advice.situation import situation_of
from drift.advice.verdict import event_words
from drift.advice.words import day
from drift.errors import BookError
from drift.quantities import DAY_US
from drift.watch.limits import Limit, Standing, limits_of

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.answer import Answer
    from drift.history.result import CorrectionFound, Event

FORMAT, VERSION = "drift-watch", 1
#: An event that further nights re-date by no more than this [days] is the same one when its size agrees.
_REDATED_DAYS = 10.0
_SAME_SDS = 3.0
_SIZES = ("lean_north", "lean_east", "mount_az", "mount_alt")


@dataclass(frozen=True)
class Item:
    """One thing to tell: `kind` is "event", "axis_limit", "lean_limit" or "correction"."""

    kind: str
    time_us: int
    sentence: str


@dataclass(frozen=True)
class News:
    """What is new, and what is seen on one night only and doesn't count yet."""

    new: tuple[Item, ...]
    provisional: tuple[Item, ...]

    @property
    def moved(self) -> bool:
        """Whether there is anything to acknowledge."""
        return bool(self.new)


def news(answer: Answer, acknowledged_json: str | None) -> News:
    """Compare what is known now with what was last acknowledged.

    Parameters
    ----------
    answer
        The answer of today.
    acknowledged_json
        What `state_text` returned when it was last acknowledged, None when it never was.

    Returns
    -------
    News
        Events are matched by part and by overlap of their intervals; limits have
        hysteresis (see `drift.watch.limits`); recorded events are no news.

    Raises
    ------
    drift.errors.BookError
        When `acknowledged_json` isn't what `state_text` writes.
    """
    before = _parsed(acknowledged_json)
    situation = situation_of(answer.site, answer.nights, answer.history, None)
    events = [event for event in answer.history.events if counts(event)]
    fresh = [event for event in events if not any(_same(event, known) for known in before["events"])]
    told = [_event_item(event, situation, answer) for event in fresh if not event.provisional]
    told += [
        Item(f"{limit.name}_limit", limit.time_us, limit.sentence(standing, situation.zone))
        for limit, standing in _limits(answer, before)
        if standing.is_new
    ]
    told += [
        Item("correction", correction.time_us, _correction_sentence(correction, situation))
        for correction in answer.history.corrections
        if correction.held is False and _key(correction) not in before["corrections"]
    ]
    provisional = [_event_item(event, situation, answer) for event in fresh if event.provisional]
    return News(tuple(told), tuple(provisional))


def state_text(answer: Answer, acknowledged_json: str | None = None) -> str:
    """Return what is known now as JSON text, to be kept with an acknowledgement.

    Events seen on one night only are left out: they are told again once a
    second night confirms them.

    Parameters
    ----------
    answer, acknowledged_json
        As for `news`: a limit that was acknowledged before and has not come back since stays so.
    """
    events = [event for event in answer.history.events if counts(event) and not event.provisional]
    limits = _limits(answer, _parsed(acknowledged_json))
    state = {
        "format": FORMAT,
        "version": VERSION,
        "as_of_us": max((limit.time_us for limit, _ in limits), default=None),
        "events": [_as_mapping(event) for event in events],
        "limits": {limit.name: limit.to_acknowledge(standing) for limit, standing in limits},
        "corrections": [list(_key(c)) for c in answer.history.corrections if c.held is False],
    }
    return json.dumps(state, allow_nan=False)


def _limits(answer: Answer, before: dict[str, Any]) -> list[tuple[Limit, Standing]]:
    known = before["limits"]
    return [(limit, limit.standing(known.get(limit.name), before["as_of_us"])) for limit in limits_of(answer)]


def _as_mapping(event: Event) -> dict[str, Any]:
    sizes = {name: _number(event.size.get(name)) for name in _SIZES}
    sds = {name: _number(event.size_sd.get(name)) for name in _SIZES}
    what, after, before = event.what, int(event.after_us), int(event.before_us)
    return {"after_us": after, "before_us": before, "what": what, "size": sizes, "size_sd": sds}


def _number(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def _parsed(acknowledged_json: str | None) -> dict[str, Any]:
    if acknowledged_json is None:
        return {"as_of_us": None, "events": [], "limits": {}, "corrections": []}
    try:
        state = json.loads(acknowledged_json)
        if (state["format"], state["version"]) != (FORMAT, VERSION):
            raise ValueError(f"it is {state['format']!r} version {state['version']!r}")
        corrections = [tuple(key) for key in state["corrections"]]
        kept = {name: state[name] for name in ("as_of_us", "events", "limits")}
        return {**kept, "corrections": corrections}
    except (ValueError, KeyError, TypeError) as error:
        raise BookError(
            f"What was last acknowledged can't be read back from the record ({error}).  Look at "
            "`drift status`, then run `drift acknowledge` to take note of it afresh."
        ) from error


def _same(event: Event, known: dict[str, Any]) -> bool:
    """Whether an event is one already acknowledged: its part, and its interval or else its date and size."""
    if event.what != known["what"] and "undetermined" not in (event.what, known["what"]):
        return False
    gap_us = max(event.after_us - known["before_us"], known["after_us"] - event.before_us)
    if gap_us <= 0:
        return True
    return gap_us <= _REDATED_DAYS * DAY_US and _sizes_agree(event, known)


def _sizes_agree(event: Event, known: dict[str, Any]) -> bool:
    for name in _SIZES:
        size, sd = _number(event.size.get(name)), _number(event.size_sd.get(name))
        was, was_sd = known["size"][name], known["size_sd"][name]
        if size is None or sd is None or was is None or was_sd is None:
            continue
        if abs(size - was) > _SAME_SDS * math.hypot(sd, was_sd):
            return False
    return True


def _event_item(event: Event, situation: Situation, answer: Answer) -> Item:
    part = event_part(event)
    words = event_words(event, part, situation, answer.nights, answer.history)
    sentence = f"{words[0].upper()}{words[1:]}."
    if event.provisional:
        sentence += "  This is seen on one night only and counts once a second night shows it."
    return Item("event", int(event.before_us), sentence)


def _key(correction: CorrectionFound) -> tuple[int, str]:
    return int(correction.time_us), correction.kind


def _correction_sentence(correction: CorrectionFound, situation: Situation) -> str:
    when = day(correction.time_us, situation.zone)
    asked = "" if correction.asked is None else f': asked {correction.asked:.0f}"'
    if asked and correction.found is not None and correction.found_sd is not None:
        asked += f', found {correction.found:.0f}" ± {correction.found_sd:.0f}"'
    return f"The {correction.kind} correction of {when} did not hold{asked}."
