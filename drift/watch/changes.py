"""What is new since it was last acknowledged: what moved, what will, and what can't be seen."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from drift.advice.correction_words import asked_and_found
from drift.advice.learned import odds_held
from drift.advice.movement import event_part
from drift.advice.present import looked_at
from drift.advice.situation import latest_us, situation_of
from drift.advice.verdict import event_words
from drift.advice.words import day, percent
from drift.errors import BookError
from drift.watch.ahead import passed_soon
from drift.watch.blind import blind_spots
from drift.watch.gaps import moved_over_gaps
from drift.watch.items import Item, News
from drift.watch.known import (
    correction_mark,
    event_mark,
    number,
    parsed_state,
    same_event,
    same_notice,
    state_as_text,
)
from drift.watch.limits import Limit, Standing, limits_of
from drift.watch.sure import failed_at_least, is_alarm, sds_needed, sds_needed_in_plane

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.answer import Answer
    from drift.history.result import CorrectionFound, Event


def news(
    answer: Answer, acknowledged_json: str | None, now_us: int | None = None, arrived_us: int | None = None
) -> News:
    """Compare what is known now with what was last acknowledged.

    Parameters
    ----------
    answer
        The answer of today.
    acknowledged_json
        What `state_text` returned when it was last acknowledged, None when it never was.
    now_us
        The present time [UTC microseconds]; None: that of the latest reading, and then no reading is old.
    arrived_us
        When readings last came into the record.

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
    before = parsed_state(acknowledged_json)
    situation = _situation(answer, now_us, arrived_us)
    fresh = [e for e in _alarms(answer) if not _acknowledged(e, before)]
    told = [_event_item(event, situation, answer) for event in fresh if not event.provisional]
    limits = _limits(answer, before)
    told += [_limit_item(limit, standing, situation) for limit, standing in limits if standing.is_new]
    sds = sds_needed_in_plane(answer.site.warn.false_alarms_per_year)
    told += moved_over_gaps(answer, situation, before["as_of_us"], sds)
    told += [
        _correction_item(correction, held, situation)
        for correction, held in _failed(answer)
        if correction_mark(correction) not in before["corrections"]
    ]
    provisional = [_event_item(event, situation, answer) for event in fresh if event.provisional]
    return News(
        tuple(told), tuple(provisional), _notices(answer, situation, limits, before, now_us, arrived_us)
    )


def news_afresh(
    answer: Answer, acknowledged_json: str | None, now_us: int | None, arrived_us: int | None
) -> tuple[News, str | None]:
    """Return the news to be acknowledged, and what was acknowledged before; None where that can't be read.

    A kept state that is spoilt must not stand in the way of a new one.
    """
    try:
        return news(answer, acknowledged_json, now_us, arrived_us), acknowledged_json
    except BookError:
        return news(answer, None, now_us, arrived_us), None


def acknowledged_sentences(found: News, dropped: int) -> tuple[str, ...]:
    """Say what was taken note of, what not, and that `dropped` waiting messages are not sent any more."""
    said = [f"Acknowledged: {item.sentence}" for item in (*found.new, *found.notices)]
    if not said:
        said.append("Acknowledged; nothing was new.")
    if dropped:
        messages = "a message" if dropped == 1 else f"{dropped} messages"
        said.append(f"Not sent any more, because it is acknowledged: {messages}.")
    return (*said, *(f"Not acknowledged: {item.sentence}" for item in found.provisional))


def state_text(
    answer: Answer,
    acknowledged_json: str | None = None,
    now_us: int | None = None,
    arrived_us: int | None = None,
) -> str:
    """Return what is known now as JSON text, to be kept with an acknowledgement.

    Events seen on one night only are left out: they are told again once a
    second night confirms them.

    Parameters
    ----------
    answer, acknowledged_json, now_us, arrived_us
        As for `news`: a limit that was acknowledged before and has not come back since stays so.
    """
    before = parsed_state(acknowledged_json)
    situation = _situation(answer, now_us, arrived_us)
    limits = _limits(answer, before)
    fresh = _notices(answer, situation, limits, before, now_us, arrived_us)
    kept = [mark for mark in before["notices"] if not any(same_notice(item.mark, mark) for item in fresh)]
    return state_as_text(
        max((limit.time_us for limit, _ in limits), default=None),
        [event for event in _alarms(answer) if not event.provisional],
        {limit.name: limit.to_acknowledge(standing) for limit, standing in limits},
        [correction for correction, _ in _failed(answer)],
        [*(item.mark for item in fresh), *kept],
    )


def _situation(answer: Answer, now_us: int | None, arrived_us: int | None) -> Situation:
    """Return where things stand: today, or at the end of a log that is looked at and not watched by."""
    today_us = None if _is_past(answer, now_us, arrived_us) else now_us
    return situation_of(answer.site, answer.nights, answer.history, today_us)


def _is_past(answer: Answer, now_us: int | None, arrived_us: int | None) -> bool:
    return now_us is not None and looked_at(latest_us(answer.nights, answer.history), now_us, arrived_us)


def _alarms(answer: Answer) -> list[Event]:
    allowed = answer.site.warn.false_alarms_per_year
    return [event for event in answer.history.events if is_alarm(event, allowed)]


def _acknowledged(event: Event, before: dict[str, Any]) -> bool:
    return any(same_event(event_mark(event), known) for known in before["events"])


def _limits(answer: Answer, before: dict[str, Any]) -> list[tuple[Limit, Standing]]:
    known = before["limits"]
    return [(limit, limit.standing(known.get(limit.name), before["as_of_us"])) for limit in limits_of(answer)]


def _failed(answer: Answer) -> list[tuple[CorrectionFound, float]]:
    """Return the corrections that did not hold, each with the probability that it did."""
    odds = odds_held(answer.site, answer.history)
    needed = failed_at_least(answer.site.warn.false_alarms_per_year)
    pairs = zip(answer.history.corrections, odds, strict=True)
    return [(one, held) for one, held in pairs if held is not None and 1.0 - held >= needed]


def _notices(
    answer: Answer,
    situation: Situation,
    limits: list[tuple[Limit, Standing]],
    before: dict[str, Any],
    now_us: int | None,
    arrived_us: int | None,
) -> tuple[Item, ...]:
    sds = sds_needed(answer.site.warn.false_alarms_per_year)
    past = _is_past(answer, now_us, arrived_us)  # what would have come soon is no news of today
    found = [
        *(() if past else passed_soon(situation, answer.history, limits)),
        *blind_spots(answer, situation, sds, now_us, arrived_us),
    ]
    known = before["notices"]
    return tuple(item for item in found if not any(same_notice(item.mark, mark) for mark in known))


def _event_item(event: Event, situation: Situation, answer: Answer) -> Item:
    part = event_part(event)
    words = event_words(event, part, situation, answer.nights, answer.history)
    sentence = f"{words[0].upper()}{words[1:]}."
    if event.provisional:
        at_night = any(night.time_us == event.before_us for night in answer.nights.nights)
        where, second = ("on one night", "night") if at_night else ("in one level reading", "reading")
        sentence += f"  This is seen {where} only and counts once a second {second} shows it."
    facts = {"part": event.what, "probability": {name: float(p) for name, p in event.probability.items()}}
    return Item("event", int(event.before_us), sentence, event_mark(event), facts)


def _limit_item(limit: Limit, standing: Standing, situation: Situation) -> Item:
    sentence = limit.sentence(standing, situation.zone)
    mark = {"of": limit.name, "as_of_us": limit.time_us}
    facts = {
        "value": number(limit.values[-1]),
        "value_sd": number(limit.sds[-1]),
        "limit": limit.limit,
        "passed_us": standing.passed_us,
    }
    return Item(f"{limit.name}_limit", limit.time_us, sentence, mark, facts)


def _correction_item(correction: CorrectionFound, held: float, situation: Situation) -> Item:
    when = day(correction.time_us, situation.zone)
    asked = asked_and_found(correction, float(np.degrees(situation.latitude_rad)))
    said = f": {asked}" if asked else ""
    sentence = f"The {correction.kind} correction of {when} did not hold{said} ({percent(1.0 - held)} sure)."
    facts = {
        "asked": number(correction.asked),
        "found": number(correction.found),
        "found_sd": number(correction.found_sd),
        "held_probability": held,
    }
    return Item("correction", int(correction.time_us), sentence, correction_mark(correction), facts)
