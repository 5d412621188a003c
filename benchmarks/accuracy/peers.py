"""Side by side on the same nights: general methods from well-kept libraries, and drift's own answer.

None of the general methods splits pier from mount.  So they are compared on
what all can see: the change of az_error and alt_error since the first night,
and, where the hour-angle zero is kept, the east tilt worked out night by night,
tau_E = cos(phi) ((z - z0) + (az_error - az_error0) sin(phi)).

*readings*: each night as it is.  *level*: a local level plus a fixed season of
two harmonics, maximum likelihood and smoother, on a daily grid with gaps
(statsmodels `UnobservedComponents`).  *line*: ordinary least squares with
trend and two annual harmonics, the geodesists' trajectory model (Bevis and
Brown 2014, J. Geodesy 88:283-311).  *ruptures*: penalised least-squares change
points (Killick, Fearnhead and Eckley 2012, PELT, from memory).

Everybody is given the times of recorded corrections and how warm the nights
were, as drift is.  "+ found" adds the steps that ruptures finds, "+ told" the
true times of all, which no user knows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import ruptures
from histories import Invented
from statsmodels.api import OLS
from statsmodels.tsa.statespace.structural import UnobservedComponents

from drift.history.causes import harmonics
from drift.quantities import DAY_US, YEAR_DAYS
from drift.types import HISTORY_COLUMNS, History

QUANTITIES = ("az_error", "alt_error", "tilt_east")
OWN, RUPTURES, TOLD = "drift", "ruptures", "line + told"
#: Harmonics of the year: as many as drift's own annual shape has.
HARMONICS = 2
#: Penalty of a change point against (d + 1) ln n, the Bayesian information criterion of d means and a place
#: in n nights of unit noise.  What trend and season leave is not white, so that once is too little.
#: Tried on even seeds of all families (a favour to ruptures): 1 and 1.5 times miss none of 68 steps, 2 times
#: miss 1, 3 times 2, 8 times 4; false ones a year: 1.1, 0.7, 0.5, 0.4, 0.2.  Twice gives most for them.
PENALTY = 2.0
#: Season and steps are taken out of each other's way this often.
MOST_ROUNDS = 5
#: Median of the absolute difference of two unit normals.
MEDIAN_OF_DIFFERENCE = 0.953873
#: A step is told in place when all places given lie within so many nights of it.
NEAR_NIGHTS = 2
#: ... and told at all within so many days, as in `score`.
NEAR_DAYS = 40.0


@dataclass(frozen=True)
class Steps:
    """Counts of unrecorded steps: that were, told in place, told at all, and told where none was."""

    true: int
    within_nights: int
    within_days: int
    false: int


@dataclass(frozen=True)
class Compared:
    """One history: rms error of each quantity by each method [arcsec], and the steps."""

    family: str
    seed: int
    nights: int
    years: float
    rms: dict[str, dict[str, float]]  # quantity -> method; no tilt_east where the zero is not kept
    steps: dict[str, Steps]  # OWN and RUPTURES


@dataclass(frozen=True)
class Watched:
    """What every method is given, and the truth; one column a quantity [arcsec]."""

    time_us: np.ndarray  # (n,) nights with a known axis
    value: np.ndarray = field(repr=False)  # (n, q), NaN where a night says nothing
    true: np.ndarray = field(repr=False)  # (n, q) change since the first night
    zero: np.ndarray | None = field(repr=False)  # (n,) where it is kept
    warmth: np.ndarray = field(repr=False)  # (n, 1) [deg C], (n, 0) where it is not known
    recorded_us: tuple[int, ...] = ()
    hidden_us: tuple[int, ...] = ()  # steps that nobody wrote down

    @property
    def names(self) -> tuple[str, ...]:
        """The quantities that this history shows."""
        return QUANTITIES[: self.value.shape[1]]


def compare(name: str, seed: int, history: Invented, found: History | None = None) -> Compared:
    """Let every method loose on one history.

    Parameters
    ----------
    name, seed
        Family and number of the history.
    history
        Nights and truth.
    found
        The separation of it, if that was done already.
    """
    seen = watched(history)
    found = history.separated() if found is None else found
    breaks = change_points(seen)
    own = own_analysis(history, found, seen)
    rms: dict[str, dict[str, float]] = {}
    for column, quantity in enumerate(seen.names):
        answers = peer_answers(seen, column, breaks) | {OWN: own[:, column]}
        rms[quantity] = {method: rms_error(seen, column, analysis) for method, analysis in answers.items()}
    intervals = [(e.after_us, e.before_us) for e in found.events if not e.recorded]
    gaps = [(int(seen.time_us[k - 1]), int(seen.time_us[k])) for k in breaks]
    steps = {OWN: count_steps(seen, intervals), RUPTURES: count_steps(seen, gaps)}
    return Compared(name, seed, seen.time_us.size, history.scenario.years, rms, steps)


def watched(history: Invented) -> Watched:
    """Take from a history what all methods can see, and the truth of it."""
    nights = [night for night in history.nights.nights if night.has_axis]
    time_us = np.array([night.time_us for night in nights])
    estimate = np.array([night.estimate for night in nights])
    phi = np.radians(history.scenario.latitude_deg)
    value, true = estimate[:, :2], axis_and_tilt(history.true_change(time_us), phi)
    zero = _kept_zero(np.array([night.zero_label for night in nights]), estimate[:, 2])
    if zero is None:
        true = true[:, :2]
    else:
        first = int(np.flatnonzero(np.isfinite(zero))[0])
        moved = (zero - zero[first]) + (value[:, 0] - value[first, 0]) * np.sin(phi)
        value = np.column_stack([value, np.cos(phi) * moved])
    motion = history.motion
    steps = [(int(at), bool(step.kind)) for step, at in zip(motion.steps, motion.step_times_us, strict=True)]
    inside = [(at, written) for at, written in steps if time_us[0] < at <= time_us[-1]]
    recorded = tuple(at for at, written in inside if written)
    hidden = tuple(at for at, written in inside if not written)
    return Watched(time_us, value, true, zero, _warmth(history, time_us), recorded, hidden)


def _warmth(history: Invented, time_us: np.ndarray) -> np.ndarray:
    """Return how much warmer each night was than the first, as a column; none where it is not known."""
    if history.warmth is None:
        return np.zeros((time_us.size, 0))
    temp_c = history.warmth.at(time_us)
    return (temp_c - temp_c[0])[:, None]


def _kept_zero(labels: np.ndarray, zero: np.ndarray) -> np.ndarray | None:
    """Return the hour-angle zeros of the longest epoch, NaN elsewhere; None when there is none."""
    names, counts = np.unique(labels[labels != ""], return_counts=True)
    if not names.size or counts.max() < 2:
        return None
    return np.where(labels == names[np.argmax(counts)], zero, np.nan)


def axis_and_tilt(change: np.ndarray, phi: float) -> np.ndarray:
    """Return the change of az_error, alt_error and east tilt, (n, 3), from that of the six components."""
    tilt_north, tilt_east, plate_north, plate_east, mount_az, mount_alt = change.T
    s = -1.0 if phi < 0.0 else 1.0
    north, east = tilt_north + plate_north, tilt_east + plate_east
    return np.stack([mount_az + east * np.tan(phi), mount_alt - s * north, east], axis=1)


def own_analysis(history: Invented, found: History, seen: Watched) -> np.ndarray:
    """Return drift's answer on the nights compared, (n, 3)."""
    assert HISTORY_COLUMNS == (
        "tilt_north",
        "tilt_east",
        "plate_north",
        "plate_east",
        "mount_az",
        "mount_alt",
    )
    at = np.searchsorted(found.time_us, seen.time_us)
    assert np.array_equal(found.time_us[at], seen.time_us)
    return axis_and_tilt(found.change[at], float(np.radians(history.scenario.latitude_deg)))


def peer_answers(seen: Watched, column: int, breaks: Sequence[int]) -> dict[str, np.ndarray]:
    """Return each general method's answer for one quantity, (n,) each."""
    recorded = [int(np.searchsorted(seen.time_us, at)) for at in seen.recorded_us]
    hidden = [int(np.searchsorted(seen.time_us, at)) for at in seen.hidden_us]
    return {
        "readings": seen.value[:, column],
        "level": level_and_season(seen, column, recorded),
        "level + found": level_and_season(seen, column, [*recorded, *breaks]),
        "line": trajectory(seen, column, recorded),
        "line + found": trajectory(seen, column, [*recorded, *breaks]),
        TOLD: trajectory(seen, column, [*recorded, *hidden]),
    }


def rms_error(seen: Watched, column: int, analysis: np.ndarray) -> float:
    """Return the rms error of the change since the first night that shows the quantity [arcsec]."""
    shown = np.flatnonzero(np.isfinite(seen.value[:, column]))
    error = (analysis - seen.true[:, column])[shown]
    return float(np.sqrt(np.mean((error[1:] - error[0]) ** 2)))


def _after(time_us: np.ndarray, starts: Iterable[int]) -> np.ndarray:
    """Return a column of 0 and 1 for each step before the night `start`, (n, steps)."""
    nights = np.arange(time_us.size)
    columns = [nights >= start for start in sorted(set(starts)) if 0 < start < time_us.size]
    return np.array(columns, dtype=float).reshape(len(columns), time_us.size).T


def trajectory(seen: Watched, column: int, steps: Sequence[int]) -> np.ndarray:
    """Fit trend, season, warmth and steps by ordinary least squares; return the curve at every night."""
    value, columns = seen.value[:, column], _trajectory_columns(seen, steps)
    shown = np.isfinite(value)
    return np.asarray(columns @ OLS(value[shown], columns[shown]).fit().params)


def _trajectory_columns(seen: Watched, steps: Sequence[int]) -> np.ndarray:
    """Return trend, season, warmth and steps as columns, (n, p); steps come last."""
    years = (seen.time_us - seen.time_us[0]) / DAY_US / YEAR_DAYS
    season = harmonics(seen.time_us)[:, : 2 * HARMONICS]
    after = _after(seen.time_us, steps)
    return np.column_stack([np.ones(years.size), years, season, seen.warmth, after])


def level_and_season(seen: Watched, column: int, steps: Sequence[int]) -> np.ndarray:
    """Smooth by a local level with a fixed season, warmth and steps; return their sum at every night.

    Nights are put on whole days since the first; two on one day are averaged.
    The start is the library's wide one: its exactly diffuse start went astray
    on quiet piers.  The search is Powell's: the gradient search of the default
    sometimes stopped short, because its first guess is poor where most days are gaps.
    """
    value = seen.value[:, column]
    day = np.floor((seen.time_us - seen.time_us[0]) / DAY_US + 0.5).astype(int)
    shown = np.isfinite(value)
    count = np.bincount(day[shown], minlength=day[-1] + 1)
    total = np.bincount(day[shown], value[shown], minlength=day[-1] + 1)
    grid = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    days = np.arange(day[-1] + 1)
    warmth = [
        np.interp(days, day, temp_c) for temp_c in seen.warmth.T
    ]  # on days without a night of no account
    extra = np.column_stack([*warmth, _after(days, [int(day[k]) for k in steps if 0 < k < day.size])])
    model = UnobservedComponents(
        grid,
        level="local level",
        freq_seasonal=[{"period": YEAR_DAYS, "harmonics": HARMONICS}],
        stochastic_freq_seasonal=[False],
        exog=extra if extra.shape[1] else None,
        mle_regression=False,
    )
    fit = model.fit(method="powell", disp=False)
    return np.asarray(fit.smoother_results.smoothed_forecasts[0][day])


def change_points(seen: Watched) -> list[int]:
    """Return the nights before which ruptures puts an unrecorded step.

    Piecewise constant means are no match for a season or a trend, so these are
    taken out first, by the trajectory model with the steps found so far, until
    the steps stay the same.
    """
    value = seen.value[:, :2]
    if seen.zero is not None:  # sharper than the tilt, and shows slips and tips alike
        shown = np.isfinite(seen.zero)
        filled = np.interp(seen.time_us, seen.time_us[shown], seen.zero[shown])
        value = np.column_stack([value, filled])
    recorded = [int(np.searchsorted(seen.time_us, at)) for at in seen.recorded_us]
    breaks: list[int] = []
    for _ in range(MOST_ROUNDS):
        columns = _trajectory_columns(seen, recorded)
        both = np.column_stack([columns, _after(seen.time_us, set(breaks) - set(recorded))])
        amplitude = np.linalg.lstsq(both, value, rcond=None)[0]
        found = _penalised(value - columns @ amplitude[: columns.shape[1]])
        if found == breaks:
            break
        breaks = found
    return breaks


def _penalised(value: np.ndarray) -> list[int]:
    """Return change points of the mean, each coordinate in units of its scatter from night to night."""
    n, d = value.shape
    scatter = np.median(np.abs(np.diff(value, axis=0)), axis=0) / MEDIAN_OF_DIFFERENCE
    # The linear kernel's cost is the plain sum of squares about the mean, searched by PELT in C.
    search = ruptures.KernelCPD(kernel="linear", min_size=2).fit(value / scatter)
    return [int(k) for k in search.predict(pen=PENALTY * (d + 1) * np.log(n))[:-1]]


def count_steps(seen: Watched, told: Sequence[tuple[int, int]]) -> Steps:
    """Count true steps told and false ones among intervals (after, before) in which a step is said to lie."""
    left, in_place, at_all = list(told), 0, 0
    for at in seen.hidden_us:
        near = [one for one in left if _apart_days(one, at) <= NEAR_DAYS]
        if near:
            own = min(near, key=lambda one: _furthest_nights(seen.time_us, one, at))
            left.remove(own)
            at_all += 1
            in_place += _furthest_nights(seen.time_us, own, at) <= NEAR_NIGHTS
    return Steps(len(seen.hidden_us), in_place, at_all, len(left))


def _apart_days(interval: tuple[int, int], at: int) -> float:
    return max(interval[0] - at, at - interval[1], 0) / DAY_US


def _furthest_nights(time_us: np.ndarray, interval: tuple[int, int], at: int) -> int:
    """Return how many nights the place furthest from the truth is off."""
    right = int(np.searchsorted(time_us, at))
    first, last = np.searchsorted(time_us, interval[0], "right"), np.searchsorted(time_us, interval[1])
    return int(max(abs(first - right), abs(last - right)))


def table(rows: Sequence[Compared]) -> str:
    """Return the comparison in words and numbers, and where another method does better than drift."""
    families = list(dict.fromkeys(row.family for row in rows))
    parts = [_rms_table(rows, families), _step_table(rows, families), _wins(rows, families)]
    return "\n\n".join(parts)


def _rms_of(rows: Sequence[Compared], family: str, quantity: str) -> dict[str, np.ndarray]:
    """Return the rms of every history of a family by method, empty where the quantity is never shown."""
    out: dict[str, list[float]] = defaultdict(list)
    for row in rows:
        if row.family == family:
            for method, rms in row.rms.get(quantity, {}).items():
                out[method].append(rms)
    return {method: np.array(values) for method, values in out.items()}


def _rms_table(rows: Sequence[Compared], families: Sequence[str]) -> str:
    methods = list(rows[0].rms["az_error"])
    lines = [
        "Median over histories of the rms error of the change since the first night [arcsec]",
        f"{'family':<10}{'quantity':<12}{'histories':>9}" + "".join(f"{m:>15}" for m in methods),
    ]
    for family in families:
        for quantity in QUANTITIES:
            rms = _rms_of(rows, family, quantity)
            if rms:
                numbers = "".join(f"{np.median(rms[m]):15.2f}" for m in methods)
                lines.append(f"{family:<10}{quantity:<12}{rms[OWN].size:9d}" + numbers)
    return "\n".join(lines)


def _step_sums(rows: Sequence[Compared], family: str, method: str) -> tuple[Steps, float]:
    own = [row for row in rows if row.family == family]
    counts = [(s.true, s.within_nights, s.within_days, s.false) for s in (row.steps[method] for row in own)]
    return Steps(*(int(total) for total in np.sum(counts, axis=0))), sum(row.years for row in own)


def _step_table(rows: Sequence[Compared], families: Sequence[str]) -> str:
    lines = [
        "Unrecorded steps: told with every place given within 2 nights, told within 40 days, of how many; "
        "false ones a year",
        f"{'family':<10}{'years':>7}" + "".join(f"{m:>27}" for m in (OWN, RUPTURES)),
    ]
    for family in families:
        cells = []
        for method in (OWN, RUPTURES):
            steps, years = _step_sums(rows, family, method)
            told = f"{steps.within_nights} {steps.within_days} of {steps.true}" if steps.true else "none"
            cells.append(f"{told:>17}{steps.false / years:10.2f}")
        lines.append(f"{family:<10}{years:7.0f}" + "".join(cells))
    return "\n".join(lines)


def _wins(rows: Sequence[Compared], families: Sequence[str]) -> str:
    lines = []
    for family in families:
        for quantity in QUANTITIES:
            rms = _rms_of(rows, family, quantity)
            lines += [_win(family, quantity, method, rms) for method in rms if _better(rms, method)]
        lines += _step_wins(rows, family)
    head = "Where another method does better than drift" + (":" if lines else ": nowhere.")
    return "\n".join([head, *(f"  {line}" for line in lines)])


def _better(rms: dict[str, np.ndarray], method: str) -> bool:
    return bool(np.median(rms[method]) < np.median(rms[OWN]))


def _win(family: str, quantity: str, method: str, rms: dict[str, np.ndarray]) -> str:
    share = 100.0 * float(np.mean(rms[method] < rms[OWN]))
    hint = " (told the true steps)" if method == TOLD else ""
    return (
        f"{family}, {quantity}: {method}{hint} {np.median(rms[method]):.2f} against "
        f"{np.median(rms[OWN]):.2f} arcsec, better in {share:.0f} % of {rms[OWN].size} histories"
    )


def _step_wins(rows: Sequence[Compared], family: str) -> list[str]:
    """Return what ruptures does better on the steps of a family."""
    (own, _), (other, _) = (_step_sums(rows, family, method) for method in (OWN, RUPTURES))
    asked: list[tuple[str, Callable[[Steps], int], int]] = [
        ("steps told within 2 nights", lambda s: s.within_nights, 1),
        ("steps told within 40 days", lambda s: s.within_days, 1),
        ("false steps", lambda s: s.false, -1),
    ]
    return [
        f"{family}, {what}: {RUPTURES} {count(other)} against {count(own)}"
        for what, count, sign in asked
        if sign * count(other) > sign * count(own)
    ]
