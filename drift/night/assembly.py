"""All readings of the sky put together as the fit of nights takes them in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.night.air import NightAir, air_of_nights
from drift.night.nights import NightSplit
from drift.night.observations import (
    Directions,
    NightIndex,
    gather,
    index_nights,
    pointing_piece,
    run_piece,
    sweep_piece,
    typed_axes,
)
from drift.night.sightings import TABLES, Sightings
from drift.night.system import SystemLayout, Typed
from drift.quantities import Ints
from drift.sky.air import AirTaken, joined_air
from drift.types import Readings


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
) -> Assembly | None:
    """Put all readings together; None where there are none.

    Parameters
    ----------
    latitude_rad, split, readings, directions, zero_is
        As for `drift.night.estimate.estimate_nights`.
    side
        Tube side of each pointing solve, +1 east, -1 west.
    """
    times = [readings[k]["time_us"].to_numpy(dtype=np.int64) for k in (*TABLES, "alignments")]
    index = index_nights(split, times)
    if not index.example_us.size:
        return None
    solve_night = index.of(split, times[0])
    pieces = [
        pointing_piece(readings["solves"], directions["solves"], split, solve_night, zero_is, side),
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


def _air(
    index: NightIndex, split: NightSplit, times_us: list[Ints], directions: dict[str, Directions]
) -> NightAir:
    """Return what is not known of each night's air."""
    seen = [(us, directions[kind]) for us, kind in zip(times_us, TABLES, strict=False)]
    joined = np.concatenate([us for us, _ in seen])
    taken = joined_air([one.air or AirTaken.measured(us.size) for us, one in seen])
    return air_of_nights(index.example_us.size, index.of(split, joined), joined, taken)
