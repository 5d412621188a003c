"""A log kept by another zone's time: local time taken for UTC, hours off as a whole.

A clock that is an hour off shows night by night (`drift.night.clock_hours`).  Many hours off there is no way
from hour to hour, because one more or less improves nothing; so the ground is asked first: are fields below
the horizon, tubes on the wrong side of the meridian, nights in daylight?  Where it speaks against the log,
the hours that it likes best are tried with some nights, each with its own reading of the mount's places.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from drift.mount.instrument import hour_angle_and_dec
from drift.night.clock_hours import PAST_MERIDIAN, turned_enu
from drift.night.mount_frame import FrameFit, frame_of
from drift.night.observations import Directions, tube_sides
from drift.night.prepared import NightSplit
from drift.night.sightings import SIDEREAL_RAD_PER_US
from drift.notices import NightCode, Notice, warning
from drift.quantities import HOUR_US, Bools, Floats, Ints
from drift.sky.place import sun_altitude_deg
from drift.types import Nights, Readings

#: A log is suspected to be off as a whole when so large a share of its tubes stand on the wrong side, or of
#: its solves lie below the horizon or in daylight; so many hours, the likeliest by those, are tried, and
#: believed from so much in log odds on.
SUSPECT_SIDES, SUSPECT_BELOW, SUSPECT_DAYLIGHT, HOURS_TRIED, LEAST_LOG_ODDS = 0.1, 0.02, 0.05, 5, 20.0
#: Nights in daylight are told from so many, and this share of all, on.
FEWEST_IN_DAYLIGHT, DAYLIGHT_TOLD = 3, 0.05
#: How far local time, or another zone taken for it, may be from UTC [h].
ANY_HOURS = tuple(h for h in range(-14, 15) if h)


def whole_log_ahead(
    where: tuple[float, float, float],
    split: NightSplit,
    readings: Readings,
    directions: dict[str, Directions],
    zero_is: str,
) -> tuple[int, float]:
    """Return by how many hours the clock of the whole log ran ahead, and the log odds; 0 for a right one.

    Parameters
    ----------
    where
        Latitude [deg], longitude [deg, east positive] and elevation [m] of the site.
    split, readings, directions, zero_is
        As for `drift.night.estimate.estimate_nights`, with the times as they were logged.
    """
    latitude_rad = float(np.radians(where[0]))

    def turned(hours: int) -> tuple[dict[str, Directions], Floats, Bools]:
        moved = {kind: turned_directions(seen, latitude_rad, hours) for kind, seen in directions.items()}
        ha, _ = hour_angle_and_dec(moved["solves"].enu, latitude_rad)
        return moved, *tube_sides(readings["solves"], ha)

    def fitted(hours: int) -> FrameFit | None:
        moved, side, _ = turned(hours)
        return frame_of(latitude_rad, split, readings, moved, zero_is, side)

    _, side, guessed = turned(0)
    time_us = readings["solves"]["time_us"].to_numpy(dtype=np.int64)
    _, first, night = np.unique(split.day(time_us), return_index=True, return_inverse=True)

    def daylight(hours: int) -> Bools:
        return in_daylight(*where[:2], time_us[first] - hours * HOUR_US)[night]

    return hours_of_whole_log(latitude_rad, directions["solves"], side, guessed, daylight, fitted)


def hours_of_whole_log(
    latitude_rad: float,
    solves: Directions,
    side: Floats,
    guessed: Bools,
    daylight: Callable[[int], Bools],
    fitted: Callable[[int], FrameFit | None],
) -> tuple[int, float]:
    """Return by how many hours all clocks ran ahead and the log odds, where the ground under them says so.

    That is local time, or that of another zone, taken for UTC.  Far off an hour more or less improves
    nothing, so that the way there can't be gone an hour at a time; and places look as if the mount left air
    out, which has to be decided anew with each hour.

    Parameters
    ----------
    latitude_rad
        Geodetic latitude [rad].
    solves
        Where pointing solves were seen as logged.
    side, guessed
        Tube sides, (n,) +1 or -1, and where the log is silent.
    daylight
        Which solves, (n,), were taken with the Sun up if all times are moved back by so many hours.
    fitted
        Some nights fitted with all times moved back by so many hours.
    """

    def against(hours: int) -> tuple[int, bool]:
        """Return how many solves the ground speaks against, and whether they are too many."""
        turned = turned_directions(solves, latitude_rad, hours)
        ha, _ = hour_angle_and_dec(turned.enu, latitude_rad)
        wrong = np.count_nonzero(~guessed & (side * ha < -PAST_MERIDIAN))
        below = np.count_nonzero(turned.enu[:, 2] < 0.0)
        lit, sided = np.count_nonzero(daylight(hours)), np.count_nonzero(~guessed)
        is_suspect = wrong > SUSPECT_SIDES * sided or below > SUSPECT_BELOW * guessed.size
        return int(wrong + below + lit), bool(is_suspect or lit > SUSPECT_DAYLIGHT * guessed.size)

    as_logged = fitted(0) if against(0)[1] else None
    if as_logged is None:
        return 0, 0.0
    best, odds = 0, 0.0
    bad = {hour: against(hour) for hour in ANY_HOURS}
    for hour in sorted(ANY_HOURS, key=lambda one: bad[one][0])[:HOURS_TRIED]:
        moved = None if bad[hour][1] else fitted(hour)
        if moved is not None:
            better = moved.free * float(np.log(as_logged.least_scatter / moved.least_scatter))
            if better > max(odds, LEAST_LOG_ODDS):
                best, odds = hour, better
    return best, odds


def in_daylight(latitude_deg: float, longitude_deg: float, time_us: Ints) -> Bools:
    """Tell at which times, (n,), the Sun was up at a site."""
    return np.asarray(sun_altitude_deg(latitude_deg, longitude_deg, time_us) > 0.0)


def daylight_told(latitude_deg: float, longitude_deg: float, nights: Nights) -> tuple[Notice, ...]:
    """Return a warning where nights were taken with the Sun up by their times, those put right counted in."""
    sky = [n for n in nights.nights if n.solves_used]
    times = np.array([n.time_us - n.clock_hours * HOUR_US for n in sky], dtype=np.int64)
    lit = int(np.count_nonzero(in_daylight(latitude_deg, longitude_deg, times)))
    if lit < FEWEST_IN_DAYLIGHT or lit < DAYLIGHT_TOLD * len(sky):
        return ()
    return (warning(NightCode.IN_DAYLIGHT, nights=lit, of_nights=len(sky)),)


def turned_directions(seen: Directions, latitude_rad: float, hours: int) -> Directions:
    """Return directions as they were if the clock ran ahead by so many hours, sidereal time as well."""
    if not hours or not len(seen.enu):
        return seen
    angle = SIDEREAL_RAD_PER_US * hours * HOUR_US
    return replace(seen, enu=turned_enu(seen.enu, latitude_rad, angle), last_rad=seen.last_rad - angle)
