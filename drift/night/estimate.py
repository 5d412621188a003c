"""From all readings of the sky to the axis of each night, with its covariance."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from drift.cache import NoStore, Store
from drift.codes import HourAngleZero, Reports, Side, Source, ZeroSharing
from drift.mount.instrument import CONSTANTS, hour_angle_and_dec
from drift.night.altered_reports import echoes, sees_two_axes
from drift.night.bending import (
    BENDS,
    BENT_CHANCE,
    WORTH_ARCSEC,
    Bending,
    bend_change,
    bending,
    bends_of,
    straightened,
)
from drift.night.clock_hours import clocks_put_right
from drift.night.instrument_changes import instrument_changes, sides_reversed
from drift.night.mount_frame import (
    AS_RECORDED,
)
from drift.night.mount_frame_changes import FrameInTime, frame_in_time
from drift.night.observations import (
    KEPT,
    Assembly,
    Directions,
    NightIndex,
    assemble,
    tube_sides,
    with_still_apart,
    with_target_sessions,
)
from drift.night.outliers import NightsSearched, night_squares, search
from drift.night.prepared import NightSplit
from drift.night.sightings import POINTING, SOURCE_NAMES, TABLES, Sightings
from drift.night.system import AXIS_PRIOR_SD, CONSTANT_PRIOR_SD
from drift.notices import NightCode, Notice, info, warning
from drift.quantities import Bools, Floats, Ints
from drift.types import (
    InstrumentChange,
    InstrumentConstants,
    NightAxis,
    Nights,
    Readings,
    SetAside,
    SkyCovered,
)

# ---- The axis of each night.


#: A coordinate of the axis less certain than this is called unknown [arcsec]: half the prior's own sd.
UNKNOWN_SD = 0.5 * AXIS_PRIOR_SD
#: An hour-angle zero less certain than this is called unknown [arcsec].
UNKNOWN_ZERO_SD = 36000.0
#: A constant is known when its sd is less than this share of what it was beforehand.
LEARNT_SHARE = 0.9
#: Log odds from which a sync on each target of an evening is taken for granted, and what each session more
#: costs: our own rule, the zeros of a night's targets are then known by their own solves alone.
_TARGETS_LOG_ODDS, _TARGETS_PENALTY = 20.0, 1.0
#: After so many rounds no further change of the instrument is sought.
_ROUNDS_OF_CHANGES = 3
#: Bends of the instrument are told where they are so likely, and from so much on [arcsec]: less moves no axis
#: that matters.
_TOLD_CHANCE, _TOLD_ARCSEC = 0.9, 3.0
#: Variance of being on one side of a change or on the other, either as likely, in squares of its size.
EITHER_SIDE = 0.25
#: A night's own scatter counts against the instrument's as this many readings.
SCATTER_SHARE = 20.0


def estimate_nights(
    latitude_rad: float,
    split: NightSplit,
    readings: Readings,
    directions: dict[str, Directions],
    zero_is: str,
    store: Store | None = None,
    clock_changes_us: Ints | None = None,
    whole_log: tuple[int, float] = (0, 0.0),
    reports: str = Reports.UNKNOWN,
) -> Nights:
    """Estimate the axis of each night from all readings of the sky.

    Where the instrument seems to have become another one without a note (`drift.night.instrument_changes`),
    its constants begin anew: see `Nights.instrument_changes`.

    Parameters
    ----------
    latitude_rad
        Geodetic latitude [rad].
    split
        From `drift.night.prepared.split_nights`.
    readings
        All readings.
    directions
        Observed directions of the rows of "solves", "sweeps" and "runs".
    zero_is
        "kept", "synced" or "unknown", from the site file.
    store
        The cache of what was found about each night.
    clock_changes_us
        When summer time begins and ends at the site, sorted; None where that is not known.
    whole_log
        By how many hours the clock of the whole log ran ahead, which `directions` are right for already, and
        the log odds, from `drift.night.log_zone`.
    reports
        ``mount.reports`` of the site file: a model inside the mount may bring its places as near to the
        solves as a sync does.

    Returns
    -------
    nights
        In time order; empty when there is no reading of the sky.
    """
    store = NoStore() if store is None else store
    aside: list[SetAside] = []
    told: list[Notice] = []
    if reports != Reports.MODELLED:
        readings, directions, aside, told = _without_echoes(readings, directions, split, latitude_rad)
    rest = (readings, directions, zero_is, store, clock_changes_us, whole_log)
    known: tuple[InstrumentChange, ...] = ()
    nights = _estimated(latitude_rad, split, *rest)
    for _ in range(_ROUNDS_OF_CHANGES):
        if not nights.instrument_changes:
            break
        known = tuple(sorted((*known, *nights.instrument_changes), key=lambda one: one.from_us))
        nights = _estimated(latitude_rad, split.restarted([one.from_us for one in known]), *rest, known)
    told += [*(_change_notice(one) for one in known), *nights.notices]
    return replace(
        nights, instrument_changes=known, notices=tuple(told), set_aside=(*aside, *nights.set_aside)
    )


def _without_echoes(
    readings: Readings, directions: dict[str, Directions], split: NightSplit, latitude_rad: float
) -> tuple[Readings, dict[str, Directions], list[SetAside], list[Notice]]:
    """Leave out solves whose places of the mount are the solves' own; return what is said of them."""
    solves, seen = readings["solves"], directions["solves"]
    time_us = solves["time_us"].to_numpy(dtype=np.int64)
    day = split.day(time_us)
    out = echoes(solves, seen, day, latitude_rad)
    if not out.any():
        return readings, directions, [], []
    reason = warning(NightCode.ECHOES_SOLVE)
    rows = zip(solves["row_id"][out], time_us[out], strict=True)
    aside = [SetAside(kind="solves", row_id=int(row), time_us=int(time), reason=reason) for row, time in rows]
    told = warning(
        NightCode.MOUNT_ECHOES_SOLVES,
        solves=int(out.sum()),
        of_solves=len(solves),
        nights=int(np.unique(day[out]).size),
        first_us=int(time_us[out].min()),
        last_us=int(time_us[out].max()),
    )
    fewer = Readings({**readings.tables, "solves": solves[~out].reset_index(drop=True)}, readings.readings_id)
    return fewer, {**directions, "solves": seen.picked(~out)}, aside, [told]


def _change_notice(change: InstrumentChange) -> Notice:
    if change.bends:
        return warning(
            NightCode.BENDS_CHANGED,
            after_us=change.after_us,
            before_us=change.before_us,
            log_odds=change.log_odds,
        )
    if sides_reversed(change):
        return warning(
            NightCode.TUBE_SIDES_REVERSED,
            after_us=change.after_us,
            before_us=change.before_us,
            log_odds=change.log_odds,
        )
    jump = dict(zip(CONSTANTS, np.subtract(change.new, change.old).tolist(), strict=True))
    return warning(
        NightCode.INSTRUMENT_CHANGED,
        after_us=change.after_us,
        before_us=change.before_us,
        **{f"{name}_arcsec": jump[name] for name in CONSTANTS},
        log_odds=change.log_odds,
    )


def _estimated(
    latitude_rad: float,
    split: NightSplit,
    readings: Readings,
    directions: dict[str, Directions],
    zero_is: str,
    store: Store,
    clock_changes_us: Ints | None,
    whole_log: tuple[int, float],
    known: tuple[InstrumentChange, ...] = (),
) -> Nights:
    """Estimate all nights; its `instrument_changes` are those besides the `known` ones of `split`."""
    ha, _ = hour_angle_and_dec(directions["solves"].enu, latitude_rad)
    side, guessed = tube_sides(readings["solves"], ha)
    of_places: list[Notice] = []
    frame = frame_in_time(latitude_rad, split, readings, directions, zero_is, side)
    if not frame.as_recorded:
        solves = frame.taken(readings["solves"], directions["solves"], latitude_rad)
        readings = Readings({**readings.tables, "solves": solves}, readings.readings_id)
        of_places += _places_notices(frame)

    keeps_zeros = zero_is == HourAngleZero.KEPT
    together = _put_together(latitude_rad, split, readings, directions, zero_is, (side, guessed), store)
    if together is None:
        return Nights()
    put, searched, notices = together.put, together.searched, list(together.notices)
    sides_logged = not guessed.any()

    def again(sightings: Sightings) -> NightsSearched:
        return search(
            replace(sightings, session=put.sightings.session), put.layout, put.typed, keeps_zeros, store
        )

    right = clocks_put_right(searched, again, sides_logged, clock_changes_us, whole_log)
    searched = right.searched
    bent = bending(searched.sightings, searched.state, put.typed)
    size = np.abs(bends_of(searched.sightings, searched.sighting_era, bent.values))[searched.used]
    if bent.chance >= BENT_CHANCE and size.max(initial=0.0) >= WORTH_ARCSEC:
        searched = again(straightened(searched.sightings, searched.sighting_era, bent.values))
        still = bending(searched.sightings, searched.state, put.typed)
        bent = replace(bent, axis=still.axis, zero=still.zero)
        if bent.chance >= _TOLD_CHANCE and size.max() >= _TOLD_ARCSEC:
            across, dec = size.max(axis=0).tolist()
            told = {"chance": bent.chance, "across_arcsec": across, "dec_arcsec": dec}
            notices.append(info(NightCode.INSTRUMENT_BENDS, **told))
    else:
        bent = bent.left_alone()
    nights = _collect(searched, put.index, split, put.typed.night, tuple(notices), bent, known)
    nights = replace(nights, set_aside=(*nights.set_aside, *together.doubted))
    nights = _with_clocks(nights, right.hours, right.log_odds, right.left_open)
    if not frame.as_recorded:
        read = frame.of(np.array([night.time_us for night in nights.nights], dtype=np.int64))
        pairs = zip(nights.nights, read, strict=True)
        wider = (_less_certain(n, latitude_rad, *frame.uncertain_by(how)) for n, how in pairs)
        nights = replace(nights, nights=tuple(wider))
    return replace(
        nights,
        notices=(*of_places, *nights.notices),
        instrument_changes=_changes(searched, bent.values),
    )


def _changes(searched: NightsSearched, bends: Floats) -> tuple[InstrumentChange, ...]:
    """Return the jumps of the constants; where there are none, a change of how the instrument bends."""
    found = instrument_changes(searched.sightings, searched.state, searched.used)
    change = None if found else bend_change(searched.sightings, searched.state, searched.used, bends)
    if change is None:
        return found
    era = searched.sighting_era[searched.sightings.time_us == change.from_us][0]
    constants = tuple(searched.state.solution.constants()[era].tolist())
    return (InstrumentChange(**change._asdict(), old=constants, new=constants, bends=True),)


@dataclass(frozen=True)
class _Together:
    """Nights put together in the way that fits them best, their fit, and what is said of it."""

    put: Assembly
    searched: NightsSearched
    notices: tuple[Notice, ...]
    doubted: list[SetAside]  # typed axis errors that the other readings contradict


def _put_together(
    latitude_rad: float,
    split: NightSplit,
    readings: Readings,
    directions: dict[str, Directions],
    zero_is: str,
    sides: tuple[Floats, Bools],
    store: Store,
) -> _Together | None:
    """Try what each night is made of: sweeps apart from solves, a session a target, a tube without sides.

    Each try keeps what the ones before it found.  `sides` are the tube sides, and which had to be guessed;
    None is returned where there are no readings.
    """
    keeps_zeros = zero_is == HourAngleZero.KEPT
    side, guessed = sides

    def put_as(side: Floats, still_apart: bool, at_targets: bool, believed: Bools | None) -> Assembly | None:
        held = _with_targets(split, readings) if at_targets else readings
        if held is None:
            return None
        zeros = HourAngleZero.SYNCED if at_targets else zero_is
        out = assemble(latitude_rad, split, held, directions, zeros, side, at_targets)
        if out is None:
            return None
        if believed is not None:
            out = replace(out, typed=out.typed.picked(believed))
        return with_still_apart(out) if still_apart else out

    def searched_as(put: Assembly) -> NightsSearched:
        return search(put.sightings, put.layout, put.typed, keeps_zeros, store)

    put = put_as(side, False, False, None)
    if put is None:
        return None
    searched = searched_as(_without_judged(put))
    still_apart = sees_two_axes(searched.sightings, searched.state)
    if still_apart:
        put = with_still_apart(put)
        searched = searched_as(_without_judged(put))
    believed, doubted = _typed_judged(put, searched, readings["alignments"])
    if np.any(believed & _seen_otherwise(put)):
        searched = searched_as(replace(put, typed=put.typed.picked(believed)))
    put = replace(put, typed=put.typed.picked(believed))
    notices: list[Notice] = []
    at_targets = False
    targets = None if keeps_zeros else put_as(side, still_apart, True, believed)
    if targets is not None:
        apart = searched_as(targets)
        odds = _log_odds_of(apart, searched)
        if odds >= _TARGETS_LOG_ODDS:
            put, searched, at_targets = targets, apart, True
            notices.append(info(NightCode.SYNCED_AT_TARGETS, log_odds=odds))
    if guessed.any():
        one_side = np.where(guessed, 1.0, side)  # a fork's tube stays on one side of its axis
        fork = put_as(one_side, still_apart, at_targets, believed)
        other = None if fork is None else searched_as(fork)
        plain = other is not None and _cost(other) < _cost(searched)
        if plain and other is not None and fork is not None:
            put, searched = fork, other
        code = NightCode.TUBE_SIDE_LEFT_OUT if plain else NightCode.TUBE_SIDE_GUESSED
        notices.append(warning(code, solves=int(guessed.sum())))
    return _Together(put, searched, tuple(notices), doubted)


#: A typed axis error further than so many sds from what the night's solves say is set aside: well beyond what
#: an alignment aid does when it is read badly.
TYPED_STRAY_SDS = 6.0
#: Where the same number over this agrees, arcseconds were typed for arcminutes.
TYPED_OVER = 60.0
#: How near such a number agrees [arcsec]: an alignment aid that reads in arcseconds.
_NEAR_SD = 10.0


def _seen_otherwise(put: Assembly) -> Bools:
    """Return which typed axis errors stand on a night that other readings see."""
    return np.isin(put.typed.night, put.layout.sessions.night)


def _without_judged(put: Assembly) -> Assembly:
    """Return it without the typed axis errors that other readings of their night can judge."""
    return replace(put, typed=put.typed.picked(~_seen_otherwise(put)))


def _typed_judged(put: Assembly, alone: NightsSearched, table: pd.DataFrame) -> tuple[Bools, list[SetAside]]:
    """Return which typed axis errors agree with the readings of their night, and the others with the reason.

    They are judged by a fit without them, `alone`: an axis error of 100' for 100", believed to half an
    arcminute, would bend the whole night to it.
    """
    typed, seen = put.typed, _seen_otherwise(put)
    if not seen.any():
        return np.ones(typed.night.size, dtype=bool), []
    axis, cov = alone.state.solution.axis[typed.night], alone.state.solution.axis_cov()[typed.night]
    values = np.column_stack([typed.az_error, typed.alt_error])
    variance = np.diagonal(cov, axis1=1, axis2=2) + typed.sd[:, None] ** 2
    scaled_variance = np.diagonal(cov, axis1=1, axis2=2) + (typed.sd[:, None] / TYPED_OVER) ** 2 + _NEAR_SD**2
    believed = ~seen | (np.sum((values - axis) ** 2 / variance, axis=1) < TYPED_STRAY_SDS**2)
    over = np.sum((values / TYPED_OVER - axis) ** 2 / scaled_variance, axis=1) < TYPED_STRAY_SDS**2
    out = []
    for i in np.flatnonzero(~believed).tolist():
        code = NightCode.TYPED_IN_ARCSEC if over[i] else NightCode.TYPED_DISAGREES
        reason = warning(
            code,
            az_arcmin=float(values[i, 0]) / 60.0,
            alt_arcmin=float(values[i, 1]) / 60.0,
            az_seen_arcmin=float(axis[i, 0]) / 60.0,
            alt_seen_arcmin=float(axis[i, 1]) / 60.0,
        )
        row = table.iloc[i]
        out.append(
            SetAside(kind="alignments", row_id=int(row["row_id"]), time_us=int(row["time_us"]), reason=reason)
        )
    return believed, out


def _with_clocks(nights: Nights, hours: Ints, odds: Floats, open_cov: Floats) -> Nights:
    """Mark the nights whose times were moved, and widen those whose clock is uncertain."""
    out, notices = [], []
    for n, night in enumerate(nights.nights):
        if not hours[n] and not open_cov[n].any():
            out.append(night)
            continue
        wider = np.zeros((3, 3))
        wider[:2, :2] = open_cov[n]
        moved = (warning(NightCode.TIMES_MOVED, hours=-int(hours[n])),) if hours[n] else ()
        out.append(
            replace(
                night,
                covariance=night.covariance + wider,
                own_covariance=night.own_covariance + wider,
                notices=(*night.notices, *moved),
                clock_hours=int(hours[n]),
            )
        )
    edges = np.flatnonzero(np.diff(hours, prepend=0, append=0))
    for start, end in zip(edges[:-1], edges[1:], strict=True):
        if hours[start]:
            notices.append(_clock_notice(out[start:end], int(hours[start]), float(odds[start:end].sum())))
    return replace(
        nights,
        nights=tuple(out),
        notices=(*nights.notices, *notices),
    )


def _clock_notice(nights: list[NightAxis], hours: int, log_odds: float) -> Notice:
    return warning(
        NightCode.CLOCK_OFF_BY_HOURS,
        hours=hours,
        nights=len(nights),
        log_odds=log_odds,
        first_us=nights[0].time_us,
        last_us=nights[-1].time_us,
    )


def _less_certain(night: NightAxis, latitude_rad: float, own_sd: float, common_sd: float) -> NightAxis:
    """Widen a night whose mount places were reinterpreted, by what mounts may or may not correct for."""
    if Source.POINTING not in night.sources:
        return night
    on_sky = np.diag([1.0 / np.cos(latitude_rad) ** 2, 1.0, 0.0])
    return replace(
        night,
        covariance=night.covariance + (own_sd**2 + common_sd**2) * on_sky,
        own_covariance=night.own_covariance + own_sd**2 * on_sky,
    )


def _places_notices(frame: FrameInTime) -> list[Notice]:
    """Return what is said of places that were not taken as they were recorded."""
    if len(frame.stretches) > 1:
        ends = [one.from_us for one in frame.stretches[1:]] + [None]
        return [
            warning(
                NightCode.MOUNT_PLACES_CHANGED,
                from_us=one.from_us or None,
                until_us=end,
                j2000=one.places.j2000,
                airless=one.places.airless,
                astrometric=one.places.astrometric,
                log_odds=frame.log_odds,
            )
            for one, end in zip(frame.stretches, ends, strict=True)
            if one.places != AS_RECORDED
        ]
    places, whole = frame.stretches[0].places, frame.whole
    if whole is None:
        return []
    scatter = {"scatter_arcsec": whole.scatter[AS_RECORDED], "scatter_as_taken_arcsec": whole.scatter[places]}
    if places.j2000:
        return [
            warning(
                NightCode.MOUNT_PLACES_J2000,
                **scatter,
                airless=places.airless,
                astrometric=places.astrometric,
            )
        ]
    return [warning(NightCode.MOUNT_PLACES_WITHOUT_AIR, **scatter)]


def _with_targets(split: NightSplit, readings: Readings) -> Readings | None:
    """Return readings with a session for each target of an evening; None where evenings are not so."""
    day = split.day(readings["solves"]["time_us"].to_numpy(dtype=np.int64))
    solves = with_target_sessions(readings["solves"], day)
    return None if solves is None else Readings({**readings.tables, "solves": solves}, readings.readings_id)


def _log_odds_of(one: NightsSearched, other: NightsSearched) -> float:
    """Return the log odds of a fit with more sessions against one with fewer, by how solves scatter."""
    solves = int(np.sum(one.used & (one.sightings.source == POINTING)))
    more = one.sessions.size - other.sessions.size
    gain = float(np.sum(np.log(other.state.scales.scatter[:2] / one.state.scales.scatter[:2])))
    return (solves - 2 * one.sessions.size) * gain - 0.5 * more * _TARGETS_PENALTY


def _cost(searched: NightsSearched) -> float:
    """Return the logarithm of the scatter of pointing solves, to compare fits of the same rows."""
    return float(np.sum(np.log(searched.state.scales.scatter[:2]))) + 1e-6 * float(np.sum(~searched.used))


def _collect(
    searched: NightsSearched,
    index: NightIndex,
    split: NightSplit,
    typed_night: np.ndarray,
    notices: tuple[Notice, ...],
    bent: Bending,
    changes: tuple[InstrumentChange, ...],
) -> Nights:
    state, sightings = searched.state, searched.sightings
    inflate = _inflation(searched)
    used_in = np.bincount(sightings.session, searched.used, minlength=searched.sessions.size).astype(int)
    beside_others = searched.sessions.size > 0  # other nights don't share what an alignment aid is off by
    varying = state.solution.varying_cov(with_aid=beside_others)
    full, own = state.solution.ten_cov(), state.solution.ten_cov(varying)
    axis_full, axis_own = state.solution.axis_cov(), state.solution.axis_cov(varying)
    night_of = searched.sessions.night[sightings.session]
    members = pd.Series(np.arange(sightings.size)).groupby(night_of).indices
    sessions_of = pd.Series(np.arange(searched.sessions.size)).groupby(searched.sessions.night).indices
    none = np.zeros(0, dtype=np.int64)
    nights = range(index.example_us.size)
    session_of = np.array([_zero_session(searched, sessions_of.get(n, none), used_in) for n in nights])
    bends, own_bends = _bend_covs(bent, session_of, split.era(index.example_us))
    doubtful = doubtful_bends(bent, session_of, split.era(index.example_us), index.example_us, changes)
    bends, own_bends = bends + doubtful, own_bends + doubtful
    out = []
    for n in nights:
        mine, session = members.get(n, none), int(session_of[n])
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
                cov * spread + bends[n],
                own_cov * spread + own_bends[n],
                label,
                session,
            )
        )
    return Nights(
        nights=tuple(out),
        instruments=_instruments(searched, split, bent.values.reshape(-1, BENDS)),
        set_aside=_set_aside(searched),
        notices=notices,
    )


def _bend_covs(bent: Bending, session_of: Ints, era: Ints) -> tuple[Floats, Floats]:
    """Return what uncertain bends add to each night's covariance, and to what is its own, (n, 3, 3) each.

    Nights of one instrument that saw the same part of the sky are moved alike; a night's own is by how much
    it differs from them.
    """
    pull = bent.pulls(session_of)
    usual = np.zeros_like(pull)
    for one in np.unique(era):
        usual[era == one] = pull[era == one].mean(axis=0)
    return bent.spread(pull), bent.spread(pull - usual)


def doubtful_bends(
    bent: Bending, session_of: Ints, era: Ints, time_us: Ints, changes: tuple[InstrumentChange, ...]
) -> Floats:
    """Return what is added to nights that may be on either side of a change of the bends, (n, 3, 3).

    Parameters
    ----------
    bent
        The bends of each era, as they were taken off.
    session_of
        As for `Bending.pulls`.
    era, time_us
        (n,) the instrument's era of each night, and when it was.
    changes
        Those that are known.
    """
    pull, values = bent.pulls(session_of), bent.values.reshape(-1, BENDS)
    out = np.zeros((era.size, 3, 3))
    for change in changes:
        between = change.bends & (time_us > change.after_us) & (time_us < change.before_us)
        for n in np.flatnonzero(between).tolist():
            own = int(era[n])
            other = own - 1 if time_us[n] >= change.from_us else own + 1
            moved = pull[n][:, BENDS * own : BENDS * (own + 1)] @ (values[other] - values[own])
            out[n] += EITHER_SIDE * np.outer(moved, moved)
    return out


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


def _instruments(
    searched: NightsSearched, split: NightSplit, bends: Floats
) -> tuple[InstrumentConstants, ...]:
    solution, scales = searched.state.solution, searched.state.scales
    edges = [-(2**62), *(int(t) for t in split.constants_us), 2**62]
    eras_seen = set(searched.sessions.era[searched.sessions.source == POINTING].tolist())
    out = []
    for era in sorted(eras_seen):
        block = slice(4 * era, 4 * era + 4)
        classes = searched.sessions.group_class[searched.sessions.era == era]
        repeat = scales.repeat[classes[classes >= 0]].min() if (classes >= 0).any() else float("nan")
        values, sds = _learnt(solution.constants()[era], np.sqrt(np.diagonal(solution.shared_cov)[block]))
        out.append(
            InstrumentConstants(
                start_us=edges[era],
                end_us=edges[era + 1],
                names=CONSTANTS,
                values=values,
                sds=sds,
                noise_arcsec=float(np.sqrt(np.mean(scales.scatter[:2] ** 2))),
                zero_repeatability_dec_arcsec=float(repeat),
                bends=bends[era] if bends[era].any() else None,
            )
        )
    return tuple(out)


def _learnt(values: Floats, sds: Floats) -> tuple[Floats, Floats]:
    """Leave out constants that the readings say nothing about: on a fork, differences between tube sides."""
    known = sds < LEARNT_SHARE * CONSTANT_PRIOR_SD
    return np.where(known, values, np.nan), np.where(known, sds, np.nan)


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
