"""Where the axis is, and as of when: off either pole, what the season takes back, and what lasts."""

from __future__ import annotations

import math
import weakref
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from drift.advice.matters import OpenSky, matters_of, open_sky
from drift.advice.movement import side_of
from drift.codes import AxisBound, AxisReason, Do
from drift.forecast.coming import coming
from drift.forecast.outlook import look_ahead
from drift.forecast.season import Season, best_change, days_that_count, error_of_year, season_of
from drift.mount.axis_error import SIDEREAL_RAD_PER_MIN, on_sky
from drift.mount.instrument import hemisphere
from drift.notices import AdviceCode, NightCode, warning
from drift.quantities import ARCSEC_PER_RAD, DAY_US, Floats, reading_date
from drift.sky.air import (
    STANDARD_TEMP_C,
    refracted_place,
    refracted_pole_altitude_arcsec,
    standard_pressure_hpa,
)
from drift.types import Action, AxisForecast, Matter, Outlook, Poles, YearAim

if TYPE_CHECKING:
    from drift.site.file import PierFile
    from drift.types import Analysis, History, Nights


# ---- The true and the refracted pole: how far the axis is from each, and which suits the tracking.
#
# An axis on the true pole driven at the sidereal rate follows the stars as they would stand without air;
# refraction then shifts them slowly.  On the refracted pole the lift of the pole itself is followed too.
# Neither is right everywhere, so both are worked out over the free sky: unguided, how far a star trails in
# one exposure; guided (or driven as refraction asks), how far the corner turns about the middle.


#: The average King rate against the sidereal one: 15.0369 against 15.0411 arcsec/s (from memory).
KING_SHARE = 15.0369 / 15.0411
#: Assumed temperature [deg C], with the standard pressure; seasons and weather change the lift by this
#: share (from -10 to +25 deg C it is 12 % at any latitude).
_LIFT_SD_SHARE = 0.05
#: Nearer to the equator than this the pole is too low for the refraction model [deg].
_LOWEST_POLE_DEG = 10.0
#: Lower than this refraction dominates whatever the axis does [deg]; nearer to the poles a field turns
#: freely.
_LOWEST_DEG, _NEAREST_POLE_DEG = 20.0, 80.0
#: The poles count as equally good when one is not better by this share, or both are below so many pixels.
_BETTER_BY, _TOO_SMALL_PIXELS = 0.2, 0.1
#: Half the length over which the turn of the field is taken [rad].
_HALF_FIELD = math.radians(0.25)


def lift_of(site: PierFile) -> tuple[float, float]:
    """Return how high the refracted pole stands above the true one, and the sd [arcsec]; 0 at the equator."""
    if abs(site.site.latitude_deg) < _LOWEST_POLE_DEG:
        return 0.0, 0.0
    pressure = standard_pressure_hpa(site.site.elevation_m)
    lift = float(refracted_pole_altitude_arcsec(site.site.latitude_deg, STANDARD_TEMP_C, pressure))
    return lift, _LIFT_SD_SHARE * lift


def pole_offset(site: PierFile) -> Floats:
    """Return the pole that the site file aims at as (az_error, alt_error) against the true pole [arcsec]."""
    return np.array([0.0, lift_of(site)[0] if site.mount.pole == "refracted" else 0.0])


def poles_of(site: PierFile, axis: Floats, sd: Floats) -> Poles:
    """Return how far the axis is from both poles, and which suits the tracking.

    Parameters
    ----------
    site
        Its tracking, optics and horizon.
    axis, sd
        (az_error, alt_error) against the true pole, with standard deviations [arcsec].
    """
    latitude = math.radians(site.site.latitude_deg)
    lift, lift_sd = lift_of(site)
    true = on_sky(axis, sd, latitude)
    refracted = on_sky(axis - [0.0, lift], np.hypot(sd, [0.0, lift_sd]), latitude)
    sizes = _sizes(site, lift)
    return Poles(
        true_arcmin=true[0] / 60.0,
        true_sd_arcmin=true[1] / 60.0,
        refracted_arcmin=refracted[0] / 60.0,
        refracted_sd_arcmin=refracted[1] / 60.0,
        lift_arcsec=lift,
        lift_sd_arcsec=lift_sd,
        aimed_at=str(site.mount.pole),
        suits=_suits(sizes),
        true_pixels=None if sizes is None else sizes[0],
        refracted_pixels=None if sizes is None else sizes[1],
        star_held=_held(site),
    )


def _suits(sizes: tuple[float, float] | None) -> str:
    if sizes is None or max(sizes) < _TOO_SMALL_PIXELS:
        return "either"
    small, large = sorted(sizes)
    if small > (1.0 - _BETTER_BY) * large:
        return "either"
    return "true" if sizes[0] < sizes[1] else "refracted"


def _held(site: PierFile) -> bool:
    """Whether a star is held still whatever the axis does, so that only field rotation is left."""
    return bool(site.optics.guided) or site.mount.tracking == "refraction"


def _sizes(site: PierFile, lift: float) -> tuple[float, float] | None:
    """Return what an axis on the true and on the refracted pole does over the sky, rms [pixels]."""
    sky = open_sky(site)
    sky = sky.only((sky.altitude >= _LOWEST_DEG) & (np.abs(sky.declination) <= _NEAREST_POLE_DEG))
    if not sky.declination.size or lift == 0.0:
        return None
    optics = site.optics
    if _held(site):
        corner = math.hypot(optics.sensor_width_mm, optics.sensor_height_mm) / 2.0
        per_rad, effect = corner * 1000.0 / optics.pixel_um, corner_turn
    else:
        per_rad, effect = optics.focal_length_mm * 1000.0 / optics.pixel_um, refracted_trail
    raised = [effect(site, sky, alt_error) for alt_error in (0.0, lift)]
    true, refracted = (per_rad * float(np.sqrt(np.mean(one**2))) for one in raised)
    return true, refracted


def refracted_trail(site: PierFile, sky: OpenSky, alt_error: float) -> Floats:
    """Return how far a star trails in one exposure with an axis `alt_error` [arcsec] above the true pole.

    Returns
    -------
    numpy.ndarray
        (n,) [rad], the air's own shift included.
    """
    (hour_0, dec_0), (hour_1, dec_1), passed = _ends(site, sky, alt_error, 0.0)
    rate = KING_SHARE if site.mount.tracking == "king" else 1.0
    along = (hour_1 - hour_0 - rate * passed) * np.cos(dec_0)
    return np.asarray(np.hypot(along, dec_1 - dec_0))


def corner_turn(site: PierFile, sky: OpenSky, alt_error: float) -> Floats:
    """Return by how much the field turns about a star held still in one exposure, (n,) [rad]."""
    (hour_n0, dec_n0), (hour_n1, dec_n1), _ = _ends(site, sky, alt_error, _HALF_FIELD)
    (hour_s0, dec_s0), (hour_s1, dec_s1), _ = _ends(site, sky, alt_error, -_HALF_FIELD)
    first = np.arctan2((hour_n0 - hour_s0) * np.cos(dec_s0), dec_n0 - dec_s0)
    last = np.arctan2((hour_n1 - hour_s1) * np.cos(dec_s1), dec_n1 - dec_s1)
    return np.asarray(last - first)


def _ends(
    site: PierFile, sky: OpenSky, alt_error: float, north: float
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats], float]:
    """Return a star's place in the mount's frame at start and end of an exposure, and the turn between."""
    passed = SIDEREAL_RAD_PER_MIN * site.optics.exposure_s / 60.0
    hour, dec = np.radians(sky.hour_angle), np.radians(sky.declination) + north
    start, end = (_in_mount(site, hour + shift, dec, alt_error) for shift in (-passed / 2.0, passed / 2.0))
    return start, (start[0] + (end[0] - start[0]) % (2.0 * np.pi), end[1]), passed


def _in_mount(site: PierFile, hour: Floats, dec: Floats, alt_error: float) -> tuple[Floats, Floats]:
    """Return where the mount sees a star whose axis stands `alt_error` [arcsec] above the true pole."""
    pressure = float(standard_pressure_hpa(site.site.elevation_m))
    hour, dec = refracted_place(hour, dec, site.site.latitude_deg, STANDARD_TEMP_C, pressure)
    # raising the elevated end turns the frame about its east axis: meridian toward the ground
    lift = hemisphere(math.radians(site.site.latitude_deg)) * alt_error / ARCSEC_PER_RAD
    meridian, west, pole = np.cos(dec) * np.cos(hour), np.cos(dec) * np.sin(hour), np.sin(dec)
    turned_meridian = meridian * math.cos(lift) - pole * math.sin(lift)
    turned_pole = pole * math.cos(lift) + meridian * math.sin(lift)
    return np.arctan2(west, turned_meridian), np.arcsin(turned_pole)


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
    may_be_modelled: bool = False  # a model inside the mount may have taken the axis error out

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
        may_be_modelled=any(one.code == NightCode.AXIS_RESTS_ON_RAW_REPORTS for one in nights.notices),
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


class _Latest:
    """The outlook of the analysis that was last asked about: words, tables and pictures all ask for it."""

    held: tuple[weakref.ref[Analysis], Outlook | None] | None = None


def coming_of(analysis: Analysis) -> Outlook | None:
    """Return the outlook; None where the history has no forecast, or none that reaches to today."""
    held = _Latest.held
    if held is not None and held[0]() is analysis:
        return held[1]
    site, nights, history = analysis.site, analysis.nights, analysis.history
    found = outlook_of(site, nights, history, analysis.now_us, analysis.arrived_us)
    _Latest.held = weakref.ref(analysis), found
    return found
