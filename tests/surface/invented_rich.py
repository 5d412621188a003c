"""An invented answer with all that a picture can show: causes, ground, sky covered, corrections, events."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from invented_analysis import DAY_US, empty, invented, us
from invented_forecast import invented_forecast

from drift.codes import CauseKind, CorrectionKind, ForcingKind, Part
from drift.ground.frost_front import UnderPier
from drift.notices import GroundCode, info
from drift.site.file import pier_from_mapping
from drift.types import PARTS, Analysis, CauseSeries, CorrectionFound, Event, History, SkyCovered


def rich(latitude_deg: float = 47.3) -> Analysis:
    """Return the invented answer with everything added."""
    analysis = invented(latitude_deg)
    nights = tuple(
        replace(
            night,
            sky=SkyCovered(hour_angle_deg=(-60.0, 45.0), declination_deg=(-10.0, 70.0)),
            solves_set_aside=1 if k % 20 == 0 else 0,
        )
        for k, night in enumerate(analysis.nights.nights)
    )
    history = with_changes(with_causes(analysis.history))
    ahead = invented_forecast(
        *history.axis_now, swing=40.0, peaks=(110.0, 140.0), start_us=int(history.time_us[-1]) + 1
    )
    history = replace(
        history, forecast=ahead, forcing_odds={ForcingKind.FROZEN: 0.98, ForcingKind.CALENDAR: 0.02}
    )
    mapping = {
        "site": dict(analysis.site.site),
        "warn": {"axis_arcmin": 2.0, "tilt_arcsec": 30.0},
        "plate": {"bolt_bearings_deg": [0.0, 120.0, 240.0], "bolt_circle_mm": 250.0},
    }
    return replace(
        analysis,
        site=pier_from_mapping(mapping),
        nights=replace(analysis.nights, nights=nights),
        history=history,
        ground=ground_of(history),
    )


def with_causes(history: History) -> History:
    """Split the change into a season, a settlement and a sudden change, which add up to it."""
    years = (history.time_us - history.time_us[0]) / (365.25 * DAY_US)
    settled, sudden = np.zeros_like(history.change), np.zeros_like(history.change)
    settled[:, 0], settled[:, 1] = 2.0 * years, 1.2 * years
    sudden[:, 4] = history.change[:, 4]
    season = history.change - settled - sudden
    sd = np.where(history.change == 0.0, 0.0, 1.5)
    causes = (
        CauseSeries(kind=CauseKind.SEASON, change=season, sd=sd),
        CauseSeries(kind=CauseKind.SETTLEMENT, change=settled, sd=0.5 * sd),
        CauseSeries(kind=CauseKind.STEP, change=sudden, sd=sd * np.eye(6)[4], time_us=us(2023, 4, 16)),
        CauseSeries(
            kind=CauseKind.CORRECTION,
            change=np.zeros_like(sudden),
            sd=0.0 * sd,
            time_us=us(2022, 2, 6),
            correction=CorrectionKind.AZIMUTH,
        ),
    )
    return replace(history, causes=causes)


def with_changes(history: History) -> History:
    """Add corrections of every kind, a lost zero and a step of the pier."""
    t = [int(time) for time in history.time_us]
    found = (
        CorrectionFound(
            time_us=t[20],
            kind=CorrectionKind.AZIMUTH,
            asked=-300.0,
            found=-280.0,
            found_sd=12.0,
            held=True,
            note="half a turn",
        ),
        CorrectionFound(
            time_us=t[40],
            kind=CorrectionKind.ALTITUDE,
            asked=120.0,
            found=20.0,
            found_sd=9.0,
            held=False,
            note="",
        ),
        CorrectionFound(
            time_us=t[60], kind=CorrectionKind.SHIM, asked=68.0, found=61.0, found_sd=9.0, held=True, note=""
        ),
        CorrectionFound(
            time_us=t[70],
            kind=CorrectionKind.TIGHTEN,
            asked=None,
            found=None,
            found_sd=None,
            held=None,
            note="",
        ),
        CorrectionFound(
            time_us=t[75],
            kind=CorrectionKind.AZIMUTH,
            asked=None,
            found=600.0,
            found_sd=22.0,
            held=None,
            note="",
        ),
        CorrectionFound(
            time_us=t[90], kind=CorrectionKind.NUTS, asked=60.0, found=None, found_sd=None, held=None, note=""
        ),
    )
    first = history.events[0]
    zero = _like(first, Part.ZERO, t[30], t[32], {Part.PIER: 0.0, Part.MOUNT_AZ: 0.05, Part.ZERO: 0.95})
    pier = _like(first, Part.PIER, t[100], t[101], {Part.PIER: 0.97, Part.MOUNT_AZ: 0.01, Part.NOTHING: 0.02})
    return replace(history, corrections=(*history.corrections, *found), events=(*history.events, zero, pier))


def _like(event: Event, what: Part, after_us: int, before_us: int, probability: dict[Part, float]) -> Event:
    full = {**dict.fromkeys(PARTS, 0.0), **probability}
    return replace(event, what=what, after_us=after_us, before_us=before_us, probability=full)


def ground_of(history: History) -> UnderPier:
    """Return three winters that freeze the ground 0.6 m deep, 0.5 to 0.8 m within what isn't known."""
    first, last = int(history.time_us[0]), int(history.time_us[-1])
    time_us = np.arange(first - 200 * DAY_US, last + 200 * DAY_US, DAY_US)
    phase = 2 * np.pi * ((time_us - first) / DAY_US - 110.0) / 365.25
    depth = 0.6 * np.cos(phase)
    frozen = depth > 0.05
    bottom, filled = np.where(frozen, depth, np.nan), np.zeros(time_us.size, dtype=bool)
    filled[300:310] = True
    return UnderPier(
        time_us=time_us,
        air_c=8.0 - 14.0 * np.cos(phase),
        filled=filled,
        top_m=np.where(frozen, 0.0, np.nan),
        bottom_m=bottom,
        deep_m=bottom * 4 / 3,
        shallow_m=bottom * 5 / 6,
        base_m=1.1,
        notices=(info(GroundCode.SOIL_ASSUMED),),
    )


def level_only() -> Analysis:
    """Return the answer of a book that holds level readings and no night."""
    made = rich()
    keep = list(range(0, len(made.history.time_us), 2))  # a reading a fortnight
    change, sd = made.history.change[keep].copy(), made.history.sd[keep].copy()
    change[:, 4:], sd[:, 4:] = np.nan, np.nan
    no = np.full(2, np.nan)
    causes = tuple(
        replace(cause, change=np.nan_to_num(cause.change[keep]), sd=cause.sd[keep])
        for cause in made.history.causes[:2]
    )
    history = replace(
        made.history,
        time_us=made.history.time_us[keep],
        change=change,
        sd=sd,
        events=(),
        corrections=(),
        axis_now=no,
        axis_now_sd=no,
        causes=causes,
        forecast=None,
    )
    return replace(made, nights=replace(empty().nights, nights=()), history=history, ground=None)
