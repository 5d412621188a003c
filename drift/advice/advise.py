"""From what was found to what to do: the advice on one pier."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drift.advice.actions import actions_for
from drift.advice.aim import year_aim
from drift.advice.cautions import cautions_for
from drift.advice.learned import learned_knobs
from drift.advice.movement import findings_of
from drift.advice.pending import done_of_list, done_words, hold_back, without
from drift.advice.poles import poles_of
from drift.advice.present import looked_at, night_first
from drift.advice.result import Advice
from drift.advice.situation import latest_us, situation_of
from drift.advice.verdict import verdict_of
from drift.quantities import DAY_US

if TYPE_CHECKING:
    from drift.advice.forecast import Forecast
    from drift.history.result import History
    from drift.night.result import Nights
    from drift.pierfile import PierFile


def advise(
    site: PierFile,
    nights: Nights,
    history: History,
    now_us: int | None = None,
    forecast: Forecast | None = None,
    arrived_us: int | None = None,
) -> Advice:
    """Say whether something moved and what to do about it.

    Parameters
    ----------
    site
        The site file: limits, optics, knobs, plate.
    nights, history
        What the readings say.
    now_us
        When the advice is wanted, UTC microseconds, of which the day counts: all day long it stays the
        same.  None for the time of the latest reading, so that the same readings always give the same
        advice.
    forecast
        Where the axis goes if left alone; None for the history's own forecast or, where it has none, the
        annual shape and the lasting rate found.
    arrived_us
        When readings last came into the record.  Logs that were long past by then are answered
        as of their latest reading, a night to be taken first (see `drift.advice.present`).

    Returns
    -------
    Advice
        Verdict, actions in the order of doing, cautions for them, what the error does to
        the picture, the axis against both poles, and where to leave it for the year.
    """
    past = now_us is not None and looked_at(latest_us(nights, history), now_us, arrived_us)
    today_us = None if now_us is None or past else now_us // DAY_US * DAY_US
    situation = situation_of(site, nights, history, today_us, forecast)
    findings = findings_of(site, nights, history)
    done = done_of_list(situation, history)
    before = without(history, done)  # as the list was made
    advised = actions_for(situation, findings, before, learned_knobs(site, before))
    actions = hold_back(advised, situation, before, done)
    if past:
        actions = night_first(actions, situation)
    known = situation.known
    looks_ahead = known and (situation.season.known or forecast is not None)
    return Advice(
        verdict=verdict_of(situation, findings, nights, history),
        actions=actions,
        cautions=cautions_for(actions, site),
        matters=situation.matters,
        poles=poles_of(site, history.axis_now, history.axis_now_sd) if known else None,
        year=year_aim(site, situation.forecast, situation.pole, -situation.off_aim, situation.latitude_rad)
        if looks_ahead
        else None,
        done=tuple(done_words(correction, situation) for correction in done),
    )
