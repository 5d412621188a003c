"""All readings of the sky -> the axis of each night, with its covariance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from drift.cache import NoStore, Store
from drift.codes import HourAngleZero, Reports, Side, Source, ZeroSharing
from drift.mount.instrument import CONSTANTS
from drift.mount.orientation import hour_angle_and_dec
from drift.night.nights import NightSplit
from drift.night.observations import (
    KEPT,
    Directions,
    NightIndex,
    gather,
    index_nights,
    pointing_piece,
    run_piece,
    sweep_piece,
    tube_sides,
    typed_axes,
)
from drift.night.outliers import NightsSearched, night_squares, search
from drift.night.sightings import POINTING, SOURCE_NAMES, TABLES, Sightings
from drift.night.system import AXIS_PRIOR_SD, SystemLayout
from drift.notices import NightCode, Notice, info, warning
from drift.quantities import DAY_US, Floats
from drift.types import InstrumentConstants, NightAxis, Nights, Readings, SetAside, SkyCovered

# ---- Notice a mount whose own multi-star model has altered the places it reports.
#
# Such a mount takes part of its axis error out of what it reports, so pointing
# solves see too little of it, while sweeps and unguided runs see it all.


#: Pointing and still-axis nights are compared when no further apart than this [days].
NEAR_DAYS = 20.0
#: A disagreement counts when it is larger than both: so many sd, and so many arcsec (a few good nights' sd).
ALARM_SDS, ALARM_ARCSEC = 4.0, 15.0
#: Between two nights the axis may have moved by about this much [arcsec].
BETWEEN_NIGHTS_ARCSEC = 8.0
FEWEST_PAIRS = 3


def disagreement(nights: Nights) -> tuple[Floats, Floats, int]:
    """Return the middle of still-axis minus pointing (az_error, alt_error), its sds, and the pairs."""
    pointing = [n for n in nights.nights if n.has_axis and n.sources == (Source.POINTING,)]
    still = [
        n for n in nights.nights if n.has_axis and n.sources and set(n.sources) <= {Source.SWEEP, Source.RUN}
    ]
    if not pointing:
        return np.zeros(2), np.full(2, np.inf), 0
    times = np.array([n.time_us for n in pointing])
    apart, weight = [], []
    for night in still:
        near = pointing[int(np.argmin(np.abs(times - night.time_us)))]
        if abs(near.time_us - night.time_us) <= NEAR_DAYS * DAY_US:
            apart.append(night.estimate[:2] - near.estimate[:2])
            variance = np.diagonal(night.covariance)[:2] + np.diagonal(near.covariance)[:2]
            weight.append(1.0 / (variance + BETWEEN_NIGHTS_ARCSEC**2))
    if len(apart) < FEWEST_PAIRS:
        return np.zeros(2), np.full(2, np.inf), len(apart)
    w = np.array(weight)
    middle = np.median(
        np.array(apart), axis=0
    )  # a slip between two nights of a pair must not raise the alarm
    return middle, 1.2533 / np.sqrt(w.sum(axis=0)), len(apart)


def modelled_or_not(nights: Nights, reports: str, latitude_rad: float) -> Nights:
    """Say when pointing solves see less of the axis error than sweeps and runs, and go by the latter.

    Parameters
    ----------
    nights
        All nights.
    reports
        ``mount.reports`` of the site file: "raw", "modelled" or "unknown".
    latitude_rad
        Geodetic latitude [rad]; azimuth counts with its cosine.
    """
    middle, sd, pairs = disagreement(nights)
    on_sky = middle * np.array([np.cos(latitude_rad), 1.0])
    noticed = bool(np.any((np.abs(middle) > ALARM_SDS * sd) & (np.abs(on_sky) > ALARM_ARCSEC)))
    if not noticed and reports != Reports.MODELLED:
        return nights
    kept = nights.nights
    still = [n for n in kept if n.has_axis and set(n.sources) & {Source.SWEEP, Source.RUN, Source.TYPED}]
    if len(still) >= FEWEST_PAIRS:
        kept = tuple(_without_axis(n) if n.sources == (Source.POINTING,) else n for n in kept)
    left_out = len(still) >= FEWEST_PAIRS
    if noticed:
        apart = {"az_apart_arcsec": float(middle[0]), "alt_apart_arcsec": float(middle[1])}
        notice = warning(NightCode.REPORTS_ALTERED_BY_SWEEPS, **apart, pairs=pairs, left_out=left_out)
    else:
        notice = warning(NightCode.REPORTS_ALTERED_BY_SITE_FILE, left_out=left_out)
    return replace(nights, nights=kept, notices=(*nights.notices, notice))


def _without_axis(night: NightAxis) -> NightAxis:
    """Return the night with its axis shown but kept out of the history."""
    notice = warning(NightCode.NOT_IN_HISTORY)
    return replace(night, working=np.full(3, np.nan), notices=(*night.notices, notice))


# ---- All readings of the sky -> the axis of each night, with its covariance.


#: A coordinate of the axis less certain than this is called unknown [arcsec]: half the prior's own sd.
UNKNOWN_SD = 0.5 * AXIS_PRIOR_SD
#: An hour-angle zero less certain than this is called unknown [arcsec].
UNKNOWN_ZERO_SD = 36000.0
#: A night's own scatter counts against the instrument's as this many readings.
SCATTER_SHARE = 20.0


def estimate_nights(
    latitude_rad: float,
    split: NightSplit,
    readings: Readings,
    directions: dict[str, Directions],
    zero_is: str,
    store: Store | None = None,
) -> Nights:
    """Estimate the axis of each night from all readings of the sky.

    Parameters
    ----------
    latitude_rad
        Geodetic latitude [rad].
    split
        From `drift.night.nights.split_nights`.
    readings
        All readings.
    directions
        Observed directions of the rows of "solves", "sweeps" and "runs".
    zero_is
        "kept", "synced" or "unknown", from the site file.
    store
        Where what was found about a night is kept for the next time.

    Returns
    -------
    nights
        In time order; empty when there is no reading of the sky.
    """
    solves = readings["solves"]
    ha, _ = hour_angle_and_dec(directions["solves"].enu, latitude_rad)
    side, guessed = tube_sides(solves, ha)
    store = NoStore() if store is None else store
    searched, index = _search(latitude_rad, split, readings, directions, zero_is, side, store)
    if searched is None:
        return Nights()
    notices: list[Notice] = []
    if guessed.any():
        unsided = np.where(guessed, 0.0, side)
        other, _ = _search(latitude_rad, split, readings, directions, zero_is, unsided, store)
        plain = other is not None and _cost(other) < _cost(searched)
        searched = other if plain and other is not None else searched
        code = NightCode.TUBE_SIDE_LEFT_OUT if plain else NightCode.TUBE_SIDE_GUESSED
        notices.append(warning(code, solves=int(guessed.sum())))
    return _collect(searched, index, split, _typed_nights(index, split, readings), tuple(notices))


def _typed_nights(index: NightIndex, split: NightSplit, readings: Readings) -> np.ndarray:
    """Return the index of the night of each typed axis error."""
    return index.of(split, readings["alignments"]["time_us"].to_numpy(dtype=np.int64))


def _cost(searched: NightsSearched) -> float:
    """Return the logarithm of the scatter of pointing solves, to compare fits of the same rows."""
    return float(np.sum(np.log(searched.state.scales.scatter[:2]))) + 1e-6 * float(np.sum(~searched.used))


def _search(
    latitude_rad: float,
    split: NightSplit,
    readings: Readings,
    directions: dict[str, Directions],
    zero_is: str,
    side: np.ndarray,
    store: Store,
) -> tuple[NightsSearched | None, NightIndex]:
    times = [readings[k]["time_us"].to_numpy(dtype=np.int64) for k in (*TABLES, "alignments")]
    index = index_nights(split, times)
    if not index.example_us.size:
        return None, index
    solve_night = index.of(split, times[0])
    pieces = [
        pointing_piece(readings["solves"], directions["solves"], split, solve_night, zero_is, side),
        sweep_piece(readings["sweeps"], directions["sweeps"], latitude_rad),
        run_piece(readings["runs"], directions["runs"], latitude_rad),
    ]
    sightings, sessions = gather(latitude_rad, split, index, pieces)
    eras = int(split.constants_us.size) + 1
    groups = max(int(sessions.group.max(initial=-1)) + 1, 1)  # one is kept even where no session is grouped
    layout = SystemLayout(index.example_us.size, eras, groups, sessions)
    typed = typed_axes(readings["alignments"], _typed_nights(index, split, readings))
    return search(sightings, layout, typed, zero_is == HourAngleZero.KEPT, store), index


def _collect(
    searched: NightsSearched,
    index: NightIndex,
    split: NightSplit,
    typed_night: np.ndarray,
    notices: tuple[Notice, ...],
) -> Nights:
    state, sightings = searched.state, searched.sightings
    inflate = _inflation(searched)
    used_in = np.bincount(sightings.session, searched.used, minlength=searched.sessions.size).astype(int)
    full, own = state.solution.eight_cov(), state.solution.eight_cov(shared=False)
    axis_full, axis_own = state.solution.axis_cov(), state.solution.night_cov
    night_of = searched.sessions.night[sightings.session]
    members = pd.Series(np.arange(sightings.size)).groupby(night_of).indices
    sessions_of = pd.Series(np.arange(searched.sessions.size)).groupby(searched.sessions.night).indices
    out = []
    for n in range(index.example_us.size):
        mine = members.get(n, np.zeros(0, dtype=np.int64))
        session = _zero_session(searched, sessions_of.get(n, np.zeros(0, dtype=np.int64)), used_in)
        estimate = np.append(state.solution.axis[n], np.nan)
        cov, own_cov = _pad(axis_full[n]), _pad(axis_own[n])
        label = ""
        if session >= 0:
            pick = np.ix_([2, 3, 0], [2, 3, 0])
            estimate[2] = state.solution.own[session, 0]
            cov, own_cov = full[session][pick], own[session][pick]
            label = searched.sessions.zero_label[session]
        spread = float(inflate[n])
        found = searched.found.get(n)
        if found is not None:
            cov, own_cov = cov + found.open_cov / spread, own_cov + found.open_cov / spread
        typed_here = typed_night == n
        out.append(
            _night(
                searched,
                index,
                split,
                n,
                mine,
                typed_here.any(),
                estimate,
                cov * spread,
                own_cov * spread,
                label,
                session,
            )
        )
    return Nights(
        nights=tuple(out),
        instruments=_instruments(searched, split),
        set_aside=_set_aside(searched),
        notices=notices,
    )


def _pad(cov: Floats) -> Floats:
    out = np.full((3, 3), np.nan)
    out[:2, :2] = cov
    return out


def _inflation(searched: NightsSearched) -> Floats:
    """Return by how much each night's covariance grows or shrinks with the night's own scatter."""
    square, free = night_squares(searched.sightings, searched.state, searched.used)
    return np.asarray((SCATTER_SHARE + square) / (SCATTER_SHARE + np.maximum(free, 0.0)))


def _zero_session(searched: NightsSearched, sessions: np.ndarray, used_in: np.ndarray) -> int:
    """Choose the session whose hour-angle zero stands for the night: one that shares it, else the longest."""
    pointing = [int(s) for s in sessions if searched.sessions.source[s] == POINTING]
    if not pointing:
        return -1
    return max(
        pointing, key=lambda s: (used_in[s] > 0, searched.sessions.zero_label[s] != "", used_in[s], -s)
    )


def _night(
    searched: NightsSearched,
    index: NightIndex,
    split: NightSplit,
    n: int,
    mine: np.ndarray,
    typed: bool,
    estimate: Floats,
    cov: Floats,
    own_cov: Floats,
    label: str,
    session: int,
) -> NightAxis:
    sightings, used = searched.sightings, searched.used
    good = mine[used[mine]]
    times = sightings.time_us[good] if good.size else np.array([index.example_us[n]])
    sources = [SOURCE_NAMES[k] for k in sorted(set(sightings.source[mine].tolist()))]
    sd = np.sqrt(np.diagonal(cov))
    shown = np.where(sd <= np.array([UNKNOWN_SD, UNKNOWN_SD, UNKNOWN_ZERO_SD]), estimate, np.nan)
    start, end = split.bounds(int(index.example_us[n]))
    sharing = _zero_sharing(searched, session, label)
    return NightAxis(
        start_us=start,
        end_us=end,
        time_us=int(times[0]) + round(float(np.mean(times - times[0]))),
        sources=tuple(sources + ([Source.TYPED] if typed else [])),
        solves_used=int(good.size),
        solves_set_aside=int(mine.size - good.size),
        estimate=shown,
        covariance=cov,
        own_covariance=own_cov,
        zero_label=label,
        zero_sharing=sharing,
        notices=_notices(searched, mine, good, shown, typed),
        working=estimate,
        sky=_sky(sightings, good),
    )


def _zero_sharing(searched: NightsSearched, session: int, label: str) -> ZeroSharing:
    if not label:
        return ZeroSharing.OWN
    homed = searched.sessions.group_class[session] == KEPT
    return ZeroSharing.HOMED if homed else ZeroSharing.SESSION


def _sky(sightings: Sightings, good: np.ndarray) -> SkyCovered | None:
    if not good.size:
        return None
    (ha_low, ha_high), (dec_low, dec_high) = (
        np.degrees([np.min(angle[good]), np.max(angle[good])]).tolist()
        for angle in (sightings.ha, sightings.dec)
    )
    return SkyCovered(hour_angle_deg=(ha_low, ha_high), declination_deg=(dec_low, dec_high))


def _notices(
    searched: NightsSearched, mine: np.ndarray, good: np.ndarray, shown: Floats, typed: bool
) -> tuple[Notice, ...]:
    sightings, out = searched.sightings, []
    pointing = good[sightings.source[good] == POINTING]
    if pointing.size == 1:
        out.append(warning(NightCode.ONE_SOLVE))
    elif pointing.size and sightings.side[pointing[0]] != 0.0 and np.ptp(sightings.side[pointing]) == 0.0:
        side = Side.EAST if sightings.side[pointing[0]] > 0 else Side.WEST
        out.append(info(NightCode.ONE_TUBE_SIDE, tube_side=side))
    for i in searched.starts[np.isin(searched.starts, mine)] if searched.starts.size else ():
        out.append(warning(NightCode.SECOND_SYNC, before_us=int(sightings.time_us[i])))
    runs = good[sightings.source[good] == 2]
    if runs.size:
        minutes = float(np.ptp(sightings.time_us[runs])) / 6.0e7
        out.append(info(NightCode.RUN_ONE_DIRECTION, minutes=minutes))
    if not np.all(np.isfinite(shown[:2])) and not typed:
        nothing = bool(np.all(np.isnan(shown[:2])))
        out.append(warning(NightCode.TOO_LITTLE_FOR_AXIS if nothing else NightCode.HALF_OF_AXIS))
    return tuple(out)


def _instruments(searched: NightsSearched, split: NightSplit) -> tuple[InstrumentConstants, ...]:
    solution, scales = searched.state.solution, searched.state.scales
    edges = [-(2**62), *(int(t) for t in split.constants_us), 2**62]
    eras_seen = set(searched.sessions.era[searched.sessions.source == POINTING].tolist())
    out = []
    for era in sorted(eras_seen):
        block = slice(4 * era, 4 * era + 4)
        classes = searched.sessions.group_class[searched.sessions.era == era]
        repeat = scales.repeat[classes[classes >= 0]].min() if (classes >= 0).any() else float("nan")
        out.append(
            InstrumentConstants(
                start_us=edges[era],
                end_us=edges[era + 1],
                names=CONSTANTS,
                values=solution.constants()[era],
                sds=np.sqrt(np.diagonal(solution.shared_cov)[block]),
                noise_arcsec=float(np.sqrt(np.mean(scales.scatter[:2] ** 2))),
                zero_repeatability_dec_arcsec=float(repeat),
            )
        )
    return tuple(out)


def _set_aside(searched: NightsSearched) -> tuple[SetAside, ...]:
    sightings = searched.sightings
    wrong = [(i, found.rivals) for found in searched.found.values() for i in found.wrong]
    wrong.sort(key=lambda pair: (int(sightings.time_us[pair[0]]), int(sightings.row_id[pair[0]])))
    return tuple(
        SetAside(
            kind=TABLES[int(sightings.source[i])],
            row_id=int(sightings.row_id[i]),
            time_us=int(sightings.time_us[i]),
            reason=warning(NightCode.DISAGREES_PERHAPS if rivals else NightCode.DISAGREES),
        )
        for i, rivals in wrong
    )
