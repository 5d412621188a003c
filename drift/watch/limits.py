"""The warning limits, watched with hysteresis so that a value near its limit doesn't flap.

A limit counts as passed once the value is beyond it by some standard
deviations (see `drift.watch.sure`).  It stays passed until the value comes back below 80 % of the limit.
Once acknowledged it is told again only after it came back so far, or when the
value has grown by a quarter beyond what was acknowledged.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.movement import pair_of
from drift.advice.poles import pole_offset
from drift.advice.words import angle, arcmin, day, plain_arcmin
from drift.history.result import COLUMNS
from drift.mount.orientation import hemisphere
from drift.quantities import Floats
from drift.watch.sure import sds_needed

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    import numpy.typing as npt

    from drift.answer import Answer

#: Below this share of the limit a value has come back.
_BACK = 0.8
#: Grown to this many times what was acknowledged, it is told again.
_GROWN = 1.25


@dataclass(frozen=True)
class Standing:
    """How a limit stands: the value that was told of before, and when it was passed since."""

    told: float | None
    passed_us: int | None

    @property
    def is_new(self) -> bool:
        """Whether the limit is passed in a way that was not acknowledged."""
        return self.passed_us is not None


@dataclass(frozen=True)
class Limit:
    """One watched value on all nights [arcsec], and its limit; `name` is "axis" or "lean".

    A value passes its limit when it is beyond it by `sure_sds` standard deviations.
    """

    name: str
    limit: float
    times_us: npt.NDArray[np.int64] = field(repr=False)
    values: Floats = field(repr=False)
    sds: Floats = field(repr=False)
    sure_sds: float = 2.0

    @property
    def time_us(self) -> int:
        """Time of the latest value."""
        return int(self.times_us[-1])

    def standing(self, acknowledged: float | None, as_of_us: int | None) -> Standing:
        """Walk through the nights since the last acknowledgement and return how the limit stands now.

        Parameters
        ----------
        acknowledged
            The value acknowledged [arcsec], None when the limit was not passed then.
        as_of_us
            Time of the latest reading at that acknowledgement; None when there never was
            one.  The first night then counts as acknowledged: an axis that
            was set off the pole has not moved.
        """
        if as_of_us is None:
            as_of_us = int(self.times_us[0])
            acknowledged = float(self.values[0]) if self.values[0] > self.limit else None
        told, passed_us = acknowledged, None
        for k in np.flatnonzero(self.times_us > as_of_us):
            value, sure = self.values[k], self.values[k] - self.sure_sds * self.sds[k]
            if value < _BACK * self.limit:
                told, passed_us = None, None
            beyond = sure > self.limit if told is None else value > _GROWN * told and sure > told
            if beyond and passed_us is None:
                passed_us = int(self.times_us[k])
        return Standing(told, passed_us)

    def to_acknowledge(self, standing: Standing) -> float | None:
        """Return the value that an acknowledgement now takes note of; None when the limit isn't passed."""
        if standing.told is None and standing.passed_us is None:
            return None
        return max(float(self.values[-1]), self.limit)

    def sentence(self, standing: Standing, zone: ZoneInfo) -> str:
        """Say when the limit was passed and what the value is now, with its uncertainty."""
        value, sd = float(self.values[-1]), float(self.sds[-1])
        if self.name == "axis":
            now, limit = f"it is {arcmin(value, sd)} from the pole", plain_arcmin(self.limit / 60.0)
        else:
            now, limit = f"it leans {angle(value, sd)} more than at the start", f'{self.limit:.0f}"'
        who = "The axis" if self.name == "axis" else "The pier"
        when = day(self.time_us if standing.passed_us is None else standing.passed_us, zone)
        if standing.told is None:
            passed = f"{who} passed its warning limit of {limit} on {when}"
        else:
            passed = f"{who} is beyond its warning limit of {limit}, and grew by a quarter until {when}"
        return f"{passed}; on {day(self.time_us, zone)} {now}."


def limits_of(answer: Answer) -> tuple[Limit, ...]:
    """Return the values that are watched: the axis error, and the lean as far as it can be told apart."""
    return tuple(limit for limit in (_axis(answer), _lean(answer)) if limit is not None)


@dataclass(frozen=True)
class Course:
    """Where the axis stood at all readings."""

    time_us: npt.NDArray[np.int64] = field(repr=False)  # (n,)
    on_sky: Floats = field(
        repr=False
    )  # (n, 2) from the aimed-at pole, azimuth and altitude on the sky [arcsec]
    sd: float  # of any of them [arcsec]


def axis_course(answer: Answer) -> Course | None:
    """Return where the axis stood: the smoothed present place carried back; None if unknown."""
    history, latitude = answer.history, np.radians(answer.site.site.latitude_deg)
    known = np.all(np.isfinite(history.change), axis=1)
    if not known.any() or not np.all(np.isfinite(history.axis_now)):
        return None
    change = dict(zip(COLUMNS, history.change[known].T, strict=True))
    az = change["mount_az"] + (change["lean_east"] + change["plate_east"]) * np.tan(latitude)
    alt = change["mount_alt"] - hemisphere(latitude) * (change["lean_north"] + change["plate_north"])
    now = history.axis_now - pole_offset(answer.site)
    az, alt = az - az[-1] + now[0], alt - alt[-1] + now[1]
    # the uncertainty of the latest night stands for all: the larger coordinate's, to be safe
    sd = max(history.axis_now_sd[0] * np.cos(latitude), history.axis_now_sd[1])
    return Course(history.time_us[known], np.stack([az * np.cos(latitude), alt], axis=1), float(sd))


def _axis(answer: Answer) -> Limit | None:
    course = axis_course(answer)
    if course is None:
        return None
    values, limit = np.hypot(*course.on_sky.T), answer.site.warn.axis_arcmin * 60.0
    return Limit("axis", limit, course.time_us, values, np.full(values.size, course.sd), _sds(answer))


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
    limit = answer.site.warn.lean_arcsec
    return Limit("lean", limit, history.time_us[known], values, spread, _sds(answer))


def _sds(answer: Answer) -> float:
    return sds_needed(answer.site.warn.false_alarms_per_year)
