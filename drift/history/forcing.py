"""Which forcing the tilt follows through the year: frost and which measure of it, or the calendar alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from drift.codes import ForcingKind
from drift.ground.heave import FrostForcing
from drift.history.before import EarlierFit
from drift.history.changes import RECOVERY_CHANCE
from drift.history.components import WILD_SD
from drift.history.model import Model, Solver, thinned
from drift.history.scales import ENOUGH, ScalesFound, active, fit_scales, log_posterior, log_prior, to_vector
from drift.history.steps import (
    MISRECORDED_CHANCE,
    QUICK_CHANCE,
    WILD_CHANCE,
    WILD_LEVEL_CHANCE,
    WILD_ZERO_CHANCE,
    StepsFound,
    gap_chances,
)
from drift.quantities import Floats

# ---- Which forcing the tilt follows through the year.
#
# Decided by marginal likelihood.  Only frost enters the separation.  The air's temperature and the clay's
# moisture are smooth, so that the annual shape and the warmth of the nights cover them; they are only
# compared, and their odds reported.


#: Where the search for the scales of a frost-driven tilt looks first: swing of a typical winter [arcsec], and
#: how much of the calendar's annual shape stays beside it.
FIRST_SWINGS, CALENDAR_LEFT = (10.0, 40.0), 0.2
#: Shortest record from which frost can be told from the calendar [days].
SHORTEST_DAYS = 120.0
#: Where only the shape in time tells pier from mount, so much of the frost's rise must have gone again, or
#: have come before its fall: our own rule, half a winter tells nothing.
CAME_BACK_SHARE = 0.5


#: Largest slope at which a search for odds only may end; the odds are then right to a few hundredths.
NEARLY = 0.3


@dataclass(frozen=True)
class ForcingChoice:
    """Which forcing the tilt follows, and how sure that is.

    Parameters
    ----------
    forcing
        None where the tilt follows no frost.
    odds
        Of each kind of forcing, and of `ForcingKind.CALENDAR`; they add up to 1.
    compared
        The likeliest forcing of each kind, where they were compared.
    log_probability
        Of the readings by each of those, and by `ForcingKind.CALENDAR`.
    undriven
        The scales found without a forcing, where all readings were used for that.
    """

    forcing: FrostForcing | None
    odds: dict[ForcingKind, float]
    compared: tuple[FrostForcing, ...] = ()
    log_probability: dict[ForcingKind, float] = field(default_factory=dict)
    undriven: ScalesFound | None = None

    @property
    def likeliest_frost(self) -> FrostForcing | None:
        """The likeliest frost, followed or not; None where none was compared."""
        frosts = [forcing for forcing in self.compared if forcing.is_frost]
        return max(frosts, key=lambda one: self.log_probability[one.kind]) if frosts else None


def choose_forcing(
    model: Model, candidates: Sequence[FrostForcing], before: EarlierFit | None = None
) -> ForcingChoice:
    """Choose among forcings by how probable they make the readings.

    Parameters
    ----------
    model
        Without a forcing.
    candidates
        Forcings, frost and others; those of one kind differ in how far they lag behind.
    before
        What the last analysis found, for a long record to which little was added.
    """
    neighbours = model.neighbours
    reused = None if before is None or not before.serves(model) else _earlier_choice(before, candidates)
    if reused is not None:
        return reused
    short = model.series.days[-1] < SHORTEST_DAYS or (model.tied and not _came_and_went(model, candidates))
    short = short and neighbours is None  # neighbours know whole winters
    if not any(c.is_frost for c in candidates) or short:
        return ForcingChoice(None, {ForcingKind.CALENDAR: 1.0})
    thin = _few(model)
    calendar = fit_scales(Solver(thin))
    value, best = {ForcingKind.CALENDAR: calendar.log_posterior + _chance(thin, ForcingKind.CALENDAR)}, []
    for name in dict.fromkeys(c.kind for c in candidates):
        best.append(max((c for c in candidates if c.kind == name), key=lambda c: _glance(thin, c, calendar)))
        problem = Solver(replace(thin, frost=best[-1]))
        value[name] = fit_scales(problem, calendar, NEARLY).log_posterior + _chance(thin, name)
    odds = odds_of(value)
    choice = ForcingChoice(None, odds, tuple(best), value, calendar if thin is model else None)
    return replace(choice, forcing=choice.likeliest_frost if is_frost_likelier(odds) else None)


def _came_and_went(model: Model, candidates: Sequence[FrostForcing]) -> bool:
    """Return whether the readings saw the frost both come and go, by some forcing.

    A knob that gives way once, while the ground freezes, follows half a winter as well as a pier does.
    """
    return any(c.is_frost and comes_and_goes(c.at(model.series.time_us)[:, 0]) for c in candidates)


def comes_and_goes(value: Floats) -> bool:
    """Return whether a forcing at the readings, (n,), rises and falls, neither by far less than the other."""
    rise = float(np.max(value - np.minimum.accumulate(value)))
    fall = float(np.max(np.maximum.accumulate(value) - value))
    return 0.0 < CAME_BACK_SHARE * max(rise, fall) <= min(rise, fall)


def _chance(model: Model, kind: ForcingKind) -> float:
    """Return the log chance of a kind of forcing beforehand; alone all are alike."""
    return 0.0 if model.neighbours is None else model.neighbours.log_chance(kind)


def is_frost_likelier(odds: dict[ForcingKind, float]) -> bool:
    """Whether all kinds of frost together are likelier than not."""
    return sum(p for kind, p in odds.items() if kind.is_frost) > 0.5


def odds_of(log_probability: dict[ForcingKind, float]) -> dict[ForcingKind, float]:
    """Return the odds of explanations that are equally likely beforehand; they add up to 1."""
    top = max(log_probability.values())
    weight = {name: float(np.exp(value - top)) for name, value in log_probability.items()}
    total = sum(weight.values())
    return {name: w / total for name, w in weight.items()}


def _earlier_choice(before: EarlierFit, candidates: Sequence[FrostForcing]) -> ForcingChoice | None:
    """Return what the last analysis chose, when it is still among the candidates."""
    if not before.odds:
        return None
    same = [c for c in candidates if (c.kind, c.lag_days) == before.forcing]
    if before.forcing is not None and not same:
        return None
    return ForcingChoice(same[0] if same else None, dict(before.odds))


def _few(model: Model) -> Model:
    every = model.series.size // ENOUGH
    return thinned(model, every) if every > 1 else model


def _glance(model: Model, forcing: FrostForcing, calendar: ScalesFound) -> float:
    """Return how probable the readings are with a forcing, at a few scales only."""
    problem = Solver(replace(model, frost=forcing))
    names = active(problem.model)
    base = calendar.fit.scales
    tries = [replace(base, frost=size, season=CALENDAR_LEFT * base.season) for size in FIRST_SWINGS]
    best = max(log_posterior(problem, to_vector(s, names), names, s) for s in tries)
    return best if model.neighbours is None else best + model.neighbours.log_lag(forcing)


# ---- Frost or a step: in a record of a winter or two, one can pass for the other.
#
# The forcing is chosen before steps are looked for.  A bump in the first winter is then likelier as frost
# than as nothing at all, and a quick thaw likelier as a step.  So every explanation is compared again with
# the steps that it needs: kinds of frost with those found beside the likeliest frost, all others with those
# found without any.


#: In longer records no single step can pass for what the frost does each winter [days].
FEW_WINTERS_DAYS = 800.0


def may_be_mistaken(driven: ForcingChoice, searched: StepsFound) -> bool:
    """Whether a step may have passed for frost, or frost for a step."""
    short = searched.fit.model.series.days[-1] <= FEW_WINTERS_DAYS
    return (
        short and driven.likeliest_frost is not None and (driven.forcing is not None or bool(searched.steps))
    )


def chosen_with_steps(driven: ForcingChoice, frost: StepsFound, calendar: StepsFound) -> ForcingChoice:
    """Choose again between frost and none, each with the steps that it needs.

    Parameters
    ----------
    driven
        From `choose_forcing`, which knew of no steps.
    frost, calendar
        What was found with the likeliest frost, and without any.
    """
    likeliest = driven.likeliest_frost
    if likeliest is None:
        return driven
    model = calendar.fit.model
    worth = {
        kind: _worth(one, other) + _chance(model, kind)
        for kind, one, other in (
            (likeliest.kind, frost, calendar),
            (ForcingKind.CALENDAR, calendar, frost),
        )
    }
    for forcing in driven.compared:
        if forcing.kind in worth:
            continue
        side, own = (frost, likeliest.kind) if forcing.is_frost else (calendar, ForcingKind.CALENDAR)
        if side.steps:
            more = _chance(model, forcing.kind) - _chance(model, own)
            worth[forcing.kind] = worth[own] + more + _gain(side, replace(side.fit.model, frost=forcing))
        else:
            worth[forcing.kind] = (
                worth[own] + driven.log_probability[forcing.kind] - driven.log_probability[own]
            )
    odds = odds_of(worth)
    followed = likeliest if is_frost_likelier(odds) else None
    return replace(driven, forcing=followed, odds=odds, log_probability=worth)


def _gain(side: StepsFound, model: Model) -> float:
    """Return how much more probable another forcing makes the readings beside the same steps."""
    return fit_scales(Solver(model), side.found, NEARLY).log_posterior - side.found.log_posterior


def _worth(one: StepsFound, other: StepsFound) -> float:
    """Return how probable the readings are, with scales, steps and readings set aside taken into account.

    Readings that both set aside do not count.  Those that one alone sets aside are judged in both ways: as
    wild readings, with the chance of that, and as ordinary ones.
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
    chances += np.log(QUICK_CHANCE) * len(model.stretches)
    chances += np.log(RECOVERY_CHANCE) * sum(step.recovers for step in one.steps)
    places = gap_chances(one.fit)
    chances += sum(float(places[step.likeliest][step.best]) for step in one.steps)
    return _log_posterior(judged, one.found) + float(chances)


def _log_posterior(model: Model, found: ScalesFound) -> float:
    scales = found.fit.scales
    return Solver(model).at(scales).log_marginal + log_prior(to_vector(scales, found.names), found.names)


def _loosened(model: Model, beside: Model) -> int:
    """Count the corrections that are believed on the other side only."""
    believed = {cause.name for cause in beside.causes if cause.loose_sd is not None}
    return sum(cause.name in believed and cause.loose_sd is None for cause in model.causes)
