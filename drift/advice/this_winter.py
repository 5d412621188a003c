"""How far the present heave differs from a usual year's: a mild winter has less to give back in spring.

The annual shape is that of a mean year.  On a day on which the heave stands high,
what has been seen since it was last out says how large it is this time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from drift.advice.movement import counts
from drift.advice.season import Season
from drift.history.result import CALENDAR, COLUMNS
from drift.mount.orientation import hemisphere
from drift.quantities import DAY_US, Floats, Ints

if TYPE_CHECKING:
    from drift.history.result import History

#: Readings so near to the day on which the heave was last out show the axis at rest [days].
_NEAR_REST_DAYS = 45
#: Less of the swing than this does not say how large it is.
_STANDING_SHARE = 0.3
#: Winters differ by at least this share, however alike the few on record were (our own assumption).
_LEAST_SHARE = 0.15
#: Further from the mean than so many times that share no winter is believed to be.
_TOO_FAR_SDS = 3.0


def correction_of(
    history: History, season: Season, latitude_rad: float, seen_us: int, time_us: Ints
) -> Floats:
    """Return what the present heave's own size adds to a forecast that takes it for a mean one.

    Parameters
    ----------
    history
        The axis since the heave was last out; nothing is added where frost itself drives the
        forecast, where a correction or a step lies in between, or where pier and mount can't be told apart.
    season
        The annual shape.
    latitude_rad
        Geodetic latitude [rad].
    seen_us
        When the axis was last seen [us].
    time_us
        Coming times, (n,) [us].

    Returns
    -------
    numpy.ndarray
        (n, 2) for az_error and alt_error [arcsec]; grows from 0 until the heave is out, and stays.
    """
    none = np.zeros((len(time_us), 2))
    share = _share(history, season, latitude_rad, seen_us)
    until_us = season.next_rest(seen_us)
    if share == 0.0 or until_us is None:
        return none
    held = np.minimum(time_us, until_us)
    return np.asarray(share * (season.at(held) - season.at(np.array([seen_us]))))


def _share(history: History, season: Season, latitude_rad: float, seen_us: int) -> float:
    """Return by what share the present heave is larger than a mean one, drawn to 0 where not sure."""
    rest_us = season.last_rest(seen_us)
    pairs = (history.east_lean_from_mount_azimuth, history.north_lean_from_mount_altitude)
    if any(pair.answer == "no" for pair in pairs):
        # the swing is then known so badly that what it lacks of every winter passes for this one's own: on
        # 40 invented piers in each hemisphere the year aimed for by a mean winter went better
        # (benchmarks/aim_for_year.py; gain 0.27 and 0.31, with this winter's own 0.22 and 0.25)
        return 0.0
    if rest_us is None or history.follows != CALENDAR:
        return 0.0
    if _disturbed(history, rest_us - _NEAR_REST_DAYS * DAY_US):
        return 0.0
    moved = _moved_since(history, latitude_rad, rest_us)
    to_sky = np.array([np.cos(latitude_rad), 1.0])
    usual = (season.at(np.array([seen_us]))[0] - season.year[season.rest]) * to_sky
    size = float(np.hypot(*usual))
    swing = float(np.hypot(*((season.year - season.year[season.rest]) * to_sky).T).max())
    if moved is None or size < _STANDING_SHARE * swing:
        return 0.0
    change, sd = moved
    along = usual / size
    found = float(change * to_sky @ along) / size - 1.0
    found_sd = float(np.hypot(*(sd * to_sky * along))) / size
    spread = max(season.winter_share, _LEAST_SHARE)
    if abs(found) > _TOO_FAR_SDS * spread:
        return 0.0  # that is no winter's size any more: something else has moved it
    return found * spread**2 / (spread**2 + found_sd**2)


def _disturbed(history: History, since_us: int) -> bool:
    """Whether something other than the heave has moved the axis since then."""
    corrected = any(correction.time_us > since_us for correction in history.corrections)
    return corrected or any(counts(event) and event.before_us > since_us for event in history.events)


def _moved_since(history: History, latitude_rad: float, rest_us: int) -> tuple[Floats, Floats] | None:
    """Return how far (az_error, alt_error) moved since the heave was out, and the sds; None if not seen."""
    known = np.flatnonzero(np.all(np.isfinite(history.change), axis=1))
    near = known[np.abs(history.time_us[known] - rest_us) <= _NEAR_REST_DAYS * DAY_US]
    if not near.size or near[-1] == known[-1]:
        return None
    weight = np.zeros((2, len(COLUMNS)))
    for lean, mount, row, lever in (
        ("lean_east", "mount_az", 0, np.tan(latitude_rad)),
        ("lean_north", "mount_alt", 1, -hemisphere(latitude_rad)),
    ):
        weight[row, COLUMNS.index(lean)] = lever
        weight[row, COLUMNS.index(mount)] = 1.0
    axis = history.change @ weight.T
    # the components of a row share what is not known, so the axis is known better than they are
    return axis[known[-1]] - axis[near].mean(axis=0), np.sqrt(2.0) * np.asarray(history.axis_now_sd)
