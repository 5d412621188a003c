"""Unguided runs: how one star drifts against the tracking mount.

The star's declination in the mount's frame changes by what it is seen to move
north against the mount, so that place plus movement is constant.  Over a short
arc only one direction of the axis is well measured; the covariance says so.
Movement in right ascension holds the drive's errors as well and is not used.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from drift.mount.orientation import hour_angle_and_dec
from drift.night.pieces import Directions, Piece, still_piece
from drift.night.sightings import RUN
from drift.quantities import ARCSEC_PER_RAD


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
