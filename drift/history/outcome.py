"""Steps and corrections as results, and what other scales and explanations add to the uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from drift.codes import CorrectionKind, Misrecorded, Part
from drift.history.causes import MOUNT_ALT, MOUNT_AZ, TILT_EAST, TILT_NORTH
from drift.history.changes import (
    KNOBS,
    MOVES,
    RecordedCorrection,
    Step,
    moved_components,
    part_columns,
    recovery_name,
    recovery_shapes,
    step_cause,
    step_name,
)
from drift.history.components import View, gains, spread, view
from drift.history.model import Fit, Model, Solver
from drift.history.scales import ScalesFound, from_vector, log_posterior, to_vector
from drift.history.series import Series
from drift.history.steps import (
    BOTH_KNOBS,
    LEAST_SHARE,
    NAMED_SHARE,
    WILD_CHANCE,
    FoundStep,
    StepsFound,
    gap_chances,
)
from drift.notices import HistoryCode, Notice, warning
from drift.quantities import DAY_US, Floats
from drift.types import PARTS, CorrectionFound, Event

# ---- Carry the uncertainty of the scale parameters into the history.
#
# The scales are known no better than the readings tell.  Along each scale that matters for the split, the
# history is worked out at a few values, each weighed by how probable it is, and what that adds to the
# variance is added up over the scales (a sum of one-dimensional quadratures about the optimum).


#: Scales whose uncertainty matters for how a movement is split and smoothed.
MATTERING = ("tilt_walk", "across", "az_creep", "alt_creep", "zero_creep", "season", "slow")
#: Values tried, in sds of the scales' wide priors, to either side of the optimum.
STEPS = (-1.6, -0.8, 0.8, 1.6)
#: Longer records know their scales well enough, and cost more [readings].
LONGEST = 600


def components_with_uncertainty(found: ScalesFound, seen: View) -> tuple[Floats, Floats]:
    """Return the six components at every reading and their sds, scales' uncertainty included.

    Parameters
    ----------
    found, seen
        The scales found, and the view of their fit.

    Returns
    -------
    mean, sd
        (n, 6) each [arcsec]; the mean is that at the most probable scales.
    """
    mean, sd = seen.components()
    if found.fit.model.series.size > LONGEST:
        return mean, sd
    names = list(found.names)
    problem, base = Solver(found.fit.model), found.fit.scales
    centre = to_vector(base, names)
    top = log_posterior(problem, centre, names, base)
    extra = np.zeros_like(sd)
    for name in (one for one in MATTERING if one in names):
        extra += _along(problem, found, centre, top, names.index(name), mean, sd)
    return mean, np.sqrt(np.maximum(sd**2 + extra, 0.0))


def _along(
    problem: Solver, found: ScalesFound, centre: Floats, top: float, which: int, mean: Floats, sd: Floats
) -> Floats:
    """Return what the uncertainty of one scale adds to the variance, (n, 6); never less than nothing."""
    names, base = list(found.names), found.fit.scales
    weights, variances = [1.0], [sd**2]
    for step in STEPS:
        vector = centre.copy()
        vector[which] += step
        weight = float(np.exp(min(log_posterior(problem, vector, names, base) - top, 0.0)))
        if weight < 1e-3:
            continue
        other_mean, other_sd = view(problem.at(from_vector(vector, names, base))).components()
        weights.append(weight)
        variances.append(other_sd**2 + (other_mean - mean) ** 2)
    share = np.array(weights) / np.sum(weights)
    return np.maximum(np.einsum("k,kij->ij", share, np.array(variances)) - sd**2, 0.0)


# ---- Other explanations of a step: how different the history would be.
#
# The history follows the likeliest explanation of each step; a curve between two explanations is one that
# neither of them supports.  Its uncertainty reaches out to the others.


#: An explanation of at least this share must lie within two standard deviations of the result.
WITHIN_REACH_SHARE = 0.05
#: Least weight of the squared distance to such an explanation: (1 / 1.96)^2.
REACH = 0.26


def with_alternatives(searched: StepsFound, change: Floats, sd: Floats) -> Floats:
    """Return the sds with the other explanations of each step allowed for, (n, 6) [arcsec].

    Parameters
    ----------
    searched
        The steps with the odds of their parts.
    change, sd
        (n, 6) the components at every reading by the likeliest explanations, and their sds [arcsec].
    """
    variance = sd**2
    here = searched.fit.components()
    for number, found in enumerate(searched.steps):
        for part, share in _others(found).items():
            there = _with_part(searched, number, found, part).components()
            variance = variance + weight(share) * (there - here) ** 2
    return np.sqrt(np.where(np.isfinite(change), variance, np.nan))


def size_variance(searched: StepsFound, number: int, found: FoundStep) -> dict[int, float]:
    """Return what the other explanations of a step add to the variance of its sizes, by component."""
    own, out = _step_sizes(searched.fit, number, found.step()), dict.fromkeys(range(6), 0.0)
    for part, share in _others(found).items():
        other = _step_sizes(_with_part(searched, number, found, part), number, Step(found.best, {part: 1.0}))
        for component in out:
            apart = other.get(component, 0.0) - own.get(component, 0.0)
            out[component] += weight(share) * apart**2
    return out


def weight(share: float, reach: float = REACH) -> float:
    """Return the weight of the squared distance to an explanation of some share, at least `reach`."""
    return max(share, reach) if share >= WITHIN_REACH_SHARE else share


def _others(found: FoundStep) -> dict[Part, float]:
    """Return the shares of the explanations that the history does not follow."""
    real = {part: p for part, p in found.probability.items() if part != Part.NOTHING}
    total = sum(real.values())
    return {
        part: p / total for part, p in real.items() if part != found.likeliest and p / total >= LEAST_SHARE
    }


def _with_part(searched: StepsFound, number: int, found: FoundStep, part: Part) -> Fit:
    """Solve with one step made by another part, at the same scales."""
    model: Model = searched.fit.model
    name = step_name(number)
    other = step_cause(model.series, Step(found.best, {part: 1.0}), name)
    causes = tuple(other if cause.name == name else cause for cause in model.causes)
    return Solver(replace(model, causes=causes)).at(searched.fit.scales)


def _step_sizes(fit: Fit, number: int, step: Step) -> dict[int, float]:
    amplitude = fit.amplitude[fit.columns.at[step_name(number)]]
    return {c: float(a) for (_, c), a in zip(part_columns(step), amplitude, strict=True) if c >= 0}


# ---- Corrections that were written down wrongly: the sign, the date, or twice.


#: A date is this far off at most [days]: common practice, a notebook is filled in within some weeks.
FURTHEST_DAYS = 45.0
#: Two entries within this may be one that was written down twice [days].
TWICE_DAYS = 3.0
#: Components that hold the size of a part's step.
SIZE_OF = {Part.MOUNT_AZ: "mount_az", Part.MOUNT_ALT: "mount_alt"}


def redated(
    recorded: Sequence[RecordedCorrection], found: Sequence[CorrectionFound], searched: StepsFound, view: View
) -> list[RecordedCorrection]:
    """Return the corrections, those with a wrong date moved to the step that they explain.

    A correction that did nothing on its date is moved when the same knob took an unrecorded step of the
    same size some days before or after.
    """
    steps = _steps_told(searched, view)
    out = []
    for correction, result in zip(recorded, found, strict=True):
        near = [(step.best, event) for step, event in steps if _explains(correction, result, event)]
        if len(near) == 1:
            series = view.fit.model.series
            out.append(replace(correction, done_us=int(series.time_us[near[0][0]])))
        else:
            out.append(correction)
    return out


def _explains(correction: RecordedCorrection, found: CorrectionFound, event: Event) -> bool:
    part = RECORDED_PARTS.get(correction.kind)
    if part not in SIZE_OF or event.what != part or found.asked is None or found.found is None:
        return False
    leeway = HELD_SHARE * abs(found.asked)
    did_nothing = abs(found.found) < leeway + HELD_SDS * (found.found_sd or 0.0)
    size, sd = event.size[SIZE_OF[part]], event.size_sd[SIZE_OF[part]]
    apart_days = max(event.after_us - correction.time_us, correction.time_us - event.before_us, 0) / DAY_US
    return (
        found.held is False
        and did_nothing
        and abs(size - found.asked) < leeway + HELD_SDS * sd
        and apart_days <= FURTHEST_DAYS
    )


def misrecorded(
    recorded: Sequence[RecordedCorrection], found: Sequence[CorrectionFound], series: Series
) -> list[Notice]:
    """Return a notice for each correction that looks misrecorded, or pair of them."""
    out = [_redated(c, series) for c in recorded if c.done_us is not None]
    out += [_wrong_sign(result) for result in found if _opposite(result)]
    for first, second in _written_twice(recorded, found, series):
        out.append(
            warning(
                HistoryCode.CORRECTION_TWICE,
                kind=first.kind,
                time_us=first.time_us,
                second_us=second.time_us,
                asked_arcsec=float(first.asked[0]),
                within_days=TWICE_DAYS,
            )
        )
    return out


def with_misrecorded(
    recorded: Sequence[RecordedCorrection], found: Sequence[CorrectionFound], series: Series
) -> list[CorrectionFound]:
    """Return the findings on each correction, with what seems wrong in how it was written down."""
    twice = [one for pair in _written_twice(recorded, found, series) for one in pair]
    out = []
    for correction, result in zip(recorded, found, strict=True):
        wrong = None
        if correction.done_us is not None:
            wrong = Misrecorded.DATE
        elif _opposite(result):
            wrong = Misrecorded.SIGN
        elif correction in twice:
            wrong = Misrecorded.TWICE
        out.append(replace(result, misrecorded=wrong))
    return out


def _written_twice(
    recorded: Sequence[RecordedCorrection], found: Sequence[CorrectionFound], series: Series
) -> list[tuple[RecordedCorrection, RecordedCorrection]]:
    """Return the pairs of corrections that look like one that was written down twice."""
    out = []
    for first, second in zip(recorded, recorded[1:], strict=False):
        pair = [r for c, r in zip(recorded, found, strict=True) if c in (first, second)]
        if _twice(first, second, series) and _sum_of_one(pair):
            out.append((first, second))
    return out


def _redated(correction: RecordedCorrection, series: Series) -> Notice:
    done_us = correction.done_us or 0
    after = max(int(np.searchsorted(series.time_us, done_us)) - 1, 0)
    return warning(
        HistoryCode.CORRECTION_REDATED,
        kind=correction.kind,
        time_us=correction.time_us,
        after_us=int(series.time_us[after]),
        before_us=done_us,
    )


def _opposite(result: CorrectionFound) -> bool:
    if result.held is not False or result.asked is None or result.found is None:
        return False
    return abs(result.found + result.asked) < HELD_SDS * (result.found_sd or 0.0) + HELD_SHARE * abs(
        result.asked
    )


def _wrong_sign(result: CorrectionFound) -> Notice:
    return warning(
        HistoryCode.CORRECTION_WRONG_SIGN,
        kind=result.kind,
        time_us=result.time_us,
        asked_arcsec=result.asked,
        found_arcsec=result.found,
        found_sd_arcsec=result.found_sd,
    )


def _twice(first: RecordedCorrection, second: RecordedCorrection, series: Series) -> bool:
    between = np.any((series.time_us >= first.time_us) & (series.time_us < second.time_us))
    return (
        first.kind == second.kind
        and first.kind in KNOBS
        and first.asked == second.asked
        and second.time_us - first.time_us <= TWICE_DAYS * DAY_US
        and not between
    )


def _sum_of_one(pair: Sequence[CorrectionFound]) -> bool:
    """Return whether what two corrections did together is what one of them asked."""
    if any(r.asked is None or r.found is None for r in pair):
        return False
    total, asked = sum(r.found or 0.0 for r in pair), float(pair[0].asked or 0.0)
    return abs(total - asked) < HELD_SHARE * abs(asked)


# ---- Steps and corrections as results: sizes with uncertainty, odds, and what held.


SIZES = {"tilt_north": TILT_NORTH, "tilt_east": TILT_EAST, "mount_az": MOUNT_AZ, "mount_alt": MOUNT_ALT}
#: A smaller step of pier or mount is in the history, but not worth an event [arcsec]: our own rule.  A sensor
#: shows such steps to some tenths, as what is left of a knock of its own; no advice changes with them.
LEAST_TOLD_ARCSEC = 3.0
#: A correction held when what was found is what was asked within this share and this many sd.
HELD_SHARE, HELD_SDS = 0.25, 2.0
#: Least error of a person setting a knob [arcsec]: common practice.
SET_SD = 5.0
#: A correction can't be judged when the uncertainty is this share of what was asked.
UNJUDGED_SHARE = 0.5
RECORDED_PARTS = {
    CorrectionKind.AZIMUTH: Part.MOUNT_AZ,
    CorrectionKind.ALTITUDE: Part.MOUNT_ALT,
    CorrectionKind.PIER: Part.PIER,
    CorrectionKind.ZERO: Part.ZERO,
}


def step_events(searched: StepsFound, view: View) -> list[Event]:
    """Return the unrecorded steps that were found; where both knobs moved at once, an event for each."""
    return [event for _, event in _steps_told(searched, view)]


def _steps_told(searched: StepsFound, view: View) -> list[tuple[FoundStep, Event]]:
    """Return each step that was found with what is told of it."""
    series = searched.fit.model.series
    out = []
    for number, found in enumerate(searched.steps):
        columns = view.fit.columns.at[step_name(number)]
        size, sd = _sizes(view, [c for _, c in part_columns(found.step())], columns)
        more = size_variance(searched, number, found)
        sd = {name: float(np.hypot(sd[name], np.sqrt(more[c]))) for name, c in SIZES.items()}
        event = _event(series, found, size, sd)
        if found.recovers:
            after, after_sd = _afterwards(view, number, found)
            event = replace(event, afterwards=after, afterwards_sd=after_sd)
        if 0.0 < np.linalg.norm([size[name] for name in SIZES]) < LEAST_TOLD_ARCSEC:
            continue
        knobs = BOTH_KNOBS if found.likeliest is Part.MOUNT else ()
        out += [(found, _of_knob(event, found, knob)) for knob in knobs] or [(found, event)]
    return out


def _of_knob(event: Event, found: FoundStep, knob: Part) -> Event:
    """Return what one knob did of a step of both."""

    def own(values: dict[str, float]) -> dict[str, float]:
        return {name: value if name == knob else 0.0 for name, value in values.items()}

    probability = _told_odds(found, knob)
    named = probability[knob] >= NAMED_SHARE * (sum(probability.values()) - probability[Part.NOTHING])
    return replace(
        event,
        what=knob if named else Part.UNDETERMINED,
        probability=probability,
        size=own(event.size),
        size_sd=own(event.size_sd),
        afterwards=None if event.afterwards is None else own(event.afterwards),
        afterwards_sd=None if event.afterwards_sd is None else own(event.afterwards_sd),
    )


def _told_odds(found: FoundStep, part: Part) -> dict[Part, float]:
    """Return the odds of a step by `PARTS`; what both knobs did counts for the one told of, else by half."""
    of_both = found.probability.get(Part.MOUNT, 0.0)
    share = {part: 1.0} if part in BOTH_KNOBS else dict.fromkeys(BOTH_KNOBS, 0.5)
    return {part: found.probability[part] + of_both * share.get(part, 0.0) for part in PARTS}


def _afterwards(view: View, number: int, found: FoundStep) -> tuple[dict[str, float], dict[str, float]]:
    """Return what followed a step by the last reading, and its sd."""
    fit = view.fit
    at = fit.columns.at[recovery_name(number)]
    done = recovery_shapes(fit.model.series, found.best)[-1]
    out, sd = dict.fromkeys(SIZES, 0.0), dict.fromkeys(SIZES, 0.0)
    for i, (_, component) in enumerate(moved_components(found.step())):
        own = slice(at.start + done.size * i, at.start + done.size * (i + 1))
        name = next(name for name, c in SIZES.items() if c == component)
        out[name] = float(done @ fit.amplitude[own])
        sd[name] = float(np.sqrt(done @ fit.amplitude_cov[own, own] @ done))
    return out, sd


def _event(series: Series, found: FoundStep, size: dict[str, float], sd: dict[str, float]) -> Event:
    return Event(
        after_us=int(series.time_us[found.first - 1]),
        before_us=int(series.time_us[found.last]),
        what=Part.UNDETERMINED if found.named is Part.MOUNT else found.named,
        provisional=_evenings_seen(series, found) <= 1,
        recorded=False,
        probability=_told_odds(found, found.likeliest),
        size=size,
        size_sd=sd,
    )


def _evenings_seen(series: Series, found: FoundStep) -> int:
    """Return on how many evenings since a step there were readings that see it.

    A level sees only the pier, and both parts of a night that a correction splits are one evening.
    """
    sees = (series.night >= 0) | (found.named is Part.PIER)
    times = series.time_us[found.best :][sees[found.best :]]
    return int(times.size and 1 + np.sum(np.diff(times) > DAY_US / 2))


def _sizes(view: View, components: list[int], columns: slice) -> tuple[dict[str, float], dict[str, float]]:
    amplitude = view.fit.amplitude[columns]
    cov = view.fit.amplitude_cov[columns, columns]
    size, sd = dict.fromkeys(SIZES, 0.0), dict.fromkeys(SIZES, 0.0)
    for name, component in SIZES.items():
        own = [i for i, c in enumerate(components) if c == component]
        if own:
            size[name] = float(amplitude[own].sum())
            sd[name] = float(np.sqrt(cov[np.ix_(own, own)].sum()))
    return size, sd


def with_open_places(searched: StepsFound, view: View, change: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Allow for steps whose place is uncertain, at the readings that they may lie before or after.

    A level reading between two nights does not see a knob, so whether the knob had slipped by then is open.

    Parameters
    ----------
    change, sd
        (n, 6) the components at every reading and their sds, each step at its likeliest place [arcsec].

    Returns
    -------
    change, sd
        The same over all places of each step, by their odds.
    """
    mean, variance = change.copy(), sd**2
    for number, found in enumerate(searched.steps):
        rows = np.arange(found.place_from, found.place_from + len(found.place) - 1)
        stepped = np.cumsum(found.place)[:-1]  # the odds that it has happened by each of the readings
        amplitude = view.fit.amplitude[view.fit.columns.at[step_name(number)]]
        for (_, component), size in zip(part_columns(found.step()), amplitude, strict=True):
            if component >= 0:
                mean[rows, component] += (stepped - (rows >= found.best)) * size
                variance[rows, component] += stepped * (1.0 - stepped) * size**2
    return mean, np.sqrt(variance)


def last_night_event(searched: StepsFound) -> Event | None:
    """Return a provisional event when the very last reading was put aside as wild: it may be a step."""
    model = searched.fit.model
    last = model.series.size - 1
    if last < 2 or not model.ignored[last]:
        return None
    seen = model.ignored.copy()
    seen[last] = False
    fit = Solver(replace(model, ignored=seen)).at(searched.fit.scales).normal
    gained, chances = gains(fit, spread(fit)), gap_chances(fit)
    odds = {part: float(gained.step[part][last] + chances[part][last]) for part in gained.step}
    odds[Part.NOTHING] = float(np.logaddexp(0.0, gained.wild[last] + np.log(WILD_CHANCE)))
    top = max(odds.values())
    weight = {part: float(np.exp(value - top)) for part, value in odds.items()}
    total = sum(weight.values())
    probability = {part: w / total for part, w in weight.items()}
    found = FoundStep(last, last, last, probability, (1.0,), last)
    unknown = dict.fromkeys(SIZES, float("nan"))
    return _event(model.series, found, unknown, unknown)


def corrections_found(corrections: list[RecordedCorrection], view: View) -> list[CorrectionFound]:
    """Return what each correction asked and did."""
    series = view.fit.model.series
    out = []
    for group in _together(corrections, series):
        known = [_found(correction, view) for correction in group]
        held = known[0].held if len(group) == 1 else _held_together(group, view)
        out += [replace(result, held=held if result.found is not None else None) for result in known]
    return out


def _found(correction: RecordedCorrection, view: View) -> CorrectionFound:
    asked, at = _length(correction), view.fit.columns.at.get(correction.name)
    result = CorrectionFound(
        time_us=correction.time_us,
        kind=correction.kind,
        asked=asked,
        found=None,
        found_sd=None,
        held=None,
        note=correction.note,
        turns=correction.turns,
        knob_way=correction.knob_way,
    )
    if at is None or not MOVES[correction.kind] or not _seen_both_sides(view.fit.model.series, correction):
        return result
    found, sd = _along_asked(correction, view.fit.amplitude[at], view.fit.amplitude_cov[at, at])
    return replace(result, found=found, found_sd=sd, held=_held(asked, found, sd))


def _together(corrections: list[RecordedCorrection], series: Series) -> list[list[RecordedCorrection]]:
    """Group turns of one knob between which no night lies: only their sum can be judged."""
    out: list[list[RecordedCorrection]] = []
    for correction in corrections:
        last = out[-1][-1] if out else None
        same = last is not None and last.kind == correction.kind and correction.kind in KNOBS
        if last is not None and same and not _night_between(series, last, correction):
            out[-1].append(correction)
        else:
            out.append([correction])
    return out


def _night_between(series: Series, first: RecordedCorrection, second: RecordedCorrection) -> bool:
    between = (series.time_us >= first.time_us) & (series.time_us < second.time_us)
    return bool(np.any(between & (series.night >= 0)))


def _held_together(group: list[RecordedCorrection], view: View) -> bool | None:
    """Judge the sum of several turns of one knob."""
    asked = [_length(correction) for correction in group]
    if any(a is None for a in asked) or not all(c.name in view.fit.columns.at for c in group):
        return None
    columns = np.array([view.fit.columns.at[c.name].start for c in group])
    sd = float(np.sqrt(np.clip(view.fit.amplitude_cov[np.ix_(columns, columns)].sum(), 0.0, None)))
    return _held(float(sum(a or 0.0 for a in asked)), float(view.fit.amplitude[columns].sum()), sd)


def _seen_both_sides(series: Series, correction: RecordedCorrection) -> bool:
    """Return whether readings that see what it moved lie before and after it."""
    seen = (series.night >= 0) | (correction.kind is CorrectionKind.PIER)
    times = series.time_us[seen]
    return bool(times.size and times[0] < correction.time_us <= times[-1])


def _length(correction: RecordedCorrection) -> float | None:
    asked = np.asarray(correction.asked, dtype=float)
    if not asked.size or not np.all(np.isfinite(asked)):
        return None
    return float(asked[0]) if asked.size == 1 else float(np.linalg.norm(asked))


def _along_asked(correction: RecordedCorrection, amplitude: Floats, cov: Floats) -> tuple[float, float]:
    """Return the found amount along the asked direction (two components) or of the one component."""
    if amplitude.size == 1:
        return float(amplitude[0]), float(np.sqrt(cov[0, 0]))
    asked = np.asarray(correction.asked, dtype=float)
    toward = asked if np.all(np.isfinite(asked)) and np.any(asked) else amplitude
    along = toward / max(float(np.linalg.norm(toward)), 1e-9)
    return float(along @ amplitude), float(np.sqrt(np.clip(along @ cov @ along, 0.0, None)))


def _held(asked: float | None, found: float, sd: float) -> bool | None:
    sd = float(np.hypot(sd, SET_SD))
    if asked is None or sd > UNJUDGED_SHARE * abs(asked):
        return None
    return abs(found - asked) <= HELD_SHARE * abs(asked) + HELD_SDS * sd


def recorded_events(corrections: list[RecordedCorrection], view: View) -> list[Event]:
    """Return the recorded corrections that move one part, as events."""
    series, out = view.fit.model.series, []
    for correction in corrections:
        part = RECORDED_PARTS.get(correction.kind)
        if part is None or not _seen_both_sides(series, correction):
            continue
        index = int(np.searchsorted(series.time_us, correction.done_us or correction.time_us))
        columns = view.fit.columns.at.get(correction.name, slice(0, 0))  # a new zero moves nothing
        size, sd = _sizes(view, list(MOVES[correction.kind]), columns)
        odds = {name: float(name == part) for name in PARTS}
        after = int(series.time_us[index - 1])
        out.append(
            Event(
                after_us=after,
                before_us=int(series.time_us[index]),
                what=part,
                provisional=False,
                recorded=True,
                probability=odds,
                size=size,
                size_sd=sd,
            )
        )
    return out
