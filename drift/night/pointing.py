"""Pointing solves: the mount's own coordinates against the solved place."""

from __future__ import annotations

import numpy as np
import pandas as pd

from drift.night.pieces import Directions, Piece
from drift.night.sightings import POINTING
from drift.night.split import NightSplit
from drift.quantities import Ints

#: Classes of sessions by how their declination zeros repeat.
KEPT, SYNCED, LABELLED = range(3)


def pointing_piece(
    table: pd.DataFrame,
    directions: Directions,
    split: NightSplit,
    night: Ints,
    zero_is: str,
    side: np.ndarray,
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
    kept = (zero_is != "synced") | before
    epoch = np.array([f"epoch {e}" for e in split.epoch(time_us)], dtype=object)
    era = np.array([f"era {e}" for e in split.era(time_us)], dtype=object)
    named = np.array([f"session {text}" for text in label], dtype=object)
    zero_label = np.where(kept, epoch, np.where(spanning, named, ""))
    group_key = np.where(kept, epoch, np.where(spanning, named, era))
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
        group_class=np.where(kept, KEPT, np.where(spanning, LABELLED, SYNCED)),
        may_hold_sync=~labelled & ~before,
    )


def _spanning_labels(label: np.ndarray, night: Ints) -> list[str]:
    """Return the labels that are used on more than one night."""
    pairs = pd.DataFrame({"label": label, "night": night}).drop_duplicates()
    counts = pairs[pairs["label"] != ""].groupby("label").size()
    return [str(name) for name in counts[counts > 1].index]


def tube_sides(table: pd.DataFrame, hour_angle_rad: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return tube sides (+1 east, -1 west) and where they had to be taken from the hour angle.

    A tube on the east side looks west; where the log doesn't say, a solve west
    of the meridian is taken to be from the east side.
    """
    text = table["tube_side"].to_numpy(dtype=object)
    said = np.where(text == "east", 1.0, np.where(text == "west", -1.0, 0.0))
    guessed = said == 0.0
    return np.where(guessed, np.where(hour_angle_rad >= 0.0, 1.0, -1.0), said), guessed
