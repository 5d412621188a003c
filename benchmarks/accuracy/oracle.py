"""The same linear model, told what a user can't know: true scales, true steps, nothing wild.

The true scale parameters of an invented course are those that make the course
itself, seen without noise at the same moments, most probable.  Where the data
can't tell pier from mount, the oracle keeps the same freedom for both: knowing
which of two indistinguishable things is steady is no knowledge that any reading holds.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from histories import Invented

from drift.history.changes import STEP_SD, Plate, Step, read_corrections, step_cause, step_name
from drift.history.components import view
from drift.history.model import Model, Solver
from drift.history.scales import fit_scales
from drift.history.separability import question_zeros
from drift.history.separate import centred, make_model
from drift.history.series import Series, make_series

#: The course is seen with this noise [arcsec].
CLEAR_SD = 0.05


def oracle(history: Invented) -> tuple[np.ndarray, np.ndarray]:
    """Return the six components at every reading and their sds, (n, 6) each [arcsec]."""
    series, _ = make_series(history.nights, history.levels, history.split.constants_us)
    assert series is not None
    series, _ = centred(question_zeros(series, history.scenario.zero)[0])
    model = _with_true_steps(history, _model(history, series))
    scales = fit_scales(Solver(_with_true_steps(history, _clear(history, model)))).fit.scales
    scales = replace(scales, zero_repeat=max(history.scenario.zero_repeatability, 0.1), level_factor=1.0)
    return view(Solver(model).at(scales)).components()


def _model(history: Invented, series: Series) -> Model:
    latitude = float(np.radians(history.scenario.latitude_deg))
    recorded = read_corrections(history.corrections, Plate(None, None, None))
    temp_c = None if history.warmth is None else history.warmth.at(series.time_us)
    return make_model(series, latitude, recorded, temp_c)


def _clear(history: Invented, model: Model) -> Model:
    """Return the model on the course itself: each moment seen by a night and by a level, without noise."""
    times = np.unique(model.series.time_us)
    true = history.true_change(times)
    phi = model.latitude_rad
    s = -1.0 if phi < 0 else 1.0
    n = times.size
    axis = np.stack([true[:, 4] + np.tan(phi) * true[:, 1], true[:, 5] - s * true[:, 0], np.zeros(n)], axis=1)
    tilt = np.stack([true[:, 0], true[:, 1], np.zeros(n)], axis=1)
    seen = np.diag([CLEAR_SD**2, CLEAR_SD**2, 1.0e12])
    order = np.argsort(np.concatenate([times, times + 1]), kind="stable")
    series = Series(
        time_us=np.concatenate([times, times + 1])[order],
        night=np.concatenate([np.arange(n), np.full(n, -1)])[order],
        value=np.concatenate([axis, tilt])[order],
        variance=np.repeat(seen[None], 2 * n, axis=0),
        zero_label=np.full(2 * n, "", dtype=object),
        homed=np.zeros(2 * n, dtype=bool),
        place=np.concatenate([np.full(n, ""), np.full(n, "pier")]).astype(object)[order],
        face=np.ones(2 * n),
        era=np.zeros(2 * n, dtype=np.int64),
        common_sd=np.zeros((2 * n, 2)),
    )
    return replace(_model(history, series), tied=model.tied)


def _with_true_steps(history: Invented, model: Model) -> Model:
    """Return the model with each unrecorded step at its true place, of its true part, of unknown size."""
    causes = []
    for number, (step, time_us) in enumerate(
        zip(history.motion.steps, history.motion.step_times_us, strict=True)
    ):
        index = int(np.searchsorted(model.series.time_us, time_us))
        if step.kind or index in (0, model.series.size):
            continue
        parts = [p for p in STEP_SD if (_tilt(step) if p == "pier" else getattr(step, p, 0.0))]
        causes.append(
            step_cause(model.series, Step(index, dict.fromkeys(parts, 1.0)), f"true {step_name(number)}")
        )
    return model.with_causes(*causes)


def _tilt(step: object) -> float:
    return float(np.hypot(getattr(step, "tilt_north", 0.0), getattr(step, "tilt_east", 0.0)))
