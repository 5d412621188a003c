"""All that the separation starts from."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from drift.ground.heave import FrostHeave
from drift.history.causes.corrections import Plate
from drift.history.warmth import Warmth
from drift.night.result import Nights
from drift.night.split import NightSplit


@dataclass(frozen=True)
class Given:
    """One pier's nights and what goes with them.

    Parameters
    ----------
    latitude_rad
        Geodetic latitude [rad].
    nights
        From `drift.night.estimate.estimate_nights`.
    levels, corrections
        Tables of readings.
    plate
        Bolts and thread, for shims and nuts.
    split
        Tells when constants and zeros restart.
    zero_is
        "kept", "synced" or "unknown", from the site file.
    warmth
        How warm the nights were; None when that isn't known.
    frost
        What weather and ground say of the frost; None where the weather isn't known.
    """

    latitude_rad: float
    nights: Nights = field(repr=False)
    levels: pd.DataFrame = field(repr=False)
    corrections: pd.DataFrame = field(repr=False)
    plate: Plate
    split: NightSplit = field(repr=False)
    zero_is: str
    warmth: Warmth | None = field(default=None, repr=False)
    frost: FrostHeave | None = field(default=None, repr=False)
