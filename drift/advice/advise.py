"""From what was found to what to do: the advice on one pier."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drift.advice.actions import actions_for
from drift.advice.cautions import cautions_for
from drift.advice.movement import findings_of
from drift.advice.result import Advice
from drift.advice.situation import situation_of
from drift.advice.verdict import verdict_of

if TYPE_CHECKING:
    from drift.history.result import History
    from drift.night.result import Nights
    from drift.pierfile import PierFile


def advise(site: PierFile, nights: Nights, history: History, now_us: int | None = None) -> Advice:
    """Say whether something moved and what to do about it.

    Parameters
    ----------
    site
        The site file: limits, optics, knobs, plate.
    nights, history
        What the readings say.
    now_us
        When the advice is wanted, UTC microseconds; None for the time of the latest
        reading, so that the same readings always give the same advice.

    Returns
    -------
    Advice
        Verdict, actions in the order of doing, cautions for them, and what the
        error does to the picture.
    """
    situation = situation_of(site, nights, history, now_us)
    findings = findings_of(site, nights, history)
    actions = actions_for(situation, findings, history)
    return Advice(
        verdict=verdict_of(situation, findings, nights, history),
        actions=actions,
        cautions=cautions_for(actions, site),
        matters=situation.matters,
    )
