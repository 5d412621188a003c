"""An invented answer with all that a picture can show: causes, ground, sky covered, corrections, events."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from invented_analysis import DAY_US, empty, invented
from invented_forecast import invented_forecast

from drift.ground.frost_front import UnderPier
from drift.site.file import pier_from_mapping
from drift.types import Analysis, CauseSeries, CorrectionFound, Event, History, SkyCovered


def rich(latitude_deg: float = 47.3) -> Analysis:
    """Return the invented answer with everything added."""
    analysis = invented(latitude_deg)
    nights = tuple(
        replace(
            night,
            sky=SkyCovered((-60.0, 45.0), (-10.0, 70.0)),
            solves_set_aside=1 if k % 20 == 0 else 0,
        )
        for k, night in enumerate(analysis.nights.nights)
    )
    history = with_changes(with_causes(analysis.history))
    ahead = invented_forecast(
        *history.axis_now, swing=40.0, peaks=(110.0, 140.0), start_us=int(history.time_us[-1]) + 1
    )
    history = replace(history, forecast=ahead, forcing_odds={"frozen": 0.98, "calendar": 0.02})
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
        CauseSeries("season", season, sd),
        CauseSeries("settlement", settled, 0.5 * sd),
        CauseSeries("sudden change by 2023-04-16", sudden, sd * np.eye(6)[4]),
        CauseSeries("azimuth correction 2022-02-06", np.zeros_like(sudden), 0.0 * sd),
    )
    return replace(history, causes=causes)


def with_changes(history: History) -> History:
    """Add corrections of every kind, a lost zero and a step of the pier."""
    t = [int(time) for time in history.time_us]
    found = (
        CorrectionFound(t[20], "azimuth", -300.0, -280.0, 12.0, True, "half a turn"),
        CorrectionFound(t[40], "altitude", 120.0, 20.0, 9.0, False, ""),
        CorrectionFound(t[60], "shim", 68.0, 61.0, 9.0, True, ""),
        CorrectionFound(t[70], "tighten", None, None, None, None, ""),
        CorrectionFound(t[75], "azimuth", None, 600.0, 22.0, None, ""),
        CorrectionFound(t[90], "nuts", 60.0, None, None, None, ""),
    )
    first = history.events[0]
    zero = _like(first, "zero", t[30], t[32], {"pier": 0.0, "mount_az": 0.05, "zero": 0.95})
    pier = _like(first, "pier", t[100], t[101], {"pier": 0.97, "mount_az": 0.01, "nothing": 0.02})
    return replace(history, corrections=(*history.corrections, *found), events=(*history.events, zero, pier))


def _like(event: Event, what: str, after_us: int, before_us: int, probability: dict[str, float]) -> Event:
    full = {"pier": 0.0, "mount_az": 0.0, "mount_alt": 0.0, "zero": 0.0, "nothing": 0.0, **probability}
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
        notes=("[pier] soil is not given: a middling fine soil is assumed.",),
    )


def level_only() -> Analysis:
    """Return the answer of a book that holds level readings and no night."""
    made = rich()
    keep = list(range(0, len(made.history.time_us), 2))  # a reading a fortnight
    change, sd = made.history.change[keep].copy(), made.history.sd[keep].copy()
    change[:, 4:], sd[:, 4:] = np.nan, np.nan
    no = np.full(2, np.nan)
    causes = tuple(
        CauseSeries(cause.name, np.nan_to_num(cause.change[keep]), cause.sd[keep])
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
