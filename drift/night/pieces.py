"""Pieces: the sightings of one kind of log before they are put together."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from drift.quantities import Floats, Ints


@dataclass(frozen=True)
class Directions:
    """Where each row of a table was seen: observed direction and sidereal time."""

    enu: Floats  # (n, 3)
    last_rad: Floats  # (n,) local apparent sidereal time


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
