"""An invented but valid answer, so that what is shown can be tried without working anything out."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from drift.codes import Answer, AxisBound, Constant, CorrectionKind, Do, MovedPart, Part, Side
from drift.notices import AdviceCode, HistoryCode, NightCode, SiteCode, SkyCode, info, warning
from drift.site.file import PierFile, pier_from_mapping
from drift.types import (
    Action,
    Advice,
    Analysis,
    Bolt,
    CorrectionFound,
    Event,
    History,
    HistoryScales,
    InstrumentConstants,
    Lasting,
    Matter,
    NightAxis,
    Nights,
    Seasonal,
    Separable,
    SetAside,
    Verdict,
    Winter,
)

DAY_US = 86_400_000_000
#: A note that would break out of a page, a table or a terminal if it were taken at its word.
NASTY = 'knob <script>alert("x")</script> & [red]half[/red] {{ 7 * 7 }} \x1b[31mturn'

SCALES = HistoryScales(
    tilt_walk_arcsec_per_sqrt_day=0.41,
    across_share=0.3,
    heave_bearing_deg=32.0,
    az_creep_arcsec_per_sqrt_day=0.03,
    alt_creep_arcsec_per_sqrt_day=0.02,
    zero_repeat_arcsec=9.0,
    zero_creep_arcsec_per_sqrt_day=0.05,
    season_arcsec=8.0,
    settlement_arcsec=5.0,
    frost_arcsec=15.0,
    level_factor=1.1,
)

#: One level reading on either side of a change would do.
FALSE_ALARMS = {"section": "warn", "key": "false_alarms_per_year", "value": 1.0, "unit": "a year"}
SETTLED = info(
    HistoryCode.SETTLED_BY_READINGS,
    levels=5,
    level_sd_arcsec=15.0,
    zeros=None,
    zero_repeat_arcsec=None,
    wanted_arcsec=10.0,
)


def us(year: int, month: int, day: int, hour: int = 0) -> int:
    return int(datetime(year, month, day, hour, tzinfo=UTC).timestamp()) * 1_000_000


def site(latitude_deg: float = 47.3, name: str = "Hill garden") -> PierFile:
    return pier_from_mapping(
        {
            "site": {
                "name": name,
                "latitude_deg": latitude_deg,
                "longitude_deg": 15.5 if latitude_deg > 0 else 149.1,
                "elevation_m": 410.0,
                "timezone": "Europe/Vienna" if latitude_deg > 0 else "Australia/Sydney",
            },
            "warn": {"axis_arcmin": 2.0, "tilt_arcsec": 30.0},
        }
    )


def night(
    time_us: int, az: float, alt: float, zero: float = np.nan, sd: float = 5.0, **more: object
) -> NightAxis:
    own = np.diag([(1.4 * sd) ** 2, sd**2, sd**2 if np.isfinite(zero) else np.nan])
    start = time_us - 9 * 3_600_000_000
    return NightAxis(
        **{
            "start_us": start,
            "end_us": start + DAY_US,
            "time_us": time_us,
            "sources": ("pointing",),
            "solves_used": 9,
            "solves_set_aside": 0,
            "estimate": np.array([az, alt, zero]),
            "covariance": own + np.diag([4.0, 4.0, 4.0]),
            "own_covariance": own,
            **more,
        }
    )


def tilt_of(times_us: np.ndarray, south: bool) -> np.ndarray:
    """Return the invented tilt (north, east) [arcsec], 0 at the first time."""
    years = (times_us - times_us[0]) / (365.25 * DAY_US)
    of_year = (times_us - us(2000, 1, 1)) / (365.25 * DAY_US) % 1.0
    peak = 0.63 if south else 0.13
    heave = 14.0 * np.exp(3.0 * (np.cos(2 * np.pi * (of_year - peak)) - 1.0)) + 2.0 * years
    return np.column_stack([heave - heave[0], 0.6 * (heave - heave[0])])


def invented(
    latitude_deg: float = 47.3, nights: int = 160, every_days: float = 7.0, seed: int = 5
) -> Analysis:
    """Return the answer of a pier that heaves each winter and of a mount that slipped once."""
    noise = np.random.default_rng(seed)
    south = latitude_deg < 0
    times = us(2021, 10, 3, 21) + np.round(np.arange(nights) * every_days * DAY_US).astype(np.int64)
    tilt = tilt_of(times, south)
    slip = nights // 2
    kappa = np.where(np.arange(nights) >= slip, -140.0, 0.0) if nights > 4 else np.zeros(nights)
    tan, sign = np.tan(np.radians(latitude_deg)), -1.0 if south else 1.0
    az = 70.0 + kappa + tilt[:, 1] * tan + noise.normal(0, 6, nights)
    alt = -30.0 - sign * tilt[:, 0] + noise.normal(0, 4, nights)
    axes = [night(int(t), a, b, 3.0 * a) for t, a, b in zip(times, az, alt, strict=True)]
    return Analysis(
        site=site(latitude_deg),
        nights=Nights(
            nights=tuple(axes),
            instruments=(_constants(times),),
            set_aside=_set_aside(times),
            notices=(warning(NightCode.TUBE_SIDE_LEFT_OUT, solves=7),),
        ),
        history=_history(times, tilt, kappa, (float(az[-1]), float(alt[-1])), south),
        advice=_advice(times),
        defaults_used=(info(SiteCode.KEY_ASSUMED, **FALSE_ALARMS),),
        notices=(warning(SkyCode.LEAP_SECONDS_ENDED, leap_date="2024-06-28"),),
    )


def _constants(times: np.ndarray) -> InstrumentConstants:
    names = (Constant.CONE_ERROR, Constant.NON_PERPENDICULARITY, Constant.TUBE_DROOP)
    values, sds = np.array([61.2, -20.4, 35.0]), np.array([0.8, 1.1, 2.0])
    return InstrumentConstants(
        start_us=-(2**62), end_us=2**62, names=names, values=values, sds=sds, noise_arcsec=5.2
    )


def _set_aside(times: np.ndarray) -> tuple[SetAside, ...]:
    return (
        SetAside(
            kind="solves",
            row_id=17,
            time_us=int(times[0]),
            reason=warning(NightCode.DISAGREES),
        ),
        SetAside(
            kind="solves",
            row_id=18,
            time_us=int(times[0]),
            reason=warning(NightCode.DISAGREES),
        ),
        SetAside(kind="levels", row_id=3, time_us=int(times[-1]), reason=info(NightCode.IN_RECORD_TWICE)),
    )


def _history(
    times: np.ndarray, tilt: np.ndarray, kappa: np.ndarray, now: tuple[float, float], south: bool
) -> History:
    n = len(times)
    levels = times[3::9] + 5 * 3_600_000_000 if n > 4 else times[:0]
    every = np.sort(np.concatenate([times, levels]))
    change = np.zeros((len(every), 6))
    for k in range(2):
        change[:, k] = np.interp(every, times, tilt[:, k])
    change[:, 4] = kappa[np.searchsorted(times, every, side="right") - 1]
    sd = np.full((len(every), 6), 2.2)
    sd[:, 2:4] = 0.0
    sd[0] = 0.0
    moved = n > 4
    slip = n // 2
    event = (
        Event(
            after_us=int(times[slip - 1]),
            before_us=int(times[slip]),
            what=Part.MOUNT_AZ,
            provisional=False,
            recorded=False,
            probability={
                Part.PIER: 0.03,
                Part.MOUNT_AZ: 0.96,
                Part.MOUNT_ALT: 0.001,
                Part.ZERO: 0.003,
                Part.NOTHING: 0.006,
            },
            size={"tilt_north": 0.4, "tilt_east": -1.0, "mount_az": -140.0, "mount_alt": 0.2},
            size_sd={"tilt_north": 2.0, "tilt_east": 2.5, "mount_az": 4.0, "mount_alt": 3.0},
        )
        if moved
        else None
    )
    unsure = (
        Event(
            after_us=int(times[-2]),
            before_us=int(times[-1]),
            what=Part.UNDETERMINED,
            provisional=True,
            recorded=False,
            probability={
                Part.PIER: 0.5,
                Part.MOUNT_AZ: 0.4,
                Part.MOUNT_ALT: 0.0,
                Part.ZERO: 0.05,
                Part.NOTHING: 0.05,
            },
            size={"tilt_north": 0.4, "tilt_east": 21.0, "mount_az": 22.0, "mount_alt": np.nan},
            size_sd={"tilt_north": 2.0, "tilt_east": 5.0, "mount_az": 5.0, "mount_alt": np.nan},
        )
        if moved
        else None
    )
    return History(
        time_us=every,
        change=change,
        sd=sd,
        east_tilt_from_mount_azimuth=Separable(
            answer=Answer.YES,
            because=(info(HistoryCode.BY_ZERO, repeat_arcsec=9.0, nights=120),),
            would_settle_it=None,
        ),
        north_tilt_from_mount_altitude=Separable(
            answer=Answer.PARTLY,
            because=(info(HistoryCode.BY_SHAPE_IN_TIME),),
            would_settle_it=SETTLED,
        ),
        seasonal=Seasonal(
            peak_to_trough=16.2,
            peak_to_trough_sd=1.1,
            toward_bearing_deg=31.0,
            peak_day_of_year=228 if south else 47,
        )
        if moved
        else None,
        winters=(
            (
                Winter(winter="2022", swing=16.0, swing_sd=1.5, left_behind=2.1, left_behind_sd=1.0),
                Winter(winter="2023", swing=15.1, swing_sd=1.5, left_behind=np.nan, left_behind_sd=np.nan),
            )
            if south
            else (
                Winter(winter="2021-22", swing=16.0, swing_sd=1.5, left_behind=2.1, left_behind_sd=1.0),
                Winter(winter="2022-23", swing=15.1, swing_sd=1.5, left_behind=1.0, left_behind_sd=1.2),
            )
        )
        if moved
        else (),
        lasting=Lasting(arcsec_per_year=2.4, arcsec_per_year_sd=0.4, toward_bearing_deg=32.0)
        if moved
        else None,
        events=(event, unsure) if event and unsure else (),
        corrections=(
            CorrectionFound(
                time_us=int(times[n // 3]),
                kind=CorrectionKind.AZIMUTH,
                asked=120.0,
                found=112.0,
                found_sd=6.0,
                held=True,
                note=NASTY,
            ),
            CorrectionFound(
                time_us=int(times[n // 3]) + DAY_US,
                kind=CorrectionKind.TIGHTEN,
                asked=None,
                found=None,
                found_sd=None,
                held=None,
                note="all four",
            ),
        )
        if moved
        else (),
        axis_now=np.array(now),
        axis_now_sd=np.array([4.0, 3.0]),
        seasonal_axis_offset=np.zeros((366, 2)),
        scales=SCALES,
        notices=(warning(HistoryCode.ZEROS_REPEAT, scatter_arcsec=9.0),),
    )


def _advice(times: np.ndarray) -> Advice:
    slipped = warning(
        AdviceCode.MOUNT_STEPPED,
        after_date="2022-12-01",
        before_date="2022-12-08",
        of=Part.MOUNT_AZ,
        size_arcsec=138.0,
        sd_arcsec=6.0,
        side=Side.EAST,
        probability=0.96,
        corrected_by=None,
        corrected_date=None,
    )
    turn = info(
        AdviceCode.TURN,
        knob=CorrectionKind.AZIMUTH,
        change_arcsec=72.0,
        change_sd_arcsec=4.0,
        side=Side.EAST,
        clockwise=True,
        turns=0.4,
        past_turns=0,
        travel_arcmin=None,
        span_days=None,
    )
    return Advice(
        verdict=Verdict(
            moved=True,
            part=MovedPart.MOUNT,
            notice=warning(AdviceCode.MOVED, part=MovedPart.MOUNT, slip_put_right=False),
            clauses=(slipped,),
        ),
        actions=(
            Action(
                do=Do.TIGHTEN,
                notice=warning(AdviceCode.TIGHTEN, slipped=(CorrectionKind.AZIMUTH,), not_held=()),
            ),
            Action(do=Do.TURN_AZIMUTH, notice=turn, amount_arcmin=1.2, turns=0.4),
            Action(
                do=Do.SHIM,
                notice=info(
                    AdviceCode.PUT_SHIMS,
                    purpose=AdviceCode.TO_LEVEL_BASE,
                    tilt_north_arcsec=-60.0,
                    tilt_east_arcsec=0.0,
                    tilt_sd_arcsec=3.0,
                    since_date="2021-10-03",
                    knobs_share=None,
                    knobs_share_limit=0.02,
                    stacks=((0.0, (0.05,)),),
                    left_arcsec=9.0,
                    off_plane_mm=None,
                ),
                bolts=(
                    Bolt(bearing_deg=0.0, thickness_mm=0.05, pieces_mm=(0.05,)),
                    Bolt(bearing_deg=120.0, thickness_mm=None, nut_turns=0.25),
                ),
            ),
            Action(
                do=Do.WAIT,
                notice=info(
                    AdviceCode.WAIT_FOR_SEASON,
                    axis_arcsec=150.0,
                    axis_sd_arcsec=3.0,
                    left_arcsec=10.0,
                    left_sd_arcsec=14.0,
                    until_date="2024-05-01",
                    then_arcsec=119.0,
                    then_sd_arcsec=15.0,
                ),
                until_us=int(times[-1]) + 90 * DAY_US,
            ),
        ),
        cautions=(warning(AdviceCode.TAKE_LOAD_OFF),),
        matters=(_matter(AxisBound.TRAILING, 3.0), _matter(AxisBound.CORNER_ROTATION, 1.0)),
    )


def _matter(effect: AxisBound, allowed_arcmin: float) -> Matter:
    return Matter(
        effect=effect,
        limit=info(AdviceCode.TRAILS, most_pixels=1.0, pixel_arcsec=1.03, exposure_s=180.0),
        allowed_arcmin=allowed_arcmin,
        now_arcmin=1.4,
        now_sd_arcmin=0.1,
    )


def empty() -> Analysis:
    """Return the answer of a record with one night too thin to show the axis."""
    no = np.full(2, np.nan)
    thin = night(
        us(2024, 2, 11, 21),
        np.nan,
        np.nan,
        solves_used=1,
        covariance=np.full((3, 3), np.nan),
        own_covariance=np.full((3, 3), np.nan),
        notices=(warning(NightCode.ONE_SOLVE),),
    )
    separable = Separable(
        answer=Answer.NO,
        because=(info(HistoryCode.ONE_READING),),
        would_settle_it=info(HistoryCode.SETTLED_BY_SECOND_NIGHT),
    )
    history = History(
        time_us=np.array([thin.time_us]),
        change=np.full((1, 6), np.nan),
        sd=np.full((1, 6), np.nan),
        east_tilt_from_mount_azimuth=separable,
        north_tilt_from_mount_altitude=separable,
        seasonal=None,
        winters=(),
        lasting=None,
        events=(),
        corrections=(),
        axis_now=no,
        axis_now_sd=no,
        seasonal_axis_offset=np.zeros((366, 2)),
    )
    advice = Advice(
        verdict=Verdict(moved=False, part=MovedPart.NONE, notice=warning(AdviceCode.NO_AXIS)),
        actions=(Action(do=Do.MEASURE, notice=info(AdviceCode.FIRST_NIGHT)),),
        cautions=(),
    )
    return Analysis(site(), Nights(nights=(thin,), instruments=(), set_aside=()), history, advice, ())
