"""Invented nights and histories, in round numbers, for tests of advice and watch."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from drift.codes import Answer, CorrectionKind, Part, Source
from drift.notices import HistoryCode, info
from drift.site.file import pier_from_mapping
from drift.types import PARTS, CorrectionFound, Event, History, NightAxis, Nights, Seasonal, Separable, Winter

DAY_US = 86_400_000_000
#: The first night; forty nights follow, twenty days apart, the last on 2024-03-19.
START_US = int(datetime(2022, 1, 29, 3, tzinfo=UTC).timestamp()) * 1_000_000
TIMES = START_US + 20 * DAY_US * np.arange(40)
LAST_US = int(TIMES[-1])
EAST, NORTH, ALT, AZ = 1, 0, 5, 4  # columns of History.change


def site(latitude_deg=46.0, **sections):
    """Return a site with a limit of 2 arcmin on the axis and 30 arcsec on the tilt."""
    data = {
        "site": {"latitude_deg": latitude_deg, "longitude_deg": 20.0, "elevation_m": 100.0},
        "warn": {"axis_arcmin": 2.0, "tilt_arcsec": 30.0, "since": "start"},
        "store": {"url": "sqlite://"},
    }
    for name, keys in sections.items():
        data[name] = {**data.get(name, {}), **keys}
    return pier_from_mapping(data)


def separable(analysis):
    return Separable(
        answer=Answer(analysis),
        because=(info(HistoryCode.SUM_ONLY_NO_LEVEL),),
        would_settle_it=info(
            HistoryCode.SETTLED_BY_READINGS,
            levels={"no": 5, "partly": 3, "yes": 1}[analysis],
            level_sd_arcsec=15.0,
            zeros=None,
            zero_repeat_arcsec=None,
            wanted_arcsec=10.0,
        ),
    )


def history(axis_now=(0.0, 0.0), axis_sd=(3.0, 3.0), east="yes", north="yes", **changed):
    """Return a history in which nothing happens, with what is `changed` put in its place."""
    quiet = History(
        time_us=TIMES,
        change=np.zeros((40, 6)),
        sd=np.vstack([np.zeros(6), np.full((39, 6), 3.0)]),
        east_tilt_from_mount_azimuth=separable(east),
        north_tilt_from_mount_altitude=separable(north),
        seasonal=None,
        winters=(),
        lasting=None,
        events=(),
        corrections=(),
        axis_now=np.array(axis_now, dtype=float),
        axis_now_sd=np.array(axis_sd, dtype=float),
        seasonal_axis_offset=np.zeros((366, 2)),
    )
    return replace(quiet, **changed)


def ramp(column, size, sd=3.0, start=0):
    """Return change and sd in which one column grows evenly to `size` from night `start` on."""
    change, sds = np.zeros((40, 6)), np.vstack([np.zeros(6), np.full((39, 6), 3.0)])
    change[start:, column] = np.linspace(0.0, size, 40 - start)
    sds[1:, column] = sd
    return {"change": change, "sd": sds}


def step(column, size, night):
    """Return a change in which one column steps by `size` at `night` and stays."""
    change = np.zeros((40, 6))
    change[night:, column] = size
    return {"change": change}


def nights(axis=(0.0, 0.0), sd=4.0, times=TIMES):
    """Return a night at each time, all with one axis, or one axis a row."""
    axes = np.broadcast_to(np.asarray(axis, dtype=float), (len(times), 2))
    covariance = np.diag([sd**2] * 3)
    made = [
        NightAxis(
            start_us=int(t) - DAY_US // 4,
            end_us=int(t) + DAY_US // 4,
            time_us=int(t),
            sources=(Source.POINTING,),
            solves_used=9,
            solves_set_aside=0,
            estimate=np.array([az, alt, 0.0]),
            covariance=covariance,
            own_covariance=covariance,
        )
        for t, (az, alt) in zip(times, axes, strict=True)
    ]
    return Nights(nights=tuple(made), instruments=(), set_aside=())


def event(what, night=20, provisional=False, recorded=False, probability=None, sd=3.0, **size):
    """Return an event between two nights; `probability` defaults to nearly all for `what`."""
    if probability is None:
        probability = {what: 0.96, "nothing": 0.01}
    spread = {part: probability.get(part, 0.0) for part in PARTS}
    spread[Part.ZERO] += 1.0 - sum(spread.values())
    names = ("tilt_north", "tilt_east", "mount_az", "mount_alt")
    return Event(
        after_us=int(TIMES[night - 1]),
        before_us=int(TIMES[night]),
        what=Part(what),
        provisional=provisional,
        recorded=recorded,
        probability=spread,
        size={name: size.get(name, 0.0) for name in names},
        size_sd=dict.fromkeys(names, sd),
    )


def correction(kind, night=30, asked=None, found=None, held=None):
    return CorrectionFound(
        time_us=int(TIMES[night]) - DAY_US,
        kind=CorrectionKind(kind),
        asked=asked,
        found=found,
        found_sd=None if found is None else 3.0,
        held=held,
    )


def yearly(az=0.0, alt=0.0, sd_share=0.1, swings=(1.0, 1.0, 1.0)):
    """Return a seasonal part that stands at its most positive on the last night.

    `swings` says how large each winter was against the mean one.
    """
    last = datetime.fromtimestamp(LAST_US / 1e6, UTC).timetuple().tm_yday
    wave = np.cos(2.0 * np.pi * (np.arange(1, 367) - last) / 365.25)
    swing = 2.0 * max(abs(az), abs(alt))
    return {
        "seasonal_axis_offset": np.outer(wave, [az, alt]),
        "seasonal": Seasonal(
            peak_to_trough=swing,
            peak_to_trough_sd=sd_share * swing,
            toward_bearing_deg=180.0,
            peak_day_of_year=last,
        ),
        "winters": tuple(
            Winter(
                winter=f"winter {k}", swing=share * swing, swing_sd=1.0, left_behind=0.0, left_behind_sd=1.0
            )
            for k, share in enumerate(swings)
        ),
    }
