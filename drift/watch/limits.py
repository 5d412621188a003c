"""The warning limits, watched with hysteresis so that a value near its limit doesn't flap.

The axis is known on the nights that show it; a level reading tells only how the pier leans.  So the axis
is watched on its nights, and on later level readings where these show that the pier has tipped since.

A limit counts as passed once the value is beyond it by some standard
deviations (see `drift.watch.sure`).  It stays passed until the value comes back below 80 % of the limit.
Once acknowledged it is told again only after it came back so far, or when the
value has grown by a quarter beyond what was acknowledged.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.axis_error import length
from drift.advice.movement import counts, pair_of
from drift.advice.poles import pole_offset
from drift.advice.words import angle, arcmin, day, plain_arcmin
from drift.history.result import COLUMNS
from drift.mount.orientation import hemisphere
from drift.quantities import Bools, Floats
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

    A value passes its limit when it is beyond it by `sure_sds` standard deviations.  `seen_us` is the last
    night that shows the axis, where the latest value goes by level readings since.
    """

    name: str
    limit: float
    times_us: npt.NDArray[np.int64] = field(repr=False)
    values: Floats = field(repr=False)
    sds: Floats = field(repr=False)
    sure_sds: float = 2.0
    seen_us: int | None = None

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
        who, limit = ("The axis", plain_arcmin(self.limit / 60.0))
        if self.name == "lean":
            who, limit = "The pier", f'{self.limit:.0f}"'
        when = day(self.time_us if standing.passed_us is None else standing.passed_us, zone)
        if standing.told is None:
            passed = f"{who} passed its warning limit of {limit} on {when}"
        else:
            passed = f"{who} is beyond its warning limit of {limit}, and grew by a quarter until {when}"
        return f"{passed}; {self._now(zone)}."

    def _now(self, zone: ZoneInfo) -> str:
        """Say how large the latest value is, of when it is, and whether it is back inside the limit."""
        value, sd = float(self.values[-1]), float(self.sds[-1])
        back = "" if value > self.limit else "back inside it, "
        when = f"on {day(self.time_us, zone)}"
        if self.name == "lean":
            now = f"{when} it is {back}leaning {angle(value, sd)} more than at the start" if back else ""
            now = now or f"{when} it leans {angle(value, sd)} more than at the start"
            still = f'{_BACK * self.limit:.0f}"'
        else:
            now = f"{when} it is {back}{arcmin(value, sd)} from the pole"
            still = plain_arcmin(_BACK * self.limit / 60.0)
        if self.seen_us is not None:
            now += f", by the level readings since its last night, {day(self.seen_us, zone)}"
        return f"{now} (it counts as back below {still})" if back else now


def limits_of(answer: Answer) -> tuple[Limit, ...]:
    """Return the values that are watched: the axis error, and the lean as far as it can be told apart."""
    return tuple(limit for limit in (_axis(answer), _lean(answer)) if limit is not None)


@dataclass(frozen=True)
class Course:
    """Where the axis stood at all readings, azimuth and altitude each with its own sd."""

    time_us: npt.NDArray[np.int64] = field(repr=False)  # (n,)
    on_sky: Floats = field(repr=False)  # (n, 2) from the aimed-at pole, azimuth and altitude [arcsec]
    sds: Floats = field(repr=False)  # (n, 2) of both [arcsec]
    seen: Bools = field(repr=False)  # (n,) whether it is a night that shows the axis


def axis_course(answer: Answer) -> Course | None:
    """Return where the axis stood: the smoothed place on the latest night carried back, and on.

    None if unknown.  After the latest night it is carried on by what the level readings tell, and gets as
    much more uncertain as pier and mount are.
    """
    history, latitude = answer.history, np.radians(answer.site.site.latitude_deg)
    known = np.all(np.isfinite(history.change), axis=1)
    times = history.time_us[known]
    seen = np.isin(times, [night.time_us for night in answer.nights.nights if night.has_axis])
    if not seen.any() or not np.all(np.isfinite(history.axis_now)):
        return None
    last = int(np.flatnonzero(seen)[-1])
    change = dict(zip(COLUMNS, history.change[known].T, strict=True))
    az = change["mount_az"] + (change["lean_east"] + change["plate_east"]) * np.tan(latitude)
    alt = change["mount_alt"] - hemisphere(latitude) * (change["lean_north"] + change["plate_north"])
    to_sky, now = np.array([np.cos(latitude), 1.0]), history.axis_now - pole_offset(answer.site)
    axis = np.stack([az - az[last] + now[0], alt - alt[last] + now[1]], axis=1)
    # the uncertainty of the latest night stands for all before it
    sds = np.hypot(history.axis_now_sd, _grown(history.sd[known], last, float(latitude)))
    return Course(times, axis * to_sky, sds * to_sky, seen)


def _grown(sd: Floats, last: int, latitude_rad: float) -> Floats:
    """Return the sd of what az_error and alt_error did since row `last`, (n, 2) [arcsec]; 0 before it."""
    variance = np.clip(sd**2 - sd[last] ** 2, 0.0, None)
    variance[: last + 1] = 0.0
    of = dict(zip(COLUMNS, variance.T, strict=True))
    az = of["mount_az"] + (of["lean_east"] + of["plate_east"]) * np.tan(latitude_rad) ** 2
    return np.sqrt(np.stack([az, of["mount_alt"] + of["lean_north"] + of["plate_north"]], axis=1))


def _axis(answer: Answer) -> Limit | None:
    course = axis_course(answer)
    if course is None:
        return None
    last_us = int(course.time_us[course.seen][-1])
    picked = course.seen | _tipped(answer, course.time_us, last_us)
    pairs = [length(*pair) for pair in zip(course.on_sky[picked], course.sds[picked], strict=True)]
    values, sds = np.array(pairs, dtype=float).T
    times, limit = course.time_us[picked], answer.site.warn.axis_arcmin * 60.0
    seen_us = None if times[-1] == last_us else last_us
    return Limit("axis", limit, times, values, sds, _sds(answer), seen_us)


def _tipped(answer: Answer, times_us: npt.NDArray[np.int64], last_us: int) -> Bools:
    """Return which readings after the latest night come after a tip of the pier that they show, (n,)."""
    tips = [
        event.before_us
        for event in answer.history.events
        if counts(event) and not event.provisional and event.what == "pier" and event.before_us > last_us
    ]
    return np.asarray(times_us >= min(tips)) if tips else np.zeros(times_us.size, dtype=bool)


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
