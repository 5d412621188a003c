"""The warning limits, watched with hysteresis so that a value near its limit doesn't flap.

A limit counts as passed once the value is beyond it by two standard
deviations.  It stays passed until the value comes back below 80 % of the limit.
Once acknowledged it is told again only after it came back so far, or when the
value has grown by a quarter beyond what was acknowledged.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.movement import pair_of
from drift.advice.words import angle, arcmin, day, plain_arcmin
from drift.history.result import COLUMNS
from drift.mount.orientation import Floats, hemisphere

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    import numpy.typing as npt

    from drift.answer import Answer

#: A value passes its limit when it is beyond it by this many standard deviations.
_SURE_SDS = 2.0
#: Below this share of the limit a value has come back.
_BACK = 0.8
#: Grown to this many times what was acknowledged, it is told again.
_GROWN = 1.25


@dataclass(frozen=True)
class Limit:
    """One watched value on all nights [arcsec], and its limit; `name` is "axis" or "lean"."""

    name: str
    limit: float
    times_us: npt.NDArray[np.int64] = field(repr=False)
    values: Floats = field(repr=False)
    sds: Floats = field(repr=False)

    @property
    def time_us(self) -> int:
        """Time of the latest value."""
        return int(self.times_us[-1])

    def beyond(self) -> float | None:
        """Return the latest value when it is beyond the limit, else None."""
        return float(self.values[-1]) if self.values[-1] > self.limit else None

    def is_new(self, acknowledged: float | None, as_of_us: int | None) -> bool:
        """Whether the limit is passed now in a way that was not acknowledged.

        Parameters
        ----------
        acknowledged
            The value acknowledged [arcsec], None when it was inside the limit then.
        as_of_us
            Time of the latest reading at that acknowledgement; None when there never was
            one.  The first night then counts as acknowledged: an axis that
            was set off the pole has not moved.
        """
        if as_of_us is None:
            as_of_us = int(self.times_us[0])
            acknowledged = float(self.values[0]) if self.values[0] > self.limit else None
        told, passed = acknowledged, False
        since = self.times_us > as_of_us
        for value, sd in zip(self.values[since], self.sds[since], strict=True):
            if value < _BACK * self.limit:
                told, passed = None, False
            elif told is None:
                passed = passed or value - _SURE_SDS * sd > self.limit
            else:
                passed = passed or (value > _GROWN * told and value - _SURE_SDS * sd > told)
        return passed

    def sentence(self, zone: ZoneInfo) -> str:
        """Say that the limit is passed, with the value and its uncertainty."""
        when, value, sd = day(self.time_us, zone), float(self.values[-1]), float(self.sds[-1])
        if self.name == "axis":
            what, limit = f"axis is {arcmin(value, sd)} from the pole", plain_arcmin(self.limit / 60.0)
        else:
            what, limit = f"pier leans {angle(value, sd)} more than at the start", f'{self.limit:.0f}"'
        return f"The {what} on {when}, beyond its warning limit of {limit}."


def limits_of(answer: Answer) -> tuple[Limit, ...]:
    """Return the values that are watched: the axis error, and the lean as far as it can be told apart."""
    return tuple(limit for limit in (_axis(answer), _lean(answer)) if limit is not None)


def _axis(answer: Answer) -> Limit | None:
    """Return the axis error on the sky, the smoothed present one carried back by the history's changes."""
    history, latitude = answer.history, np.radians(answer.site.site.latitude_deg)
    known = np.all(np.isfinite(history.change), axis=1)
    if not known.any() or not np.all(np.isfinite(history.axis_now)):
        return None
    change = dict(zip(COLUMNS, history.change[known].T, strict=True))
    az = change["mount_az"] + (change["lean_east"] + change["plate_east"]) * np.tan(latitude)
    alt = change["mount_alt"] - hemisphere(latitude) * (change["lean_north"] + change["plate_north"])
    az, alt = az - az[-1] + history.axis_now[0], alt - alt[-1] + history.axis_now[1]
    values = np.hypot(az * np.cos(latitude), alt)
    # the uncertainty of the latest night stands for all: the larger coordinate's, to be safe
    sd = max(history.axis_now_sd[0] * np.cos(latitude), history.axis_now_sd[1])
    limit = answer.site.warn.axis_arcmin * 60.0
    return Limit("axis", limit, history.time_us[known], values, np.full(values.size, sd))


def _lean(answer: Answer) -> Limit | None:
    history = answer.history
    told = [c for c in ("lean_north", "lean_east") if pair_of(c, history).answer != "no"]
    columns = [COLUMNS.index(component) for component in told]
    if not columns:
        return None
    known = np.all(np.isfinite(history.change[:, columns]), axis=1)
    if not known.any():
        return None
    lean, sds = history.change[known][:, columns], history.sd[known][:, columns]
    values = np.hypot.reduce(lean, axis=1)
    spread = np.sqrt(np.sum((lean * sds) ** 2, axis=1)) / np.maximum(values, 1e-9)
    return Limit("lean", answer.site.warn.lean_arcsec, history.time_us[known], values, spread)
