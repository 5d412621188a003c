"""The catalogue of worlds: how each is drawn.  Seeds alternate between the hemispheres, even ones north."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import sizes
from course import Course, Step
from geometry import Instrument, Standing, axis_errors
from sky import Site
from weather import Climate, Weather, invent_weather

MJD_2017_09_01 = 57_997


@dataclass
class Habits:
    """How the owner observes (common practice: a quarter of an hour at dusk or midnight)."""

    nights_a_year: float = 90.0
    solves: tuple[int, int] = (6, 13)
    sweep_share: float = 0.27
    evening_hour: float = 21.5  # local mean time of the first solve
    minutes_a_solve: float = 1.0
    lowest_deg: float = 22.0
    highest_deg: float = 85.0
    hour_angles_deg: tuple[float, float] = (-70.0, 70.0)
    declinations_deg: tuple[float, float] = (-20.0, 72.0)  # toward the elevated pole positive
    second_sync_share: float = 0.08
    sweep_beside: float = 0.0  # share of nights of solves that end with a sweep
    east_until: float = 0.0  # the owner looks east of the meridian until this day, then west
    level_every_days: float = 0.0
    level_sd: float = sizes.LEVEL_SD
    sensor_every_minutes: float = 0.0
    air_logged: bool = True
    weather_logged: bool = True


@dataclass
class World:
    """One history: all that is true of it, and how it is logged."""

    name: str
    seed: int
    site: Site
    first_mjd: int  # the record's first local date
    days: float
    zero: str  # kept, synced
    course: Course = field(repr=False)
    weather: Weather = field(repr=False)
    tube: Instrument = field(default_factory=lambda: Instrument(0.0, 0.0, 0.0, 0.0))
    habits: Habits = field(default_factory=Habits)
    axis: tuple[float, float] = (0.0, 0.0)  # mount_az, mount_alt at the start [arcsec]
    zero_repeats: float = 5.0
    mount_noise: float = 5.0
    solve_noise: float = 1.3
    mirror: float = 0.0
    mirror_moves: str = "sides"  # to one of two places a night, anew at each change of sides, by the hour
    fork: bool = False
    star_model: str = ""  # "", once, nightly
    #: What dD has of sin H, cos H and cos 2H, and cos D dH of cos D sin H [arcsec].
    bends: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    bends_until: float = np.inf  # from this day on it is stiff
    synced_from: float = np.inf  # from this day on the log has the mount's place after a sync on the solve
    frame: str = "date"  # or j2000
    reports_given: bool = True
    clock_wrong: tuple[tuple[float, float, float], ...] = ()  # from day, to day, hours fast
    reference_rates: dict[str, float] = field(default_factory=dict)  # the truth of the references

    def mjd(self, day: np.ndarray) -> np.ndarray:
        """Return UTC MJD of days since the first local mean noon."""
        return self.first_mjd + 0.5 - self.site.longitude_deg / 360.0 + np.asarray(day)

    def day(self, mjd: np.ndarray) -> np.ndarray:
        """Return days since the first local mean noon."""
        return np.asarray(mjd) - self.first_mjd - 0.5 + self.site.longitude_deg / 360.0

    def standing(self, day: np.ndarray) -> Standing:
        """Return how pier and mount stand."""
        at = self.course.at
        return Standing(
            at("tilt_north", day),
            at("tilt_east", day),
            self.axis[0] + at("mount_az", day),
            self.axis[1] + at("mount_alt", day),
        )

    def axis_errors(self, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the true az_error and alt_error [arcsec]."""
        return axis_errors(self.site, self.standing(np.atleast_1d(np.asarray(day, dtype=float))))

    def stream(self, purpose: str) -> np.random.Generator:
        """Return the random stream of a purpose."""
        return _stream(self.name, self.seed, purpose)


def _stream(name: str, seed: int, purpose: str) -> np.random.Generator:
    return np.random.default_rng([zlib.crc32(name.encode()), seed, zlib.crc32(purpose.encode())])


#: Mean of the year and half the swing of the seasons [deg C]: inland with hard frost, and without
#: (from memory: climate tables of middle latitudes).
COLD, MILD = ((2.5, 6.0), (12.0, 15.0)), ((8.0, 12.0), (6.0, 10.0))


def _between(rng: np.random.Generator, low_high: tuple[float, float]) -> float:
    return float(rng.uniform(*low_high))


def _base(
    name: str,
    seed: int,
    years: tuple[float, float] = (2.0, 4.0),
    zero: str = "kept",
    cold: bool = False,
    habits: Habits | None = None,
    south: bool | None = None,
) -> tuple[World, np.random.Generator]:
    """Draw what all worlds share: a place, weather, an instrument, an owner."""
    rng = _stream(name, seed, "world")
    south = bool(seed % 2) if south is None else south
    latitude = _between(rng, (44.0, 55.0) if cold else (34.0, 54.0))
    site = Site(
        round(-latitude if south else latitude, 2),
        round(_between(rng, (-180.0, 180.0)), 2),
        round(_between(rng, (5.0, 900.0))),
    )
    first = MJD_2017_09_01 + int(rng.integers(0, 1100))
    days = float(round(_between(rng, years) * 365.25))
    climate = Climate(*(_between(rng, r) for r in (COLD if cold else MILD)))
    of_year = (first - 57_754) % 365.25
    weather = invent_weather(rng, climate, of_year, int(days), south)
    own = habits or Habits()
    own.nights_a_year = own.nights_a_year * _between(rng, (0.6, 1.4))
    own.evening_hour = _between(rng, (19.5, 25.0))
    world = World(
        name,
        seed,
        site,
        first,
        days,
        zero,
        Course(days),
        weather,
        Instrument(
            float(rng.normal(0.0, sizes.CONE_SD)),
            float(rng.normal(0.0, sizes.NONPERPENDICULAR_SD)),
            float(rng.normal(0.0, sizes.SIDE_OFFSET_SD)),
            float(abs(rng.normal(0.0, sizes.DROOP_SD))),
        ),
        own,
        (float(rng.normal(0.0, sizes.AXIS_SD)), float(rng.normal(0.0, sizes.AXIS_SD))),
        _between(rng, sizes.ZERO_REPEATS),
        _between(rng, sizes.MOUNT_NOISE),
        _between(rng, sizes.SOLVE_NOISE),
    )
    world.reports_given = own.sweep_share == 0.0 or bool(rng.random() < 0.5)
    # Nothing stands perfectly still, and an oracle that is told it does would know more than readings hold.
    wander = _stream(name, seed, "wander")
    world.course.walk(wander, ("tilt_north", "tilt_east"), sizes.QUIET_WANDER)
    world.course.walk(wander, ("mount_az", "mount_alt"), sizes.MOUNT_WANDER)
    world.course.walk(wander, ("zero", "level_north", "level_east"), sizes.REFERENCE_WANDER)
    return world, rng


# --- movements -----------------------------------------------------------------------------------------


def _toward(rng: np.random.Generator) -> dict[str, float]:
    bearing = _between(rng, (0.0, 2.0 * np.pi))
    return {"tilt_north": float(np.cos(bearing)), "tilt_east": float(np.sin(bearing))}


def _times(size: float, toward: dict[str, float]) -> dict[str, float]:
    return {channel: size * part for channel, part in toward.items()}


def _frost(world: World, rng: np.random.Generator, size: float, fast: bool = False) -> None:
    """Tilt with the frost of each winter, which strays from its driver and leaves a little behind."""
    toward = _toward(rng)
    melt = _between(rng, sizes.MELT_FAST if fast else sizes.MELT_SLOW)
    ratchet = 0.0 if fast else _between(rng, sizes.RATCHET)
    driver = world.weather.frost(melt)
    all_of_it = np.zeros(world.course.grid.size)
    for winter in np.unique(world.weather.winter):
        this = np.where(world.weather.winter == winter, driver, 0.0)
        left = ratchet * np.maximum.accumulate(this)
        shape = np.interp(world.course.grid, world.weather.day, (1.0 - ratchet) * this + left)
        strength = size * float(np.exp(rng.normal(0.0, 0.15)))
        world.course.add(_times(strength, toward), shape, size / np.sqrt(2.0))
        all_of_it += np.interp(world.course.grid, world.weather.day, this)
    world.course.stray(rng, toward, all_of_it, sizes.FROST_STRAYS * size, sizes.STRAYS_DAYS)


def _mount_warmth(world: World, rng: np.random.Generator) -> None:
    for channel in ("mount_az", "mount_alt"):
        size = float(rng.normal(0.0, sizes.MOUNT_WARMTH_SD))
        world.course.add({channel: size}, _air(world), sizes.MOUNT_WARMTH_SD)


def _air(world: World) -> np.ndarray:
    """Return the air's temperature on the grid, from the mean of the year."""
    air = world.weather.air_c(world.course.grid)
    return np.asarray(air - np.mean(world.weather.mean_c))


def _signed(rng: np.random.Generator, low_high: tuple[float, float]) -> float:
    return float(rng.choice([-1.0, 1.0])) * _between(rng, low_high)


def _rms(low_high: tuple[float, float]) -> float:
    return float(np.sqrt(np.mean(np.square(np.linspace(*low_high, 101)))))


def _zero_creep(world: World, rng: np.random.Generator, low_high: tuple[float, float]) -> None:
    size = _signed(rng, low_high)
    world.course.add({"zero": size}, world.course.years, _rms(low_high))
    world.reference_rates["zero_creep"] = world.reference_rates.get("zero_creep", 0.0) + size


def _zero_warmth(world: World, rng: np.random.Generator, low_high: tuple[float, float]) -> None:
    size = _signed(rng, low_high)
    world.course.add({"zero": size}, _air(world), _rms(low_high))
    world.reference_rates["zero_warmth"] = size


def _level_warmth(world: World, rng: np.random.Generator, low_high: tuple[float, float]) -> None:
    for channel in ("level_north", "level_east"):
        size = _signed(rng, low_high)
        world.course.add({channel: size}, _air(world), _rms(low_high))
        world.reference_rates[channel.replace("level", "level_warmth")] = size


def _level_rate(world: World, rng: np.random.Generator, low_high: tuple[float, float]) -> None:
    for channel in ("level_north", "level_east"):
        size = _signed(rng, low_high)
        world.course.add({channel: size}, world.course.years, _rms(low_high))
        world.reference_rates[channel.replace("level", "level_rate")] = size


def _settle_log(world: World, rng: np.random.Generator, from_start: bool = True) -> None:
    """Settle with the logarithm of the time since the pier was loaded."""
    loaded = 0.0 if from_start else -_between(rng, (30.0, 700.0))
    since = np.maximum(world.course.grid - loaded, 0.0) / _between(rng, sizes.SETTLE_FROM_DAYS)
    size = _between(rng, sizes.SETTLE_A_DECADE)
    world.course.add(
        _times(size, _toward(rng)), np.log10(1.0 + since), _rms(sizes.SETTLE_A_DECADE) / np.sqrt(2.0)
    )


def _steady_tilt(world: World, rng: np.random.Generator) -> None:
    size = _between(rng, sizes.STEADY_TILT_A_YEAR)
    world.course.add(
        _times(size, _toward(rng)), world.course.years, _rms(sizes.STEADY_TILT_A_YEAR) / np.sqrt(2.0)
    )


def _az_creep(world: World, rng: np.random.Generator, low_high: tuple[float, float]) -> None:
    world.course.add({"mount_az": _signed(rng, low_high)}, world.course.years, _rms(low_high))


def _some_day(world: World, rng: np.random.Generator, after: float = 0.25, before: float = 0.8) -> float:
    """Return a moment in an afternoon, well inside the record: nobody observes then."""
    return float(np.floor(world.days * _between(rng, (after, before))) + 0.12)


def _bump(world: World, rng: np.random.Generator, size: float, day: float | None = None) -> Step:
    day = _some_day(world, rng) if day is None else day
    step = Step(day, "pier", _times(size, _toward(rng)))
    world.course.steps.append(step)
    return step


def _slip(world: World, rng: np.random.Generator, part: str, mended: bool = True) -> None:
    """Let a knob slip; on request the owner puts it right some weeks later and writes that down."""
    day = _some_day(world, rng, 0.2, 0.6)
    world.course.steps.append(Step(day, part, {part: _signed(rng, sizes.SLIP)}))
    if mended:
        _correction(world, rng, part, day + float(np.floor(_between(rng, (40.0, 120.0)))) + 0.03)


def _correction(world: World, rng: np.random.Generator, part: str, day: float) -> None:
    az, alt = world.axis_errors(np.array([day]))
    error = float(az[0] if part == "mount_az" else alt[0]) + float(rng.normal(0.0, 8.0))
    meant = round(-error / 60.0, 2)
    done = 60.0 * meant * (1.0 + float(rng.normal(0.0, 0.05)))
    world.course.steps.append(Step(day, part, {part: done}, recorded_arcmin=meant, unrecorded=False))


# --- the worlds ----------------------------------------------------------------------------------------


def _fortnightly(**habits: object) -> Habits:
    return Habits(level_every_days=14.0, **habits)  # type: ignore[arg-type]


def zero_creep(seed: int) -> World:
    """Nothing moves; the kept zero creeps.  No level."""
    world, rng = _base("zero_creep", seed)
    _zero_creep(world, rng, sizes.ZERO_CREEP_A_YEAR)
    return world


def zero_warm(seed: int) -> World:
    """Nothing moves; the kept zero goes with the temperature."""
    world, rng = _base("zero_warm", seed)
    _zero_warmth(world, rng, sizes.ZERO_WARMTH)
    return world


def level_warm(seed: int) -> World:
    """Nothing moves; the level goes with the temperature.  Kept zero."""
    world, rng = _base("level_warm", seed, habits=_fortnightly())
    _level_warmth(world, rng, sizes.LEVEL_WARMTH)
    return world


def level_rate(seed: int) -> World:
    """Nothing moves; the level creeps.  Kept zero."""
    world, rng = _base("level_rate", seed, habits=_fortnightly())
    _level_rate(world, rng, sizes.LEVEL_RATE_A_YEAR)
    return world


def frost_warm_level(seed: int) -> World:
    """Frost, a level that goes with the temperature, zeros lost every night."""
    world, rng = _base("frost_warm_level", seed, zero="synced", cold=True, habits=_fortnightly())
    _frost(world, rng, _between(rng, (60.0, 90.0)))
    _level_warmth(world, rng, (0.5, 1.2))
    return world


def settle_log(seed: int) -> World:
    """Settlement by the logarithm of time from the first night; zeros lost, a level every fortnight."""
    world, rng = _base("settle_log", seed, years=(2.5, 4.5), zero="synced", habits=_fortnightly())
    _settle_log(world, rng)
    return world


def backyard(seed: int) -> World:
    """Zeros lost, few solves in a gap between trees, frost and settlement, a level every three weeks."""
    habits = Habits(
        nights_a_year=45.0,
        solves=(3, 6),
        sweep_share=0.1,
        lowest_deg=32.0,
        hour_angles_deg=(-45.0, 45.0),
        declinations_deg=(-10.0, 60.0),
        second_sync_share=0.2,
        level_every_days=21.0,
    )
    world, rng = _base("backyard", seed, zero="synced", cold=True, habits=habits)
    _frost(world, rng, _between(rng, sizes.FROST))
    _settle_log(world, rng, from_start=False)
    _mount_warmth(world, rng)
    return world


def fork(seed: int) -> World:
    """A fork on a wedge: the tube never changes sides.  Kept zero, frost, no level."""
    world, rng = _base("fork", seed, cold=True)
    world.fork = True
    _frost(world, rng, _between(rng, sizes.FROST))
    return world


def az_creep(seed: int) -> World:
    """The mount's azimuth creeps; zeros lost, a level every fortnight."""
    world, rng = _base("az_creep", seed, zero="synced", habits=_fortnightly())
    _az_creep(world, rng, sizes.AZ_CREEP_A_YEAR)
    return world


def rivals(seed: int) -> World:
    """Azimuth and kept zero creep together so that they imitate a tilt.  No level."""
    world, rng = _base("rivals", seed)
    tilt = _signed(rng, sizes.IMITATED_A_YEAR)
    phi, loose = world.site.phi, _between(rng, (0.85, 1.15))
    azimuth, zero = tilt * np.tan(phi) * loose, tilt / np.cos(phi)
    scale = _rms(sizes.IMITATED_A_YEAR)
    world.course.add({"mount_az": azimuth}, world.course.years, scale * abs(np.tan(phi)))
    world.course.add({"zero": zero}, world.course.years, scale / np.cos(phi))
    world.reference_rates["zero_creep"] = zero
    return world


def thaw(seed: int) -> World:
    """Frost that goes in a few days of thaw; kept zero and a level; every third pier bumped."""
    world, rng = _base("thaw", seed, cold=True, habits=Habits(level_every_days=21.0))
    _frost(world, rng, _between(rng, (50.0, 100.0)), fast=True)
    if seed % 3 == 2:
        _bump(world, rng, _between(rng, (60.0, 90.0)))
    return world


def shock(seed: int) -> World:
    """A shock from which the pier comes half back in weeks; kept zero."""
    world, rng = _base("shock", seed)
    step = _bump(world, rng, _between(rng, sizes.BUMP))
    world.course.steps[-1] = Step(
        step.day,
        "pier",
        step.sizes,
        back=_between(rng, sizes.BACK),
        back_days=_between(rng, sizes.BACK_DAYS),
    )
    return world


def steady_tilt(seed: int) -> World:
    """A pier that goes on tilting; kept zero, no level."""
    world, rng = _base("steady_tilt", seed)
    _steady_tilt(world, rng)
    return world


def steady_level(seed: int) -> World:
    """A pier that goes on tilting; kept zero and a level every fortnight."""
    world, rng = _base("steady_level", seed, habits=_fortnightly())
    _steady_tilt(world, rng)
    return world


def frost(seed: int) -> World:
    """Sound: frost, kept zero."""
    world, rng = _base("frost", seed, cold=True)
    _frost(world, rng, _between(rng, sizes.FROST))
    return world


def mount_warm(seed: int) -> World:
    """Frost, and a mount whose altitude and azimuth go with the temperature; kept zero, no level."""
    world, rng = _base("mount_warm", seed, cold=True)
    _frost(world, rng, _between(rng, sizes.FROST))
    _mount_warmth(world, rng)
    return world


def slip(seed: int) -> World:
    """Sound: a knob slips, unrecorded, and is put right, recorded; kept zero."""
    world, rng = _base("slip", seed)
    _slip(world, rng, "mount_az" if rng.random() < 0.5 else "mount_alt")
    return world


def quiet(seed: int) -> World:
    """Sound: nothing moves; kept zero."""
    world, rng = _base("quiet", seed)
    return world


def south(seed: int) -> World:
    """Sound, all of them south: frost, an altitude slip put right, a bump; kept zero and a level."""
    world, rng = _base("south", seed, cold=True, habits=Habits(level_every_days=21.0), south=True)
    _frost(world, rng, _between(rng, sizes.FROST))
    _slip(world, rng, "mount_alt")
    _bump(world, rng, _between(rng, (55.0, 90.0)), _some_day(world, rng, 0.8, 0.9))
    return world


def mirror(seed: int) -> World:
    """A mirror shifts by 30 arcsec as the tube changes sides, or falls over at some hour angle; frost."""
    world, rng = _base("mirror", seed, cold=True)
    world.mirror, world.mirror_moves = sizes.MIRROR, ("sides", "anew", "hour")[seed // 2 % 3]
    _frost(world, rng, _between(rng, sizes.FROST))
    return world


def patch(seed: int) -> World:
    """One small patch of sky, 4 by 8 degrees, in a gap between houses; 34 nights, zeros lost."""
    rng = _stream("patch", seed, "where")
    hour, dec = _between(rng, (-40.0, 40.0)), _between(rng, (5.0, 45.0))
    habits = Habits(
        nights_a_year=34.0,
        solves=(8, 12),
        sweep_share=0.0,
        hour_angles_deg=(hour - 2.0, hour + 2.0),
        declinations_deg=(dec - 4.0, dec + 4.0),
    )
    world, rng = _base("patch", seed, years=(0.9, 1.1), zero="synced", habits=habits)
    return world


def bumped(seed: int) -> World:
    """A pier knocked by 60 arcsec; half with frost, half with a kept zero, the rest read a level."""
    cold, kept = seed % 4 < 2, seed % 8 < 4
    habits = Habits() if kept else _fortnightly()
    world, rng = _base("bumped", seed, zero="kept" if kept else "synced", cold=cold, habits=habits)
    if cold:
        _frost(world, rng, _between(rng, sizes.FROST))
    _bump(world, rng, sizes.BUMP_TOLD)
    return world


def star_model(seed: int) -> World:
    """A mount with a star model of its own, which the owner does not mention; no sweeps; axis 8' off.

    Every other one keeps the model of the first night, and one of its knobs slips; the rest make a new one
    each night, so that nothing whatever can be seen of the axis, and stand still.
    """
    world, rng = _base("star_model", seed, zero="synced", habits=Habits(sweep_share=0.0))
    world.reports_given = False
    toward = _between(rng, (0.0, 2.0 * np.pi))
    off = 480.0 * np.array([np.cos(toward) / np.cos(world.site.phi), np.sin(toward)])
    world.axis = (float(off[0]), float(off[1]))
    world.star_model = "once" if seed % 4 < 2 else "nightly"
    if world.star_model == "once":
        _slip(world, rng, "mount_az" if rng.random() < 0.5 else "mount_alt", mended=False)
    return world


def low_air(seed: int) -> World:
    """Low solves, neither temperature nor pressure logged; kept zero."""
    habits = Habits(lowest_deg=15.0, highest_deg=38.0, hour_angles_deg=(-85.0, 85.0), air_logged=False)
    world, rng = _base("low_air", seed, habits=habits)
    world.habits.weather_logged = bool(rng.random() < 0.5)
    return world


def j2000(seed: int) -> World:
    """A file in the contract's shape whose mount places are of J2000 instead of the date; no sweeps."""
    world, _ = _base("j2000", seed, zero="synced" if seed % 4 < 2 else "kept", habits=Habits(sweep_share=0.0))
    world.frame = "j2000"
    return world


def clock(seed: int) -> World:
    """The clock is an hour wrong: for a part of the log, or every summer from some year on.  Kept zero."""
    world, rng = _base("clock", seed)
    if seed % 4 < 2:
        first = _some_day(world, rng, 0.2, 0.6)
        last = first + np.floor(_between(rng, (60.0, 250.0)))
        spans = [(first, last, float(rng.choice([-1.0, 1.0])))]
    else:
        spans = [(*span, 1.0) for span in _summers(world)]
    world.clock_wrong = tuple(spans)
    for first, last, _ in spans:
        world.course.steps += [Step(day, "clock", {}) for day in (first, last) if 0.0 < day < world.days]
    return world


def _summers(world: World) -> list[tuple[float, float]]:
    """Return when summer time begins and ends, in days of the record: about 29 March and 27 October."""
    out = []
    for year in range(2017, 2027):
        new_year = 57_754 + 365 * (year - 2017) + (year > 2020) + (year > 2024)
        spring, autumn = (new_year + d - world.first_mjd + 0.12 for d in (88.0, 300.0))
        if world.site.sign < 0.0:
            spring, autumn = autumn, spring + 365.0
        if autumn > 0.0 and spring < world.days:
            out.append((float(spring), float(autumn)))
    return out


def bends(seed: int) -> World:
    """Tube and bearings bend with the hour angle; frost, kept zero.  Every other owner changes his sky."""
    world, rng = _base("bends", seed, cold=True)
    world.bends = tuple(_signed(rng, sizes.BENDS) for _ in range(4))  # type: ignore[assignment]
    if seed % 4 >= 2:
        world.habits.east_until = world.days * _between(rng, (0.4, 0.6))
    _frost(world, rng, _between(rng, sizes.FROST))
    return world


def bends_end(seed: int) -> World:
    """As `bends`, until rings are tightened one day and nothing is written down; half with a kept zero."""
    world, rng = _base("bends_end", seed, zero="kept" if seed % 4 < 2 else "synced", cold=True)
    world.bends = tuple(_signed(rng, sizes.BENDS) for _ in range(4))  # type: ignore[assignment]
    world.bends_until = _some_day(world, rng, 0.3, 0.8)
    _frost(world, rng, _between(rng, sizes.FROST))
    return world


def after_sync(seed: int) -> World:
    """From some day on the mount's place in the log is that after a sync on the solve.  Kept zero, frost."""
    world, rng = _base("after_sync", seed, cold=True)
    world.axis = tuple(_signed(rng, (120.0, 400.0)) for _ in range(2))  # type: ignore[assignment]
    world.synced_from = _some_day(world, rng, 0.3, 0.8)
    _frost(world, rng, _between(rng, sizes.FROST))
    return world


def unnoted(seed: int) -> World:
    """Both knobs are turned on one afternoon and nothing is written down; half with a kept zero."""
    world, rng = _base("unnoted", seed, zero="kept" if seed % 4 < 2 else "synced")
    day = _some_day(world, rng)
    for part in ("mount_az", "mount_alt"):
        world.course.steps.append(Step(day, part, {part: _signed(rng, sizes.SLIP)}))
    return world


def swept_model(seed: int) -> World:
    """A mount with a star model of its own, which the owner does not mention, and sweeps after its solves."""
    world = star_model(seed)
    world.name, world.habits.sweep_beside = "swept_model", 0.2
    return world


def sensor(seed: int) -> World:
    """A tilt sensor that logs every ten minutes and swings with the Sun; zeros lost, frost; some bumped."""
    habits = Habits(sensor_every_minutes=10.0)
    world, rng = _base("sensor", seed, years=(1.0, 1.4), zero="synced", cold=True, habits=habits)
    _frost(world, rng, _between(rng, sizes.FROST))
    _level_warmth(world, rng, sizes.SENSOR_WARMTH)
    world.course.walk(rng, ("level_north", "level_east"), sizes.SENSOR_WANDER)
    if seed % 3 == 2:
        _bump(world, rng, _between(rng, (30.0, 60.0)))
    return world


def mixture(seed: int) -> World:
    """Whatever may come together: each movement and each habit with a chance of its own."""
    chance = _stream("mixture", seed, "chances").random(20)
    kept, cold, level = chance[0] < 0.6, chance[1] < 0.5, chance[2] < 0.6
    habits = Habits(
        solves=(3, 6) if chance[3] < 0.25 else (6, 13),
        sweep_share=0.1 if chance[4] < 0.4 else 0.27,
        nights_a_year=45.0 if chance[5] < 0.3 else 90.0,
        level_every_days=(14.0 if chance[6] < 0.5 else 30.0) if level or not kept else 0.0,
        air_logged=chance[7] > 0.2,
    )
    world, rng = _base("mixture", seed, zero="kept" if kept else "synced", cold=cold, habits=habits)
    world.fork, world.mirror = chance[8] < 0.15, sizes.MIRROR if chance[9] < 0.15 else 0.0
    if cold:
        _frost(world, rng, _between(rng, sizes.FROST), fast=chance[10] < 0.3)
    if chance[11] < 0.3:
        _settle_log(world, rng, from_start=chance[11] < 0.1)
    if chance[12] < 0.2:
        _steady_tilt(world, rng)
    if chance[13] < 0.25:
        _az_creep(world, rng, sizes.AZ_CREEP_A_YEAR)
    if kept and chance[14] < 0.35:
        _zero_creep(world, rng, (5.0, sizes.ZERO_CREEP_A_YEAR[1]))
    if kept and chance[15] < 0.25:
        _zero_warmth(world, rng, (0.3, sizes.ZERO_WARMTH[1]))
    if habits.level_every_days and chance[16] < 0.5:
        _level_warmth(world, rng, (0.2, sizes.LEVEL_WARMTH[1]))
    if habits.level_every_days and chance[17] < 0.3:
        _level_rate(world, rng, (2.0, sizes.LEVEL_RATE_A_YEAR[1]))
    if chance[18] < 0.25:
        _slip(world, rng, "mount_az" if rng.random() < 0.5 else "mount_alt", mended=rng.random() < 0.6)
    if chance[19] < 0.2:
        _bump(world, rng, _between(rng, sizes.BUMP), _some_day(world, rng, 0.65, 0.9))
    _mount_warmth(world, rng)
    return world


World_ = Callable[[int], World]

WORLDS: dict[str, World_] = {
    made.__name__: made
    for made in (
        frost,
        slip,
        quiet,
        south,
        mount_warm,
        zero_creep,
        zero_warm,
        level_warm,
        level_rate,
        frost_warm_level,
        settle_log,
        backyard,
        fork,
        az_creep,
        rivals,
        mirror,
        patch,
        thaw,
        shock,
        steady_tilt,
        steady_level,
        bumped,
        star_model,
        low_air,
        j2000,
        clock,
        bends,
        bends_end,
        after_sync,
        unnoted,
        swept_model,
        sensor,
        mixture,
    )
}
#: Worlds whose references are sound and whose ground does what ground does.
SOUND = ("frost", "slip", "quiet", "south")
