"""What was told before, as JSON text, and whether news is the same as it."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from drift.errors import BookError
from drift.quantities import DAY_US

if TYPE_CHECKING:
    from drift.history.result import CorrectionFound, Event

FORMAT, VERSION = "drift-watch", 1
#: An event that further nights re-date by no more than this [days] is the same one when its size agrees.
_REDATED_DAYS = 10.0
_SAME_SDS = 3.0
#: A notice is told again after this long [days], when it still holds.
_NOTICE_DAYS = 180.0
SIZES = ("lean_north", "lean_east", "mount_az", "mount_alt")


def event_mark(event: Event) -> dict[str, Any]:
    """Return the mark of an event."""
    return {
        "after_us": int(event.after_us),
        "before_us": int(event.before_us),
        "what": event.what,
        "size": {name: number(event.size.get(name)) for name in SIZES},
        "size_sd": {name: number(event.size_sd.get(name)) for name in SIZES},
    }


def correction_mark(correction: CorrectionFound) -> dict[str, Any]:
    """Return the mark of a correction."""
    return {"time_us": int(correction.time_us), "kind": correction.kind}


def number(value: float | None) -> float | None:
    """Return a plain number, or None for what isn't known."""
    return None if value is None or not math.isfinite(value) else float(value)


def same_event(mark: Mapping[str, Any], known: Mapping[str, Any]) -> bool:
    """Whether an event is one that is known: its part, and its interval or else its date and size."""
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
    """Whether a notice is one that was told not long ago."""
    if (mark["kind"], mark["of"]) != (known["kind"], known["of"]):
        return False
    return abs(mark["as_of_us"] - known["as_of_us"]) <= _NOTICE_DAYS * DAY_US


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
    drift.errors.BookError
        When it is something else.
    """
    if acknowledged_json is None:
        return {"as_of_us": None, "events": [], "limits": {}, "corrections": [], "notices": []}
    try:
        state = json.loads(acknowledged_json)
        if (state["format"], state["version"]) != (FORMAT, VERSION):
            raise ValueError(f"it is {state['format']!r} version {state['version']!r}")
        corrections = [{"time_us": key[0], "kind": key[1]} for key in state["corrections"]]
        kept = {name: state[name] for name in ("as_of_us", "events", "limits")}
        return {**kept, "corrections": corrections, "notices": state.get("notices", [])}
    except (ValueError, KeyError, TypeError, IndexError) as error:
        raise BookError(
            f"What was last acknowledged can't be read back from the record ({error}).  Look at "
            "`drift status`, then run `drift acknowledge` to take note of it afresh."
        ) from error
