"""What an invented history is made from: one frozen description; and families of them for tests."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from drift.demo.instrument import Constants

YEAR_DAYS = 365.25


# ---- Independent streams of chance, one a purpose, all from the scenario's seed.
#
# So a level reading more changes no solve, and a night keeps its weather when the
# number of solves is changed.


def stream(seed: int, purpose: str, number: int = 0) -> np.random.Generator:
    """Return the generator that belongs to `purpose` and `number` under `seed`."""
    return np.random.default_rng([seed, zlib.crc32(purpose.encode()), number])


# ---- The scenario.
#
# A `Scenario` with its seed decides everything; two worlds made from equal
# scenarios are equal bit for bit.


@dataclass(frozen=True)
class InventedStep:
    """A step that stays; all sizes in arcsec, 0 when not touched.

    Parameters
    ----------
    day
        Days since local mean noon of the scenario's first date.
    tilt_north, tilt_east
        The pier itself is tipped.
    plate_north, plate_east
        The plate is tipped on the pier (shims, nuts).
    mount_az, mount_alt
        A knob's step: clockwise, and elevated end up.
    zero
        The home switch or encoder moves: mechanical minus true hour angle.
    constants
        The instrument's new constants, or None when they stay.
    kind, amount_arcmin, bearing_deg, thickness_mm, turns, note
        The row in the log of corrections; no row when `kind` is "".
    """

    day: float
    tilt_north: float = 0.0
    tilt_east: float = 0.0
    plate_north: float = 0.0
    plate_east: float = 0.0
    mount_az: float = 0.0
    mount_alt: float = 0.0
    zero: float = 0.0
    constants: Constants | None = None
    kind: str = ""
    amount_arcmin: float | None = None
    bearing_deg: float | None = None
    thickness_mm: float | None = None
    turns: float | None = None
    note: str = ""


@dataclass(frozen=True)
class InventedCorrection:
    """The owner turns a knob to remove the error he knows of, and writes it down.

    The amount written is minus the error at that time as he knows it (with
    `known_to_arcsec`), rounded to 0.1 arcmin; what the knob does is that times
    (1 + a draw of `knob_error`).  With `blank` the amount is not written.
    """

    day: float
    kind: str = "azimuth"  # or "altitude"
    known_to_arcsec: float = 8.0
    knob_error: float = 0.05
    blank: bool = False
    note: str = ""


@dataclass(frozen=True)
class Climate:
    """The invented air.

    Parameters
    ----------
    mean_c, annual_amplitude_c
        Of the daily mean over the year [deg C].
    day_to_day_c
        Sd of the daily mean about the season [deg C].
    winter_spread_c
        Sd of a whole winter's offset: harsh and mild winters [deg C].
    daily_range_c
        Mean of t_max - t_min [deg C].
    wet_day_chance
        Chance of rain or snow on a day.
    clear_by_month
        Weights of January..December for a night being clear and used.
    """

    mean_c: float = 3.0
    annual_amplitude_c: float = 18.0
    day_to_day_c: float = 4.5
    winter_spread_c: float = 3.0
    daily_range_c: float = 9.0
    wet_day_chance: float = 0.28
    clear_by_month: tuple[float, ...] = (0.8, 0.9, 1.0, 1.1, 1.0, 0.7, 0.8, 1.1, 1.3, 1.2, 0.8, 0.7)


@dataclass(frozen=True)
class Scenario:
    """One pier's whole invented history and how it is watched.

    Angles in arcsec unless the name says otherwise.

    Parameters
    ----------
    seed
        Everything random comes from it.
    family
        A word for what the history shows; not used in making it.
    name, latitude_deg, longitude_deg, elevation_m, timezone
        The site; south and west negative.
    start, years
        First local date (ISO) and length [yr]; within 2014-11 to 2026-09.
    climate
        The air.
    tilt0_north, tilt0_east
        Tilt of the pier on the first day.
    heave, heave_bearing_deg, ratchet
        Tilt at the peak of a mean winter's frost, its one direction, and the
        fraction of each winter's peak that stays.
    settle, settle_years, settle_bearing_deg
        Final tilt of the slow settlement, its time constant [yr], its direction.
    bend_per_degc, bend_days
        Tilt toward `heave_bearing_deg` for each degree that the air is warmer than its mean, and the time
        constant of that [days].
    swell
        Tilt toward `heave_bearing_deg` from end to end of a year in which clay swells and shrinks: highest on
        1 March (south: 1 September), lowest half a year later.
    wander
        Random walk of each tilt component [arcsec per sqrt(yr)].
    mount_az0, mount_alt0
        kappa and alpha on the first day.
    creep_az_per_year, alt_per_degc
        Steady creep of kappa [arcsec/yr]; alpha's answer to air temperature [arcsec/degC].
    steps, corrections
        Sudden changes; see `InventedStep`, `InventedCorrection`.
    constants
        Of the instrument at first.
    mirror_shift
        Sd of a shift between tube sides that differs night by night, in
        declination offset and in cone error alike.
    zero0, dec_zero0
        Mechanical minus true at the home position: hour angle, declination.
    zero
        "kept": both zeros come back with `zero_repeatability`; "synced": both
        are set on some star at the start of each session.
    zero_repeatability
        Sd of the kept zeros between sessions.
    before_sync_logged
        With "synced": the first solves are taken before the sync and logged
        with before_sync = 1; they carry the kept zero.
    second_sync_chance
        Chance that a session has another sync in the middle.
    modelled_fraction
        Part of the axis error that a multi-star model inside the mount has
        taken out of what it reports; 0 for a raw mount.
    nights_a_year, night_kinds
        How many nights; and what is done on one: (kinds, weight) pairs, kinds
        among "pointing", "sweep", "run", "typed".
    solves_a_night, session_h, one_side_chance
        Mean number of pointing solves, their spread in time, chance of a
        session with one tube side only.
    hour_angle_limit_h, lowest_altitude_deg, horizon
        Where the tube may go; horizon as (bearing, altitude) [deg] pairs.
    sweeps_a_night, solves_a_sweep, solves_a_run, run_min
        Sweeps of one night (the tube changes sides between them), sizes of
        sweeps and runs; length of a run [min].
    solve_noise, mount_noise, sweep_noise, run_noise, typed_noise_arcmin
        Sd of one coordinate: of a plate solve; of the mount between reading
        and sky; of a clamped declination axis; of one guide-star position; of
        a typed alignment error [arcmin].
    wrong_solve_chance, wrong_solve_deg
        Wrong solves and how far off they are.
    typed_sigma_given
        Whether the typed alignment errors state their uncertainty.
    level_every_days, level_sigma, level_bias, level_pairs, level_place
        Level readings: 0 days for none; sd of one; the level's own zero error;
        whether each is repeated end for end; where it stands ("pier", "plate",
        "mount").
    tube_side_logged, session_logged, air_logged, weather_logged
        Which optional things are in the logs.
    bad_rows
        Whether files get a few unusable rows; tables never do.
    """

    seed: int = 1
    family: str = "quiet"
    name: str = "Invented pier"
    latitude_deg: float = 47.0
    longitude_deg: float = 60.0
    elevation_m: float = 250.0
    timezone: str = "UTC"
    start: str = "2021-09-01"
    years: float = 3.0
    climate: Climate = Climate()
    tilt0_north: float = 20.0
    tilt0_east: float = -35.0
    heave: float = 0.0
    heave_bearing_deg: float = 200.0
    ratchet: float = 0.0
    settle: float = 0.0
    settle_years: float = 2.0
    settle_bearing_deg: float = 120.0
    bend_per_degc: float = 0.0
    bend_days: float = 5.0
    swell: float = 0.0
    wander: float = 1.0
    mount_az0: float = 40.0
    mount_alt0: float = -25.0
    creep_az_per_year: float = 0.0
    alt_per_degc: float = 0.0
    steps: tuple[InventedStep, ...] = ()
    corrections: tuple[InventedCorrection, ...] = ()
    constants: Constants = Constants(35.0, -25.0, 30.0, 15.0)
    mirror_shift: float = 0.0
    zero0: float = 75.0
    dec_zero0: float = -120.0
    zero: str = "kept"
    zero_repeatability: float = 4.0
    before_sync_logged: bool = False
    second_sync_chance: float = 0.0
    modelled_fraction: float = 0.0
    nights_a_year: float = 90.0
    night_kinds: tuple[tuple[tuple[str, ...], float], ...] = ((("pointing",), 1.0),)
    solves_a_night: int = 10
    session_h: float = 1.5
    one_side_chance: float = 0.0
    hour_angle_limit_h: float = 5.0
    lowest_altitude_deg: float = 20.0
    horizon: tuple[tuple[float, float], ...] = ((0.0, 15.0),)
    sweeps_a_night: int = 2
    solves_a_sweep: int = 7
    solves_a_run: int = 40
    run_min: float = 30.0
    solve_noise: float = 1.5
    mount_noise: float = 5.0
    sweep_noise: float = 2.0
    run_noise: float = 0.6
    typed_noise_arcmin: float = 0.3
    wrong_solve_chance: float = 0.01
    wrong_solve_deg: float = 0.5
    typed_sigma_given: bool = True
    level_every_days: float = 0.0
    level_sigma: float = 10.0
    level_bias: float = 25.0
    level_pairs: bool = True
    level_place: str = "pier"
    tube_side_logged: bool = True
    session_logged: bool = False
    air_logged: bool = True
    weather_logged: bool = True
    bad_rows: bool = False

    def __post_init__(self) -> None:
        """Refuse unknown words.

        Raises
        ------
        ValueError
            Names the field, the value and what is allowed.
        """
        if self.zero not in ("kept", "synced"):
            raise ValueError(f"zero is {self.zero!r}; it can be 'kept' or 'synced'")
        for kinds, _ in self.night_kinds:
            unknown = set(kinds) - {"pointing", "sweep", "run", "typed"}
            if unknown or not kinds:
                raise ValueError(f"night_kinds has {kinds!r}; kinds are pointing, sweep, run, typed")
        if len(self.climate.clear_by_month) != 12:
            raise ValueError(f"clear_by_month has {len(self.climate.clear_by_month)} weights; it needs 12")

    @property
    def site(self) -> tuple[float, float, float]:
        """Latitude [deg], longitude [deg], elevation [m]."""
        return self.latitude_deg, self.longitude_deg, self.elevation_m


# ---- Families of invented histories: each seed is another pier.
#
# For tests and benchmarks only; `drift demo` makes its samples in `drift.demo.samples`.
#
# A family fixes what happens; the seed draws how much, which way and when.  Any
# field of the scenario can be given instead of drawn.


def _any_pier(rng: np.random.Generator, seed: int, family: str) -> Scenario:
    """Draw a site, an instrument and a first setting."""
    south = rng.random() < 0.35
    latitude = rng.uniform(36.0, 57.0) * (-1.0 if south else 1.0)
    cone, skew, between, droop = rng.normal(0.0, (40.0, 35.0, 40.0, 12.0))
    return Scenario(
        seed=seed,
        family=family,
        name=f"Invented pier {family} {seed}",
        latitude_deg=round(latitude, 2),
        longitude_deg=round(rng.uniform(-175.0, 175.0), 2),
        elevation_m=round(rng.uniform(20.0, 1500.0)),
        tilt0_north=rng.normal(0.0, 40.0),
        tilt0_east=rng.normal(0.0, 40.0),
        mount_az0=rng.normal(0.0, 60.0),
        mount_alt0=rng.normal(0.0, 60.0),
        constants=Constants(cone, skew, between, abs(droop)),
        zero0=rng.normal(0.0, 150.0),
        dec_zero0=rng.normal(0.0, 150.0),
    )


def _days(rng: np.random.Generator, scenario: Scenario, count: int) -> list[float]:
    """Draw afternoons in the middle of the history, well apart."""
    length = scenario.years * YEAR_DAYS
    slots = np.linspace(0.2, 0.85, count + 1)
    return [
        round(float(rng.uniform(a, 0.7 * b + 0.3 * a) * length)) + 0.1
        for a, b in zip(slots[:-1], slots[1:], strict=True)
    ]


def _sign(rng: np.random.Generator) -> float:
    return 1.0 if rng.random() < 0.5 else -1.0


def _heave(rng: np.random.Generator, base: Scenario) -> Scenario:
    return replace(
        base,
        heave=rng.uniform(20.0, 80.0),
        heave_bearing_deg=rng.uniform(0.0, 360.0),
        ratchet=rng.uniform(0.0, 0.25),
    )


def _settle(rng: np.random.Generator, base: Scenario) -> Scenario:
    return replace(
        base,
        settle=rng.uniform(40.0, 160.0),
        settle_years=rng.uniform(1.0, 4.0),
        settle_bearing_deg=rng.uniform(0.0, 360.0),
    )


def _slips(rng: np.random.Generator, base: Scenario) -> Scenario:
    azimuth, altitude, corrected = _days(rng, base, 3)
    return replace(
        base,
        steps=(
            InventedStep(azimuth, mount_az=_sign(rng) * rng.uniform(40.0, 200.0)),
            InventedStep(altitude, mount_alt=_sign(rng) * rng.uniform(40.0, 200.0)),
        ),
        corrections=(InventedCorrection(corrected, note="turned the azimuth knob"),),
    )


def _bump(rng: np.random.Generator, base: Scenario) -> Scenario:
    (day,) = _days(rng, base, 1)
    size, bearing = rng.uniform(30.0, 120.0), rng.uniform(0.0, 2 * np.pi)
    return replace(
        base, steps=(InventedStep(day, tilt_north=size * np.cos(bearing), tilt_east=size * np.sin(bearing)),)
    )


def _quiet(rng: np.random.Generator, base: Scenario) -> Scenario:
    return base


#: Name -> what is drawn: frost heave with ratchet; slow settlement; unrecorded slips of
#: both knobs and a recorded correction; an unrecorded step of the pier; nothing at all.
FAMILIES: dict[str, Callable[[np.random.Generator, Scenario], Scenario]] = {
    "heave": _heave,
    "settle": _settle,
    "slips": _slips,
    "bump": _bump,
    "quiet": _quiet,
}


def family(name: str, seed: int, **changes: Any) -> Scenario:
    """Return the scenario of a family and a seed, with some fields given.

    Parameters
    ----------
    name
        One of `FAMILIES`.
    seed
        Draws everything that is not given.
    **changes
        Fields of `drift.demo.scenario.Scenario`; `years` and `latitude_deg`
        are taken into account before anything is drawn.

    Raises
    ------
    KeyError
        For an unknown family; lists the known ones.
    """
    if name not in FAMILIES:
        raise KeyError(f"no family of histories is called {name!r}; there are {', '.join(FAMILIES)}")
    rng = stream(seed, f"family {name}")
    base = replace(_any_pier(rng, seed, name), **changes)
    return replace(FAMILIES[name](rng, base), **changes)
