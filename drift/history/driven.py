"""What the lean follows through the year: frost, and which measure of it, or what may pass for it.

Told by marginal likelihood.  Only frost drives the separation; the air's temperature and
the clay's moisture are smooth, so that the annual shape and the warmth of the
nights cover them, and they are told by their odds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from drift.ground.drivers import FROST_KINDS
from drift.ground.heave import FrostDriver
from drift.history.before import Before
from drift.history.model import Model, Solver, thinned
from drift.history.result import CALENDAR
from drift.history.scales import ENOUGH, Found, active, fit_scales, log_posterior, to_vector

#: Where the search for the scales of a frost-driven lean looks first: swing of a typical winter [arcsec], and
#: how much of the calendar's annual shape stays beside it.
FIRST_SWINGS, CALENDAR_LEFT = (10.0, 40.0), 0.2
#: Shortest record from which frost can be told from the calendar [days].
SHORTEST_DAYS = 120.0


#: Largest slope at which a search that is for odds only may end; it leaves them right to some hundredths.
NEARLY = 0.3


@dataclass(frozen=True)
class Driven:
    """Which driver the lean follows, and how sure that is.

    Parameters
    ----------
    driver
        None where no frost drives the lean.
    odds
        Name of each kind of driver, and `CALENDAR`; they add up to 1.
    compared
        The likeliest driver of each kind, where they were compared.
    log_probability
        Of the readings by each of those, and by `CALENDAR`.
    undriven
        The scales found without a driver, where all readings were used for that.
    """

    driver: FrostDriver | None
    odds: dict[str, float]
    compared: tuple[FrostDriver, ...] = ()
    log_probability: dict[str, float] = field(default_factory=dict)
    undriven: Found | None = None

    @property
    def likeliest_frost(self) -> FrostDriver | None:
        """The likeliest frost, followed or not; None where none was compared."""
        frosts = [driver for driver in self.compared if driver.is_frost]
        return max(frosts, key=lambda one: self.log_probability[one.kind]) if frosts else None


def choose_driver(model: Model, candidates: Sequence[FrostDriver], before: Before | None = None) -> Driven:
    """Choose among drivers by how probable they make the readings.

    Parameters
    ----------
    model
        Without a driver.
    candidates
        Drivers, frost and others; those of one kind differ in how far they lag behind.
    before
        What the last answer found, for a long record to which little was added.
    """
    kept = None if before is None or not before.serves(model) else _kept(before, candidates)
    if kept is not None:
        return kept
    if not any(c.is_frost for c in candidates) or model.series.days[-1] < SHORTEST_DAYS:
        return Driven(None, {CALENDAR: 1.0})
    thin = _few(model)
    calendar = fit_scales(Solver(thin))
    value, best = {CALENDAR: calendar.log_posterior}, []
    for name in dict.fromkeys(c.kind for c in candidates):
        best.append(max((c for c in candidates if c.kind == name), key=lambda c: _glance(thin, c, calendar)))
        problem = Solver(replace(thin, frost=best[-1]))
        value[name] = fit_scales(problem, calendar, NEARLY).log_posterior
    odds = odds_of(value)
    told = Driven(None, odds, tuple(best), value, calendar if thin is model else None)
    return replace(told, driver=told.likeliest_frost if is_frost_likelier(odds) else None)


def is_frost_likelier(odds: dict[str, float]) -> bool:
    """Whether all kinds of frost together are likelier than not."""
    return sum(p for name, p in odds.items() if name in FROST_KINDS) > 0.5


def odds_of(log_probability: dict[str, float]) -> dict[str, float]:
    """Return the odds of explanations that are equally likely beforehand; they add up to 1."""
    top = max(log_probability.values())
    weight = {name: float(np.exp(value - top)) for name, value in log_probability.items()}
    total = sum(weight.values())
    return {name: w / total for name, w in weight.items()}


def _kept(before: Before, candidates: Sequence[FrostDriver]) -> Driven | None:
    """Return what the last answer chose, when it is still among the candidates."""
    if not before.odds:
        return None
    same = [c for c in candidates if (c.kind, c.lag_days) == before.driver]
    if before.driver is not None and not same:
        return None
    return Driven(same[0] if same else None, dict(before.odds))


def _few(model: Model) -> Model:
    every = model.series.size // ENOUGH
    return thinned(model, every) if every > 1 else model


def _glance(model: Model, driver: FrostDriver, calendar: Found) -> float:
    """Return how probable the readings are with a driver, at a few scales only."""
    problem = Solver(replace(model, frost=driver))
    names = active(problem.model)
    base = calendar.fit.scales
    tries = [replace(base, frost=size, season=CALENDAR_LEFT * base.season) for size in FIRST_SWINGS]
    return max(log_posterior(problem, to_vector(s, names), names, s) for s in tries)
