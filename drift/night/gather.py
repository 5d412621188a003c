"""Put the pieces of all logs together: nights, sessions and sightings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from drift.night.pieces import Piece
from drift.night.sightings import Sessions, Sightings, make_sightings
from drift.night.split import NightSplit
from drift.quantities import Ints


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
