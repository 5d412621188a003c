"""Where the axis is, and as of when: its error, the part the season takes back, the part that lasts."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from drift.advice.matters import matters_of
from drift.advice.movement import side_of
from drift.advice.poles import pole_offset
from drift.codes import AxisBound, AxisReason, Do
from drift.forecast.coming import coming
from drift.forecast.outlook import look_ahead
from drift.forecast.season import Season, best_change, days_that_count, error_of_year, season_of
from drift.mount.axis_error import on_sky
from drift.notices import AdviceCode, warning
from drift.quantities import DAY_US, Floats, reading_date
from drift.types import Action, AxisForecast, Matter, Outlook, YearAim

if TYPE_CHECKING:
    from drift.site.file import PierFile
    from drift.types import Analysis, History, Nights


# ---- As of when: today for a watched pier, the last reading for old logs.
#
# Logs of years ago that are imported today say what the pier did then.  Advice from them is given as of
# their end, with a night to be taken before anything is turned.  But a record that is kept up and has
# fallen silent grows old, and then its last night is no guide to today.  Both end long ago; when the
# readings came in tells them apart.


#: A last night older than this is too old to turn a knob by [days].
OLD_DAYS = 60
#: Actions that turn or lift something.
ADJUSTING = (Do.TURN_AZIMUTH, Do.TURN_ALTITUDE, Do.SHIM, Do.NUTS)


def silent_days(latest_us: int, now_us: int, arrived_us: int | None) -> float:
    """Return how long ago the last reading was taken or imported, whichever is later [days].

    Parameters
    ----------
    latest_us
        The time of the latest reading [UTC microseconds].
    now_us
        The present time.
    arrived_us
        When readings of axis or tilt last came into the record; None when that isn't known.
    """
    return (now_us - max(latest_us, arrived_us or latest_us)) / DAY_US


def looked_at(latest_us: int, now_us: int, arrived_us: int | None) -> bool:
    """Whether the readings were already old when they came in: an archive, not a watched pier."""
    return now_us - latest_us > OLD_DAYS * DAY_US and silent_days(latest_us, now_us, arrived_us) <= OLD_DAYS


def night_first(actions: tuple[Action, ...], situation: Situation) -> tuple[Action, ...]:
    """Put a night before anything that old logs would have turned or lifted."""
    if not any(action.do in ADJUSTING for action in actions):
        return actions
    when = situation.last_night_date
    first = Action(do=Do.MEASURE, notice=warning(AdviceCode.NIGHT_FIRST, last_night_date=when))
    return (first, *actions)


def of_today(actions: tuple[Action, ...], situation: Situation, today_us: int) -> tuple[Action, ...]:
    """Take days that are over by today out of the advice from old logs: nobody can wait for them."""
    over = [action.until_us is not None and action.until_us <= today_us for action in actions]
    pairs = zip(actions, over, strict=True)
    return tuple(_of_today(action, situation) if is_over else action for action, is_over in pairs)


def _of_today(action: Action, situation: Situation) -> Action:
    if action.do == Do.NOTHING:
        values = {**action.notice.values, "realign_by_date": None, "realign_soon": True}
        return replace(action, notice=replace(action.notice, values=values), until_us=None)
    when = situation.last_night_date
    return Action(do=Do.MEASURE, notice=warning(AdviceCode.WAIT_IS_OVER, last_night_date=when))


# ---- The situation.


#: An error or a change of this many standard deviations is worth acting on.
ACT_SDS = 2.0


@dataclass(frozen=True, kw_only=True)
class Situation:
    """The axis at the latest night that shows it; arrays are (az_error, alt_error) [arcsec].

    All but `forecast` is against the pole that the site file aims at, which is at `pole` from the true
    one.  ``lasting = now - seasonal``; ``-off_aim`` is what a correction should do so that the coming year
    goes best.  `tolerance` is the smallest angle on the sky [arcsec] that the warning limit or the optics
    allow, and `tolerance_of` says which.
    """

    site: PierFile = field(repr=False)
    latitude_rad: float
    zone: ZoneInfo
    time_us: int
    now_us: int
    span_days: float
    pole: Floats
    now: Floats
    now_sd: Floats
    season: Season
    forecast: AxisForecast = field(repr=False)
    off_aim: Floats
    tolerance: float
    tolerance_of: AxisBound
    matters: tuple[Matter, ...]
    axis_reason: AxisReason = AxisReason.KNOWN  # why the axis isn't known, where there are readings enough

    @property
    def known(self) -> bool:
        """Whether any night shows both coordinates of the axis."""
        return bool(np.all(np.isfinite(self.now)) and np.all(np.isfinite(self.now_sd)))

    @property
    def last_night_date(self) -> str:
        """The date of the latest night that shows the axis, ISO 8601."""
        return reading_date(self.time_us, self.site.site.longitude_deg)

    @property
    def seasonal(self) -> Floats:
        """The seasonal part on the night on which the axis was seen."""
        return np.asarray(self.season.at(np.array([self.time_us]))[0])

    @property
    def lasting(self) -> Floats:
        """The part of the error that does not come and go with the year."""
        return self.now - self.seasonal

    @property
    def lasting_sd(self) -> Floats:
        """Standard deviation of `lasting`."""
        return np.hypot(self.now_sd, self.season.sd_at(np.array([self.time_us]))[0])

    @property
    def off_aim_sd(self) -> Floats:
        """Standard deviation of `off_aim`: of the axis itself for "tonight", else of what lasts."""
        return self.now_sd if self.site.optics.aim == "tonight" else self.lasting_sd

    def error_now(self) -> tuple[float, float]:
        """Return the present angle on the sky and its standard deviation."""
        return on_sky(self.now, self.now_sd, self.latitude_rad)

    def error_lasting(self) -> tuple[float, float]:
        """Return the lasting part as an angle on the sky, and its standard deviation."""
        return on_sky(self.lasting, self.lasting_sd, self.latitude_rad)

    def error_off_aim(self) -> tuple[float, float]:
        """Return how far the axis is from its best place, as an angle on the sky, and its sd."""
        return on_sky(self.off_aim, self.off_aim_sd, self.latitude_rad)

    def angle_of(self, axis: Floats) -> float:
        """Return the angle on the sky of an axis error (az_error, alt_error) [arcsec]."""
        return float(np.hypot(axis[0] * np.cos(self.latitude_rad), axis[1]))

    def over(self, error: float, sd: float) -> bool:
        """Whether an error exceeds the tolerance by more than its uncertainty."""
        return error > self.tolerance and error > ACT_SDS * sd

    @property
    def is_over(self) -> bool:
        """Whether the axis is known and exceeds the tolerance now."""
        return self.known and self.over(*self.error_now())

    def comes_back(self, change: Floats) -> tuple[int, float, float]:
        """Return when the season has brought the axis back, the error it then has and its sd.

        Parameters
        ----------
        change
            What is done to the axis now, shape (2,) [arcsec].

        Returns
        -------
        time_us, error, sd
            The first day on which the error is within tolerance or, when no day is, the best day.
        """
        to_sky = np.array([np.cos(self.latitude_rad), 1.0])
        errors = np.hypot(*((self.forecast.axis - self.pole + change) * to_sky).T)
        within = np.flatnonzero(errors <= self.tolerance)
        best = int(within[0]) if within.size else int(np.argmin(errors))
        sd = float(np.max(self.forecast.sd[best] * to_sky))
        return int(self.forecast.time_us[best]), float(errors[best]), sd


def situation_of(
    site: PierFile,
    nights: Nights,
    history: History,
    now_us: int | None,
    forecast: AxisForecast | None = None,
) -> Situation:
    """Put the situation together.

    Parameters
    ----------
    site, nights, history
        As for `drift.advice.steps.advise`.
    now_us
        The time at which advice is wanted, or None for that of the latest reading.
    forecast
        Where the axis goes untouched; None for what `drift.forecast.coming.coming` says.
    """
    latitude_rad = float(np.radians(site.site.latitude_deg))
    times = _axis_times(nights) or [int(t) for t in history.time_us] or [now_us or 0]
    time_us = max(times)
    now_us = max(time_us, latest_us(nights, history)) if now_us is None else now_us
    season, pole = season_of(history, latitude_rad), pole_offset(site)
    if forecast is None:
        forecast = coming(history, season, latitude_rad, time_us, max(now_us, time_us))
    now, now_sd = (
        np.asarray(history.axis_now - pole, dtype=float),
        np.asarray(history.axis_now_sd, dtype=float),
    )
    known = bool(np.all(np.isfinite(now)) and np.all(np.isfinite(now_sd)))
    matters = matters_of(site, now, now_sd) if known else ()
    tolerance, tolerance_of = allowed_error(site, matters)
    return Situation(
        site=site,
        latitude_rad=latitude_rad,
        zone=ZoneInfo(site.site.timezone or "UTC"),
        time_us=time_us,
        now_us=now_us,
        span_days=(time_us - min(times)) / DAY_US,
        pole=pole,
        now=now,
        now_sd=now_sd,
        season=season,
        forecast=forecast,
        off_aim=_off_aim(site, forecast, pole, latitude_rad) if known else np.full(2, np.nan),
        tolerance=tolerance,
        tolerance_of=tolerance_of,
        matters=matters,
        axis_reason=nights.axis_reason,
    )


def latest_us(nights: Nights, history: History) -> int:
    """Return when axis or tilt was last read [us]; 0 when never."""
    return max([*_axis_times(nights), *(int(t) for t in history.time_us)], default=0)


def _axis_times(nights: Nights) -> list[int]:
    return [night.time_us for night in nights.nights if night.has_axis]


def _off_aim(site: PierFile, forecast: AxisForecast, pole: Floats, latitude_rad: float) -> Floats:
    counts = days_that_count(forecast, site)
    return -best_change(forecast, latitude_rad, counts, str(site.optics.aim), pole)


def allowed_error(site: PierFile, matters: tuple[Matter, ...]) -> tuple[float, AxisBound]:
    """Return the smallest angle on the sky that the warning limit or the optics allow, and which does."""
    allowed = [(site.warn.axis_arcmin, AxisBound.WARNING_LIMIT)]
    allowed += [(m.allowed_arcmin, m.effect) for m in matters if m.binding]
    least, bound = min(allowed)
    return least * 60.0, bound


# ---- Where the axis is best left for the coming year.


def year_aim(
    site: PierFile, forecast: AxisForecast, pole: Floats, change: Floats, latitude_rad: float
) -> YearAim:
    """Return where to leave the axis for the coming year, and what is gained over "on the pole tonight".

    Parameters
    ----------
    site
        Months of use, and what to aim at.
    forecast
        Where the axis goes if left alone.
    pole
        The pole aimed at as an axis error, (2,) [arcsec].
    change
        What `best_change` says, (2,) [arcsec].
    latitude_rad
        Geodetic latitude [rad].
    """
    aim, counts = str(site.optics.aim), days_that_count(forecast, site)
    dead_on = best_change(forecast, latitude_rad, counts, "tonight", pole)
    aimed, sd = error_of_year(forecast, change, latitude_rad, counts, aim, pole)
    on_pole, on_pole_sd = error_of_year(forecast, dead_on, latitude_rad, counts, aim, pole)
    alone, alone_sd = error_of_year(forecast, np.zeros(2), latitude_rad, counts, aim, pole)
    leave = forecast.axis[0] + change
    off_pole = leave - pole
    return YearAim(
        aim=aim,
        leave_az_arcsec=float(leave[0]),
        leave_alt_arcsec=float(leave[1]),
        leave_sd_arcsec=(float(forecast.sd[0][0]), float(forecast.sd[0][1])),
        off_pole_arcsec=(float(off_pole[0]), float(off_pole[1])),
        off_pole_side=side_of("mount_az", float(off_pole[0]), site.site.latitude_deg),
        as_aimed_arcmin=aimed / 60.0,
        dead_on_arcmin=on_pole / 60.0,
        dead_on_sd_arcmin=on_pole_sd / 60.0,
        as_it_is_arcmin=alone / 60.0,
        as_it_is_sd_arcmin=alone_sd / 60.0,
        sd_arcmin=sd / 60.0,
        from_us=int(forecast.time_us[0]),
        until_us=int(forecast.time_us[-1]),
        months_of_use=bool(site.optics.months_of_use),
    )


# ---- The coming twelve months against what is allowed.


def outlook_of(
    site: PierFile,
    nights: Nights,
    history: History,
    now_us: int | None = None,
    arrived_us: int | None = None,
) -> Outlook | None:
    """Look at the coming twelve months, from today on where the forecast reaches so far.

    Parameters
    ----------
    site, nights, history
        As for `drift.advice.steps.advise`.
    now_us
        The present time [UTC us]; None for that of the latest reading.
    arrived_us
        When readings last came in: logs that were more than a year old by then are looked at as of their end.

    Returns
    -------
    Outlook or None
        None where the history has no forecast: no night shows the axis, or there is only one; and where
        its forecast ended before today.
    """
    if history.forecast is None:
        return None
    last_us = latest_us(nights, history)
    past = now_us is not None and looked_at(last_us, now_us, arrived_us)
    return look_ahead(history, situation_of(site, nights, history, None), last_us, now_us, past)


def coming_of(analysis: Analysis) -> Outlook | None:
    """Return the outlook; None where the history has no forecast, or none that reaches to today."""
    return outlook_of(analysis.site, analysis.nights, analysis.history, analysis.now_us, analysis.arrived_us)
