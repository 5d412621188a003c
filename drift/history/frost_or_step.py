"""Frost or a step: over a record of a winter or two, one may pass for the other.

The driver of the lean is chosen before steps are looked for.  A bump in the first winter is
then likelier as frost than as nothing at all, and a quick thaw likelier as a step.  So every
explanation is told anew with the steps that it asks for: kinds of frost with those found beside the
likeliest frost, all others with those found without any.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.history.driven import NEARLY, Driven, is_frost_likelier, odds_of
from drift.history.events import (
    MISRECORDED_CHANCE,
    WILD_CHANCE,
    WILD_LEVEL_CHANCE,
    WILD_ZERO_CHANCE,
    Searched,
    gap_chances,
)
from drift.history.model import Model, Solver
from drift.history.result import CALENDAR
from drift.history.scales import Found, fit_scales, log_prior, to_vector
from drift.history.scan import WILD_SD

#: In longer records no single step passes for what the frost does each winter [days].
FEW_WINTERS_DAYS = 800.0


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
    likeliest = driven.likeliest_frost
    if likeliest is None:
        return driven
    worth = {likeliest.kind: _worth(frost, calendar), CALENDAR: _worth(calendar, frost)}
    for driver in driven.compared:
        if driver.kind in worth:
            continue
        side, own = (frost, likeliest.kind) if driver.is_frost else (calendar, CALENDAR)
        if side.steps:
            worth[driver.kind] = worth[own] + _gain(side, replace(side.fit.model, frost=driver))
        else:
            worth[driver.kind] = (
                worth[own] + driven.log_probability[driver.kind] - driven.log_probability[own]
            )
    odds = odds_of(worth)
    followed = likeliest if is_frost_likelier(odds) else None
    return replace(driven, driver=followed, odds=odds, log_probability=worth)


def _gain(side: Searched, model: Model) -> float:
    """Return how much more probable another driver makes the readings beside the same steps."""
    return fit_scales(Solver(model), side.found, NEARLY).log_posterior - side.found.log_posterior


def _worth(one: Searched, other: Searched) -> float:
    """Return how probable the readings are, scales, steps and what was put aside told in.

    What both put aside is out of it.  What one alone does is judged on both sides: as wild
    readings with the chance that they are, and as any others.
    """
    model, beside = one.fit.model, other.fit.model
    series, night = model.series, model.series.night >= 0
    wild = model.ignored & ~beside.ignored
    wild_zero = model.ignored_zero & ~beside.ignored_zero & ~model.ignored
    variance = series.variance.copy()
    variance[wild] += np.eye(3) * WILD_SD**2
    variance[wild_zero, 2, 2] += WILD_SD**2
    judged = replace(
        model,
        series=replace(series, variance=variance),
        ignored=model.ignored & beside.ignored,
        ignored_zero=model.ignored_zero & ~wild_zero,
    )
    chances = np.log(WILD_CHANCE) * np.sum(wild & night) + np.log(WILD_LEVEL_CHANCE) * np.sum(wild & ~night)
    chances += np.log(WILD_ZERO_CHANCE) * np.sum(wild_zero)
    chances += np.log(MISRECORDED_CHANCE) * _loosened(model, beside)
    places = gap_chances(one.fit)
    chances += sum(float(places[step.likeliest][step.best]) for step in one.steps)
    return _log_posterior(judged, one.found) + float(chances)


def _log_posterior(model: Model, found: Found) -> float:
    scales = found.fit.scales
    return Solver(model).at(scales).log_marginal + log_prior(to_vector(scales, found.names), found.names)


def _loosened(model: Model, beside: Model) -> int:
    """Count the corrections that are believed on the other side only."""
    believed = {cause.name for cause in beside.causes if cause.loose_sd is not None}
    return sum(cause.name in believed and cause.loose_sd is None for cause in model.causes)
