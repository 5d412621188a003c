"""The central types on one page: readings, nights, history, events, advice, and the analysis of all."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from drift.codes import (
    Answer,
    AxisBound,
    AxisReason,
    CauseKind,
    Constant,
    CorrectionKind,
    Do,
    EffectUnit,
    ForcingKind,
    Misrecorded,
    MovedPart,
    Mover,
    Outcome,
    OwnMovement,
    Part,
    Place,
    Reference,
    ReferenceFinding,
    Rotation,
    Side,
    Source,
    WouldTell,
    ZeroSharing,
)
from drift.notebook import DrawsItself, ShowsItself, showing
from drift.notices import Notice
from drift.quantities import Bools, Floats, Ints
from drift.readings import READING_COLUMNS as READING_COLUMNS  # the page of readings belongs to this one
from drift.readings import Readings as Readings
from drift.readings import as_readings as as_readings
from drift.readings import empty_table as empty_table
from drift.site.file import PierFile

if TYPE_CHECKING:
    import pandas as pd
    from astropy.table import QTable


# ---- A night: where the axis pointed, with its covariance.


@dataclass(frozen=True, kw_only=True)
class SetAside:
    """A reading that went in but was not used, and why."""

    kind: str  # table of the reading: "solves", "sweeps", ...
    row_id: int  # of the record
    time_us: int
    reason: Notice


@dataclass(frozen=True, kw_only=True)
class SkyCovered:
    """Between which hour angles (positive west) and declinations the readings used lay [deg]."""

    hour_angle_deg: tuple[float, float]
    declination_deg: tuple[float, float]


@dataclass(frozen=True, kw_only=True, repr=False)
class NightAxis(ShowsItself):
    """The axis on one night, by that night's readings alone.

    A night runs from local mean noon to noon and is split at each recorded
    correction.  Angles in arcsec.  `estimate` is (az_error, alt_error, zero)
    against the true pole: az_error clockwise positive, alt_error of the
    elevated end, up positive, zero = mechanical minus true hour angle at the
    meridian on the equator.  A number that is not known is NaN; `working` holds
    the numbers behind it even then, for what makes use of a covariance.
    """

    start_us: int  # the night's (or part night's) bounds
    end_us: int
    time_us: int  # mean time of the readings used
    sources: tuple[Source, ...]
    solves_used: int
    solves_set_aside: int
    estimate: npt.NDArray[np.floating[Any]] = field(repr=False)  # (3,) [arcsec]
    covariance: npt.NDArray[np.floating[Any]] = field(repr=False)  # (3, 3), constants' uncertainty included
    own_covariance: npt.NDArray[np.floating[Any]] = field(repr=False)  # (3, 3), with the constants held
    zero_label: str = ""  # nights with one label share one hour-angle zero; "" = its own
    zero_sharing: ZeroSharing = ZeroSharing.OWN
    notices: tuple[Notice, ...] = ()  # one tube side only, a second sync noticed, ...
    working: npt.NDArray[np.floating[Any]] = field(
        default_factory=lambda: np.full(3, np.nan), repr=False
    )  # (3,) [arcsec]
    sky: SkyCovered | None = None  # None for an axis that was typed in
    clock_hours: int = 0  # by how many hours the clock ran ahead; the times were taken back by so much
    axis_reason: AxisReason = AxisReason.KNOWN  # why the axis is not known although there are readings enough

    @property
    def has_axis(self) -> bool:
        """Whether both axis coordinates are known."""
        return bool(np.all(np.isfinite(self.estimate[:2])))

    @property
    def tells_change(self) -> bool:
        """Whether the axis can be compared with that of other nights, though where it is may not be known."""
        return self.axis_reason is not AxisReason.KNOWN or self.has_axis


@dataclass(frozen=True, kw_only=True)
class InstrumentConstants:
    """The instrument between two services: constants with their uncertainty, arcsec."""

    start_us: int
    end_us: int
    names: tuple[Constant, ...]
    values: npt.NDArray[np.floating[Any]] = field(repr=False)  # (p,)
    sds: npt.NDArray[np.floating[Any]] = field(repr=False)  # (p,)
    noise_arcsec: float = float("nan")  # on-sky scatter of one good solve, one coordinate
    zero_repeatability_dec_arcsec: float = float("nan")
    #: (12,) how it bends with the hour angle, as `drift.night.bending.bend_columns`; None where left alone.
    bends: npt.NDArray[np.floating[Any]] | None = field(default=None, repr=False)


@dataclass(frozen=True, kw_only=True)
class InstrumentChange:
    """A jump of the instrument's constants between two nights that no recorded service explains."""

    after_us: int  # last solve that is surely before it
    before_us: int  # first solve that is surely after it
    from_us: int  # first solve that is taken to be after it
    old: tuple[float, ...]  # (p,) constants before it, arcsec, as `InstrumentConstants.names`
    new: tuple[float, ...]  # (p,) and after it
    log_odds: float  # for a jump against none
    bends: bool = False  # it is how the instrument bends that changed, not its constants


@dataclass(frozen=True, kw_only=True, repr=False)
class Nights(DrawsItself):
    """All nights of a record in time order, the instrument, and what was set aside."""

    nights: tuple[NightAxis, ...] = ()
    instruments: tuple[InstrumentConstants, ...] = ()
    instrument_changes: tuple[InstrumentChange, ...] = ()  # in time order
    set_aside: tuple[SetAside, ...] = ()
    notices: tuple[Notice, ...] = ()

    @property
    def axis_reason(self) -> AxisReason:
        """Why no night's axis is known; KNOWN where one is."""
        if any(night.has_axis for night in self.nights):
            return AxisReason.KNOWN
        reasons = {night.axis_reason for night in self.nights} - {AxisReason.KNOWN}
        return min(reasons, default=AxisReason.KNOWN)


# ---- All nights: pier and mount apart, causes, events, what can be told apart.


#: Order of the columns of `History.change` and `History.sd`.
HISTORY_COLUMNS = ("tilt_north", "tilt_east", "plate_north", "plate_east", "mount_az", "mount_alt")
#: What an event may be, in the order of probabilities.
PARTS = (Part.PIER, Part.MOUNT_AZ, Part.MOUNT_ALT, Part.ZERO, Part.NOTHING)
#: An event is a movement when "nothing happened" has at most this probability ...
NOTHING_AT_MOST = 0.1
#: ... and "nothing" and "only the hour-angle zero was lost" together at most this.
HARMLESS_AT_MOST = 0.5


@dataclass(frozen=True, kw_only=True, repr=False)
class Separable(ShowsItself):
    """Whether two causes can be told apart on this user's data."""

    answer: Answer
    because: tuple[Notice, ...]
    would_settle_it: Notice | None  # None where nothing is open


@dataclass(frozen=True, kw_only=True, repr=False)
class Seasonal(ShowsItself):
    """The part of the tilt that comes and goes with the year."""

    peak_to_trough: float  # [arcsec]
    peak_to_trough_sd: float  # [arcsec]
    toward_bearing_deg: float | None  # which way it tilts at the peak, north 0, east 90; None not sure
    peak_day_of_year: int | None  # 1 to 366; None not sure


@dataclass(frozen=True, kw_only=True)
class Measure:
    """A number with its standard deviation."""

    value: float
    sd: float


@dataclass(frozen=True, kw_only=True)
class TiltMove:
    """How far the pier's tilt went within a window, recorded corrections of the pier apart.

    `moved` is (north, east) [arcsec], `cov` its covariance; `frost_moved` by how much the frost grew, in
    typical winters of the measure that explains this pier best, negative in a thaw; None where none is known.
    """

    from_us: int
    to_us: int
    moved: tuple[float, float] = field(repr=False)
    cov: tuple[tuple[float, float], tuple[float, float]] = field(repr=False)
    frost_moved: float | None = None


@dataclass(frozen=True, kw_only=True)
class YearlyTilt:
    """The tilt that comes and goes with the year, by the readings of this pier alone: what it may lend.

    Parameters
    ----------
    size
        Of frost the swing of a typical winter, by the calendar from peak to trough [arcsec].
    bearing_deg
        Which way the top goes, north 0, east 90.
    lag_days
        Of frost how far behind it, a time constant; by the calendar the day of the year of its peak.
    left_share
        Of frost what a typical winter leaves behind, as a share of its swing; None by the calendar.
    """

    size: Measure
    bearing_deg: Measure
    lag_days: Measure
    left_share: Measure | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class Winter(ShowsItself):
    """One winter: how far it swung the pier toward the season's bearing, and what it left behind."""

    winter: str  # "2023-24" (south: "2024")
    swing: float  # [arcsec]
    swing_sd: float
    left_behind: float  # [arcsec], positive the same way; NaN not known yet
    left_behind_sd: float


@dataclass(frozen=True, kw_only=True, repr=False)
class Lasting(ShowsItself):
    """The part of the tilt that does not come back."""

    arcsec_per_year: float  # never negative
    arcsec_per_year_sd: float
    toward_bearing_deg: float | None  # which way it goes, north 0, east 90; None not sure


@dataclass(frozen=True, kw_only=True, repr=False)
class Event(ShowsItself):
    """A step: between which readings, of what, how large, with odds.

    `size` holds tilt_north, tilt_east, mount_az, mount_alt [arcsec]; `afterwards` what followed over weeks
    and belongs to it, back or on, by the last reading; None where nothing did.  `only_sensor` tells that one
    tilt sensor shows it and nothing else could: the pier tipped, or the sensor was knocked (`NOTHING`).
    """

    after_us: int  # the last reading before it
    before_us: int  # the first reading after it
    what: Part
    provisional: bool  # seen on one night only, or by one sensor only
    recorded: bool
    probability: dict[Part, float]  # keys PARTS, sums to 1
    size: dict[str, float]
    size_sd: dict[str, float]
    afterwards: dict[str, float] | None = None
    afterwards_sd: dict[str, float] | None = None
    only_sensor: bool = False

    @property
    def is_movement(self) -> bool:
        """Whether it is an unrecorded movement of pier or mount, provisional or not.

        "Nothing happened" must have at most a tenth of the probability, and "nothing" and "only the
        hour-angle zero was lost" together at most half; what one sensor alone shows counts until it is known.
        """
        if self.only_sensor:
            return True
        nothing, zero = self.probability[Part.NOTHING], self.probability[Part.ZERO]
        likely = nothing <= NOTHING_AT_MOST and nothing + zero <= HARMLESS_AT_MOST
        return likely and not self.recorded and self.what != Part.ZERO


@dataclass(frozen=True, kw_only=True, repr=False)
class CorrectionFound(ShowsItself):
    """A recorded correction: what was asked and what was found [arcsec].

    Of a knob the change of az_error (clockwise positive) or alt_error (up positive); of shims, nuts and the
    pier the length of the tilt, what was found along what was asked.
    """

    time_us: int  # as recorded
    kind: CorrectionKind
    asked: float | None  # None: no amount was given
    found: float | None  # None: not seen from both sides yet
    found_sd: float | None
    held: bool | None  # None: can't be told
    note: str = ""
    turns: float | None = None  # of the knob, where they were written down
    knob_way: Rotation | None = None  # in which it was turned as one faces it, where that was written down
    misrecorded: Misrecorded | None = None  # what seems wrong with what was written down

    @property
    def outcome(self) -> Outcome:
        """What became of it, in one word."""
        if self.misrecorded is not None:
            return _OUTCOME_OF[self.misrecorded]
        return Outcome.UNKNOWN if self.held is None else Outcome.HELD if self.held else Outcome.NOT_HELD


_OUTCOME_OF = {
    Misrecorded.DATE: Outcome.REDATED,
    Misrecorded.SIGN: Outcome.WRONG_SIGN,
    Misrecorded.TWICE: Outcome.TWICE,
    Misrecorded.NEVER: Outcome.NEVER_MADE,
    Misrecorded.UNIT: Outcome.WRONG_UNIT,
    Misrecorded.KNOB: Outcome.WRONG_KNOB,
}


@dataclass(frozen=True, kw_only=True)
class CauseSeries:
    """What one cause alone did to pier and mount since the reference.

    `change` and `sd` have the rows and columns of `History.change` [arcsec]; the
    causes add up to it, but for what several places of a step average out.
    """

    kind: CauseKind
    change: npt.NDArray[np.floating[Any]] = field(repr=False)  # (n, 6)
    sd: npt.NDArray[np.floating[Any]] = field(repr=False)  # (n, 6)
    time_us: int | None = None  # of a correction: as recorded; of a step: of the first reading after it
    correction: CorrectionKind | None = None  # of a correction


@dataclass(frozen=True, kw_only=True)
class HistoryScales:
    """The scale parameters that the separation was fitted with."""

    tilt_walk_arcsec_per_sqrt_day: float  # wander of the tilt along the direction of heave
    across_share: float  # share of it, and of season and frost, across that direction
    heave_bearing_deg: float  # direction of heave, 0 to 180, north 0, east 90
    az_creep_arcsec_per_sqrt_day: float  # of the mount on the pier
    alt_creep_arcsec_per_sqrt_day: float
    zero_repeat_arcsec: float  # session-to-session repeatability of a shared hour-angle zero
    zero_creep_arcsec_per_sqrt_day: float  # of a shared hour-angle zero
    season_arcsec: float  # prior size of the annual tilt
    settlement_arcsec: float  # prior size of the slowest settlement
    frost_arcsec: float  # prior size of a typical winter's swing, where frost moves the tilt
    level_factor: float  # scatter of level readings against what they claim


@dataclass(frozen=True, kw_only=True)
class AxisMove:
    """How far the axis moved from one night to the next over a long stretch, corrections and steps included.

    `moved` is the change of az_error and alt_error [arcsec], `cov` its covariance;
    `second_us` is the time of the second night after, None when there is none yet.
    """

    from_us: int
    to_us: int
    second_us: int | None
    moved: npt.NDArray[np.floating[Any]] = field(repr=False)  # (2,)
    cov: npt.NDArray[np.floating[Any]] = field(repr=False)  # (2, 2)


@dataclass(frozen=True, kw_only=True)
class ZeroCreep:
    """What one kept hour-angle zero does by itself, between two homings.

    `creep` [arcsec a year] and `warmth` [arcsec per deg C] are of the zero, mechanical minus true hour angle;
    None where that isn't told (no temperatures).
    """

    from_us: int
    to_us: int
    creep: Measure
    warmth: Measure | None


@dataclass(frozen=True, kw_only=True)
class LevelDrift:
    """What the level at one place does by itself: how much tilt it shows that is not there, north and east.

    Creep in arcsec a year, warmth in arcsec per deg C; None where that isn't told.  `shows_north` and
    `shows_east` are which share of a tilt it shows, 1 for one whose divisions are what they are taken for.
    """

    place: Place
    creep_north: Measure
    creep_east: Measure
    warmth_north: Measure | None
    warmth_east: Measure | None
    shows_north: Measure
    shows_east: Measure
    instrument: int = 0  # 0 for what is read by hand, else the number of a tilt sensor


@dataclass(frozen=True, kw_only=True)
class ReferenceMoved:
    """The finding that the axis did not follow: a reference has moved by itself.

    Parameters
    ----------
    code
        What was found.
    reference
        Which reference.
    place
        Of a level; None for a zero.
    kind
        At a rate, or with the temperature.
    north, east
        Of a level [arcsec a year, or per deg C]; of a zero `east` holds it and `north` is None.
    probability
        That it moves at all.
    over_record_arcsec
        How much that made over the record, from the least to the greatest.
    would_tell
        The reading that would tell for sure; None where one is there.
    """

    code: ReferenceFinding
    reference: Reference
    place: Place | None
    kind: OwnMovement
    north: Measure | None
    east: Measure
    probability: float
    over_record_arcsec: float
    would_tell: WouldTell | None
    instrument: int = 0  # of a level, as in `LevelDrift`


@dataclass(frozen=True, kw_only=True)
class Rival:
    """One explanation of a steady movement, or of one with the temperature.

    Parameters
    ----------
    kind
        At a rate, or with the temperature.
    moving
        Who moves by it, in the order of `Mover`.
    probability
        Its share of all explanations of that kind.
    tilt_north, tilt_east
        By how much it puts the pier at the last reading beside what the history says [arcsec].
    """

    kind: OwnMovement
    moving: tuple[Mover, ...]
    probability: float
    tilt_north: float
    tilt_east: float


@dataclass(frozen=True, kw_only=True)
class References:
    """What the references do by themselves, and the rival explanations of what they show."""

    zeros: tuple[ZeroCreep, ...]  # by time
    levels: tuple[LevelDrift, ...]
    moved: tuple[ReferenceMoved, ...]
    rivals: tuple[Rival, ...]


@dataclass(frozen=True, kw_only=True)
class DailySwing:
    """How a tilt sensor's reading swings with the Sun in a mean day, along the way in which it swings most.

    Parameters
    ----------
    peak_to_trough
        From one end to the other [arcsec].
    toward_bearing_deg, furthest_solar_hour
        Which way it goes by day, and at which apparent solar time it is furthest [h].
    least, most
        The same swing in the season in which it is least, and most [arcsec]; None for less than a year.
    """

    peak_to_trough: Measure
    toward_bearing_deg: float
    furthest_solar_hour: float
    least: float | None
    most: float | None


@dataclass(frozen=True, kw_only=True)
class SensorStep:
    """A sudden change of a tilt sensor's reading [arcsec] between two of its readings.

    `followed` tells whether the pier moved with it, by the nights and the levels read by hand before and
    after; None where they can't tell.  Where it did not the sensor itself was knocked, and its later readings
    are taken back by as much.
    """

    after_us: int
    before_us: int
    north: float
    east: float
    followed: bool | None = None

    @property
    def of_sensor(self) -> bool:
        """Whether the sensor itself was knocked."""
        return self.followed is False


@dataclass(frozen=True, kw_only=True)
class SensorSeries:
    """A tilt sensor that logs all day, taken as one series.

    Parameters
    ----------
    place, number
        Where it is, and which of the sensors it is, from 1.
    from_us, to_us, readings, days
        Its span, how many readings it has, and days with any.
    swing
        With the Sun.
    warmth_north, warmth_east
        How it goes with the temperature from day to day, whoever moves [arcsec per deg C]; None where that
        isn't known.
    steps
        Sudden changes of its reading, to the reading.
    put_aside, stuck
        Readings that stand off from their hours, and those that stand still or are of days at its limit.
    resolution
        The step in which it tells its readings [arcsec].
    day_sd
        Typical standard deviation of a day's mean, the wander of the sensor itself apart [arcsec].
    clock_hours
        By how many hours its clock seems to have gone wrong over the record; None where it did not.
    """

    place: Place
    number: int
    from_us: int
    to_us: int
    readings: int
    days: int
    swing: DailySwing
    warmth_north: Measure | None
    warmth_east: Measure | None
    steps: tuple[SensorStep, ...]
    put_aside: int
    stuck: int
    resolution: float
    day_sd: float
    clock_hours: float | None
    day_us: Ints = field(repr=False)  # (days,) times at which its days stand in the history


@dataclass(frozen=True, kw_only=True)
class Settling:
    """What the settlement found has still to do after the last reading, tilt (north, east) [arcsec].

    `left` is what the slowing curves have still to come in all; `year` what they and
    the steady line do in the coming twelve months.
    """

    left: Floats  # (2,)
    left_sd: Floats
    year: Floats
    year_sd: Floats


@dataclass(frozen=True, kw_only=True, repr=False)
class Forecast(ShowsItself):
    """Axis errors and tilt at coming times [arcsec].

    `axis` holds az_error and alt_error, `tilt` the change of tilt north and east
    since the reference; `_low` and `_high` bound the 80 % band.
    """

    time_us: Ints = field(repr=False)  # (D,)
    axis: Floats = field(repr=False)  # (D, 2)
    axis_sd: Floats = field(repr=False)
    axis_low: Floats = field(repr=False)
    axis_high: Floats = field(repr=False)
    tilt: Floats = field(repr=False)
    tilt_sd: Floats = field(repr=False)
    tilt_low: Floats = field(repr=False)
    tilt_high: Floats = field(repr=False)
    paths: Floats = field(repr=False)  # (M, D, 2) expected axis errors, one for each way of the frost
    rests_on: Notice | None  # what the frost's ways rest on; None: it follows the calendar
    within_sd: Floats | None = field(default=None, repr=False)  # (D, 2) sd of the axis errors about each path
    settling: Settling | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class History(DrawsItself):
    """The change of pier and mount since the earliest night with a usable axis.

    `change` and `sd` have one row a night and the columns `COLUMNS` [arcsec];
    0 with sd 0 at the earliest night, each later sd is of the difference;
    NaN before it.  ``change in az_error = mount_az + (tilt_east + plate_east)
    tan(phi)``; ``in alt_error = mount_alt - s (tilt_north + plate_north)``.
    """

    time_us: npt.NDArray[np.int64] = field(repr=False)  # (n,) nights and level readings
    change: npt.NDArray[np.floating[Any]] = field(repr=False)  # (n, 6)
    sd: npt.NDArray[np.floating[Any]] = field(repr=False)  # (n, 6)
    east_tilt_from_mount_azimuth: Separable
    north_tilt_from_mount_altitude: Separable
    seasonal: Seasonal | None
    winters: tuple[Winter, ...]
    lasting: Lasting | None
    events: tuple[Event, ...]
    corrections: tuple[CorrectionFound, ...]
    axis_now: npt.NDArray[np.floating[Any]] = field(
        repr=False
    )  # (2,) smoothed az_error, alt_error, latest night
    axis_now_sd: npt.NDArray[np.floating[Any]] = field(repr=False)  # (2,)
    # what all nights share (the instrument's constants) is told in; see `axis_now_own_sd`
    seasonal_axis_offset: npt.NDArray[np.floating[Any]] = field(repr=False)
    # (366, 2) what the annual part adds to az_error and alt_error by day of year, mean 0; zeros when none
    scales: HistoryScales | None = None  # None where there was nothing to fit
    notices: tuple[Notice, ...] = ()
    causes: tuple[CauseSeries, ...] = ()
    before: str = field(default="", repr=False)  # for the next answer to start from, see `before.from_text`
    forecast: Forecast | None = field(default=None, repr=False)
    forcing_odds: dict[ForcingKind, float] = field(default_factory=dict)
    # odds of what moves the tilt through the year; they add up to 1
    moves: tuple[AxisMove, ...] = field(default=(), repr=False)  # over long stretches without nights
    follows: ForcingKind = ForcingKind.CALENDAR  # the kind of frost that the history follows, or the calendar
    references: References | None = None  # what zeros and levels do; None where nothing checks them
    sensors: tuple[SensorSeries, ...] = ()  # tilt sensors that log all day, each taken as one
    axis_now_own_sd: npt.NDArray[np.floating[Any]] | None = field(default=None, repr=False)
    # (2,) without what all nights share: for how far the axis has moved, in which that drops out
    yearly: YearlyTilt | None = None  # what neighbours may borrow; None where it isn't known, or is borrowed
    recent: tuple[TiltMove, ...] = field(default=(), repr=False)  # of late, for comparing piers of a site
    borrowed_from: tuple[str, ...] = ()  # names of the piers whose winters the priors rest on


# ---- The coming year: the axis day by day, and against what is allowed.


#: A chance below this isn't worth a trip to the pier; setting the axis is worth it when it cuts it in half.
SMALL_CHANCE, _WORTH = 0.1, 0.5


@dataclass(frozen=True, kw_only=True)
class AxisForecast:
    """The axis day by day, untouched.

    Attributes
    ----------
    time_us
        (n,) UTC [us], ascending, the first the day of the advice.
    axis
        (n, 2) expected az_error and alt_error against the true pole [arcsec].
    sd
        (n, 2) their standard deviations [arcsec].
    """

    time_us: Ints = field(repr=False)
    axis: Floats = field(repr=False)
    sd: Floats = field(repr=False)

    def __post_init__(self) -> None:
        """See that the shapes fit."""
        n = len(self.time_us)
        if n == 0 or self.axis.shape != (n, 2) or self.sd.shape != (n, 2):
            raise ValueError(
                f"a forecast of {n} days needs axis and sd of shape ({n}, 2), not {self.axis.shape} and "
                f"{self.sd.shape}"
            )


@dataclass(frozen=True, kw_only=True)
class ComingMonth:
    """One calendar month of the site's clock; angles [arcsec], pairs as in the forecast.

    `chance` is that the axis is beyond the tolerance at some time in the month.
    """

    name: str  # "2024-11"
    time_us: int  # its middle, or the middle of what the forecast has of it
    axis: Floats  # (2,) az_error, alt_error
    axis_low: Floats
    axis_high: Floats
    tilt: Floats  # (2,) north, east, since the reference
    tilt_low: Floats
    tilt_high: Floats
    chance: float


@dataclass(frozen=True, kw_only=True)
class ComingDay:
    """A coming day, and between which the middle 80 % of what may come puts it; UTC [us]."""

    time_us: int
    first_us: int
    last_us: int
    share: float = 1.0  # of the courses that have such a day within the year


@dataclass(frozen=True, kw_only=True)
class Turning:
    """When the axis is furthest and when it is back, by its swing along one line on the sky [arcsec].

    `swing` is how far it goes and comes back within the year, what lasts not counted.
    """

    swing: float
    peak: ComingDay | None  # None where it is furthest now
    back: ComingDay | None  # None where that is not within the year


@dataclass(frozen=True, kw_only=True)
class Realigning:
    """Chances that the axis is beyond the tolerance at some time in the year.

    `tolerance` [arcsec on the sky] is set by `tolerance_of`; `left_alone` is the chance as it stands,
    `set_now` when it is set now where it goes best.  `likely_us` is when it is first more likely beyond than
    not if left alone, `by_us` until when the chance that it has been beyond stays within `SMALL_CHANCE`; None
    when that is never, or all year.
    """

    tolerance: float
    tolerance_of: AxisBound
    left_alone: float
    set_now: float
    likely_us: int | None
    over_now: bool
    by_us: int | None = None

    @property
    def worth(self) -> bool:
        """Whether re-aligning within the year is worth it."""
        return self.left_alone >= SMALL_CHANCE and self.set_now <= _WORTH * self.left_alone


@dataclass(frozen=True, kw_only=True)
class Outlook:
    """The coming twelve months."""

    from_us: int
    months: tuple[ComingMonth, ...]
    turning: Turning | None  # None where no swing stands out
    realigning: Realigning
    settling: Settling | None
    forcing_odds: dict[ForcingKind, float]
    causes: dict[
        CauseKind, float
    ]  # what each gradual cause moved the tilt by over the last year of readings [arcsec]
    season_sure: bool
    span_days: float  # of the nights with an axis
    rests_on: Notice | None
    forecast: Forecast = field(repr=False)
    # the end of a record that is looked at and not watched by: the year is the one after that.
    as_of_us: int | None = None
    # the last reading, where it is so long before today that this must be said.
    since_us: int | None = None


# ---- What to do: the verdict, the actions and the cautions.
#
# All of it is numbers and codes; `drift.render.advice_words` makes the sentences.


@dataclass(frozen=True, kw_only=True)
class Bolt:
    """What to do at one bolt of the plate: it is raised by a stack of shims, or by its nut."""

    bearing_deg: float  # clockwise from true north
    thickness_mm: float | None  # by which it rises; None where only the turns are known
    nut_turns: float | None = None  # positive raises; None for shims, and for nuts of unknown pitch
    pieces_mm: tuple[float, ...] = ()  # the shims of the stack, thickest first


@dataclass(frozen=True, kw_only=True, repr=False)
class Action(ShowsItself):
    """One thing to do, in order; `notice` says what and why, `remarks` what is said after it."""

    do: Do
    notice: Notice
    amount_arcmin: float | None = None  # wanted of az_error, clockwise positive, or alt_error, up positive
    turns: float | None = None  # of the knob, with the sign of `amount_arcmin`
    bolts: tuple[Bolt, ...] = ()
    until_us: int | None = None  # until when to wait, or by when to re-align, UTC
    remarks: tuple[Notice, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Done:
    """A step of the last night's list that was recorded as done, and that no night has seen yet."""

    step: str  # its id in the record
    time_us: int  # UTC
    notice: Notice


@dataclass(frozen=True, kw_only=True, repr=False)
class Verdict(ShowsItself):
    """Whether something moved, and what.

    `notice` is the head: what stands now, or that nothing moved.  `clauses` say each thing that moved, the
    latest first; `seen_once` what one night only shows.  `put_right` says that all that moved was corrected
    since, so that nothing of it stands.
    """

    moved: bool
    part: MovedPart
    notice: Notice
    clauses: tuple[Notice, ...] = ()
    seen_once: tuple[Notice, ...] = ()
    put_right: bool = False

    @property
    def stands(self) -> bool:
        """Whether something moved and stands uncorrected."""
        return self.moved and not self.put_right


@dataclass(frozen=True, kw_only=True)
class AtPlace:
    """What an axis error does at one place on the sky, as long as it keeps its present direction."""

    bearing_deg: float  # clockwise from true north
    altitude_deg: float
    hour_angle_deg: float  # positive west
    declination_deg: float
    allowed_arcmin: float  # how far the axis may be off that way
    effect: float  # what the present error does there
    unit: EffectUnit


@dataclass(frozen=True, kw_only=True)
class Matter:
    """One way in which the axis error shows in the picture: allowed against present."""

    effect: AxisBound
    limit: Notice  # what is reached where the axis is off as far as it may be
    allowed_arcmin: float  # in whatever direction the axis is off
    now_arcmin: float  # angle on the sky between axis and pole
    now_sd_arcmin: float
    worst: AtPlace | None = None  # where in the sky that the horizon leaves it shows most
    usual: AtPlace | None = None  # at the usual declination
    binding: bool = True  # whether the axis has to be kept within it

    @property
    def margin_arcmin(self) -> float:
        """How much further the axis may go; negative when it is off too far."""
        return self.allowed_arcmin - self.now_arcmin


@dataclass(frozen=True, kw_only=True)
class Poles:
    """The axis against both poles: the true one, and the one that refraction shows, `lift_arcsec` above.

    Over the open sky an exposure with the axis on each pole comes out worse by `true_pixels` and
    `refracted_pixels`, root mean square: the trail of a star or, where a star is held still, the turn of the
    corner about it; None where that isn't known.
    """

    true_arcmin: float
    true_sd_arcmin: float
    refracted_arcmin: float
    refracted_sd_arcmin: float
    lift_arcsec: float
    lift_sd_arcsec: float
    aimed_at: str  # "true" or "refracted": what the site file wants
    suits: str  # "true", "refracted" or "either": which is better for the tracking of the site file
    true_pixels: float | None = None
    refracted_pixels: float | None = None
    star_held: bool = False  # whether a star is held still, by guiding or by the tracking rate


@dataclass(frozen=True, kw_only=True)
class YearAim:
    """Where to leave the axis for the coming year, and what is gained by it.

    Angles on the sky of the largest error (the root mean square when `aim` is
    "typical") on the days that count, against the pole that is aimed at.
    """

    aim: str  # "year", "typical", "tonight"
    leave_az_arcsec: float  # az_error to leave the axis at now, clockwise positive
    leave_alt_arcsec: float  # alt_error, up positive
    leave_sd_arcsec: tuple[float, float]
    off_pole_arcsec: tuple[float, float]  # the same against the pole that is aimed at
    off_pole_side: Side  # to which the axis end is left in azimuth: east or west
    as_aimed_arcmin: float
    dead_on_arcmin: float  # had the axis been set on the pole now
    dead_on_sd_arcmin: float
    as_it_is_arcmin: float  # left alone
    as_it_is_sd_arcmin: float
    sd_arcmin: float  # of as_aimed: rms of how far it may come out beside it
    from_us: int
    until_us: int
    months_of_use: bool = False  # whether only the site file's months of use count

    @property
    def gain(self) -> float:
        """The share by which aiming makes the error of the year smaller than "dead on" does."""
        return 1.0 - self.as_aimed_arcmin / self.dead_on_arcmin if self.dead_on_arcmin > 0.0 else 0.0


@dataclass(frozen=True, kw_only=True, repr=False)
class Advice(ShowsItself):
    """All that is said to the owner; `actions` is what is left to do, `done` what was done of the list."""

    verdict: Verdict
    actions: tuple[Action, ...]
    cautions: tuple[Notice, ...]
    matters: tuple[Matter, ...] = ()
    poles: Poles | None = None
    year: YearAim | None = None  # None where no season is sure
    done: tuple[Done, ...] = ()


# ---- What the ground under one pier did day by day, beside the tilt.


@dataclass(frozen=True)
class UnderPier:
    """Air temperature and frozen layer, one entry a day, (n,).

    Parameters
    ----------
    time_us
        Local mean noon of each day, UTC.
    air_c
        Daily mean air temperature [deg C].
    filled
        Where the temperature was not logged and is made up.
    top_m, bottom_m
        Upper and lower side of the deepest frozen layer [m below the surface]; NaN while nothing is frozen.
    deep_m, shallow_m
        The lower side within what isn't known of soil and surface [m]; see `drift.ground.pier_site.spread`.
    base_m
        Depth of the pier's base [m].
    notices
        What was assumed of the ground and noticed in the weather.
    """

    time_us: Ints = field(repr=False)
    air_c: Floats = field(repr=False)
    filled: Bools = field(repr=False)
    top_m: Floats = field(repr=False)
    bottom_m: Floats = field(repr=False)
    deep_m: Floats = field(repr=False)
    shallow_m: Floats = field(repr=False)
    base_m: float
    notices: tuple[Notice, ...] = ()


# ---- The whole analysis of one pier.


@dataclass(frozen=True, repr=False)
class Analysis(ShowsItself):
    """Site, nights, history and advice of one pier at one time.

    In a notebook it shows itself as a short table, draws itself with `plot` and
    gives its numbers as pandas tables with `frame`.
    """

    site: PierFile
    nights: Nights
    history: History
    advice: Advice
    defaults_used: tuple[Notice, ...]  # of the site file
    notices: tuple[Notice, ...] = ()  # of readings, sky, nights and history, each once
    filled_in: tuple[Notice, ...] = ()  # what was taken where the logs give nothing
    ground: UnderPier | None = None  # None without a weather log, or where nobody asked for it
    now_us: int | None = None  # of when it was wanted; None for the latest reading
    arrived_us: int | None = None  # when readings last came in, where that is known

    def plot(self, name: str = "axis", ax: Any = None, **look: Any) -> Any:
        """Draw one picture.

        Parameters
        ----------
        name
            "axis", "tilt", "seasons", "pier", "path", "ground", "causes-azimuth", "causes-altitude",
            "event-1" and so on, "corrections" or "nights".
        ax
            Matplotlib Axes to draw in, as many as the picture has panels; None for a new figure.
        **look
            ``width_in``, the width of a new figure [inches].

        Returns
        -------
        matplotlib.figure.Figure

        Raises
        ------
        drift.errors.DriftError
            If there is no picture of that name; names those there are.
        """
        return showing().plot(self, name, ax, **look)

    def frame(self, name: str = "nights") -> pd.DataFrame:
        """Return one table as a pandas DataFrame; angles in arcsec, times in UTC.

        ``frame.attrs["units"]`` names the unit of each column that has one.

        Parameters
        ----------
        name
            "nights", "history", "causes", "left_over", "events", "corrections", "winters", "actions" or
            "set_aside".

        Raises
        ------
        drift.errors.DriftError
            If there is no table of that name; names those there are.
        """
        frame: pd.DataFrame = showing().frame_of(self, name)
        return frame

    def qtable(self, name: str = "nights") -> QTable:
        """Return one table as an astropy QTable: quantities with their units, times as astropy Time.

        Parameters
        ----------
        name
            As for `frame`.

        Raises
        ------
        drift.errors.DriftError
            If there is no table of that name; names those there are.
        """
        table: QTable = showing().qtable_of(self, name)
        return table
