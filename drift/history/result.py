"""What all nights say together: pier and mount apart, causes, events, what can be told apart."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from drift.history.forecast import Forecast
from drift.notebook import ShowsItself

#: Order of the columns of `History.change` and `History.sd`.
COLUMNS = ("lean_north", "lean_east", "plate_north", "plate_east", "mount_az", "mount_alt")
#: What an event may be, in the order of probabilities.
PARTS = ("pier", "mount_az", "mount_alt", "zero", "nothing")
#: The explanation of a yearly lean that knows nothing but the calendar.
CALENDAR = "calendar"


@dataclass(frozen=True)
class Separable:
    """Whether two causes can be told apart on this user's data."""

    answer: str  # "yes", "partly", "no"
    because: str
    would_settle_it: str


@dataclass(frozen=True)
class Seasonal:
    """The part that comes and goes with the year, arcsec."""

    peak_to_trough: float
    peak_to_trough_sd: float
    toward_bearing_deg: float | None
    peak_day_of_year: int | None


@dataclass(frozen=True)
class Winter:
    """One winter: how far it swung the pier and what it left behind, arcsec."""

    winter: str  # "2023-24" (south: "2024")
    swing: float
    swing_sd: float
    left_behind: float
    left_behind_sd: float


@dataclass(frozen=True)
class Lasting:
    """The part that does not come back."""

    arcsec_per_year: float
    arcsec_per_year_sd: float
    toward_bearing_deg: float | None


@dataclass(frozen=True)
class Event:
    """A step: between which readings, of what, how large, with odds.

    `size` holds lean_north, lean_east, mount_az, mount_alt [arcsec].
    """

    after_us: int
    before_us: int
    what: str  # "pier", "mount_az", "mount_alt", "zero", "undetermined"
    provisional: bool  # seen on one night only
    recorded: bool
    probability: dict[str, float]  # keys PARTS, sums to 1
    size: dict[str, float]
    size_sd: dict[str, float]


@dataclass(frozen=True)
class CorrectionFound:
    """A recorded correction: what was asked and what was found, arcsec."""

    time_us: int
    kind: str
    asked: float | None
    found: float | None
    found_sd: float | None
    held: bool | None
    note: str = ""
    turns: float | None = None  # of the knob, where they were written down


@dataclass(frozen=True)
class CauseSeries:
    """What one cause alone did to pier and mount since the reference.

    `change` and `sd` have the rows and columns of `History.change` [arcsec]; the
    causes add up to it, but for what several places of a step average out.
    """

    name: str  # "season", "settlement", "walk", "creep", "warmth of the mount", "correction 2024-...", ...
    change: npt.NDArray[np.floating[Any]] = field(repr=False)  # (n, 6)
    sd: npt.NDArray[np.floating[Any]] = field(repr=False)  # (n, 6)


@dataclass(frozen=True)
class AxisMove:
    """How far the axis moved from one night to the next over a long stretch, corrections and steps told in.

    `moved` is the change of az_error and alt_error [arcsec], `cov` its covariance;
    `second_us` is the time of the second night after, None when there is none yet.
    """

    from_us: int
    to_us: int
    second_us: int | None
    moved: npt.NDArray[np.floating[Any]] = field(repr=False)  # (2,)
    cov: npt.NDArray[np.floating[Any]] = field(repr=False)  # (2, 2)


@dataclass(frozen=True, repr=False)
class History(ShowsItself):
    """The change of pier and mount since the earliest night with a usable axis.

    `change` and `sd` have one row a night and the columns `COLUMNS` [arcsec];
    0 with sd 0 at the earliest night, each later sd is of the difference;
    NaN before it.  ``change in az_error = mount_az + (lean_east + plate_east)
    tan(phi)``; ``in alt_error = mount_alt - s (lean_north + plate_north)``.
    """

    time_us: npt.NDArray[np.int64] = field(repr=False)  # (n,) nights and level readings
    change: npt.NDArray[np.floating[Any]] = field(repr=False)  # (n, 6)
    sd: npt.NDArray[np.floating[Any]] = field(repr=False)  # (n, 6)
    east_lean_from_mount_azimuth: Separable
    north_lean_from_mount_altitude: Separable
    seasonal: Seasonal | None
    winters: tuple[Winter, ...]
    lasting: Lasting | None
    events: tuple[Event, ...]
    corrections: tuple[CorrectionFound, ...]
    axis_now: npt.NDArray[np.floating[Any]] = field(
        repr=False
    )  # (2,) smoothed az_error, alt_error, latest night
    axis_now_sd: npt.NDArray[np.floating[Any]] = field(repr=False)  # (2,)
    seasonal_axis_offset: npt.NDArray[np.floating[Any]] = field(repr=False)
    # (366, 2) what the annual part adds to az_error and alt_error by day of year, mean 0; zeros when none
    scales: dict[str, float] = field(default_factory=dict)  # fitted scale parameters by name
    warnings: tuple[str, ...] = ()
    causes: tuple[CauseSeries, ...] = ()
    before: str = field(default="", repr=False)  # for the next answer to start from, see `before.from_text`
    forecast: Forecast | None = field(default=None, repr=False)
    driver_odds: dict[str, float] = field(default_factory=dict)
    # odds of what moves the lean through the year: kinds of frost (`drift.ground.drivers.FROST_KINDS`),
    # "temperature", "moisture", "calendar"; they add up to 1
    moves: tuple[AxisMove, ...] = field(default=(), repr=False)  # over long stretches without nights
    follows: str = CALENDAR  # the kind of frost that drives the history, or "calendar"
