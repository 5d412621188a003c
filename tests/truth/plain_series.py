"""Plain numbers, one a day, as readings of the history, so that textbook data reach its algebra."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.codes import CauseKind
from drift.history.causes import Cause, blank, independent
from drift.history.model import Model, Scales
from drift.history.series import NOT_OBSERVED, Series
from drift.quantities import DAY_US

#: A walk or a prior that must not take part has this size against the readings' noise.
NEXT_TO_NOTHING = 1e-9


def level_readings(north: np.ndarray, east: np.ndarray, sd: float) -> Series:
    """Return levels on the pier, every day one, that read `north` and `east`."""
    return _readings(north, east, sd, night=np.full(len(north), -1), place="pier")


def night_readings(az: np.ndarray, alt: np.ndarray, sd: float) -> Series:
    """Return nights, every day one, whose axis errors are `az` and `alt` and whose zero is lost."""
    return _readings(az, alt, sd, night=np.arange(len(az)), place="")


def _readings(first: np.ndarray, second: np.ndarray, sd: float, night: np.ndarray, place: str) -> Series:
    n = len(first)
    return Series(
        time_us=np.arange(n, dtype=np.int64) * DAY_US,
        night=night,
        value=np.column_stack([first, second, np.zeros(n)]).astype(float),
        variance=np.repeat(np.diag([sd**2, sd**2, NOT_OBSERVED])[None], n, axis=0),
        zero_label=np.full(n, "", dtype=object),
        homed=np.zeros(n, dtype=bool),
        place=np.full(n, place, dtype=object),
        face=np.ones(n),
        era=np.zeros(n, dtype=np.int64),
        common_sd=np.zeros((n, 2)),
    )


def model_of(series: Series, *causes: Cause) -> Model:
    """Return the model of readings with these causes and no others, at the equator, where nothing mixes."""
    nothing = np.zeros(series.size, dtype=bool)
    return Model(series, 0.0, causes, nothing, nothing)


def still(**some: float) -> Scales:
    """Return scales at which only what is named moves; the tilt walks alike in all directions."""
    quiet = dict.fromkeys(("tilt_walk", "az_creep", "alt_creep", "season", "slow"), NEXT_TO_NOTHING)
    return replace(Scales(across=1.0), **(quiet | some))


def seen_columns(name: str, columns: np.ndarray, sd: float) -> Cause:
    """Return a cause that adds (n, q) columns to the readings' first coordinate, amplitudes N(0, sd^2)."""
    n, q = columns.shape
    state, direct = blank(n, q)
    direct[:, 0] = columns
    return independent(name, state, direct, np.zeros(q), np.full(q, sd), kind=CauseKind.SEASON)
