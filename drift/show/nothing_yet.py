"""The answer of a record that holds nothing: no picture can be drawn of it, and each says why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from drift.advice.advise import advise
from drift.answer import Answer
from drift.history.result import COLUMNS, History, Separable
from drift.night.result import Nights

if TYPE_CHECKING:
    from drift.pierfile import PierFile

_NEITHER = Separable("no", "nothing has been read in", "a log of nights, or level readings")


def answer_of_nothing(site: PierFile) -> Answer:
    """Return the answer of a record without nights and without level readings."""
    none, unknown = np.zeros((0, len(COLUMNS))), np.full(2, np.nan)
    history = History(
        time_us=np.zeros(0, dtype=np.int64),
        change=none,
        sd=none,
        east_lean_from_mount_azimuth=_NEITHER,
        north_lean_from_mount_altitude=_NEITHER,
        seasonal=None,
        winters=(),
        lasting=None,
        events=(),
        corrections=(),
        axis_now=unknown,
        axis_now_sd=unknown,
        seasonal_axis_offset=np.zeros((366, 2)),
    )
    nights = Nights((), (), ())
    return Answer(site, nights, history, advise(site, nights, history), ())
