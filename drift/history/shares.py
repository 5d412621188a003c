"""What each cause alone did: its own series, with uncertainty."""

from __future__ import annotations

import numpy as np
import pandas as pd

from drift.history.model import WALKS
from drift.history.result import CauseSeries
from drift.history.view import View
from drift.quantities import Floats

#: Name of a share -> the causes whose columns belong to it.
GATHERED = {
    "season": ("annual lean", "annual mount"),
    "frost": ("frost",),
    "settlement": ("settlement", "slow drift of the mount"),
    "warmth of the pier": ("warmth of the pier",),
    "warmth of the mount": ("warmth of the mount",),
}
#: Name of a share -> which of the walk's components it is.
WALKED = {"wander of the pier": (0, 1), "creep of the mount": (2, 3)}


def cause_series(view: View) -> tuple[CauseSeries, ...]:
    """Return the series of every cause that moves pier or mount; they add up to the whole."""
    fit = view.fit
    out = []
    for name, causes in GATHERED.items():
        columns = [
            np.arange(fit.columns.at[c].start, fit.columns.at[c].stop) for c in causes if c in fit.columns.at
        ]
        if columns:
            out.append(_of_columns(view, name, np.concatenate(columns)))
    out += [_of_walk(view, name, picked) for name, picked in WALKED.items()]
    for name, at in fit.columns.at.items():
        if name.startswith(("step ", "correction ")) and at.stop > at.start:
            out.append(_of_columns(view, _dated(view, name, at), np.arange(at.start, at.stop)))
    return tuple(out)


def _of_columns(view: View, name: str, columns: np.ndarray) -> CauseSeries:
    fit = view.fit
    state = fit.columns.state[:, :, columns]
    change = state @ fit.amplitude[columns]
    cov = fit.amplitude_cov[np.ix_(columns, columns)]
    variance = np.sum((state.reshape(-1, columns.size) @ cov).reshape(state.shape) * state, axis=2)
    return CauseSeries(name, change, np.sqrt(np.clip(variance, 0.0, None)))


def _of_walk(view: View, name: str, picked: tuple[int, ...]) -> CauseSeries:
    n = view.fit.model.series.size
    change, sd = np.zeros((n, 6)), np.zeros((n, 6))
    variance: Floats = np.diagonal(view.spread.walk, axis1=1, axis2=2)
    for i in picked:
        change[:, WALKS[i]] = view.fit.walk[:, i]
        sd[:, WALKS[i]] = np.sqrt(np.clip(variance[:, i], 0.0, None))
    return CauseSeries(name, change, sd)


def _dated(view: View, name: str, columns: slice) -> str:
    """Return the name of a step or correction with its date."""
    series = view.fit.model.series
    if name.startswith("correction "):
        _, time_us, kind, _ = name.split(" ")
        return f"{kind} correction {_day(int(time_us))}"
    moved = np.any(view.fit.columns.state[:, :, columns] != 0.0, axis=(1, 2))
    moved |= np.any(view.fit.columns.seen[:, :, columns] != 0.0, axis=(1, 2))
    first = int(np.argmax(moved)) if moved.any() else series.size - 1
    return f"sudden change by {_day(int(series.time_us[first]))}"


def _day(time_us: int) -> str:
    return pd.Timestamp(time_us, unit="us").strftime("%Y-%m-%d")
