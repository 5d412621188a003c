"""What settlement has still to do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.history.causes.settlement import TIME_CONSTANTS_YEARS
from drift.history.model import Fit
from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints


@dataclass(frozen=True)
class Settling:
    """What the settlement found has still to do after the last reading, lean (north, east) [arcsec].

    `left` is what the slowing curves have still to come in all; `year` what they and
    the steady line do in the coming twelve months.
    """

    left: Floats  # (2,)
    left_sd: Floats
    year: Floats
    year_sd: Floats


def still_to_come(time_us: Ints) -> tuple[Floats, Floats]:
    """Return what each column of the settlement does after the last reading, (2, 6) each, north and east.

    Returns
    -------
    left, year
        Of the curves in all, without the line, which has no end; and of all in the coming year.
    """
    years = float((time_us[-1] - time_us[0]) / DAY_US / YEAR_DAYS)
    rest = np.array([np.exp(-years / tau) for tau in TIME_CONSTANTS_YEARS])
    gone = np.array([1.0 - np.exp(-1.0 / tau) for tau in TIME_CONSTANTS_YEARS])
    left, year = np.array([0.0, *rest]), np.array([1.0, *(rest * gone)])
    return np.kron(np.eye(2), left), np.kron(np.eye(2), year)


def settling_of(fit: Fit) -> Settling | None:
    """Return what the settlement has still to do, None where there is none."""
    at = fit.columns.at.get("settlement")
    if at is None:
        return None
    mean, cov = fit.amplitude[at], fit.amplitude_cov[at, at]
    left, year = still_to_come(fit.model.series.time_us)
    sds = (np.sqrt(np.clip(np.diagonal(w @ cov @ w.T), 0.0, None)) for w in (left, year))
    return Settling(left @ mean, next(sds), year @ mean, next(sds))
