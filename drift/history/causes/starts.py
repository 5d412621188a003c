"""Where things stood at the reference: constants that belong to no movement."""

from __future__ import annotations

import numpy as np

from drift.history.causes.cause import Cause, blank, independent
from drift.history.series import Series

#: Prior standard deviations [arcsec], wide enough to say nothing.
AXIS_SD = 1.0e5
ZERO_SD = 1.0e6
LEVEL_SD = 1.0e5
BIAS_SD = 1.0e4


def axis_start(series: Series) -> Cause:
    """Axis errors at the reference."""
    state, direct = blank(series.size, 2)
    seen = series.night >= 0
    direct[seen, 0, 0] = direct[seen, 1, 1] = 1.0
    return independent("axis at the start", state, direct, np.zeros(2), np.full(2, AXIS_SD))


def zero_epochs(series: Series) -> Cause:
    """Hour-angle zeros: one constant a homing epoch or label."""
    labels = sorted({str(label) for label in series.zero_label if label})
    state, direct = blank(series.size, len(labels))
    for i, label in enumerate(labels):
        direct[series.zero_label == label, 2, i] = 1.0
    return independent(
        "hour-angle zeros", state, direct, np.zeros(len(labels)), np.full(len(labels), ZERO_SD)
    )


def level_starts(series: Series) -> Cause:
    """How far each place was from level at the reference, and the instrument's bias where it was turned."""
    columns = []
    for place in sorted({str(p) for p in series.place if p}):
        at = series.place == place
        turned = at & (series.face < 0.0)
        patterns = [(at.astype(float), LEVEL_SD)]
        if turned.any() and not turned[at].all():
            patterns.append((at * series.face, BIAS_SD))
        columns += [(pattern, axis, sd) for pattern, sd in patterns for axis in (0, 1)]
    state, direct = blank(series.size, len(columns))
    for i, (pattern, axis, _) in enumerate(columns):
        direct[:, axis, i] = pattern
    return independent(
        "levels at the start", state, direct, np.zeros(len(columns)), np.array([sd for _, _, sd in columns])
    )


def instrument_eras(series: Series) -> Cause:
    """What a new set of instrument constants may add to all axes after a service or a new mount."""
    eras = [int(e) for e in np.unique(series.era[series.night >= 0])]
    reference = int(series.era[0])
    later = [e for e in eras if e != reference]
    state, direct = blank(series.size, 2 * len(later))
    sds = []
    base = series.common_sd[(series.era == reference) & (series.night >= 0)]
    for i, era in enumerate(later):
        own = (series.era == era) & (series.night >= 0)
        direct[own, 0, 2 * i] = direct[own, 1, 2 * i + 1] = 1.0
        spread = np.hypot(np.median(series.common_sd[own], axis=0), np.median(base, axis=0))
        sds.append(np.maximum(spread, 0.1))
    return independent(
        "instrument constants", state, direct, np.zeros(2 * len(later)), np.concatenate([np.zeros(0), *sds])
    )
