"""Invented sites: piers that share the frost of their ground, each with its own size, lag and direction.

Frost is the thickness of frozen soil by the heat equation with latent heat in a column of soil, solved here
day by day, so that nothing of the tool's own frost stands behind the truth.  Each pier strays from it and
wanders.  Nights and levels are plain numbers, in the geometry of small angles.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from drift.codes import Source
from drift.forecast.coming import with_forecast
from drift.ground.heave import FrostHeave
from drift.ground.pier_site import ground_of
from drift.ground.weather import daily_weather
from drift.history.changes import Plate
from drift.history.inputs import Inputs, Warmth
from drift.history.neighbours import NeighbourPrior
from drift.history.separate import separate_fitted
from drift.night.prepared import split_nights
from drift.readings import as_readings
from drift.types import History, NightAxis, Nights

DAY_US = 86_400_000_000
YEAR = 365.25
#: 1 September 2019, days since 1970; all days below are counted from it.
FIRST = 18_140
PIERS, WINTERS = 6, 3
LATITUDE_DEG = 47.0


# --- the site: air and frost ----------------------------------------------------------------------------


def air(rng: np.random.Generator, days: int, mean_c: float) -> Any:
    """Return daily mean temperatures [deg C]: the year's wave, winters that differ, weather of some days."""
    day = np.arange(days)
    winter = np.repeat(rng.normal(0.0, 1.2, days // 365 + 2), 365)[:days]
    spell = np.zeros(days)
    for i, push in enumerate(rng.normal(0.0, 2.0, days)):
        spell[i] = 0.85 * spell[i - 1] + push
    return mean_c + winter - 12.0 * np.cos(2.0 * np.pi * (FIRST + day - 10957.0 - 18.0) / YEAR) + spell


def frozen_soil(air_c: Any, mean_c: float) -> Any:
    """Return the thickness of frozen soil each day [m]: heat equation with latent heat, enthalpy by cell."""
    cell, steps = 0.08, 24
    heat, latent, lead = 2.2e6, 9.0e7, 1.6  # J/(m3 K), J/m3 of the water in it, W/(m K)
    energy = np.full(40, heat * (mean_c + 4.0)) + latent  # thawed at 0 deg C holds `latent`
    out = np.empty(air_c.size)
    flow = lead * 86400.0 / steps / cell**2
    for i, above in enumerate(air_c):
        surface = 0.7 * above if above < 0.0 else 0.9 * above  # snow and grass against sun
        for _ in range(steps):
            temp = np.where(energy < 0.0, energy / heat, np.maximum(energy - latent, 0.0) / heat)
            around = np.concatenate([[surface], temp, [mean_c + 4.0]])
            energy = energy + flow * np.diff(around, n=2)
        out[i] = cell * np.sum(np.clip(1.0 - energy / latent, 0.0, 1.0))
    return out


@dataclass
class Pier:
    """One pier's truth [arcsec, days]."""

    size: float
    bearing_deg: float
    lag_days: float
    walk: Any = field(repr=False)  # (days, 2)
    strays: Any = field(repr=False)  # (days,) share by which its heave strays from the frost
    slip: tuple[float, float, float] | None = None  # day, north, east


@dataclass
class Site:
    """A site's weather and its piers; the last pier is the young one."""

    seed: int
    air_c: Any = field(repr=False)
    frost: Any = field(repr=False)  # 1 at the mean peak of its winters
    piers: list[Pier]
    months: float  # of the young one's nights
    begins: int  # its first day

    def tilt(self, pier: Pier, day: Any) -> Any:
        """Return the true tilt north and east at some days, (n, 2)."""
        keep = np.exp(-1.0 / pier.lag_days)
        follows = np.empty(self.frost.size)
        last = 0.0
        for i, one in enumerate(self.frost):
            last = keep * last + (1.0 - keep) * one
            follows[i] = last
        turn = np.radians(pier.bearing_deg)
        heave = pier.size * follows * (1.0 + pier.strays)
        whole = heave[:, None] * np.array([np.cos(turn), np.sin(turn)]) + pier.walk
        out = np.stack([np.interp(day, np.arange(heave.size) + 0.5, whole[:, k]) for k in (0, 1)], axis=1)
        if pier.slip is not None:
            out = out + (np.asarray(day) >= pier.slip[0])[:, None] * np.array(pier.slip[1:])
        return out


def make_site(seed: int) -> Site:
    """Draw a site."""
    rng = np.random.default_rng([seed, 17])
    days = int((WINTERS + 1.2) * YEAR)
    mean_c = rng.uniform(3.5, 6.5)
    air_c = air(rng, days, mean_c)
    frost = frozen_soil(air_c, mean_c)
    peaks = [frost[(np.arange(days) // 365) == year].max() for year in range(WINTERS + 1)]
    size, lag = rng.uniform(25.0, 70.0), rng.uniform(4.0, 20.0)
    shared, alike = rng.uniform(0.0, 360.0), rng.random() < 0.5
    piers = []
    for _ in range(PIERS):
        bearing = shared + rng.normal(0.0, 20.0) if alike else rng.uniform(0.0, 360.0)
        walk = np.cumsum(rng.normal(0.0, 3.0 / np.sqrt(YEAR), (days, 2)), axis=0)
        strays = np.zeros(days)
        for i, push in enumerate(rng.normal(0.0, 0.12 * np.sqrt(2.0 / 20.0), days)):
            strays[i] = (1.0 - 1.0 / 20.0) * strays[i - 1] + push
        own = size * np.exp(rng.normal(0.0, 0.35))
        piers.append(
            Pier(float(own), float(bearing % 360.0), float(lag * np.exp(rng.normal(0.0, 0.3))), walk, strays)
        )
    begins = int((WINTERS - 1) * YEAR + rng.uniform(25.0, 75.0))
    return Site(seed, air_c, frost / np.mean(peaks), piers, rng.uniform(3.0, 5.0), begins)


# --- what was read --------------------------------------------------------------------------------------


def read(site: Site, number: int, first: int, last: int, weather_from: int = 0) -> Inputs:
    """Return the nights and levels of a pier from one day to another, and the weather from a day on."""
    rng = np.random.default_rng([site.seed, number, 5])
    phi, pier = np.radians(LATITUDE_DEG), site.piers[number]
    days = (
        np.sort(
            rng.choice(
                np.arange(first, last), int((last - first) * (45 if first == 0 else 75) / YEAR), replace=False
            )
        )
        + 0.9
    )
    north, east = site.tilt(pier, days).T
    seen = np.stack([200.0 + east * np.tan(phi), -150.0 - north, 1500.0 + east * np.cos(phi)], axis=1)
    seen += rng.normal(0.0, 4.0, seen.shape)
    seen[:, 2] += rng.normal(0.0, 6.0, days.size)
    own = np.eye(3) * 16.0
    nights = [
        NightAxis(
            start_us=int((FIRST + d) * DAY_US),
            end_us=int((FIRST + d) * DAY_US) + 1,
            time_us=int((FIRST + d) * DAY_US),
            sources=(Source.POINTING,),
            solves_used=9,
            solves_set_aside=0,
            estimate=value,
            covariance=own + 9.0 * np.eye(3),
            own_covariance=own,
            zero_label="kept",
            working=value,
        )
        for d, value in zip(days, seen, strict=True)
    ]
    at = np.arange(first + 3, last, 28 if first == 0 else 14) + 0.6
    shown = site.tilt(pier, at) + rng.normal(0.0, 10.0, (at.size, 2))
    levels = pd.DataFrame(
        {
            "row_id": np.arange(at.size),
            "time_us": ((FIRST + at) * DAY_US).astype(np.int64),
            "tilt_north_arcsec": shown[:, 0],
            "tilt_east_arcsec": shown[:, 1],
            "place": "pier",
            "face_deg": np.nan,
            "sigma_arcsec": 10.0,
        }
    )
    # the weather log of the site began with its oldest pier, and ends today
    day, temp = FIRST + np.arange(weather_from, last), site.air_c[weather_from:last]
    log = {"row_id": np.arange(day.size), "day": day, "t_mean_c": temp, "snow_cm": np.nan}
    log |= {"t_min_c": temp - 4.0, "t_max_c": temp + 4.0}
    readings = as_readings({"weather": pd.DataFrame(log), "levels": levels})
    split = split_nights(0.0, readings["corrections"])
    weather = daily_weather(readings["weather"], LATITUDE_DEG, int(day[0]), int(day[-1]))
    assert weather is not None
    return Inputs(
        float(phi),
        Nights(nights=tuple(nights)),
        readings["levels"],
        readings["corrections"],
        Plate(None, None, None),
        split,
        "kept",
        Warmth(split, day.astype(np.int64), temp),
        FrostHeave(weather, ground_of(1.0, None, None, None), 0.0),
    )


def worked_out(inputs: Inputs, neighbours: NeighbourPrior | None = None) -> History:
    """Return the history with its forecast."""
    inputs = replace(inputs, neighbours=neighbours)
    made = separate_fitted(inputs)
    assert made is not None
    return with_forecast(*made, inputs)


# --- scored against the truth ---------------------------------------------------------------------------


@dataclass
class Forecasts:
    """Errors and sds of a forecast, (D, 2)."""

    error: Any
    sd: Any

    @property
    def rms(self) -> float:
        """Root mean square error of the tilt [arcsec]."""
        return float(np.sqrt(np.mean(np.sum(self.error**2, axis=1))))

    @property
    def held(self) -> float:
        """Share of it within 2 sd."""
        return float(np.mean(np.abs(self.error) <= 2.0 * self.sd))


def scored(site: Site, history: History) -> Forecasts:
    """Compare the young pier's forecast with the truth."""
    ahead = history.forecast
    assert ahead is not None
    day = ahead.time_us / DAY_US - FIRST
    true = site.tilt(site.piers[-1], day) - site.tilt(site.piers[-1], history.time_us[:1] / DAY_US - FIRST)
    return Forecasts(ahead.tilt - true, ahead.tilt_sd)


def drawn(alone: History, lent: History) -> float:
    """Return by how many of its own sds the tilt was drawn, root mean square over the readings."""
    moved = (lent.change[:, :2] - alone.change[:, :2])[1:]
    return float(np.sqrt(np.mean(np.square(moved / np.maximum(alone.sd[1:, :2], 0.5)))))


def tilt_error(site: Site, history: History) -> float:
    """Return how far the young pier's tilt is off the truth, root mean square over its readings [arcsec]."""
    true = site.tilt(site.piers[-1], history.time_us / DAY_US - FIRST)
    return float(np.sqrt(np.mean(np.sum((history.change[:, :2] - (true - true[0])) ** 2, axis=1))))


def odd_sites(site: Site) -> dict[str, Site]:
    """Return the site with a young pier that is unlike its neighbours, watched until the thaw is over."""
    young = site.piers[-1]
    day = site.begins + 70.3
    kinds = {
        "does not heave": replace(young, size=0.0),
        "the other way": replace(young, bearing_deg=(site.piers[0].bearing_deg + 180.0) % 360.0),
        "slipped": replace(young, size=0.0, slip=(day, 20.0, -40.0)),
    }
    return {name: replace(site, piers=[*site.piers[:-1], one]) for name, one in kinds.items()}
