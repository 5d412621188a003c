"""Unrecorded steps and wild readings, each step with its odds, and quick thaws told apart from steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from drift.codes import Part
from drift.ground.heave import FrostForcing
from drift.history.before import EarlierFit, at_moments, earlier_fit_of
from drift.history.causes import Cause, level_sources
from drift.history.changes import (
    LEVEL_STEPS_PER_YEAR,
    RECOVERY_CHANCE,
    STEP_SD,
    STEPS_PER_YEAR,
    LevelStep,
    Step,
    level_step_cause,
    recovery_cause,
    step_cause,
    step_name,
)
from drift.history.components import Gains, gains, spread
from drift.history.model import SHORTEST_DAYS, Fit, Model, Solver, Stretch, picked
from drift.history.scales import ScalesFound, calm, fit_scales
from drift.history.separability import without_lost_zeros
from drift.history.series import Series
from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints

# ---- Thaws quicker than the forcing: a stretch of quick walk competes with a step.
#
# A thaw may let a heaved pier down within days.  The forcing does not know of that: it follows the depth of
# frost or the cold stored in the ground, not how the pier's sides come free.  So where the forcing falls, a
# step of the pier must be likelier than a stretch of some weeks in which the pier moves quickly, by no more
# than the frost lifts it.  Elsewhere, and for movements larger than that, nothing competes: bumps stay
# bumps.


#: The forcing falls where its least value of the `AFTER_DAYS` after is this share below its greatest of the
#: `BEFORE_DAYS` before.
FALLEN_SHARE, BEFORE_DAYS, AFTER_DAYS = 0.3, 60.0, 30.0
#: Below this, in typical winters, there is no frost to speak of.
LEAST_FORCING = 0.1
#: How long a thaw may take [days], and the share of that which lies before the place of the step.
LENGTHS_DAYS, SHARES_BEFORE = (16.0, 30.0, 45.0), (0.2, 0.5, 0.8)
#: Root of the variance that a stretch adds, against how far the forcing falls: common practice, a pier that
#: comes free falls by some tenths of its heave more, or earlier, than the frost does.
STRAYS_SHARE = 0.4
#: Prior chance that a thaw is quicker than the forcing: common practice, every few winters.
QUICK_CHANCE = 0.2


def stretches_at(model: Model, index: int) -> tuple[Stretch, ...]:
    """Return the stretches that compete with a step before reading `index`; none without a fall."""
    forcing, times = model.forcing or model.frost, model.series.time_us
    if forcing is None or not forcing.is_frost:
        return ()
    gap = (int(times[index - 1]), int(times[index]))
    fall = fallen(forcing, *gap)
    if fall <= 0.0:
        return ()
    out = []
    for length in LENGTHS_DAYS:
        for share in SHARES_BEFORE:
            start = gap[0] - int(share * length * DAY_US)
            end = gap[1] + int((1.0 - share) * length * DAY_US)
            out.append(Stretch(start, end, (STRAYS_SHARE * fall) ** 2))
    return tuple(out)


def fallen(forcing: FrostForcing, after_us: int, before_us: int) -> float:
    """Return how far the forcing falls about a gap between readings, in typical winters; 0 for not."""
    days, value = forcing.time_us, forcing.value
    earlier = value[(days >= after_us - BEFORE_DAYS * DAY_US) & (days <= before_us)]
    later = value[(days >= after_us) & (days <= before_us + AFTER_DAYS * DAY_US)]
    if not earlier.size or not later.size:
        return 0.0
    high, low = float(earlier.max()), float(later.min())
    return high - low if high > LEAST_FORCING and low <= (1.0 - FALLEN_SHARE) * high else 0.0


def likeliest_stretch(model: Model, fit: Fit, index: int) -> tuple[Stretch | None, float]:
    """Return the likeliest stretch in place of a step, and its log odds against nothing.

    Parameters
    ----------
    model
        Without the step, with what moves by itself settled: a normal law.
    fit
        Of `model`.
    index
        The reading before which the step would lie.
    """
    tried = stretches_at(model, index)
    if not tried:
        return None, -np.inf
    gains = [
        Solver(replace(model, stretches=(*model.stretches, stretch))).at(fit.scales).log_marginal
        - fit.log_marginal
        for stretch in tried
    ]
    odds = float(np.logaddexp.reduce(gains)) - np.log(len(tried)) + np.log(QUICK_CHANCE)
    return tried[int(np.argmax(gains))], float(odds)


# ---- Find unrecorded steps and wild readings, and give each step its odds.
#
# Greedy: the explanation that gains most, prior chance included, is added, the
# scales are fitted again, and so on until nothing more is likelier than not.
# Then every step is taken out once more and weighed against all its rivals.


#: Prior chance that a night as a whole, or its hour-angle zero alone, is wild (a bad clock, wind, a
#: bumped level): common practice, weakly held.
WILD_CHANCE = 0.003
WILD_LEVEL_CHANCE = 0.01
WILD_ZERO_CHANCE = 0.02
#: Prior chance that a correction was written down wrongly (sign, date, knob): common practice, weakly held.
MISRECORDED_CHANCE = 0.02
#: A step is added when it is this much likelier than nothing (10 to 1), a wild reading at evens.
STEP_LOG_ODDS = float(np.log(10.0))
MOST_FOUND = 60
#: From so many readings on a record is long: a step shows beside its neighbours alone, and one step hardly
#: moves the scales.
_LONG = 600
#: In a long record a step at longer odds than 20 to 1 against is not weighed with scales of its own.
UNLIKELY = -float(np.log(20.0))
#: Gaps before and after the likeliest one that are considered for the place of a step.
NEIGHBOURS = 12
#: The place of a step is given as the gaps that hold this share of its odds.
PLACE_SHARE = 0.9
#: A part is named when it has this share of what is not "nothing".
NAMED_SHARE = 10.0 / 11.0
#: A step of a level is looked for so many of its readings before and after a step of pier or mount.
NEAR_READINGS = 4
#: So many nights after it tell whether the axis stayed; without, it must be ten times likelier than a step.
NIGHTS_THAT_TELL = 2
#: The knobs, which may move both at once: `Part.MOUNT`.
BOTH_KNOBS = (Part.MOUNT_AZ, Part.MOUNT_ALT)
#: What follows a step within so many days may belong to it.
FOLLOWED_DAYS = 200.0
#: What moves and comes back this exactly, at most so many nights and days later, has not moved [share of the
#: step]: what those nights have in common is theirs (a mount's own model made anew, another place in its
#: settings).  Common practice: ground that gives way stays away, but for a cold snap, which lasts for weeks;
#: and nobody turns a knob back so well.
BACK_SHARE, MOST_AWAY_NIGHTS, PIER_AWAY_DAYS, MOUNT_AWAY_DAYS = 0.1, 3, 10.0, 45.0
#: An explanation with less than this share of a step is ignored.
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
    recovers: bool = False  # more followed over weeks, back or on

    @property
    def named(self) -> Part:
        """The part that the odds name, or `Part.UNDETERMINED`."""
        real: dict[Part, float] = {part: p for part, p in self.probability.items() if part != Part.NOTHING}
        part = self.likeliest
        share = real[part] + (real.get(Part.MOUNT, 0.0) if part in BOTH_KNOBS else 0.0)
        return part if share >= NAMED_SHARE * sum(real.values()) else Part.UNDETERMINED

    @property
    def likeliest(self) -> Part:
        """The part that most probably moved; the history follows it."""
        real = {part: p for part, p in self.probability.items() if part != Part.NOTHING}
        return max(real, key=lambda name: real[name])

    def step(self) -> Step:
        """Return the step for the model, of the likeliest part."""
        return Step(self.best, {self.likeliest: 1.0})


@dataclass(frozen=True)
class StepsFound:
    """The final fit with the steps found and the readings set aside."""

    found: ScalesFound
    steps: tuple[FoundStep, ...]
    looked_at: int  # readings when the record was last fitted from scratch
    level_steps: tuple[LevelStep, ...] = ()  # levels that read otherwise from then on

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
        What the last analysis found, for a long record to which little was added.
    first
        The scales of this very model, when they have been found already.
    """
    looked_at = model.series.size
    if before is not None and before.serves(model):
        base, steps, found = _from_earlier_fit(model, before)
        looked_at = before.readings
    else:
        base, steps, found = _from_scratch(model, first)
    level_steps: list[LevelStep] = []
    for _ in range(MOST_FOUND):
        fit = found.fit.normal
        gained = gains(fit, spread(fit))
        wild, part, index, odds = _best(fit, gained)
        number, followed_odds = (-1, -np.inf) if part is Part.NOTHING else _followed(steps, found, index)
        if followed_odds > max(odds, 0.0):
            steps = _with_recovery(steps, number)
            found = _refit(base, steps, found)
            continue
        if part is Part.NOTHING:
            away = _nights_away(steps, found.fit)
            if away is not None:
                base, steps = _without_nights(base, steps, away)
                found = _refit(base, steps, found)
                continue
            hidden = _hidden_step(base, steps, found)
            if hidden is None:
                break
            base, steps, found = hidden
            continue
        thaw = None if wild else _quicker_thaw(found.fit, part, index, odds)
        level = None if wild else _of_the_level(found.fit, index, odds)
        if level is not None:
            level_steps.append(level)
            base = base.with_causes(level_step_cause(base.series, level))
        elif wild:
            base = _put_aside(base, part is Part.ZERO, index)
        elif thaw is not None:
            base = _with_stretch(base, thaw)
        else:
            steps.append(_certain(index, part))
        found = _refit(base, steps, found)
    if steps:
        held, stretches = steps, base.stretches
        base, steps = _weigh_all(base, steps, found.fit)
        steps = sorted(steps, key=lambda s: s.best)
        if _step_list(held) != _step_list(steps) or base.stretches != stretches:
            found = _refit(base, steps, found)
    return StepsFound(found, tuple(steps), looked_at, tuple(level_steps))


def _step_list(steps: list[FoundStep]) -> list[tuple[Step, bool]]:
    return [(step.step(), step.recovers) for step in steps]


def _from_scratch(model: Model, first: ScalesFound | None) -> tuple[Model, list[FoundStep], ScalesFound]:
    found = fit_scales(Solver(model)) if first is None else first
    base = question_corrections(without_lost_zeros(model, found.fit.scales), found.fit)
    return base, [], found if base is model else fit_scales(Solver(base), found)


def _from_earlier_fit(model: Model, before: EarlierFit) -> tuple[Model, list[FoundStep], ScalesFound]:
    """Start from what the last analysis found."""
    base = without_lost_zeros(model, before.scales)
    base = replace(
        base,
        ignored=base.ignored | at_moments(base, before.aside),
        ignored_zero=base.ignored_zero | at_moments(base, before.aside_zero),
    )
    base = replace(base, stretches=before.stretches)
    times = base.series.time_us
    steps = [
        _certain(int(np.searchsorted(times, t)), part, t in before.recovering) for t, part in before.steps
    ]
    stepped = base.with_causes(*step_causes(base.series, steps))
    doubted = question_corrections(stepped, Solver(stepped).at(before.scales))
    base = replace(doubted, causes=doubted.causes[: len(base.causes)])
    return base, steps, fit_scales(Solver(doubted), before.near)


def step_causes(series: Series, steps: Sequence[FoundStep]) -> list[Cause]:
    """Return the causes of steps, and of what followed them."""
    out = []
    for number, found in enumerate(steps):
        out.append(step_cause(series, found.step(), step_name(number)))
        if found.recovers:
            out.append(recovery_cause(series, found.step(), number))
    return out


def noted(searched: StepsFound) -> EarlierFit:
    """Return what was found, for the next analysis to start from."""
    steps = [(s.best, s.likeliest) for s in searched.steps]
    recovering = [s.best for s in searched.steps if s.recovers]
    return earlier_fit_of(searched.found, steps, recovering, searched.looked_at)


def _certain(index: int, part: Part, recovers: bool = False) -> FoundStep:
    """Return a step that is accepted for now, before it is weighed against its rivals."""
    return FoundStep(index, index, index, {part: 1.0, Part.NOTHING: 0.0}, (1.0,), index, recovers)


def _followed(steps: list[FoundStep], found: ScalesFound, near: int | None = None) -> tuple[int, float]:
    """Return the step that was most probably followed by more, and its log odds; (-1, -inf) for none.

    Parameters
    ----------
    steps, found
        What has been found so far.
    near
        Only steps some weeks before this reading; None for all.
    """
    model, scales = _settled(found.fit.model, found.fit), found.fit.scales
    days, best = model.series.days, (-1, -np.inf)
    for number, step in enumerate(steps):
        away = 0.0 if near is None else days[near] - days[step.best]
        if step.recovers or step.likeliest is Part.ZERO or not 0.0 <= away <= FOLLOWED_DAYS:
            continue
        cause = recovery_cause(model.series, step.step(), number)
        about = _about(model.series, step.best)
        alone, both = picked(model, about), picked(model.with_causes(cause), about)
        gain = Solver(both).at(scales).log_marginal - Solver(alone).at(scales).log_marginal
        if gain + np.log(RECOVERY_CHANCE) > best[1]:
            best = (number, float(gain + np.log(RECOVERY_CHANCE)))
    return best


def _about(series: Series, index: int) -> Ints:
    """Return the readings that show what followed a step: all, or in a long record those about it."""
    if series.size < _LONG:
        return np.arange(series.size)
    days = series.days - series.days[index]
    near = np.flatnonzero((days >= -FOLLOWED_DAYS) & (days <= 2.0 * FOLLOWED_DAYS))
    return np.union1d(near, [0])


def _with_recovery(steps: list[FoundStep], number: int) -> list[FoundStep]:
    return [replace(step, recovers=step.recovers or i == number) for i, step in enumerate(steps)]


def _nights_away(steps: list[FoundStep], fit: Fit) -> tuple[int, int] | None:
    """Return the numbers of two steps of one part of which the second takes the first back; None if none.

    Only nights may lie between them: a level reading there would have seen a pier.
    """
    series = fit.model.series
    order = sorted(range(len(steps)), key=lambda number: steps[number].best)
    for one, other in combinations(order, 2):
        first, last = steps[one], steps[other]
        between = slice(first.best, last.best)
        nights = last.best - first.best
        days = float(series.days[last.best] - series.days[first.best - 1])
        if first.likeliest is not last.likeliest or first.likeliest is Part.ZERO:
            continue
        most_days = PIER_AWAY_DAYS if first.likeliest is Part.PIER else MOUNT_AWAY_DAYS
        if not 0 < nights <= MOST_AWAY_NIGHTS or days > most_days or np.any(series.night[between] < 0):
            continue
        there, back = (fit.amplitude[fit.columns.at[step_name(number)]] for number in (one, other))
        if float(np.linalg.norm(there + back)) <= BACK_SHARE * float(np.linalg.norm(there)):
            return one, other
    return None


def _without_nights(
    base: Model, steps: list[FoundStep], away: tuple[int, int]
) -> tuple[Model, list[FoundStep]]:
    """Put the nights between two steps aside, and drop the steps."""
    one, other = away
    for index in range(steps[one].best, steps[other].best):
        base = _put_aside(base, False, index)
    return base, [step for number, step in enumerate(steps) if number not in away]


def _hidden_step(
    base: Model, steps: list[FoundStep], found: ScalesFound
) -> tuple[Model, list[FoundStep], ScalesFound] | None:
    """Add a step that the scales hide, or what it may really be; None when there is none.

    That is a quick thaw, or what followed an earlier step.

    Over a short record a step may have been taken for a quick walk of the tilt,
    or for its straying from the frost, and at the scales of that walk it gains
    little.  So the likeliest ones, by these scales and by calm ones, are weighed
    once more with scales of their own; in a long record, whose scales one step hardly
    moves, only one that by these scales is not unlikely already.
    """
    number, odds = _followed(steps, found)
    if odds > UNLIKELY:
        followed = _with_recovery(steps, number)
        refitted = _refit(base, followed, found)
        if refitted.log_posterior - found.log_posterior + np.log(RECOVERY_CHANCE) > 0.0:
            return base, followed, refitted
    model = found.fit.model
    long = model.series.size >= _LONG
    for fit in (found.fit.normal,) if long else (found.fit.normal, _calmed(found.fit)):
        part, index, odds = _likeliest(fit)
        chance = float(gap_chances(fit)[part][index])
        if odds <= 0.0 or (long and odds + chance < UNLIKELY):
            continue
        step = _certain(index, part)
        refitted = _refit(base, [*steps, step], found)
        gain = refitted.log_posterior - found.log_posterior + chance
        if gain > STEP_LOG_ODDS:
            thaw = _quicker_thaw(found.fit, part, index, -np.inf)
            if thaw is not None:
                thawed = _refit(_with_stretch(base, thaw), steps, found)
                if thawed.log_posterior - found.log_posterior + np.log(QUICK_CHANCE) >= gain:
                    return _with_stretch(base, thaw), steps, thawed
            return base, [*steps, step], refitted
    return None


def _calmed(fit: Fit) -> Fit:
    """Solve without straying from the frost, at scales that are no quicker than usual."""
    return Solver(replace(_settled(fit.model, fit), still=True)).at(calm(fit.scales))


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
    return fit_scales(Solver(base.with_causes(*step_causes(base.series, steps))), start)


def gap_chances(fit: Fit) -> dict[Part, Floats]:
    """Return the prior log chance of a step of each part before each reading, (n,)."""
    years = np.append(0.0, np.maximum(np.diff(fit.model.series.days), SHORTEST_DAYS)) / 365.25
    with np.errstate(divide="ignore"):
        return {part: np.log(years * rate) for part, rate in STEPS_PER_YEAR.items()}


def _quicker_thaw(fit: Fit, part: Part, index: int, step_odds: float) -> Stretch | None:
    """Return a quick thaw that is likelier than a step of the pier there; None where a step is likelier."""
    if part is not Part.PIER:
        return None
    stretch, odds = likeliest_stretch(_settled(fit.model, fit), fit.normal, index)
    return stretch if odds >= step_odds else None


def _of_the_level(fit: Fit, index: int, step_odds: float) -> LevelStep | None:
    """Return a step of a level alone that is likelier than one of pier or mount about there; None for none.

    Where a level reads otherwise and the axis stays, pier and mount would have had to move against each
    other, by as much, on the same day.
    """
    model = _settled(fit.model, fit)
    series, alone = model.series, fit.normal.log_marginal
    best, total = None, []
    for place, instrument in level_sources(series):
        own = np.flatnonzero((series.place == place) & (series.instrument == instrument))
        at = int(np.searchsorted(own, index))
        for k in range(max(at - NEAR_READINGS, 1), min(at + NEAR_READINGS + 1, own.size)):
            step = LevelStep(place, instrument, int(own[k]), int(own[k - 1]))
            if any(cause.name == step.name for cause in model.causes):
                continue
            days = float(series.days[own[k]] - series.days[own[k - 1]])
            chance = np.log(max(days, SHORTEST_DAYS) / YEAR_DAYS * LEVEL_STEPS_PER_YEAR)
            stepped = model.with_causes(level_step_cause(series, step))
            gain = Solver(stepped).at(fit.scales).log_marginal - alone + chance
            total.append(gain)
            best = (gain, step) if best is None or gain > best[0] else best
    unseen = int(np.sum(series.night[index:] >= 0)) < NIGHTS_THAT_TELL
    least = max(step_odds, 0.0) + STEP_LOG_ODDS if unseen else max(step_odds, STEP_LOG_ODDS)
    if best is None or float(np.logaddexp.reduce(total)) <= least:
        return None
    return best[1]


def _with_stretch(model: Model, stretch: Stretch) -> Model:
    return replace(model, stretches=(*model.stretches, stretch))


def _best(fit: Fit, gained: Gains) -> tuple[bool, Part, int, float]:
    """Return the likeliest explanation still missing: (wild?, part, reading, log odds).

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
    wild[0] = -np.inf  # the reference can't be set aside; everything is measured from it
    at_step, at_wild, at_zero = (int(np.argmax(x)) for x in (together, wild, wild_zero))
    best_wild = max(wild[at_wild], wild_zero[at_zero])
    if together[at_step] > STEP_LOG_ODDS and together[at_step] >= best_wild:
        part = max(odds, key=lambda part: float(odds[part][at_step]))
        return False, part, at_step, float(together[at_step])
    if best_wild > 0.0:
        zero_only = wild_zero[at_zero] >= wild[at_wild]
        part = Part.ZERO if zero_only else Part.UNDETERMINED
        return True, part, at_zero if zero_only else at_wild, float(best_wild)
    return False, Part.NOTHING, 0, 0.0


def _put_aside(model: Model, zero_only: bool, index: int) -> Model:
    name = "ignored_zero" if zero_only else "ignored"
    mask = getattr(model, name).copy()
    mask[index] = True
    return replace(model, **{name: mask})


def _weigh_all(base: Model, steps: list[FoundStep], fit: Fit) -> tuple[Model, list[FoundStep]]:
    """Take each step out, the others held, and weigh all its rivals; drop steps that no longer hold.

    Where a quick thaw is likelier, that takes its place.
    """
    out = list(steps)
    for step in steps:
        others = [s for s in out if s is not step]
        causes = step_causes(base.series, others)
        if step.recovers:
            causes.append(recovery_cause(base.series, step.step(), len(others)))
        alone = Solver(_settled(base.with_causes(*causes), fit)).at(fit.scales)
        thaw, thaw_odds = likeliest_stretch(alone.model, alone, step.best)
        weighed = _weigh(alone, step.best, thaw_odds)
        if weighed is not None:
            followed = step.recovers and weighed.likeliest == step.likeliest
            out = [*others, replace(weighed, recovers=followed)]
        else:
            out = others
        if weighed is None and thaw is not None and thaw_odds > 0.0:
            base = _with_stretch(base, thaw)
    return base, out


def _settled(model: Model, fit: Fit) -> Model:
    """Return a model with what moves by itself as likely as a fit found it: a normal law, for scores."""
    if fit.lent_odds is not None:
        model = replace(model, lent_odds=fit.lent_odds)
    beliefs = fit.model.beliefs
    return model if beliefs is None or fit.odds is None else replace(model, beliefs=beliefs.settled(fit.odds))


def _near(series: Series, best: int) -> Ints:
    """Return the readings before which a step may lie that most probably lies before one of them.

    The days of a sensor between two nights see no knob: of such a record the nights on both sides count in.
    """
    first, end = max(1, best - NEIGHBOURS), min(series.size, best + NEIGHBOURS + 1)
    if np.any(series.instrument):
        nights = np.flatnonzero(series.night >= 0)
        earlier, later = nights[nights < best], nights[nights >= best]
        first = min(first, max(int(earlier[-1]), 1)) if earlier.size else first
        end = max(end, int(later[0]) + 1) if later.size else end
    return np.arange(first, end)


def _weigh(fit: Fit, best: int, thaw_odds: float = -np.inf) -> FoundStep | None:
    """Weigh all parts and places of a step; None where nothing, or a quick thaw, is the likelier.

    `thaw_odds` is the log of the odds of a quick thaw against nothing.
    """
    gained, chances = gains(fit, spread(fit)), gap_chances(fit)
    near = _near(fit.model.series, best)
    odds = {part: (gained.step[part] + chances[part])[near] for part in STEP_SD}
    table = np.array(list(odds.values()))
    top = max(float(table.max()), 0.0, thaw_odds)
    weight = np.exp(table - top)
    nothing = float(np.exp(-top) + np.exp(thaw_odds - top))
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
