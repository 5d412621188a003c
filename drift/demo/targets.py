"""Where the invented telescope may be pointed: horizon, tube sides, random targets."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drift.demo.instrument import hour_angle_dec
from drift.demo.scenario import Scenario

Floats = npt.NDArray[np.float64]
PAST_MERIDIAN_H = 0.4  # how far a tube may follow past the meridian before it is turned over
NEAREST_POLE_DEG = 4.0
MOST_TRIES = 200


def horizon_altitude_deg(scenario: Scenario, bearing_deg: Floats) -> Floats:
    """Return the lowest usable altitude at the given bearings [deg]."""
    bearings, altitudes = np.array(sorted(scenario.horizon), dtype=float).T
    skyline: Floats = np.interp(bearing_deg, bearings, altitudes, period=360.0)
    return np.maximum(skyline, scenario.lowest_altitude_deg)


def above_horizon(scenario: Scenario, enu: Floats) -> npt.NDArray[np.bool_]:
    """Return whether directions (n, 3) are above trees, walls and the lowest altitude."""
    bearing = np.degrees(np.arctan2(enu[..., 0], enu[..., 1]))
    altitude = np.degrees(np.arcsin(np.clip(enu[..., 2], -1.0, 1.0)))
    above: npt.NDArray[np.bool_] = altitude > horizon_altitude_deg(scenario, bearing)
    return above


def _random_sky(rng: np.random.Generator, count: int) -> Floats:
    bearing, up = rng.uniform(0.0, 2 * np.pi, count), rng.uniform(0.0, 1.0, count)
    flat = np.sqrt(1.0 - up**2)
    return np.stack([flat * np.sin(bearing), flat * np.cos(bearing), up], axis=-1)


def usable(scenario: Scenario, hour_angle: Floats, dec: Floats, enu: Floats) -> npt.NDArray[np.bool_]:
    """Return whether targets [rad] are above the horizon, within the hour angles and off the pole."""
    limit = np.radians(15.0 * scenario.hour_angle_limit_h)
    off_pole = np.abs(dec) < np.radians(90.0 - NEAREST_POLE_DEG)
    return above_horizon(scenario, enu) & (np.abs(hour_angle) < limit) & off_pole


def random_targets(
    scenario: Scenario, rng: np.random.Generator, count: int, side: float | None
) -> tuple[Floats, Floats, Floats]:
    """Draw hour angles, declinations [rad] and tube sides of targets spread over the usable sky.

    With `side` given all targets are on that side's half of the sky.

    Raises
    ------
    ValueError
        When horizon and limits leave no sky.
    """
    found = np.empty((0, 3))
    for _ in range(MOST_TRIES):
        if len(found) >= count:
            break
        enu = _random_sky(rng, 20 * count + 50)
        hour_angle, dec = hour_angle_dec(enu, scenario.latitude_deg)
        near = np.abs(hour_angle) < np.radians(15.0 * PAST_MERIDIAN_H)
        sides = np.where(hour_angle > 0, 1.0, -1.0) * np.where(near & (rng.random(len(enu)) < 0.5), -1.0, 1.0)
        good = usable(scenario, hour_angle, dec, enu)
        if side is not None:
            good &= sides == side
        found = np.concatenate([found, np.stack([hour_angle, dec, sides], axis=-1)[good]])
    else:
        raise ValueError(
            f"horizon, lowest altitude {scenario.lowest_altitude_deg} deg and hour-angle limit "
            f"{scenario.hour_angle_limit_h} h leave no sky to point at"
        )
    hour_angle, dec, sides = found[:count].T
    return hour_angle, dec, sides
