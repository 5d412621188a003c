"""Frost or a step: over a record of a winter or two, one may pass for the other.

The driver of the lean is chosen before steps are looked for.  A bump in the first winter is
then likelier as frost than as nothing at all, and a quick thaw likelier as a step.  So both
are told anew with the steps that each asks for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from drift.ground.drivers import FROST_KINDS
from drift.history.driven import Driven
from drift.history.events import Searched, gap_chances
from drift.history.model import Solver
from drift.history.result import CALENDAR
from drift.history.scales import log_prior, to_vector
from drift.quantities import Bools

#: In longer records no single step passes for what the frost does each winter [days].
FEW_WINTERS_DAYS = 800.0
#: Odds smaller than this are none.
_LEAST = 1e-300


def may_be_mistaken(driven: Driven, searched: Searched) -> bool:
    """Whether a step may have passed for frost, or frost for a step."""
    short = searched.fit.model.series.days[-1] <= FEW_WINTERS_DAYS
    return (
        short and driven.likeliest_frost is not None and (driven.driver is not None or bool(searched.steps))
    )


def told_with_steps(driven: Driven, frost: Searched, calendar: Searched) -> Driven:
    """Choose anew between frost and not, the steps that each asks for told in.

    Parameters
    ----------
    driven
        From `choose_driver`, which knew of no steps.
    frost, calendar
        What was found with the likeliest frost, and without any.
    """
    aside = frost.fit.model.ignored | calendar.fit.model.ignored
    aside_zero = frost.fit.model.ignored_zero | calendar.fit.model.ignored_zero
    worth_frost, worth_calendar = (_worth(one, aside, aside_zero) for one in (frost, calendar))
    frozen = {name: p for name, p in driven.odds.items() if name in FROST_KINDS}
    others = {name: p for name, p in driven.odds.items() if name not in FROST_KINDS}
    # each side counts with its likeliest member, as many times over as all its members come to
    log_odds = worth_frost + _log_times(frozen, _kind(driven)) - worth_calendar - _log_times(others, CALENDAR)
    share = float(0.5 * (1.0 + np.tanh(0.5 * log_odds)))
    told = {**_shared_out(others, 1.0 - share), **_shared_out(frozen, share)}
    return replace(driven, driver=driven.likeliest_frost if share > 0.5 else None, odds=told)


def _kind(driven: Driven) -> str:
    return driven.likeliest_frost.kind if driven.likeliest_frost is not None else ""


def _worth(one: Searched, aside: Bools, aside_zero: Bools) -> float:
    """Return how probable the readings are, scales and steps told in, with some readings put aside."""
    fit = one.fit
    if not (np.array_equal(aside, fit.model.ignored) and np.array_equal(aside_zero, fit.model.ignored_zero)):
        fit = Solver(replace(fit.model, ignored=aside, ignored_zero=aside_zero)).at(fit.scales)
    chances = gap_chances(fit)
    steps = sum(float(chances[s.likeliest][s.best]) for s in one.steps)
    return fit.log_marginal + log_prior(to_vector(fit.scales, one.found.names), one.found.names) + steps


def _log_times(group: Mapping[str, float], member: str) -> float:
    """Return the log of how many times a member's odds all of its group have."""
    own = group.get(member, 0.0)
    return float(np.log(sum(group.values()) / own)) if own > _LEAST else 0.0


def _shared_out(group: Mapping[str, float], share: float) -> dict[str, float]:
    """Share out odds within a group in proportion to what its members had; equally when they had none."""
    total = sum(group.values())
    return {name: share * (p / total if total > _LEAST else 1.0 / len(group)) for name, p in group.items()}
