"""The answer as data: what ``drift status --json`` prints.

The keys are a promise to other people's scripts: they are added to, never
renamed or dropped.  Angles are in arcseconds, times in UTC with a ``Z``, and a
number that is not known is None (null), never 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from drift.advice.learned import odds_held
from drift.history.result import COLUMNS, PARTS
from drift.show.aims_json import aims
from drift.show.numbers import number
from drift.show.outlook_json import outlook_mapping
from drift.show.times import utc_text

if TYPE_CHECKING:
    from drift.advice.result import Action
    from drift.answer import Answer
    from drift.history.result import CorrectionFound, Event, History, Separable
    from drift.night.result import NightAxis

#: What an event's size is given for.
SIZES = ("lean_north", "lean_east", "mount_az", "mount_alt")


def as_mapping(answer: Answer) -> dict[str, Any]:
    """Put the whole answer into plain lists, mappings, numbers and text.

    Parameters
    ----------
    answer
        What was worked out for one pier.

    Returns
    -------
    dict
        Ready for `json.dumps` with ``allow_nan=False``; the keys come in the
        same order every time.
    """
    return {
        "format": "drift-status",
        "version": 1,
        "site": _site(answer),
        "nights": [_night(night) for night in answer.nights.nights],
        "history": _history(answer.history),
        "separable": {
            "east_lean_from_mount_azimuth": _separable(answer.history.east_lean_from_mount_azimuth),
            "north_lean_from_mount_altitude": _separable(answer.history.north_lean_from_mount_altitude),
        },
        "components": _components(answer.history),
        "events": [_event(event) for event in answer.history.events],
        "corrections": _corrections(answer),
        "verdict": {
            "moved": bool(answer.advice.verdict.moved),
            "part": answer.advice.verdict.part,
            "sentence": answer.advice.verdict.sentence,
        },
        "actions": [_action(action) for action in answer.advice.actions],
        "cautions": list(answer.advice.cautions),
        "defaults_used": list(answer.defaults_used),
        "axis_now": _axis_now(answer.history),
        "set_aside": _set_aside(answer),
        "warnings": all_warnings(answer),
        **aims(answer.advice),
        "outlook": outlook_mapping(answer),
    }


def all_warnings(answer: Answer) -> list[str]:
    """Collect the warnings of every step, each sentence once, in the order of the work."""
    said = (*answer.warnings, *answer.nights.warnings, *answer.history.warnings)
    return list(dict.fromkeys(said))


def _site(answer: Answer) -> dict[str, Any]:
    site = answer.site.site
    return {
        "name": site.name,
        "latitude_deg": site.latitude_deg,
        "longitude_deg": site.longitude_deg,
        "elevation_m": site.elevation_m,
    }


def _night(night: NightAxis) -> dict[str, Any]:
    variance = night.covariance.diagonal()
    row: dict[str, Any] = {
        "time_utc": utc_text(night.time_us),
        "sources": list(night.sources),
        "solves_used": int(night.solves_used),
        "solves_set_aside": int(night.solves_set_aside),
    }
    for k, name in enumerate(("az_error", "alt_error", "zero")):
        known = math.isfinite(night.estimate[k])
        row[name] = number(night.estimate[k])
        row[f"{name}_sd"] = number(math.sqrt(variance[k])) if known and variance[k] >= 0 else None
    return row


def _history(history: History) -> list[dict[str, Any]]:
    rows = []
    for time_us, change, sd in zip(history.time_us, history.change, history.sd, strict=True):
        row: dict[str, Any] = {"time_utc": utc_text(time_us)}
        for k, name in enumerate(COLUMNS):
            row[name] = number(change[k])
            row[f"{name}_sd"] = number(sd[k]) if math.isfinite(change[k]) else None
        rows.append(row)
    return rows


def _separable(separable: Separable) -> dict[str, Any]:
    return {
        "answer": separable.answer,
        "because": separable.because,
        "would_settle_it": separable.would_settle_it,
    }


def _components(history: History) -> dict[str, Any]:
    seasonal, lasting = history.seasonal, history.lasting
    return {
        "seasonal": None
        if seasonal is None
        else {
            "peak_to_trough": number(seasonal.peak_to_trough),
            "peak_to_trough_sd": number(seasonal.peak_to_trough_sd),
            "toward_bearing_deg": number(seasonal.toward_bearing_deg),
            "peak_day_of_year": None if seasonal.peak_day_of_year is None else int(seasonal.peak_day_of_year),
        },
        "winters": [
            {
                "winter": winter.winter,
                "swing": number(winter.swing),
                "swing_sd": number(winter.swing_sd),
                "left_behind": number(winter.left_behind),
                "left_behind_sd": number(winter.left_behind_sd),
            }
            for winter in history.winters
        ],
        "lasting": None
        if lasting is None
        else {
            "arcsec_per_year": number(lasting.arcsec_per_year),
            "arcsec_per_year_sd": number(lasting.arcsec_per_year_sd),
            "toward_bearing_deg": number(lasting.toward_bearing_deg),
        },
    }


def _event(event: Event) -> dict[str, Any]:
    return {
        "after_utc": utc_text(event.after_us),
        "before_utc": utc_text(event.before_us),
        "what": event.what,
        "provisional": bool(event.provisional),
        "recorded": bool(event.recorded),
        # not rounded: they sum to 1
        "probability": {part: number(event.probability[part], None) for part in PARTS},
        "size": _sizes(event.size),
        "size_sd": _sizes(event.size_sd),
    }


def _sizes(sizes: Mapping[str, float]) -> dict[str, float | None]:
    return {name: number(sizes.get(name)) for name in SIZES}


def _corrections(answer: Answer) -> list[dict[str, Any]]:
    odds = odds_held(answer.site, answer.history)
    found = answer.history.corrections
    return [_correction(one, held) for one, held in zip(found, odds, strict=True)]


def _correction(found: CorrectionFound, held: float | None) -> dict[str, Any]:
    return {
        "time_utc": utc_text(found.time_us),
        "kind": found.kind,
        "asked": number(found.asked),
        "found": number(found.found),
        "found_sd": number(found.found_sd),
        "held": None if found.held is None else bool(found.held),
        "held_probability": number(held),
    }


def _action(action: Action) -> dict[str, Any]:
    return {
        "do": action.do,
        "sentence": action.sentence,
        "amount_arcmin": number(action.amount_arcmin),
        "turns": number(action.turns),
        "bolts": [
            {
                "bearing_deg": number(bolt.bearing_deg),
                "thickness_mm": number(bolt.thickness_mm),
                "nut_turns": number(bolt.nut_turns),
            }
            for bolt in action.bolts
        ],
        "until_utc": None if action.until_us is None else utc_text(action.until_us),
    }


def _axis_now(history: History) -> dict[str, float | None]:
    return {
        "az_error": number(history.axis_now[0]),
        "az_error_sd": number(history.axis_now_sd[0]),
        "alt_error": number(history.axis_now[1]),
        "alt_error_sd": number(history.axis_now_sd[1]),
    }


def _set_aside(answer: Answer) -> list[dict[str, Any]]:
    return [
        {
            "kind": aside.kind,
            "row": int(aside.row_id),
            "time_utc": utc_text(aside.time_us),
            "reason": aside.reason,
        }
        for aside in answer.nights.set_aside
    ]
