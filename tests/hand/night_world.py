"""Nights of pointing solves, and a plain series of nights, for tests that make nights by themselves."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from drift.codes import Source
from drift.history.series import Series
from drift.mount.instrument import hour_angle_and_dec
from drift.night.clock_hours import turned_enu
from drift.night.observations import Directions
from drift.night.prepared import NightSplit
from drift.night.sightings import SIDEREAL_RAD_PER_US
from drift.quantities import ARCSEC_PER_RAD, DAY_US, HOUR_US
from drift.types import READING_COLUMNS, NightAxis

#: The first night: 2023-09-01, midnight at longitude 0, where no correction splits one.
FIRST_US = 19_601 * DAY_US
UNSPLIT = NightSplit(0.0, *(np.zeros(0, dtype=np.int64),) * 3)
#: Azimuth and altitude of the eight solves of a night [deg], four on each side of the meridian.
AROUND = np.array([(75, 35), (110, 50), (140, 30), (170, 70), (190, 60), (225, 32), (250, 55), (285, 40)])


def pointing_night(time_us: int, value: np.ndarray, own: np.ndarray, **more: Any) -> NightAxis:
    """Return a night with azimuth, altitude and zero (3,) known to `own` (3, 3); `more` replaces or adds."""
    told = {"covariance": own, "own_covariance": own, "estimate": value, "working": value, **more}
    return NightAxis(
        start_us=time_us,
        end_us=time_us + 1,
        time_us=time_us,
        sources=(Source.POINTING,),
        solves_used=9,
        solves_set_aside=0,
        **told,
    )


def plain_series(count: int, days: int = 1, **more: Any) -> Series:
    """Return nights so many days apart, known to 1 arcsec, without levels or kept zeros; `more` replaces."""
    given = {
        "time_us": np.arange(count, dtype=np.int64) * days * DAY_US,
        "night": np.arange(count),
        "value": np.zeros((count, 3)),
        "variance": np.tile(np.eye(3), (count, 1, 1)),
        "zero_label": np.full(count, "", dtype=object),
        "homed": np.zeros(count, dtype=bool),
        "place": np.full(count, "", dtype=object),
        "face": np.ones(count),
        "era": np.zeros(count, dtype=np.int64),
        "common_sd": np.zeros((count, 2)),
    }
    return Series(**{**given, **more})


def pointed_nights(
    latitude_rad: float, ahead_hours: Sequence[int], noise_arcsec: float = 2.0
) -> tuple[pd.DataFrame, dict[str, Directions]]:
    """Return solves of a mount whose axis is at the pole, ten days apart, and where each was seen.

    Its zero of declination is off by 180", or each place would be as good as that of the solve.
    The clock of the log runs ahead by so many hours on each night; that of the mount is right.
    """
    az, alt = np.radians(AROUND).T
    up = np.column_stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)])
    turned = np.array(ahead_hours) * HOUR_US * SIDEREAL_RAD_PER_US
    noise = np.random.default_rng(1).normal(0.0, noise_arcsec / ARCSEC_PER_RAD, (2, turned.size, len(up)))
    ha, dec = np.array(hour_angle_and_dec(up, latitude_rad))[:, None] + noise
    side = np.where(ha > 0.0, "east", "west")
    times = FIRST_US + np.add.outer(10 * DAY_US * np.arange(turned.size), HOUR_US // 6 * np.arange(len(up)))
    solves = {
        name: np.full(ha.size, "", dtype=object) if sort == "text" else np.full(ha.size, np.nan)
        for name, sort in READING_COLUMNS["solves"].items()
    }
    solves["row_id"], solves["time_us"] = np.arange(ha.size), times.reshape(-1)
    solves["mount_ra_deg"] = -np.degrees(ha + turned[:, None]).reshape(-1)  # sidereal time is called 0
    solves["mount_dec_deg"], solves["tube_side"] = np.degrees(dec).reshape(-1) + 0.05, side.reshape(-1)
    enu = np.concatenate([turned_enu(up, latitude_rad, -angle) for angle in turned])
    nothing = Directions(np.zeros((0, 3)), np.zeros(0))
    return pd.DataFrame(solves), {
        "solves": Directions(enu, np.zeros(ha.size)),
        "sweeps": nothing,
        "runs": nothing,
    }
