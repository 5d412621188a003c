"""Find unrecorded steps and wild readings, and give each step its odds.

Greedy: the explanation that gains most, prior chance included, is added, the
scales are fitted again, and so on until nothing more is likelier than not.
Then every step is taken out once more and weighed against all its rivals.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drift.codes import Part
from drift.history.before import LONG, EarlierFit, at_moments, earlier_fit_of
from drift.history.changes import STEP_SD, STEPS_PER_YEAR, Step, step_cause, step_name
from drift.history.model import SHORTEST_DAYS, Fit, Model, Solver
from drift.history.scales import ScalesFound, calm, fit_scales
from drift.history.separability import without_lost_zeros
from drift.history.view import Gains, gains, spread
from drift.quantities import Floats

#: Prior chance that a night as a whole, or its hour-angle zero alone, is wild (a bad clock, wind, a
#: bumped level): common practice, weakly held.
WILD_CHANCE = 0.003
WILD_LEVEL_CHANCE = 0.01
WILD_ZERO_CHANCE = 0.02
#: Prior chance that a correction was written down wrongly (sign, date, knob): common practice, weakly held.
MISRECORDED_CHANCE = 0.02
#: A step is taken up when it is this much likelier than nothing (10 to 1), a wild reading at evens.
STEP_LOG_ODDS = float(np.log(10.0))
MOST_FOUND = 60
#: In a long record a step at longer odds than 20 to 1 against is not weighed with scales of its own.
UNLIKELY = -float(np.log(20.0))
#: Gaps before and after the likeliest one that are looked at when its place is told.
NEIGHBOURS = 12
#: The place of a step is told as the gaps that hold this share of its odds.
PLACE_SHARE = 0.9
#: A part is named when it has this share of what is not "nothing" (contract).
NAMED_SHARE = 10.0 / 11.0
#: An explanation with less than this share of a step is not looked at.
LEAST_SHARE = 0.01


@dataclass(frozen=True)
class FoundStep:
    """An unrecorded step: the gaps it may lie in, and the odds of its parts."""

    first: int  # it lies after reading first - 1 ...
    last: int  # ... and before reading last
    best: int
    probability: dict[Part, float]  # `Part.NOTHING` is one of them
    place: tuple[float, ...]  # odds of its lying before reading place_from and each later one; sums to 1
    place_from: int

    @property
    def named(self) -> Part:
        """The part that the odds name, or `Part.UNDETERMINED`."""
        real: dict[Part, float] = {part: p for part, p in self.probability.items() if part != Part.NOTHING}
        part = self.likeliest
        return part if real[part] >= NAMED_SHARE * sum(real.values()) else Part.UNDETERMINED

    @property
    def likeliest(self) -> Part:
        """The part that most probably made it; the history follows it."""
        real = {part: p for part, p in self.probability.items() if part != Part.NOTHING}
        return max(real, key=lambda name: real[name])

    def step(self) -> Step:
        """Return the step for the model, made by the likeliest part."""
        return Step(self.best, {self.likeliest: 1.0})


@dataclass(frozen=True)
class StepsFound:
    """The final fit with the steps found and the readings put aside."""

    found: ScalesFound
    steps: tuple[FoundStep, ...]
    looked_at: int  # readings when the record was last looked at from scratch

    @property
    def fit(self) -> Fit:
        """The model solved at the scales found."""
        return self.found.fit


def find_events(
    model: Model, before: EarlierFit | None = None, first: ScalesFound | None = None
) -> StepsFound:
    """Find unrecorded steps and wild readings.

    Parameters
    ----------
    model
        Without any steps.
    before
        What the last answer found, for a long record to which little was added.
    first
        The scales of this very model, when they have been found already.
    """
    looked_at = model.series.size
    if before is not None and before.serves(model):
        base, steps, found = _from_before(model, before)
        looked_at = before.readings
    else:
        base, steps, found = _from_scratch(model, first)
    for _ in range(MOST_FOUND):
        fit = found.fit
        gained = gains(fit, spread(fit))
        wild, part, index = _best(fit, gained)
        if part is Part.NOTHING:
            hidden = _hidden_step(base, steps, found)
            if hidden is None:
                break
            step, found = hidden
            steps.append(step)
            continue
        if wild:
            base = _put_aside(base, part is Part.ZERO, index)
        else:
            steps.append(_certain(index, part))
        found = _refit(base, steps, found)
    if steps:
        held = steps
        steps = sorted(_weigh_all(base, steps, found.fit), key=lambda s: s.best)
        if [s.step() for s in held] != [s.step() for s in steps]:
            found = _refit(base, steps, found)
    return StepsFound(found, tuple(steps), looked_at)


def _from_scratch(model: Model, first: ScalesFound | None) -> tuple[Model, list[FoundStep], ScalesFound]:
    found = fit_scales(Solver(model)) if first is None else first
    base = question_corrections(without_lost_zeros(model, found.fit.scales), found.fit)
    return base, [], found if base is model else fit_scales(Solver(base), found)


def _from_before(model: Model, before: EarlierFit) -> tuple[Model, list[FoundStep], ScalesFound]:
    """Start from what the last answer found."""
    base = without_lost_zeros(model, before.scales)
    base = replace(
        base,
        ignored=base.ignored | at_moments(base, before.aside),
        ignored_zero=base.ignored_zero | at_moments(base, before.aside_zero),
    )
    times = base.series.time_us
    steps = [_certain(int(np.searchsorted(times, t)), part) for t, part in before.steps]
    causes = [step_cause(base.series, s.step(), step_name(i)) for i, s in enumerate(steps)]
    stepped = base.with_causes(*causes)
    doubted = question_corrections(stepped, Solver(stepped).at(before.scales))
    base = replace(doubted, causes=doubted.causes[: len(base.causes)])
    return base, steps, fit_scales(Solver(doubted), before.near)


def noted(searched: StepsFound) -> EarlierFit:
    """Return what was found, for the next answer to start from."""
    steps = [(s.best, s.likeliest) for s in searched.steps]
    return earlier_fit_of(searched.found, steps, searched.looked_at)


def _certain(index: int, part: Part) -> FoundStep:
    """Return a step taken up for now, before it is weighed against its rivals."""
    return FoundStep(index, index, index, {part: 1.0, Part.NOTHING: 0.0}, (1.0,), index)


def _hidden_step(
    base: Model, steps: list[FoundStep], found: ScalesFound
) -> tuple[FoundStep, ScalesFound] | None:
    """Return a step that the scales hide, and the fit with it; None when there is none.

    Over a short record a step may have been taken for a quick walk of the tilt,
    or for its straying from the frost, and at the scales of that walk it gains
    little.  So the likeliest ones, by these scales and by calm ones, are weighed
    once more with scales of their own; in a long record, whose scales one step hardly
    moves, only one that by these scales is not unlikely already.
    """
    model = found.fit.model
    long = model.series.size >= LONG
    for fit in (found.fit,) if long else (found.fit, _calmed(found.fit)):
        part, index, odds = _likeliest(fit)
        chance = float(gap_chances(fit)[part][index])
        if odds <= 0.0 or (long and odds + chance < UNLIKELY):
            continue
        step = _certain(index, part)
        refitted = _refit(base, [*steps, step], found)
        gain = refitted.log_posterior - found.log_posterior + chance
        if gain > STEP_LOG_ODDS:
            return step, refitted
    return None


def _calmed(fit: Fit) -> Fit:
    """Solve without straying from the frost, at scales that are no quicker than usual."""
    return Solver(replace(fit.model, still=True)).at(calm(fit.scales))


def _likeliest(fit: Fit) -> tuple[Part, int, float]:
    """Return the likeliest step still unexplained: part, reading before which it lies, log Bayes factor."""
    gained, chances = gains(fit, spread(fit)), gap_chances(fit)
    odds = {name: gained.step[name] + chances[name] for name in STEP_SD}
    part = max(odds, key=lambda name: float(odds[name].max()))
    index = int(np.argmax(odds[part]))
    return part, index, float(gained.step[part][index])


def question_corrections(model: Model, fit: Fit) -> Model:
    """Loosen those corrections that the readings contradict (a wrong sign, a wrong date)."""
    for i, cause in enumerate(model.causes):
        if cause.loose_sd is None:
            continue
        causes = (*model.causes[:i], cause.loosened(), *model.causes[i + 1 :])
        doubted = replace(model, causes=causes)
        gain = Solver(doubted).at(fit.scales).log_marginal - Solver(model).at(fit.scales).log_marginal
        if gain + np.log(MISRECORDED_CHANCE) > 0.0:
            model = doubted
    return model


def _refit(base: Model, steps: list[FoundStep], start: ScalesFound) -> ScalesFound:
    causes = [step_cause(base.series, s.step(), step_name(i)) for i, s in enumerate(steps)]
    return fit_scales(Solver(base.with_causes(*causes)), start)


def gap_chances(fit: Fit) -> dict[Part, Floats]:
    """Return the prior log chance of a step of each part before each reading, (n,)."""
    years = np.append(0.0, np.maximum(np.diff(fit.model.series.days), SHORTEST_DAYS)) / 365.25
    with np.errstate(divide="ignore"):
        return {part: np.log(years * rate) for part, rate in STEPS_PER_YEAR.items()}


def _best(fit: Fit, gained: Gains) -> tuple[bool, Part, int]:
    """Return the likeliest thing still unexplained: (wild?, part, reading).

    The part is `Part.NOTHING` when there is none; of a wild reading it is `Part.ZERO` where only its
    hour-angle zero is wild, else `Part.UNDETERMINED`.
    """
    series = fit.model.series
    chances = gap_chances(fit)
    odds = {part: gained.step[part] + chances[part] for part in STEP_SD}
    together = np.logaddexp.reduce(list(odds.values()), axis=0)
    level = series.night < 0
    wild = gained.wild + np.log(np.where(level, WILD_LEVEL_CHANCE, WILD_CHANCE))
    wild_zero = gained.wild_zero + np.log(WILD_ZERO_CHANCE)
    shared = (series.zero_label != "") & ~fit.model.ignored_zero & ~fit.model.ignored
    wild = np.where(fit.model.ignored, -np.inf, wild)
    wild_zero = np.where(shared, wild_zero, -np.inf)
    wild[0] = -np.inf  # the reference can't be put aside; all else is measured from it
    at_step, at_wild, at_zero = (int(np.argmax(x)) for x in (together, wild, wild_zero))
    best_wild = max(wild[at_wild], wild_zero[at_zero])
    if together[at_step] > STEP_LOG_ODDS and together[at_step] >= best_wild:
        return False, max(odds, key=lambda part: float(odds[part][at_step])), at_step
    if best_wild > 0.0:
        zero_only = wild_zero[at_zero] >= wild[at_wild]
        return True, Part.ZERO if zero_only else Part.UNDETERMINED, at_zero if zero_only else at_wild
    return False, Part.NOTHING, 0


def _put_aside(model: Model, zero_only: bool, index: int) -> Model:
    name = "ignored_zero" if zero_only else "ignored"
    mask = getattr(model, name).copy()
    mask[index] = True
    return replace(model, **{name: mask})


def _weigh_all(base: Model, steps: list[FoundStep], fit: Fit) -> list[FoundStep]:
    """Take each step out, the others held, and weigh all its rivals; drop what no longer stands."""
    out = list(steps)
    for step in steps:
        others = [s for s in out if s is not step]
        causes = [step_cause(base.series, s.step(), step_name(i)) for i, s in enumerate(others)]
        alone = Solver(base.with_causes(*causes)).at(fit.scales)
        weighed = _weigh(alone, step.best)
        out = others + ([weighed] if weighed is not None else [])
    return out


def _weigh(fit: Fit, best: int) -> FoundStep | None:
    gained, chances = gains(fit, spread(fit)), gap_chances(fit)
    near = np.arange(max(1, best - NEIGHBOURS), min(fit.model.series.size, best + NEIGHBOURS + 1))
    odds = {part: (gained.step[part] + chances[part])[near] for part in STEP_SD}
    table = np.array(list(odds.values()))
    top = max(float(table.max()), 0.0)
    weight = np.exp(table - top)
    nothing = float(np.exp(-top))
    total = float(weight.sum()) + nothing
    probability = {part: float(w) / total for part, w in zip(odds, weight.sum(axis=1), strict=True)}
    probability[Part.NOTHING] = nothing / total
    if probability[Part.NOTHING] > 0.5:
        return None
    place = weight.sum(axis=0)
    order = np.argsort(-np.round(place / place.max(), 2), kind="stable")  # of places alike, the earliest
    enough = int(np.searchsorted(np.cumsum(place[order]) / place.sum(), PLACE_SHARE)) + 1
    held = near[order[:enough]]
    odds_of_place = tuple((place / place.sum()).tolist())
    return FoundStep(
        int(held.min()), int(held.max()), int(near[order[0]]), probability, odds_of_place, int(near[0])
    )
