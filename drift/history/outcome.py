"""Steps and corrections as results: sizes with uncertainty, odds, and what held."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.history.alternatives import size_variance
from drift.history.causes.cause import LEAN_EAST, LEAN_NORTH, MOUNT_ALT, MOUNT_AZ
from drift.history.causes.corrections import MOVES, Correction
from drift.history.causes.steps import part_columns, step_name
from drift.history.events import WILD_CHANCE, FoundStep, Searched, gap_chances
from drift.history.model import Solver
from drift.history.result import PARTS, CorrectionFound, Event
from drift.history.scan import gains, spread
from drift.history.series import Series
from drift.history.view import View
from drift.quantities import Floats

SIZES = {"lean_north": LEAN_NORTH, "lean_east": LEAN_EAST, "mount_az": MOUNT_AZ, "mount_alt": MOUNT_ALT}
#: A correction held when what was found is what was asked within this share and this many sd.
HELD_SHARE, HELD_SDS = 0.25, 2.0
#: A correction can't be judged when the uncertainty is this share of what was asked.
UNJUDGED_SHARE = 0.5
RECORDED_PARTS = {"azimuth": "mount_az", "altitude": "mount_alt", "pier": "pier", "zero": "zero"}


def step_events(searched: Searched, view: View) -> list[Event]:
    """Return the unrecorded steps that were found."""
    series = searched.fit.model.series
    out = []
    for number, found in enumerate(searched.steps):
        columns = view.fit.columns.at[step_name(number)]
        size, sd = _sizes(view, [c for _, c in part_columns(found.step())], columns)
        more = size_variance(searched, number, found)
        sd = {name: float(np.hypot(sd[name], np.sqrt(more[c]))) for name, c in SIZES.items()}
        out.append(_event(series, found, size, sd))
    return out


def _event(series: Series, found: FoundStep, size: dict[str, float], sd: dict[str, float]) -> Event:
    nights_after = np.sum(series.night[found.best :] >= 0)
    levels_after = np.sum(series.night[found.best :] < 0)
    return Event(
        int(series.time_us[found.first - 1]),
        int(series.time_us[found.last]),
        found.named,
        bool(nights_after + levels_after <= 1),
        False,
        {part: found.probability[part] for part in PARTS},
        size,
        sd,
    )


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


def with_open_places(searched: Searched, view: View, change: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Allow for steps whose place is not known, at the readings that they may lie before or after.

    A level reading between two nights does not see a knob: whether the knob had slipped by then stays open.

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


def last_night_event(searched: Searched) -> Event | None:
    """Return a provisional event when the very last reading was put aside as wild: it may be a step."""
    model = searched.fit.model
    last = model.series.size - 1
    if last < 2 or not model.ignored[last]:
        return None
    seen = model.ignored.copy()
    seen[last] = False
    fit = Solver(replace(model, ignored=seen)).at(searched.fit.scales)
    gained, chances = gains(fit, spread(fit)), gap_chances(fit)
    odds = {part: float(gained.step[part][last] + chances[part][last]) for part in gained.step}
    odds["nothing"] = float(np.logaddexp(0.0, gained.wild[last] + np.log(WILD_CHANCE)))
    top = max(odds.values())
    weight = {part: float(np.exp(value - top)) for part, value in odds.items()}
    total = sum(weight.values())
    probability = {part: w / total for part, w in weight.items()}
    found = FoundStep(last, last, last, probability, (1.0,), last)
    unknown = dict.fromkeys(SIZES, float("nan"))
    return _event(model.series, found, unknown, unknown)


def corrections_found(corrections: list[Correction], view: View) -> list[CorrectionFound]:
    """Return what each correction asked and did."""
    series = view.fit.model.series
    out = []
    for group in _together(corrections, series):
        known = [_found(correction, view) for correction in group]
        held = known[0].held if len(group) == 1 else _held_together(group, view)
        out += [replace(result, held=held if result.found is not None else None) for result in known]
    return out


def _found(correction: Correction, view: View) -> CorrectionFound:
    asked, at = _length(correction), view.fit.columns.at.get(correction.name)
    result = CorrectionFound(
        correction.time_us, correction.kind, asked, None, None, None, correction.note, correction.turns
    )
    if at is None or not MOVES[correction.kind] or not _seen_both_sides(view.fit.model.series, correction):
        return result
    found, sd = _along_asked(correction, view.fit.amplitude[at], view.fit.amplitude_cov[at, at])
    return replace(result, found=found, found_sd=sd, held=_held(asked, found, sd))


def _together(corrections: list[Correction], series: Series) -> list[list[Correction]]:
    """Group turns of one knob between which no night lies: only their sum can be judged."""
    out: list[list[Correction]] = []
    for correction in corrections:
        last = out[-1][-1] if out else None
        same = (
            last is not None and last.kind == correction.kind and correction.kind in ("azimuth", "altitude")
        )
        if last is not None and same and not _night_between(series, last, correction):
            out[-1].append(correction)
        else:
            out.append([correction])
    return out


def _night_between(series: Series, first: Correction, second: Correction) -> bool:
    between = (series.time_us >= first.time_us) & (series.time_us < second.time_us)
    return bool(np.any(between & (series.night >= 0)))


def _held_together(group: list[Correction], view: View) -> bool | None:
    """Judge the sum of several turns of one knob."""
    asked = [_length(correction) for correction in group]
    if any(a is None for a in asked) or not all(c.name in view.fit.columns.at for c in group):
        return None
    columns = np.array([view.fit.columns.at[c.name].start for c in group])
    sd = float(np.sqrt(np.clip(view.fit.amplitude_cov[np.ix_(columns, columns)].sum(), 0.0, None)))
    return _held(float(sum(a or 0.0 for a in asked)), float(view.fit.amplitude[columns].sum()), sd)


def _seen_both_sides(series: Series, correction: Correction) -> bool:
    """Return whether readings that see what it moved lie before and after it."""
    seen = (series.night >= 0) | (correction.kind == "pier")
    times = series.time_us[seen]
    return bool(times.size and times[0] < correction.time_us <= times[-1])


def _length(correction: Correction) -> float | None:
    asked = np.asarray(correction.asked, dtype=float)
    if not asked.size or not np.all(np.isfinite(asked)):
        return None
    return float(asked[0]) if asked.size == 1 else float(np.linalg.norm(asked))


def _along_asked(correction: Correction, amplitude: Floats, cov: Floats) -> tuple[float, float]:
    """Return the found amount along the asked direction (two components) or of the one component."""
    if amplitude.size == 1:
        return float(amplitude[0]), float(np.sqrt(cov[0, 0]))
    asked = np.asarray(correction.asked, dtype=float)
    toward = asked if np.all(np.isfinite(asked)) and np.any(asked) else amplitude
    along = toward / max(float(np.linalg.norm(toward)), 1e-9)
    return float(along @ amplitude), float(np.sqrt(np.clip(along @ cov @ along, 0.0, None)))


def _held(asked: float | None, found: float, sd: float) -> bool | None:
    if asked is None or sd > UNJUDGED_SHARE * abs(asked):
        return None
    return abs(found - asked) <= HELD_SHARE * abs(asked) + HELD_SDS * sd


def recorded_events(corrections: list[Correction], view: View) -> list[Event]:
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
        out.append(Event(after, int(series.time_us[index]), part, False, True, odds, size, sd))
    return out
