"""The advice as steps that can be recorded as done, each with a code of its own.

The code names what is to be done and the night that it rests on.  Until a new
night changes the advice a step keeps its code, whatever else of the list is done;
a recorded step is off the list, so that nothing can be recorded twice by it.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drift.advice.advise import advise
from drift.advice.pending import note_of
from drift.advice.present import OLD_DAYS
from drift.advice.situation import situation_of
from drift.quantities import DAY_US

if TYPE_CHECKING:
    from drift.advice.result import Action
    from drift.history.result import History
    from drift.night.result import Nights
    from drift.pierfile import PierFile

_CODE_BYTES = 3
_KNOBS = {"turn_azimuth": "azimuth", "turn_altitude": "altitude"}


@dataclass(frozen=True)
class Step:
    """One action, and the rows of the log of corrections that say that it was done as advised.

    `code` is "" and `rows` are empty for what is no correction, or can't be written down in numbers.
    """

    action: Action
    code: str
    rows: tuple[dict[str, str], ...]


def steps_of(actions: tuple[Action, ...], night_us: int) -> tuple[Step, ...]:
    """Return the advice as steps.

    Parameters
    ----------
    actions
        What is advised.
    night_us
        Time of the night that it rests on [UTC microseconds].
    """
    return tuple(_step(action, night_us) for action in actions)


def steps_of_late(
    site: PierFile, nights: Nights, history: History, now_us: int, arrived_us: int | None = None
) -> tuple[Step, ...]:
    """Return the steps advised on the days before, by the same night: what is advised is done days later.

    The year ahead begins on another day each day, so that the amount to turn changes a little.

    Parameters
    ----------
    site, nights, history, now_us, arrived_us
        As for `drift.advice.advise.advise`.
    """
    night_us = situation_of(site, nights, history, now_us).time_us
    days = range(1, min(OLD_DAYS, (now_us - night_us) // DAY_US + 1) + 1)
    late = [advise(site, nights, history, now_us - k * DAY_US, arrived_us=arrived_us) for k in days]
    return tuple(step for advice in late for step in steps_of(advice.actions, night_us))


def _step(action: Action, night_us: int) -> Step:
    rows = _rows(action)
    if not rows:
        return Step(action, "", ())
    said = json.dumps([int(night_us), *rows], sort_keys=True)
    code = hashlib.blake2b(said.encode(), digest_size=_CODE_BYTES).hexdigest()
    return Step(action, code, tuple({**row, "note": note_of(code)} for row in rows))


def _rows(action: Action) -> list[dict[str, str]]:
    if action.do in _KNOBS and action.amount_arcmin is not None:
        turns = "" if action.turns is None else f"{action.turns:g}"
        return [{"kind": _KNOBS[action.do], "amount_arcmin": f"{action.amount_arcmin:g}", "turns": turns}]
    if action.do == "tighten":
        return [{"kind": "tighten"}]
    column = {"shim": "thickness_mm", "nuts": "turns"}.get(action.do)
    amounts = [
        (bolt.bearing_deg, bolt.thickness_mm if action.do == "shim" else bolt.nut_turns)
        for bolt in action.bolts
    ]
    if column is None or any(amount is None for _, amount in amounts):
        return []
    return [
        {"kind": action.do, "bearing_deg": f"{bearing:g}", column: f"{amount:g}"}
        for bearing, amount in amounts
    ]
