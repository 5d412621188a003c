"""What the separation takes in: nights and level readings in one order of time."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import pandas as pd

from drift.codes import Place, ZeroSharing
from drift.night.system import AXIS_PRIOR_SD
from drift.quantities import DAY_US, Bools, Floats, Ints
from drift.types import NightAxis, Nights

#: Variance that stands for "not observed" [arcsec^2].
NOT_OBSERVED = 1.0e12
#: Least information kept of a direction that a night says nothing about [arcsec^-2].
LEAST_INFORMATION = 1.0e-10
#: Standard deviation of a level reading that comes without one [arcsec]: common practice for a
#: good machinist's level or a digital one, read with care.
LEVEL_SD_ARCSEC = 15.0


@dataclass(frozen=True)
class Series:
    """All readings in order of time; entry 0 is the reference.

    `value` and `variance` hold (az_error, alt_error, zero) for nights and
    (tilt_north, tilt_east, -) for levels [arcsec]; what was not observed has the
    variance `NOT_OBSERVED`.
    """

    time_us: Ints  # (n,)
    night: Ints  # (n,) index into the nights, -1 for a level
    value: Floats  # (n, 3)
    variance: Floats  # (n, 3, 3)
    zero_label: np.ndarray  # (n,) text; "" the zero is nobody else's
    homed: Bools  # (n,) whether the zero is one of a homing epoch
    place: np.ndarray  # (n,) text: "" for nights, else a `Place`
    face: Floats  # (n,) +1 face 0 or not said, -1 face 180
    era: Ints  # (n,) instrument era of a night
    common_sd: Floats  # (n, 2) uncertainty of az, alt that all nights of an era share
    # (n,) of a level: 0 read by hand, else the number of a sensor whose day this is; by default all 0
    instrument: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    def __post_init__(self) -> None:
        if self.instrument.size != self.time_us.size:
            object.__setattr__(self, "instrument", np.zeros(self.time_us.size, dtype=np.int64))

    @property
    def size(self) -> int:
        """How many readings there are."""
        return int(self.time_us.size)

    def picked(self, pick: Ints) -> Series:
        """Return the series of some of the readings, in order."""
        return Series(**{f.name: getattr(self, f.name)[pick] for f in fields(self)})

    @property
    def days(self) -> Floats:
        """Days since the reference."""
        return (self.time_us - self.time_us[0]) / DAY_US


def make_series(nights: Nights, levels: pd.DataFrame, era_edges_us: Ints) -> tuple[Series | None, int]:
    """Join nights and level readings; return them with the number of readings before the reference.

    The reference is the earliest night with a usable axis, or the earliest
    level reading when there is no such night.
    """
    value, variance = _without_prior(nights.nights)
    rows = [
        _from_night(i, night, value[i], variance[i], era_edges_us) for i, night in enumerate(nights.nights)
    ]
    rows += [_from_level(row) for row in levels.to_dict("records")]
    if not rows:
        return None, 0
    rows.sort(key=lambda r: (r.time_us, r.night))
    usable = [r.time_us for r in rows if r.night >= 0 and _usable(nights.nights[r.night])]
    start = min(usable) if usable else rows[0].time_us
    kept = [r for r in rows if r.time_us >= start]
    first = next(i for i, r in enumerate(kept) if not usable or (r.night >= 0 and r.time_us == start))
    kept.insert(0, kept.pop(first))
    return (
        Series(
            time_us=np.array([r.time_us for r in kept], dtype=np.int64),
            night=np.array([r.night for r in kept], dtype=np.int64),
            value=np.array([r.value for r in kept], dtype=float),
            variance=np.array([r.variance for r in kept], dtype=float),
            zero_label=np.array([r.zero_label for r in kept], dtype=object),
            homed=np.array([r.homed for r in kept], dtype=bool),
            place=np.array([r.place for r in kept], dtype=object),
            face=np.array([r.face for r in kept], dtype=float),
            era=np.array([r.era for r in kept], dtype=np.int64),
            common_sd=np.array([r.common_sd for r in kept], dtype=float),
            instrument=np.array([r.instrument for r in kept], dtype=np.int64),
        ),
        len(rows) - len(kept),
    )


@dataclass(frozen=True)
class _Row:
    """One entry of a series before they are put together."""

    time_us: int
    night: int
    value: Floats
    variance: Floats
    zero_label: str = ""
    homed: bool = False
    place: str = ""
    face: float = 1.0
    era: int = 0
    common_sd: Floats = field(default_factory=lambda: np.zeros(2))
    instrument: int = 0


def _usable(night: NightAxis) -> bool:
    return night.tells_change and bool(np.all(np.isfinite(night.working[:2])))


def _from_night(i: int, night: NightAxis, value: Floats, variance: Floats, era_edges_us: Ints) -> _Row:
    shared = np.diagonal(night.covariance - night.own_covariance)[:2]
    return _Row(
        night.time_us,
        i,
        value,
        variance,
        zero_label=night.zero_label,
        homed=night.zero_sharing is ZeroSharing.HOMED,
        era=int(np.searchsorted(era_edges_us, night.time_us, side="right")),
        common_sd=np.sqrt(np.clip(shared, 0.0, None)),
    )


def _without_prior(nights: Sequence[NightAxis]) -> tuple[Floats, Floats]:
    """Take the nights' own wide prior out again, so that thin nights don't pull toward zero."""
    value = np.array([n.working for n in nights]).reshape(-1, 3)
    cov = np.array([n.own_covariance for n in nights]).reshape(-1, 3, 3)
    read = np.isfinite(value) & np.isfinite(np.diagonal(cov, axis1=1, axis2=2))
    both = read[:, :, None] & read[:, None, :]
    cov = np.where(both, cov, np.eye(3) * NOT_OBSERVED)
    information = np.linalg.inv(cov)
    weighted = np.einsum("nij,nj->ni", information, np.where(read, value, 0.0))
    seen = read * np.array([AXIS_PRIOR_SD**-2, AXIS_PRIOR_SD**-2, 0.0])
    information = information - seen[:, :, None] * np.eye(3)
    size, turn = np.linalg.eigh(0.5 * (information + np.swapaxes(information, 1, 2)))
    size = np.maximum(size, np.where(np.all(read, axis=1), LEAST_INFORMATION, 1.0 / NOT_OBSERVED)[:, None])
    free = (turn / size[:, None, :]) @ np.swapaxes(turn, 1, 2)
    return np.einsum("nij,nj->ni", free, weighted), np.where(both, free, np.eye(3) * NOT_OBSERVED)


def _from_level(row: dict[Hashable, Any]) -> _Row:
    """Turn a level reading; one taken with the instrument turned end for end is negated (contract)."""
    sign = -1.0 if row["face_deg"] == 180.0 else 1.0
    sd = row["sigma_arcsec"] if np.isfinite(row["sigma_arcsec"]) else LEVEL_SD_ARCSEC
    return _Row(
        int(row["time_us"]),
        -1,
        np.array([sign * row["tilt_north_arcsec"], sign * row["tilt_east_arcsec"], 0.0]),
        np.diag([sd**2, sd**2, NOT_OBSERVED]),
        place=Place(row["place"] or Place.PIER),
        face=sign,
        instrument=int(row.get("instrument", 0)),
    )
