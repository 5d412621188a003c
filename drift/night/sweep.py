"""Sweeps: declination clamped, several hour angles; the mount's coordinates are not needed.

A mount that only turns about its polar axis P keeps the observed direction v
at one distance from it: v . P is constant within a sweep.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from drift.mount.orientation import hour_angle_and_dec
from drift.night.pieces import Directions, Piece, still_piece
from drift.night.sightings import SWEEP


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
