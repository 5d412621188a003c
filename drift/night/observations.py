"""Each kind of log as sightings, and all of them put together for the fit of nights."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from drift.codes import HourAngleZero
from drift.mount.instrument import hour_angle_and_dec
from drift.night.prepared import NightSplit
from drift.night.sightings import POINTING, RUN, SWEEP, TABLES, Sessions, Sightings, make_sightings
from drift.night.system import SystemLayout, Typed
from drift.quantities import ARCSEC_PER_RAD, Bools, Floats, Ints
from drift.sky.air import AirTaken, NightAir, air_of_nights, joined_air
from drift.types import Readings

# ---- Pieces: the sightings of one kind of log before they are put together.


@dataclass(frozen=True)
class Directions:
    """Where each row of a table was seen: observed direction and sidereal time."""

    enu: Floats  # (n, 3)
    last_rad: Floats  # (n,) local apparent sidereal time
    air: AirTaken | None = None  # the air assumed for each row; None: as if it had been measured

    def picked(self, pick: Bools) -> Directions:
        """Return some of the rows."""
        air = None if self.air is None else self.air.rows(pick)
        return Directions(self.enu[pick], self.last_rad[pick], air)


@dataclass(frozen=True)
class Piece:
    """Sightings of one kind with the names of their sessions.

    `session_key` names the session within the night; the other per-session
    facts are given per sighting and are equal within a session.
    """

    source: int
    row_id: Ints
    time_us: Ints
    enu: Floats
    mech_ha_rad: Floats
    mech_dec_rad: Floats
    side: Floats
    session_key: np.ndarray  # (n,) text
    zero_label: np.ndarray  # (n,) text, "" its own
    group_key: np.ndarray  # (n,) text, "" none
    group_class: Ints  # (n,) 0 kept, 1 set by a sync, 2 one label, -1 none
    may_hold_sync: np.ndarray  # (n,) bool
    remarks: tuple[str, ...] = field(default=())


def still_piece(
    source: int, row_id: Ints, time_us: Ints, enu: Floats, start_rad: Floats, key: np.ndarray
) -> Piece:
    """Return a piece of sightings with a still declination axis and no reading of the hour angle."""
    n = row_id.size
    blank = np.full(n, "", dtype=object)
    return Piece(
        source,
        row_id,
        time_us,
        enu,
        mech_ha_rad=np.full(n, np.nan),
        mech_dec_rad=start_rad,
        side=np.zeros(n),
        session_key=key,
        zero_label=blank,
        group_key=blank,
        group_class=np.full(n, -1),
        may_hold_sync=np.zeros(n, dtype=bool),
    )


# ---- Pointing solves: the mount's own coordinates against the solved place.


#: Classes of sessions by how their declination zeros repeat.
KEPT, SYNCED, LABELLED = range(3)


def pointing_piece(
    table: pd.DataFrame,
    directions: Directions,
    split: NightSplit,
    night: Ints,
    zero_is: str,
    side: np.ndarray,
    at_targets: bool = False,
) -> Piece:
    """Turn pointing solves into sightings.

    Parameters
    ----------
    table
        ``readings["solves"]``.
    directions
        Observed direction and sidereal time of each row.
    night
        Index of each row's night, (n,).
    zero_is
        ``mount.hour_angle_zero`` of the site file: "kept", "synced" or "unknown".
    side
        Tube side of each row, +1 east, -1 west, 0 none.
    at_targets
        Whether the mount is synced on each target: its zeros there are what the axis makes of that place, and
        scatter about no mean.

    Notes
    -----
    The mount's right ascension is of date and rests on apparent sidereal time,
    so its mechanical hour angle is LAST minus that right ascension.
    """
    time_us = table["time_us"].to_numpy(dtype=np.int64)
    label = table["session"].to_numpy(dtype=object)
    before = table["before_sync"].to_numpy(dtype=float) == 1.0
    mech_ha = directions.last_rad - np.radians(table["mount_ra_deg"].to_numpy(dtype=float))
    mech_dec = np.radians(table["mount_dec_deg"].to_numpy(dtype=float))
    labelled = label != ""
    spanning = labelled & ~before & np.isin(label, _spanning_labels(label, night))
    kept = (zero_is != HourAngleZero.SYNCED) | before
    epoch = np.array([f"epoch {e}" for e in split.epoch(time_us)], dtype=object)
    era = np.array([f"era {e}" for e in split.era(time_us)], dtype=object)
    named = np.array([f"session {text}" for text in label], dtype=object)
    zero_label = np.where(kept, epoch, np.where(spanning, named, ""))
    group_key = np.where(kept, epoch, np.where(spanning, named, era))
    group_class = np.where(kept, KEPT, np.where(spanning, LABELLED, SYNCED))
    if at_targets:
        alone = ~kept & ~spanning
        group_key, group_class = np.where(alone, "", group_key), np.where(alone, -1, group_class)
    key = np.array([f"{text}|{int(b)}" for text, b in zip(label, before, strict=True)], dtype=object)
    return Piece(
        POINTING,
        table["row_id"].to_numpy(dtype=np.int64),
        time_us,
        directions.enu,
        mech_ha,
        mech_dec,
        side,
        session_key=key,
        zero_label=zero_label,
        group_key=group_key,
        group_class=group_class,
        may_hold_sync=~labelled & ~before,
    )


#: A target is another one when it lies further than this from the one before [rad]: common practice, more
#: than a field.
NEXT_TARGET = np.radians(1.0)
#: Targets with so many solves each, on this share of the solves, make an evening of imaging.
SOLVES_A_TARGET, SHARE_ON_TARGETS = 3, 0.5


def with_target_sessions(solves: pd.DataFrame, day: Ints) -> pd.DataFrame | None:
    """Return solves with a session for each target of an evening; None where evenings are not of that kind.

    Who images three targets in a night syncs on each.  A few such syncs hide in the scatter, and an axis that
    is off then shows too small.

    Parameters
    ----------
    solves
        Pointing solves; those that have a session keep it.
    day
        (n,) the night of each.
    """
    order = np.lexsort((solves["time_us"].to_numpy(dtype=np.int64), day))
    ra, dec = (np.radians(solves[name].to_numpy(dtype=float))[order] for name in ("ra_deg", "dec_deg"))
    place = np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=1)
    night = day[order]
    new = np.ones(order.size, dtype=bool)
    new[1:] = (np.diff(night) != 0) | (np.sum(place[1:] * place[:-1], axis=1) < np.cos(NEXT_TARGET))
    target = np.cumsum(new) - 1
    long = np.bincount(target, minlength=1)[target] >= SOLVES_A_TARGET
    counts = pd.DataFrame({"night": night[long], "target": target[long]}).groupby("night")["target"].nunique()
    several = np.isin(night, counts.index[counts.to_numpy() > 1])
    if not order.size or np.mean(long & several) < SHARE_ON_TARGETS:
        return None
    label = solves["session"].to_numpy(dtype=object).copy()
    free = (label[order] == "") & (solves["before_sync"].to_numpy(dtype=float)[order] != 1.0)
    label[order[free]] = [f"target {number}" for number in target[free].tolist()]
    return solves.assign(session=label)


def _spanning_labels(label: np.ndarray, night: Ints) -> list[str]:
    """Return the labels that are used on more than one night."""
    pairs = pd.DataFrame({"label": label, "night": night}).drop_duplicates()
    counts = pairs[pairs["label"] != ""].groupby("label").size()
    return [str(name) for name in counts[counts > 1].index]


def tube_sides(table: pd.DataFrame, hour_angle_rad: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return tube sides (+1 east, -1 west) and where they had to be taken from the hour angle.

    A tube on the east side looks west; where the log is silent, a solve west of the meridian is taken to be
    from the east side.
    """
    text = table["tube_side"].to_numpy(dtype=object)
    logged = np.where(text == "east", 1.0, np.where(text == "west", -1.0, 0.0))
    guessed = logged == 0.0
    return np.where(guessed, np.where(hour_angle_rad >= 0.0, 1.0, -1.0), logged), guessed


# ---- Sweeps: declination clamped, several hour angles; the mount's coordinates are not needed.
#
# A mount that only turns about its polar axis P keeps the observed direction v
# at one distance from it: v . P is constant within a sweep.


def sweep_piece(table: pd.DataFrame, directions: Directions, latitude_rad: float) -> Piece:
    """Turn the solves of sweeps into sightings; one session a label."""
    label = table["sweep"].to_numpy(dtype=object)
    _, dec = hour_angle_and_dec(directions.enu, latitude_rad)
    start = pd.Series(dec).groupby(label).transform("median").to_numpy(dtype=float)
    key = np.array([f"sweep {text}" for text in label], dtype=object)
    return still_piece(
        SWEEP,
        table["row_id"].to_numpy(dtype=np.int64),
        table["time_us"].to_numpy(dtype=np.int64),
        directions.enu,
        start,
        key,
    )


# ---- Unguided runs: how one star drifts against the tracking mount.
#
# The star's declination in the mount's frame changes by what it is seen to move
# north against the mount, so that place plus movement is constant.  Over a short
# arc only one direction of the axis is well measured; the covariance says so.
# Movement in right ascension holds the drive's errors as well and is not used.


def one_place_a_run(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with each run's star at one place: the first one given.

    The movement is in the offsets; places solved again on every frame would
    count it twice.
    """
    if table.empty:
        return table
    table = table.copy()
    ordered = table.sort_values(["time_us", "row_id"], kind="stable")
    first = ordered.groupby("run")[["ra_deg", "dec_deg"]].transform("first")
    table[["ra_deg", "dec_deg"]] = first.reindex(table.index)
    return table


def run_piece(table: pd.DataFrame, directions: Directions, latitude_rad: float) -> Piece:
    """Turn the points of unguided runs into sightings; one session a label."""
    label = table["run"].to_numpy(dtype=object)
    _, dec = hour_angle_and_dec(directions.enu, latitude_rad)
    start = pd.Series(dec).groupby(label).transform("median").to_numpy(dtype=float)
    moved = table["dec_offset_arcsec"].to_numpy(dtype=float) / ARCSEC_PER_RAD
    key = np.array([f"run {text}" for text in label], dtype=object)
    return still_piece(
        RUN,
        table["row_id"].to_numpy(dtype=np.int64),
        table["time_us"].to_numpy(dtype=np.int64),
        directions.enu,
        start + moved,
        key,
    )


# ---- Axis errors typed in by hand: taken as they are, with the stated uncertainty.


#: Standard deviation of a typed axis error that comes without one [arcsec]: common practice, an
#: alignment aid repeats to about half an arcminute in each coordinate.
TYPED_SD_ARCSEC = 30.0


def typed_axes(table: pd.DataFrame, night: Ints) -> Typed:
    """Turn typed axis errors [arcmin] into direct sightings of the axis [arcsec]."""
    sigma = table["sigma_arcmin"].to_numpy(dtype=float) * 60.0
    return Typed(
        night,
        table["az_error_arcmin"].to_numpy(dtype=float) * 60.0,
        table["alt_error_arcmin"].to_numpy(dtype=float) * 60.0,
        np.where(np.isfinite(sigma), sigma, TYPED_SD_ARCSEC),
    )


# ---- Put the pieces of all logs together: nights, sessions and sightings.


@dataclass(frozen=True)
class NightIndex:
    """All nights that any reading of the sky belongs to, in time order."""

    key: Ints  # (n, 2) noon-to-noon day, how many corrections came before
    example_us: Ints  # (n,) a time within each

    def of(self, split: NightSplit, time_us: Ints) -> Ints:
        """Return the index of the night of each time.

        Raises
        ------
        KeyError
            If a time belongs to none.
        """
        known, wanted = _one_number(split, *self.key.T), _one_number(split, *_days_and_parts(split, time_us))
        at = np.minimum(np.searchsorted(known, wanted), max(known.size - 1, 0))
        if wanted.size and (not known.size or np.any(known[at] != wanted)):
            raise KeyError("a time lies in no night")
        return np.asarray(at, dtype=np.int64)


def _days_and_parts(split: NightSplit, time_us: Ints) -> tuple[Ints, Ints]:
    return split.day(time_us), split.part(time_us)


def _one_number(split: NightSplit, day: Ints, part: Ints) -> Ints:
    """Return a number for each part of a day, in order of time."""
    return np.asarray(day * (split.correction_us.size + 1) + part)


def index_nights(split: NightSplit, times_us: list[Ints]) -> NightIndex:
    """Number the nights of all times given."""
    times = np.concatenate([np.zeros(0, dtype=np.int64), *times_us])
    day, part = _days_and_parts(split, times)
    _, first = np.unique(_one_number(split, day, part), return_index=True)
    return NightIndex(np.stack([day[first], part[first]], axis=1), times[first])


def gather(
    latitude_rad: float, split: NightSplit, index: NightIndex, pieces: list[Piece]
) -> tuple[Sightings, Sessions]:
    """Join pieces into sightings ordered by session, and describe the sessions."""
    frame = pd.DataFrame(
        {
            "night": np.concatenate([index.of(split, p.time_us) for p in pieces]),
            "source": np.concatenate([np.full(p.row_id.size, p.source) for p in pieces]),
            "key": np.concatenate([p.session_key for p in pieces]),
            "era": np.concatenate([split.era(p.time_us) for p in pieces]),
            "zero_label": np.concatenate([p.zero_label for p in pieces]),
            "group": np.concatenate([p.group_key for p in pieces]),
            "group_class": np.concatenate([p.group_class for p in pieces]),
            "may_hold_sync": np.concatenate([p.may_hold_sync for p in pieces]),
        }
    )
    frame["session"] = frame.groupby(["night", "source", "key"], sort=True).ngroup()
    first = frame.drop_duplicates("session").sort_values("session")
    groups = {name: i for i, name in enumerate(sorted({g for g in first["group"] if g}))}
    sessions = Sessions(
        night=first["night"].to_numpy(dtype=np.int64),
        era=first["era"].to_numpy(dtype=np.int64),
        source=first["source"].to_numpy(dtype=np.int64),
        group=np.array([groups.get(g, -1) for g in first["group"]], dtype=np.int64),
        group_class=first["group_class"].to_numpy(dtype=np.int64),
        zero_label=tuple(str(z) for z in first["zero_label"]),
        may_hold_sync=first["may_hold_sync"].to_numpy(dtype=bool),
    )

    def joined(name: str) -> Any:
        return np.concatenate([getattr(p, name) for p in pieces])

    sightings = make_sightings(
        latitude_rad,
        frame["source"].to_numpy(dtype=np.int64),
        joined("row_id"),
        joined("time_us"),
        joined("enu"),
        joined("mech_ha_rad"),
        joined("mech_dec_rad"),
        joined("side"),
        frame["session"].to_numpy(dtype=np.int64),
    )
    return sightings, sessions


def split_sessions(sessions: Sessions, sightings: Sightings, starts: Ints) -> tuple[Sessions, Ints]:
    """Divide sessions at the sightings `starts`; return the new sessions and each sighting's session.

    What comes after a noticed sync has zeros of its own: it belongs to no group
    and shares its hour-angle zero with nobody.
    """
    begins = np.zeros(sightings.size, dtype=np.int64)
    begins[starts] = 1
    before = np.concatenate([[0], np.cumsum(begins)])
    opening = np.searchsorted(sightings.session, sightings.session)
    within = before[1:] - before[opening]
    pair = np.stack([sightings.session, within], axis=1)
    unique, session = np.unique(pair, axis=0, return_inverse=True)
    old, later = unique[:, 0], unique[:, 1] > 0
    empty = np.setdiff1d(np.arange(sessions.size), old)
    if empty.size:
        raise ValueError(f"{empty.size} sessions hold no sighting")
    return (
        Sessions(
            sessions.night[old],
            sessions.era[old],
            sessions.source[old],
            np.where(later, -1, sessions.group[old]),
            np.where(later, -1, sessions.group_class[old]),
            tuple("" if late else sessions.zero_label[o] for o, late in zip(old, later, strict=True)),
            sessions.may_hold_sync[old],
        ),
        session.reshape(-1).astype(np.int64),
    )


# ---- All readings of the sky, as the fit of nights takes them.


@dataclass(frozen=True)
class Assembly:
    """Sightings, the unknowns that they depend on, and typed axis errors."""

    index: NightIndex
    sightings: Sightings
    layout: SystemLayout
    typed: Typed


def assemble(
    latitude_rad: float,
    split: NightSplit,
    readings: Readings,
    directions: dict[str, Directions],
    zero_is: str,
    side: np.ndarray,
    at_targets: bool = False,
) -> Assembly | None:
    """Put all readings together; None where there are none.

    Parameters
    ----------
    latitude_rad, split, readings, directions, zero_is
        As for `drift.night.estimate.estimate_nights`.
    side
        Tube side of each pointing solve, +1 east, -1 west.
    at_targets
        As for `pointing_piece`.
    """
    times = [readings[k]["time_us"].to_numpy(dtype=np.int64) for k in (*TABLES, "alignments")]
    index = index_nights(split, times)
    if not index.example_us.size:
        return None
    solve_night = index.of(split, times[0])
    pieces = [
        pointing_piece(
            readings["solves"], directions["solves"], split, solve_night, zero_is, side, at_targets
        ),
        sweep_piece(readings["sweeps"], directions["sweeps"], latitude_rad),
        run_piece(readings["runs"], directions["runs"], latitude_rad),
    ]
    sightings, sessions = gather(latitude_rad, split, index, pieces)
    eras = int(split.constants_us.size) + 1
    groups = max(int(sessions.group.max(initial=-1)) + 1, 1)  # one is kept even where no session is grouped
    layout = SystemLayout(
        index.example_us.size, eras, groups, sessions, _air(index, split, times, directions)
    )
    typed = typed_axes(readings["alignments"], index.of(split, times[-1]))
    return Assembly(index, sightings, layout, typed)


def with_still_apart(put: Assembly) -> Assembly:
    """Return it with sweeps, runs and typed axes as nights of their own beside the solves of each night.

    Where a mount alters the places that it reports, the two see different axes, and no axis fits both.
    """
    sessions = put.layout.sessions
    count = put.index.example_us.size
    still = sessions.source != POINTING
    both = np.zeros(count, dtype=bool)
    both[sessions.night[still]] = True
    both[put.typed.night] = True
    pointing = np.zeros(count, dtype=bool)
    pointing[sessions.night[~still]] = True
    both &= pointing
    place = np.arange(count) + np.cumsum(both) - both  # where each night goes; what is still stands after it
    old = np.repeat(np.arange(count), 1 + both)
    first_still = np.full(count, np.iinfo(np.int64).max)
    of_still = still[put.sightings.session]
    night = sessions.night[put.sightings.session[of_still]]
    np.minimum.at(first_still, night, put.sightings.time_us[of_still])
    example = put.index.example_us[old]
    seen = both & (first_still < np.iinfo(np.int64).max)
    example[place[seen] + 1] = first_still[seen]
    air = put.layout.air
    layout = replace(
        put.layout,
        nights=old.size,
        sessions=replace(sessions, night=place[sessions.night] + (still & both[sessions.night])),
        air=NightAir(air.shared[old], air.sd[old], air.shared_sd),
    )
    typed = replace(put.typed, night=place[put.typed.night] + both[put.typed.night])
    return Assembly(NightIndex(put.index.key[old], example), put.sightings, layout, typed)


def _air(
    index: NightIndex, split: NightSplit, times_us: list[Ints], directions: dict[str, Directions]
) -> NightAir:
    """Return what is not known of each night's air."""
    seen = [(us, directions[kind]) for us, kind in zip(times_us, TABLES, strict=False)]
    joined = np.concatenate([us for us, _ in seen])
    taken = joined_air([one.air or AirTaken.measured(us.size) for us, one in seen])
    return air_of_nights(index.example_us.size, index.of(split, joined), joined, taken)
