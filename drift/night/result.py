"""What a night says: where the axis pointed, with its covariance."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from drift.notebook import ShowsItself


@dataclass(frozen=True)
class SetAside:
    """A reading that went in but was not used, and why."""

    kind: str  # table of the reading: "solves", "sweeps", ...
    row_id: int
    time_us: int
    reason: str


@dataclass(frozen=True)
class SkyCovered:
    """Between which hour angles (positive west) and declinations the readings used lay [deg]."""

    hour_angle_deg: tuple[float, float]
    declination_deg: tuple[float, float]


@dataclass(frozen=True)
class NightAxis:
    """The axis on one night, by that night's readings alone.

    A night runs from local mean noon to noon and is split at each recorded
    correction.  Angles in arcsec.  `estimate` is (az_error, alt_error, zero)
    against the true pole: az_error clockwise positive, alt_error of the
    elevated end, up positive, zero = mechanical minus true hour angle at the
    meridian on the equator.  A number that is not known is NaN; `working` holds
    the numbers behind it even then, for what makes use of a covariance.
    """

    start_us: int  # the night's (or part night's) bounds
    end_us: int
    time_us: int  # mean time of the readings used
    sources: tuple[str, ...]  # of "pointing", "sweep", "run", "typed"
    solves_used: int
    solves_set_aside: int
    estimate: npt.NDArray[np.floating[Any]] = field(repr=False)  # (3,) [arcsec]
    covariance: npt.NDArray[np.floating[Any]] = field(repr=False)  # (3, 3), constants' uncertainty included
    own_covariance: npt.NDArray[np.floating[Any]] = field(repr=False)  # (3, 3), with the constants held
    zero_label: str = ""  # nights with one label share one hour-angle zero; "" = its own
    remarks: tuple[str, ...] = ()  # "one tube side only", "second sync noticed at ...", ...
    working: npt.NDArray[np.floating[Any]] = field(
        default_factory=lambda: np.full(3, np.nan), repr=False
    )  # (3,) [arcsec]
    sky: SkyCovered | None = None  # None for an axis that was typed in

    @property
    def has_axis(self) -> bool:
        """Whether both axis coordinates are known."""
        return bool(np.all(np.isfinite(self.estimate[:2])))


@dataclass(frozen=True)
class InstrumentConstants:
    """The instrument between two services: constants with their uncertainty, arcsec."""

    start_us: int
    end_us: int
    names: tuple[str, ...]  # "cone error", "axis non-perpendicularity", ...
    values: npt.NDArray[np.floating[Any]] = field(repr=False)  # (p,)
    sds: npt.NDArray[np.floating[Any]] = field(repr=False)  # (p,)
    noise_arcsec: float = float("nan")  # on-sky scatter of one good solve, one coordinate
    zero_repeatability_dec_arcsec: float = float("nan")


@dataclass(frozen=True, repr=False)
class Nights(ShowsItself):
    """All nights of a book in time order, the instrument, and what was set aside."""

    nights: tuple[NightAxis, ...]
    instruments: tuple[InstrumentConstants, ...]
    set_aside: tuple[SetAside, ...]
    warnings: tuple[str, ...] = ()
