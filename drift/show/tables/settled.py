"""How much of what a winter left behind is the settlement that goes on all year."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from drift.history.components import AFTER, BEFORE, MID_WINTER_NORTH, MID_WINTER_SOUTH, time_shares
from drift.quantities import DAY_US, YEAR_DAYS, Bools, Floats

if TYPE_CHECKING:
    from drift.history.result import History, Winter

#: The autumn before, where the record began only as winter came: as the history takes it.
_LATE_BEFORE = (-70.0, -30.0)
_NOT_KNOWN = (math.nan, math.nan)


def settled_over(history: History, winter: Winter, south: bool) -> tuple[float, float]:
    """Return the settlement from the autumn before a winter to the summer after, and its sd [arcsec].

    It is taken along the direction of the season, as what a winter left behind is.

    Parameters
    ----------
    history
        With its causes.
    winter
        One of its winters.
    south
        Whether winter is in July.

    Returns
    -------
    tuple of float
        NaN where there is no such cause, no direction, or no reading on either side.

    Notes
    -----
    A settlement's sd grows from the start on, so that of a difference is the difference of sds; it is no
    less than what the lasting rate leaves open over the time between.
    """
    cause = next((one for one in history.causes if one.name == "settlement"), None)
    bearing = None if history.seasonal is None else history.seasonal.toward_bearing_deg
    if cause is None or bearing is None:
        return _NOT_KNOWN
    known = np.isfinite(cause.change[:, :2]).all(axis=1)
    time_us = history.time_us[known]
    before, after = _sides(time_us, winter, south)
    if not before.any() or not after.any():
        return _NOT_KNOWN
    shares = time_shares(time_us)
    weight = np.where(after, shares, 0.0) / shares[after].sum()
    weight -= np.where(before, shares, 0.0) / shares[before].sum()
    along = np.array([math.cos(math.radians(bearing)), math.sin(math.radians(bearing))])
    value = float(weight @ cause.change[known, :2] @ along)
    return value, _sd(history, weight, cause.sd[known, :2], along, time_us)


def _sides(time_us: np.ndarray, winter: Winter, south: bool) -> tuple[Bools, Bools]:
    """Return the readings of the autumn before and of the summer after, as the history takes them."""
    year = int(winter.winter[:4]) + (0 if south else 1)
    first = (np.datetime64(f"{year}-01-01", "D") - np.datetime64(0, "D")).astype(int)
    days = time_us / DAY_US - first - (MID_WINTER_SOUTH if south else MID_WINTER_NORTH) + 1.0
    before, after = ((days >= low) & (days <= high) for low, high in (BEFORE, AFTER))
    if not before.any():
        before = (days >= _LATE_BEFORE[0]) & (days <= _LATE_BEFORE[1])
    return before, after


def _sd(history: History, weight: Floats, sd: Floats, along: Floats, time_us: np.ndarray) -> float:
    grown = float(np.hypot(*(weight @ np.where(np.isfinite(sd), sd, 0.0) * along)))
    years = float(weight @ (time_us / DAY_US)) / YEAR_DAYS
    rate_sd = 0.0 if history.lasting is None else history.lasting.arcsec_per_year_sd
    return max(grown, rate_sd * years if math.isfinite(rate_sd) else 0.0)
