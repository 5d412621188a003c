"""The causes that can move an axis: what each may do, as columns with Gaussian priors."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from drift.codes import CauseKind, CorrectionKind
from drift.ground.heave import FrostForcing
from drift.history.series import Series
from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints

# ---- What a cause is: named columns with a Gaussian prior.


#: Components of the state of pier and mount, in this order everywhere.
TILT_NORTH, TILT_EAST, PLATE_NORTH, PLATE_EAST, MOUNT_AZ, MOUNT_ALT = range(6)


@dataclass(frozen=True)
class Cause:
    """Columns of one cause over n readings.

    Parameters
    ----------
    name
        Tells it from all others of the model; nothing is read out of it.
    state
        (n, 6, q): what one unit of each column adds to tilt north and east,
        plate north and east, mount azimuth and altitude; 0 at the reference.
    direct
        (n, 3, q): what it adds to the readings themselves and to nothing that moves.
    mean, cov
        Prior of the q amplitudes.
    loose_sd
        Where what was written down may be plain wrong (a sign, a date): the standard
        deviation about zero that is then believed; else None.
    kind
        What sort of cause it is.
    time_us
        When a correction was recorded to be made [UTC microseconds]; None for all others.
    correction
        Which sort of correction it is; None for all others.
    follows
        Name of the step that it belongs to, where it is what followed one; None for all others.
    """

    name: str
    state: Floats = field(repr=False)
    direct: Floats = field(repr=False)
    mean: Floats = field(repr=False)
    cov: Floats = field(repr=False)
    loose_sd: float | None = None
    kind: CauseKind = field(kw_only=True)
    time_us: int | None = field(default=None, kw_only=True)
    correction: CorrectionKind | None = field(default=None, kw_only=True)
    follows: str | None = field(default=None, kw_only=True)

    def loosened(self) -> Cause:
        """Return the cause with what was written down no longer believed.

        Raises
        ------
        ValueError
            If the cause rests on nothing that was written down.
        """
        if self.loose_sd is None:
            raise ValueError(f"{self.name}: nothing to loosen")
        return replace(
            self, mean=np.zeros(self.width), cov=np.eye(self.width) * self.loose_sd**2, loose_sd=None
        )

    @property
    def width(self) -> int:
        """How many columns there are."""
        return int(self.mean.size)


def blank(n: int, q: int) -> tuple[Floats, Floats]:
    """Return empty state and direct columns."""
    return np.zeros((n, 6, q)), np.zeros((n, 3, q))


def independent(
    name: str, state: Floats, direct: Floats, mean: Floats, sd: Floats, *, kind: CauseKind
) -> Cause:
    """Return a cause whose amplitudes are independent, with standard deviations `sd`."""
    return Cause(
        name,
        state,
        direct,
        np.asarray(mean, dtype=float),
        np.diag(np.asarray(sd, dtype=float) ** 2),
        kind=kind,
    )


# ---- Where things stood at the reference: constants that belong to no movement.


#: Prior standard deviations [arcsec], wide enough to say nothing.
AXIS_SD = 1.0e5
ZERO_SD = 1.0e6
LEVEL_SD = 1.0e5
BIAS_SD = 1.0e4
#: How far a level's divisions are from what its owner takes them for, as a share: common practice, a vial by
#: some percent to a quarter, an electronic level by a percent or two.  And how many readings on each side of
#: one tell the tilt that it showed.
LEVEL_SCALE_SD, SCALE_NEIGHBOURS = 0.1, 3


def axis_start(series: Series) -> Cause:
    """Axis errors at the reference."""
    state, direct = blank(series.size, 2)
    seen = series.night >= 0
    direct[seen, 0, 0] = direct[seen, 1, 1] = 1.0
    return independent("axis_at_start", state, direct, np.zeros(2), np.full(2, AXIS_SD), kind=CauseKind.START)


def zero_epochs(series: Series) -> Cause:
    """Hour-angle zeros: one constant a homing epoch or label."""
    labels = sorted({str(label) for label in series.zero_label if label})
    state, direct = blank(series.size, len(labels))
    for i, label in enumerate(labels):
        direct[series.zero_label == label, 2, i] = 1.0
    return independent(
        "hour_angle_zeros",
        state,
        direct,
        np.zeros(len(labels)),
        np.full(len(labels), ZERO_SD),
        kind=CauseKind.START,
    )


def level_starts(series: Series) -> Cause:
    """How far each place was from level at the reference, and the instrument's bias where it was turned."""
    columns = []
    for place, instrument in level_sources(series):
        at = (series.place == place) & (series.instrument == instrument)
        turned = at & (series.face < 0.0)
        patterns = [(at.astype(float), LEVEL_SD)]
        if turned.any() and not turned[at].all():
            patterns.append((at * series.face, BIAS_SD))
        columns += [(pattern, axis, sd) for pattern, sd in patterns for axis in (0, 1)]
    state, direct = blank(series.size, len(columns))
    for i, (pattern, axis, _) in enumerate(columns):
        direct[:, axis, i] = pattern
    return independent(
        "levels_at_start",
        state,
        direct,
        np.zeros(len(columns)),
        np.array([sd for _, _, sd in columns]),
        kind=CauseKind.START,
    )


LEVEL_SCALES = "level_scales"


def level_scales(series: Series) -> Cause:
    """How much more or less than the tilt each level shows, for each of its axes.

    What the tilt was is taken from the readings before and after each, without its own: with its own error
    among them a level would seem to show too much.
    """
    sources = level_sources(series)
    state, direct = blank(series.size, 2 * len(sources))
    for i, (place, instrument) in enumerate(sources):
        own = np.flatnonzero((series.place == place) & (series.instrument == instrument))
        for axis in (0, 1):
            direct[own, axis, 2 * i + axis] = _by_neighbours(series.value[own, axis])
    return independent(
        LEVEL_SCALES,
        state,
        direct,
        np.zeros(2 * len(sources)),
        np.full(2 * len(sources), LEVEL_SCALE_SD),
        kind=CauseKind.START,
    )


def _by_neighbours(value: Floats) -> Floats:
    """Return the median of `SCALE_NEIGHBOURS` readings before each and as many after it, (n,)."""
    if value.size < 2:
        return np.zeros(value.size)
    around = np.array([k for k in range(-SCALE_NEIGHBOURS, SCALE_NEIGHBOURS + 1) if k])
    at = np.arange(value.size)[:, None] + around
    inside = (at >= 0) & (at < value.size)
    return np.nanmedian(np.where(inside, value[np.clip(at, 0, value.size - 1)], np.nan), axis=1)


def instrument_eras(series: Series) -> Cause:
    """What a new set of instrument constants may add to all axes after a service or a new mount."""
    eras = [int(e) for e in np.unique(series.era[series.night >= 0])]
    reference = int(series.era[0])
    later = [e for e in eras if e != reference]
    state, direct = blank(series.size, 2 * len(later))
    sds = []
    base = series.common_sd[(series.era == reference) & (series.night >= 0)]
    for i, era in enumerate(later):
        own = (series.era == era) & (series.night >= 0)
        direct[own, 0, 2 * i] = direct[own, 1, 2 * i + 1] = 1.0
        spread = np.hypot(np.median(series.common_sd[own], axis=0), np.median(base, axis=0))
        sds.append(np.maximum(spread, 0.1))
    return independent(
        "instrument_constants",
        state,
        direct,
        np.zeros(2 * len(later)),
        np.concatenate([np.zeros(0), *sds]),
        kind=CauseKind.START,
    )


# ---- The annual shape of the tilt: what comes and goes with the year, two harmonics along one direction.


#: Days from 1970-01-01 to the start of a year that the phase is counted from (2000-01-01).
PHASE_DAY = 10957.0
#: Prior size of the second harmonic against the first: frost comes quickly and goes quickly.
HARMONICS = np.array([1.0, 0.5])


def harmonics(time_us: np.ndarray) -> Floats:
    """Return cos and sin of the first and second annual harmonic, (n, 4)."""
    phase = 2.0 * np.pi * (np.asarray(time_us) / DAY_US - PHASE_DAY) / YEAR_DAYS
    return np.stack([np.cos(phase), np.sin(phase), np.cos(2 * phase), np.sin(2 * phase)], axis=-1)


def along_and_across(bearing_rad: float, ratio: float) -> Floats:
    """Return the 2 x 2 covariance (north, east) of unit size along a bearing and `ratio` across it."""
    c, s, square = np.cos(bearing_rad), np.sin(bearing_rad), ratio**2
    mixed = (1.0 - square) * c * s
    return np.array([[c**2 + square * s**2, mixed], [mixed, s**2 + square * c**2]])


def tied(directions: Floats, sizes: Floats) -> Floats:
    """Return the covariance of k amplitudes north, then east: that of the directions (2, 2) times sizes (k,).

    It is ``np.kron(directions, np.diag(sizes))``, which takes ten times as long.
    """
    count = len(sizes)
    out = np.zeros((2, count, 2, count))
    at = np.arange(count)
    out[:, at, :, at] = sizes[:, None, None] * directions
    return out.reshape(2 * count, 2 * count)


def annual_cov(size: float, bearing_rad: float, ratio: float) -> Floats:
    """Return the prior covariance of the annual tilt's amplitudes, (8, 8) [arcsec^2].

    Parameters
    ----------
    size
        Prior standard deviation of the first harmonic's amplitudes along the bearing [arcsec].
    bearing_rad, ratio
        Direction of heave, and how much goes across it.
    """
    return tied(along_and_across(bearing_rad, ratio), _sizes(size))


def annual_mount_cov(size: float) -> Floats:
    """Return the same of the mount's annual movement, azimuth and altitude apart, (8, 8)."""
    return tied(np.eye(2), _sizes(size))


def _sizes(size: float) -> Floats:
    return np.repeat(HARMONICS, 2) ** 2 * size**2


def annual_shape(time_us: np.ndarray) -> Cause:
    """Return the annual tilt: four columns north, four east, tied by the direction of heave."""
    return _annual("annual_tilt", time_us, TILT_NORTH, TILT_EAST)


def annual_mount(time_us: np.ndarray) -> Cause:
    """Return an annual movement of the mount on the pier (temperature), azimuth and altitude apart.

    Used where nothing tells pier from mount, so that the season is not laid at the pier's door alone.
    """
    return _annual("annual_mount", time_us, MOUNT_AZ, MOUNT_ALT)


def _annual(name: str, time_us: np.ndarray, first: int, second: int) -> Cause:
    shape = harmonics(time_us)
    state, direct = blank(len(time_us), 8)
    state[:, first, :4] = state[:, second, 4:] = shape - shape[0]
    return Cause(name, state, direct, np.zeros(8), np.eye(8), kind=CauseKind.SEASON)


# ---- Frost: a tilt that follows a forcing worked out from the weather, and what each winter leaves behind.


#: Prior size of what a typical winter leaves behind, against its swing: common practice, some tenths.
LEFT_BEHIND = 0.3
#: Prior size of the part that lags further behind: anything between the two lags, and somewhat beyond.
LATE = 0.7
#: Columns a direction: swing, what lags further, what is left behind.
FROST_WIDTH = 3


def frost_cov(size: float, bearing_rad: float, ratio: float) -> Floats:
    """Return the prior covariance of the amplitudes, (6, 6), north then east.

    Parameters
    ----------
    size
        Prior standard deviation of a typical winter's swing along the bearing [arcsec].
    bearing_rad, ratio
        Direction of heave, and how much goes across it.
    """
    return tied(along_and_across(bearing_rad, ratio), np.array([1.0, LATE**2, LEFT_BEHIND**2]) * size**2)


def frost_tilt(time_us: Ints, forcing: FrostForcing) -> Cause:
    """Return the tilt that frost drives: swing, lag and what is left behind, north and east."""
    shape = forcing.at(time_us)
    state, direct = blank(len(time_us), 2 * FROST_WIDTH)
    state[:, TILT_NORTH, :FROST_WIDTH] = state[:, TILT_EAST, FROST_WIDTH:] = shape - shape[0]
    return Cause(
        "frost", state, direct, np.zeros(2 * FROST_WIDTH), np.eye(2 * FROST_WIDTH), kind=CauseKind.FROST
    )


# ---- Settlement of the pier: one way, and slowing; what goes on at a steady rate is its straight part.
#
# Under a constant load clay gives way along a sum of exponentials of time (Terzaghi's theory of
# consolidation: U = 1 - sum 2/M^2 exp(-M^2 T)); the tail of one is a single exponential, whose time
# constant is not known beforehand.  After that it goes on with the logarithm of time (secondary
# compression: Buisman 1936; Terzaghi, Peck and Mesri, Soil Mechanics in Engineering Practice, 1996, section
# 16.7, both from memory), steep at first.  A logarithm is a sum of exponentials of which every time
# constant has the same share for each factor in time, by Frullani's integral log(1 + t/b) = int_0^inf (1 -
# exp(-t u)) exp(-b u) / u du.  So a straight line and curves whose fixed time constants lie a factor of
# three or four apart come close to any of these, whenever the concrete was poured: an exponential that
# began earlier is the same curve with a smaller size.  The three shortest are a cause of their own, the
# steep start: most piers have none, and then it must cost nothing (`drift.history.inputs`).  As a logarithm
# has them in equal shares, their sum is the first of its columns, and the second tells the quickest from
# the slowest.
#
# Looking back, any shares of them do.  Looking ahead the shares matter.  A line goes on for ever, clay
# doesn't: Terzaghi's curve has no steady part, and what goes on after it (secondary compression) is some
# hundredths of the whole in a year.  And a pace seen over a few months says nothing of how long it will
# last: so a curve's whole is held likely in proportion to its time constant, which makes every time
# constant as likely for a given pace.


#: Time constants of the curves [years]: common practice, clay under a pier settles for one to some years.
TIME_CONSTANTS_YEARS = (0.6, 2.0)
#: Of a steep start [years]: common practice, a fresh load beds in within days to weeks.
STEEP_YEARS = (0.015, 0.05, 0.18)
#: How far the shares of its curves may differ, against their common size.
STEEP_DIFFER = 0.5
#: Names of the causes: of the pier, and of a mount whose bolts and locks bed in.
STEEP = "steep_start_of_settlement"
STEEP_AZIMUTH, STEEP_ALTITUDE = "bedding_in_of_azimuth", "bedding_in_of_altitude"
#: Prior size of the line [a year], against that of the slowest curve's whole: common practice.
LINE_SHARE = 0.1
_SHARES = (LINE_SHARE, *(tau / max(TIME_CONSTANTS_YEARS) for tau in TIME_CONSTANTS_YEARS))
_OF_ONE = np.diag(np.square([*_SHARES, *_SHARES]))
#: Columns a direction.
SETTLEMENT_WIDTH = len(_SHARES)


def slow_shapes(time_us: np.ndarray) -> Floats:
    """Return the line (per year) and the curves (per whole settlement), 0 at the reference, (n, WIDTH)."""
    years = (time_us - time_us[0]) / DAY_US / YEAR_DAYS
    return np.stack([years, *(1.0 - np.exp(-years / tau) for tau in TIME_CONSTANTS_YEARS)], axis=1)


def rate_now(time_us: np.ndarray) -> Floats:
    """Return the rate at the last reading of each column of `settlement`, north and east [a year].

    Returns
    -------
    rates
        (2, 2 WIDTH).
    """
    years = float((time_us[-1] - time_us[0]) / DAY_US / YEAR_DAYS)
    rates = np.array([1.0, *(np.exp(-years / tau) / tau for tau in TIME_CONSTANTS_YEARS)])
    return np.kron(np.eye(2), rates)


def settlement_cov(size: float) -> Floats:
    """Return the prior covariance of the amplitudes, (2 WIDTH, 2 WIDTH).

    Parameters
    ----------
    size
        Prior standard deviation of the slowest curve's whole size [arcsec].
    """
    return _OF_ONE * size**2


def settlement(time_us: np.ndarray) -> Cause:
    """Return the slow one-way tilt: a line and slowing curves, north and east apart."""
    return _slow("settlement", time_us, TILT_NORTH, TILT_EAST)


def steep_starts(time_us: np.ndarray) -> list[Cause]:
    """Return what settles or beds in within weeks: the pier north and east, and each knob, priors at unity.

    A direction has the sum of the quick curves, and how much more there is of the first than of the last.
    """
    years = (time_us - time_us[0]) / DAY_US / YEAR_DAYS
    curves = np.stack([1.0 - np.exp(-years / tau) for tau in STEEP_YEARS], axis=1)
    shapes = np.column_stack([curves.sum(axis=1), STEEP_DIFFER * (curves[:, 0] - curves[:, -1])])
    return [
        _of_shapes(STEEP, shapes, TILT_NORTH, TILT_EAST, kind=CauseKind.SETTLEMENT),
        _of_shapes(STEEP_AZIMUTH, shapes, MOUNT_AZ, kind=CauseKind.STEADY_DRIFT_OF_MOUNT),
        _of_shapes(STEEP_ALTITUDE, shapes, MOUNT_ALT, kind=CauseKind.STEADY_DRIFT_OF_MOUNT),
    ]


def _of_shapes(name: str, shapes: Floats, *components: int, kind: CauseKind) -> Cause:
    """Return a cause with columns for each of some shapes (n, w), priors at unity."""
    width = shapes.shape[1]
    state, direct = blank(len(shapes), width * len(components))
    for i, component in enumerate(components):
        state[:, component, width * i : width * (i + 1)] = shapes
    return Cause(name, state, direct, np.zeros(state.shape[2]), np.eye(state.shape[2]), kind=kind)


def mount_settlement(time_us: np.ndarray) -> Cause:
    """Return the same of mount azimuth and altitude, where nothing tells pier from mount."""
    return _slow("slow_drift_of_mount", time_us, MOUNT_AZ, MOUNT_ALT)


def _slow(name: str, time_us: np.ndarray, first: int, second: int) -> Cause:
    return _of_shapes(name, slow_shapes(time_us), first, second, kind=CauseKind.SETTLEMENT)


# ---- Columns of what references do: the hour-angle zeros that nights share, and the levels at each place.


def zero_labels(series: Series) -> tuple[str, ...]:
    """Return the labels of the zeros that nights share, in order."""
    return tuple(sorted({str(label) for label in series.zero_label if label}))


def level_sources(series: Series) -> tuple[tuple[str, int], ...]:
    """Return the places at which levels were read and by which instrument, in order."""
    known = zip(series.place, series.instrument.tolist(), strict=True)
    return tuple(sorted({(str(place), int(number)) for place, number in known if place}))


def of_states(name: str, curve: Floats, *components: int, kind: CauseKind) -> Cause:
    """Return a cause with a column a component of pier or mount that adds a curve (n,) to it."""
    count = len(components)
    state, direct = blank(curve.size, count)
    for i, component in enumerate(components):
        state[:, component, i] = curve
    return Cause(name, state, direct, np.zeros(count), np.eye(count), kind=kind)


def of_zeros(name: str, series: Series, curve: Floats, *, kind: CauseKind) -> Cause:
    """Return a cause with a column a zero that adds a curve (n,) to its readings."""
    labels = zero_labels(series)
    state, direct = blank(series.size, len(labels))
    for i, label in enumerate(labels):
        direct[:, 2, i] = _about_its_middle(curve, series.zero_label == label)
    return Cause(name, state, direct, np.zeros(len(labels)), np.eye(len(labels)), kind=kind)


def of_levels(name: str, series: Series, curve: Floats, *, kind: CauseKind) -> Cause:
    """Return a cause with columns north and east a place and instrument that add a course (n,) to them."""
    sources = level_sources(series)
    state, direct = blank(series.size, 2 * len(sources))
    for i, (place, number) in enumerate(sources):
        own = _about_its_middle(curve, (series.place == place) & (series.instrument == number))
        direct[:, 0, 2 * i] = direct[:, 1, 2 * i + 1] = own
    return Cause(name, state, direct, np.zeros(2 * len(sources)), np.eye(2 * len(sources)), kind=kind)


def _about_its_middle(curve: Floats, own: np.ndarray) -> Floats:
    """Return the curve on some readings about its mean there (each has a constant of its own), else 0."""
    return np.where(own, curve - np.mean(curve[own]), 0.0)


# ---- What goes on at a steady rate: a tilt, a knob that gives way, a kept zero or a level that ages.
#
# A kept zero that drifts reads as an east tilt with the mount's azimuth the other way, a level that drifts
# as a tilt with the mount the other way; in both the axis stands still.  So each of them may have a rate of
# its own, and how likely each is, is told in `drift.history.inputs`.


#: Names of the causes.
STEADY_PIER, STEADY_AZIMUTH, STEADY_ALTITUDE = "steady_tilt", "steady_mount_azimuth", "steady_mount_altitude"
STEADY_ZEROS, STEADY_LEVELS = "steady_creep_of_zeros", "steady_creep_of_levels"


def steady(series: Series) -> list[Cause]:
    """Return the causes that grow by one arcsec a year, priors left at unity; those without readings too."""
    years = series.days / YEAR_DAYS
    return [
        of_states(STEADY_PIER, years, TILT_NORTH, TILT_EAST, kind=CauseKind.SETTLEMENT),
        of_states(STEADY_AZIMUTH, years, MOUNT_AZ, kind=CauseKind.STEADY_DRIFT_OF_MOUNT),
        of_states(STEADY_ALTITUDE, years, MOUNT_ALT, kind=CauseKind.STEADY_DRIFT_OF_MOUNT),
        of_zeros(STEADY_ZEROS, series, years, kind=CauseKind.STEADY_DRIFT_OF_ZERO),
        of_levels(STEADY_LEVELS, series, years, kind=CauseKind.STEADY_DRIFT_OF_LEVEL),
    ]


# ---- What a tilt sensor that logs all day wanders by itself.
#
# Its days are so many and so sure that they would say more of the pier than the sensor knows: what it reads
# goes astray at random, in the long run by the root of time.  A random walk over the record is a sum of
# sines with independent amplitudes (the Karhunen-Loeve expansion of Brownian motion: Loeve, Probability
# Theory II, 1978, section 37.5, from memory), of which the first few hold all but some hundredths.


WANDER_LEVELS = "wander_of_levels"
#: Prior sd of the wander [arcsec per root of a year]: from memory, data sheets of small tilt sensors give
#: some arcseconds of zero drift a year.
SENSOR_WANDER = 3.0
#: Sines that are taken.
SINES = 8


def wander_of_sensors(series: Series) -> Cause:
    """Return what tilt sensors wander over the record, north and east apart; no columns without a sensor."""
    years = max(float(np.max(series.days)), 1.0) / YEAR_DAYS
    share = np.clip(series.days / YEAR_DAYS / years, 0.0, 1.0)
    rate = np.pi * (np.arange(SINES) + 0.5)
    sines = np.sqrt(2.0 * years) * np.sin(share[:, None] * rate) / rate
    own = [(place, number) for place, number in level_sources(series) if number]
    state, direct = blank(series.size, 2 * SINES * len(own))
    for i, (place, number) in enumerate(own):
        pick = (series.place == place) & (series.instrument == number)
        for axis in (0, 1):
            at = (2 * i + axis) * SINES
            direct[pick, axis, at : at + SINES] = sines[pick]
    width = direct.shape[2]
    return Cause(
        WANDER_LEVELS,
        state,
        direct,
        np.zeros(width),
        np.eye(width) * SENSOR_WANDER**2,
        kind=CauseKind.WANDER_OF_LEVEL,
    )


# ---- What warmth does from day to day: to pier, mount, and what they are read by.


#: Names of the causes.
WARM_PIER, WARM_AZIMUTH, WARM_ALTITUDE = (
    "warmth_of_pier",
    "warmth_of_mount_azimuth",
    "warmth_of_mount_altitude",
)
WARM_ZEROS, WARM_LEVELS = "warmth_of_zeros", "warmth_of_levels"
#: Prior standard deviation of the answer to a degree [arcsec per deg C] where nothing tells pier from mount.
#: Common practice: iron and aluminium bolted together move by tenths of an arcsecond a degree; a pier heated
#: from one side bends as much.
PER_DEGREE_SD = 0.5


def warm(series: Series, temp_c: Floats) -> list[Cause]:
    """Return the causes that grow by one arcsec a degree above the reference night's, priors at unity.

    Parameters
    ----------
    series
        The readings.
    temp_c
        (n,) how warm it was at each [deg C].
    """
    above = temp_c - temp_c[0]
    return [
        of_states(WARM_PIER, above, TILT_NORTH, TILT_EAST, kind=CauseKind.WARMTH_OF_PIER),
        of_states(WARM_AZIMUTH, above, MOUNT_AZ, kind=CauseKind.WARMTH_OF_MOUNT),
        of_states(WARM_ALTITUDE, above, MOUNT_ALT, kind=CauseKind.WARMTH_OF_MOUNT),
        of_zeros(WARM_ZEROS, series, above, kind=CauseKind.WARMTH_OF_ZERO),
        of_levels(WARM_LEVELS, series, above, kind=CauseKind.WARMTH_OF_LEVEL),
    ]
