"""Take the readings of a world and write them as the owner's logs: CSV files and a site file."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import sizes
from geometry import Standing, circles, ideal_axes, looks
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation
from sky import ARCSEC, Air, Moments, Site, catalogued, lifted, moments, of_date, topocentric
from worlds import World

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
#: Sweeps: places in one, and how far apart the first and the last lie [deg of hour angle].
SWEEP_PLACES, SWEEP_SPAN_DEG = 7, (45.0, 75.0)
#: Mechanical declination wanders this much while the clamp is shut, sd [arcsec] (from memory).
CLAMP_NOISE = 1.0


@dataclass
class Taken:
    """What was taken on all nights: one row a solve, and what only the oracle is told."""

    night: np.ndarray  # number of the night
    day: np.ndarray
    kind: np.ndarray  # 0 pointing, 1 sweep
    session: np.ndarray  # zeros are shared within one number
    enu: np.ndarray = field(repr=False)  # where the tube looked, through air
    side: np.ndarray = field(repr=False)
    wild: np.ndarray = field(repr=False)
    lie: np.ndarray = field(repr=False)  # number of the place within a night in which the mirror lies
    noise: np.ndarray = field(repr=False)  # (n, 2) of mechanical minus solved, cos(dec) dH and dD [arcsec]


@dataclass
class Levels:
    """Level readings [arcsec]."""

    day: np.ndarray
    value: np.ndarray  # (n, 2)
    noise: np.ndarray


# --- nights --------------------------------------------------------------------------------------------


def clear_days(world: World) -> np.ndarray:
    """Draw the days on whose evening the sky was clear and the owner out: spells, as weather has them."""
    rng = world.stream("nights")
    share = min(world.habits.nights_a_year / 365.25, 0.6)
    stay_clear = 0.5
    become = share * (1.0 - stay_clear) / max(1.0 - share, 0.1)
    clear, days = False, []
    for day in range(int(world.days)):
        clear = rng.random() < (stay_clear if clear else become)
        if clear:
            days.append(day)
    return np.array(days, dtype=float)


def take(world: World) -> tuple[Taken, dict[str, list[list[object]]]]:
    """Observe on all clear nights; return what the oracle may know, and the rows of the two logs."""
    rng = world.stream("solves")
    parts: list[Taken] = []
    rows: dict[str, list[list[object]]] = {"solves": [], "sweeps": []}
    model = StarModel(world)
    session = 0
    # The first night is always one of solves: the change is counted from it.
    for number, day in enumerate(clear_days(world)):
        if rng.random() < world.habits.sweep_share and number:
            one = _sweep(world, rng, number, day, rows["sweeps"])
        else:
            one = _pointing(world, rng, number, day, session, rows["solves"], model)
            session = int(one.session.max()) + 1
            if world.habits.sweep_beside and rng.random() < world.habits.sweep_beside:
                parts.append(_sweep(world, rng, number, day + 0.5 / 24.0, rows["sweeps"]))
        parts.append(one)
    names = list(Taken.__dataclass_fields__)
    return Taken(*(np.concatenate([getattr(p, name) for p in parts]) for name in names)), rows


def _evening(world: World, rng: np.random.Generator, day: float, count: int) -> np.ndarray:
    """Return the moments of solves, in days since the first local noon."""
    start = day + (world.habits.evening_hour - 12.0) / 24.0 + rng.normal(0.0, 8.0) / 1440.0
    gaps = world.habits.minutes_a_solve * rng.uniform(0.8, 1.2, count)
    return np.asarray(start + np.cumsum(gaps) / 1440.0)


def _when(world: World, day: np.ndarray) -> Moments:
    return moments(world.site, world.mjd(day))


@dataclass(frozen=True)
class Logged:
    """The air as it is, and as it is written down."""

    true: Air
    temp_c: np.ndarray
    pressure_hpa: np.ndarray


def _air(world: World, rng: np.random.Generator, day: np.ndarray) -> Logged:
    temp = world.weather.air_c(day)
    mean = 1013.25 * np.exp(-world.site.elevation_m / 8430.0)
    pressure = np.full(day.size, mean + rng.normal(0.0, sizes.PRESSURE_SD))
    humid = np.full(day.size, rng.uniform(0.35, 0.95))
    off_t, off_p = rng.normal(0.0, sizes.THERMOMETER_SD), rng.normal(0.0, sizes.BAROMETER_SD)
    return Logged(Air(temp, pressure, humid), temp + off_t, pressure + off_p)


def _ideal(site: Site, hour: np.ndarray, dec: np.ndarray) -> np.ndarray:
    """Return East, North, Up of true hour angle and declination [rad]."""
    own = np.column_stack([np.cos(dec) * np.cos(hour), np.cos(dec) * np.sin(hour), np.sin(dec)])
    return np.asarray(own @ ideal_axes(site))


def _places(world: World, rng: np.random.Generator, count: int, day: float = 0.0) -> np.ndarray:
    """Draw directions in the part of the sky that the owner uses."""
    habits, site = world.habits, world.site
    hours = habits.hour_angles_deg
    if habits.east_until:
        hours = (hours[0], 5.0) if day < habits.east_until else (-5.0, hours[1])
    chosen: list[np.ndarray] = []
    low, high = (np.sin(np.radians(d)) for d in habits.declinations_deg)
    while len(chosen) < count:
        hour = np.radians(rng.uniform(*hours))
        dec = site.sign * np.arcsin(rng.uniform(low, high))
        seen = _ideal(site, np.array([hour]), np.array([dec]))[0]
        if np.sin(np.radians(habits.lowest_deg)) < seen[2] < np.sin(np.radians(habits.highest_deg)):
            chosen.append(seen)
    return np.array(chosen)


def _hour_dec(site: Site, enu: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    own = enu @ ideal_axes(site).T
    return np.arctan2(own[:, 1], own[:, 0]), np.arcsin(np.clip(own[:, 2], -1.0, 1.0))


def _at(standing: Standing, n: int) -> Standing:
    return Standing(*(np.broadcast_to(v, (n,)) for v in vars(standing).values()))


def _pointing(
    world: World,
    rng: np.random.Generator,
    number: int,
    day: float,
    session: int,
    rows: list[list[object]],
    model: StarModel,
) -> Taken:
    count = int(rng.integers(world.habits.solves[0], world.habits.solves[1] + 1))
    moment = _evening(world, rng, day, count)
    when, air = _when(world, moment), _air(world, rng, moment)
    enu = _places(world, rng, count, day)
    hour, _ = _hour_dec(world.site, enu)
    side = np.ones(count) if world.fork else np.where(hour >= 0.0, 1.0, -1.0)
    ra, dec = catalogued(when, enu, air.true)
    enu = lifted(topocentric(when, ra, dec), air.true)
    mech_h, mech_d = circles(world.site, _at(world.standing(moment), count), world.tube, side, enu)
    cos_d = np.cos(mech_d)
    noise = rng.normal(0.0, world.mount_noise, (count, 2))
    lie = np.zeros(count, dtype=int)
    if world.mirror:
        lie = _lie(world, rng, side, np.degrees(hour))
        noise = noise + rng.normal(0.0, world.mirror / np.sqrt(2.0), (count, 2))[lie]
    bent = _bends(world, mech_h, mech_d, day)
    mech_h, mech_d = mech_h + bent[0] * ARCSEC / cos_d, mech_d + bent[1] * ARCSEC
    mech_h, mech_d = mech_h + noise[:, 0] * ARCSEC / cos_d, mech_d + noise[:, 1] * ARCSEC
    if world.zero == "kept":
        repeat = rng.normal(0.0, world.zero_repeats, 2)
        zero_h = world.course.at("zero", moment) + world.stream("zero").normal(0.0, 60.0) + repeat[0]
        zero_d = np.full(count, world.stream("zero d").normal(0.0, 60.0) + repeat[1])
        sessions = np.full(count, session)
    else:
        zero_h, zero_d, sessions = _synced(world, rng, when, ra, dec, mech_h, mech_d, session)
    said_h, said_d = mech_h + zero_h * ARCSEC, mech_d + zero_d * ARCSEC
    said_h, said_d = model.corrected(said_h, said_d, side, enu)
    shift = rng.normal(0.0, world.solve_noise, (count, 2))
    wild = rng.random(count) < sizes.WILD_SHARE
    off = np.where(wild[:, None], rng.normal(0.0, sizes.WILD_DEG, (count, 2)) * 3600.0, shift)
    solved_dec = dec + off[:, 1] / 3600.0
    solved_ra = ra + off[:, 0] / 3600.0 / np.cos(np.radians(dec))
    mount_ra, mount_dec = np.degrees(when.last_rad - said_h) % 360.0, np.degrees(said_d)
    if day >= world.synced_from:
        mount_ra, mount_dec = (np.degrees(angle) for angle in of_date(when, solved_ra, solved_dec))
        step = rng.normal(0.0, sizes.SYNC_SD / 3600.0, (2, count))
        mount_ra, mount_dec = (mount_ra + step[0] / cos_d) % 360.0, mount_dec + step[1]
    if world.frame == "j2000":
        mount_ra, mount_dec = _j2000(when, np.radians(mount_ra), np.radians(mount_dec))
    times = _times(world, moment)
    for k in range(count):
        rows.append(
            [
                times[k],
                f"{solved_ra[k] % 360.0:.7f}",
                f"{solved_dec[k]:.7f}",
                f"{mount_ra[k] % 360.0:.7f}",
                f"{mount_dec[k]:.7f}",
                *([] if world.fork else ["east" if side[k] > 0 else "west"]),
                *([f"{air.temp_c[k]:.1f}", f"{air.pressure_hpa[k]:.1f}"] if world.habits.air_logged else []),
            ]
        )
    # A solve off to the east has the smaller hour angle, so mechanical minus solved grows.
    residual = noise + np.column_stack([shift[:, 0], -shift[:, 1]])
    return Taken(
        np.full(count, number), moment, np.zeros(count, dtype=int), sessions, enu, side, wild, lie, residual
    )


def _bends(world: World, hour: np.ndarray, dec: np.ndarray, day: float) -> tuple[np.ndarray, np.ndarray]:
    """Return by how much the instrument bends, as cos(dec) dH and dD [arcsec]."""
    sine, cosine, twice, across = world.bends if day < world.bends_until else (0.0,) * 4
    dec_bent = sine * np.sin(hour) + cosine * np.cos(hour) + twice * np.cos(2.0 * hour)
    return across * np.sin(hour) * np.cos(dec), dec_bent


def _lie(world: World, rng: np.random.Generator, side: np.ndarray, hour_deg: np.ndarray) -> np.ndarray:
    """Return a number for each of a night's solves, the same while the mirror lies as it is."""
    if world.mirror_moves == "sides":
        return (side > 0.0).astype(int)
    if world.mirror_moves == "anew":
        return np.concatenate([[0], np.cumsum(np.diff(side) != 0.0)]).astype(int)
    return (hour_deg > rng.normal(0.0, sizes.MIRROR_FALLS_DEG)).astype(int)


def _synced(
    world: World,
    rng: np.random.Generator,
    when: Moments,
    ra: np.ndarray,
    dec: np.ndarray,
    mech_h: np.ndarray,
    mech_d: np.ndarray,
    session: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return zeros set by a sync on the first solve, now and then by a second one later in the night."""
    at = [0]
    if mech_h.size > 4 and rng.random() < world.habits.second_sync_share:
        at.append(int(rng.integers(2, mech_h.size - 1)))
    true_ra, true_dec = of_date(when, ra, dec)
    since = np.searchsorted(at, np.arange(mech_h.size), side="right") - 1
    first = np.array(at)[since]
    off_h = np.angle(np.exp(1j * (when.last_rad - true_ra - mech_h))) / ARCSEC
    off_d = (true_dec - mech_d) / ARCSEC
    return off_h[first], off_d[first], session + since


def _j2000(when: Moments, ra: np.ndarray, dec: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return places of date turned to the mean equator and equinox of J2000 by precession and nutation."""
    date = np.column_stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    back = np.einsum("nji,nj->ni", when.celestial_to_date, date)
    return np.degrees(np.arctan2(back[:, 1], back[:, 0])), np.degrees(np.arcsin(back[:, 2]))


class StarModel:
    """A pointing model inside the mount: circles set anew and the sphere turned so that some stars fit.

    It is made of the first night's solves (and kept), or of each night's, and takes the axis error, the cone
    error and the zeros of both circles out of what the mount reports from then on.  It knows refraction: one
    that did not would leave minutes of arc near the horizon, which its owner would see.
    """

    def __init__(self, world: World) -> None:
        self.kind, self.site = world.star_model, world.site
        self.turn: np.ndarray | None = None
        self.dec_zero = self.cone = 0.0  # [arcsec]

    def corrected(
        self, hour: np.ndarray, dec: np.ndarray, side: np.ndarray, enu: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return what the mount reports."""
        if not self.kind:
            return hour, dec
        if self.turn is None or self.kind == "nightly":
            true = _vectors(*_hour_dec(self.site, enu))

            def left(zero_and_cone: np.ndarray) -> float:
                own = _set_anew(hour, dec, side, *zero_and_cone)
                return float(Rotation.align_vectors(true, own)[1]) / ARCSEC

            found = minimize(left, [0.0, 0.0], method="Nelder-Mead", options={"initial_simplex": SIMPLEX})
            self.dec_zero, self.cone = (float(x) for x in found.x)
            own = _set_anew(hour, dec, side, self.dec_zero, self.cone)
            self.turn = Rotation.align_vectors(true, own)[0].as_matrix()
        turned = _set_anew(hour, dec, side, self.dec_zero, self.cone) @ self.turn.T
        return np.arctan2(turned[:, 1], turned[:, 0]), np.arcsin(turned[:, 2])


#: Where the search for the declination zero and the cone error of a star model begins [arcsec].
SIMPLEX = np.array([[0.0, 0.0], [300.0, 0.0], [0.0, 300.0]])


def _set_anew(
    hour: np.ndarray, dec: np.ndarray, side: np.ndarray, dec_zero: float, cone: float
) -> np.ndarray:
    """Return the directions (n, 3) of circles freed of a declination zero and a cone error [arcsec]."""
    return _vectors(hour - side * cone * ARCSEC / np.cos(dec), dec - dec_zero * ARCSEC)


def _vectors(hour: np.ndarray, dec: np.ndarray) -> np.ndarray:
    return np.column_stack([np.cos(dec) * np.cos(hour), np.cos(dec) * np.sin(hour), np.sin(dec)])


def _sweep(
    world: World, rng: np.random.Generator, number: int, day: float, rows: list[list[object]]
) -> Taken:
    """Clamp the declination axis and solve at several hour angles on one side of the meridian."""
    count, habits = SWEEP_PLACES, world.habits
    moment = _evening(world, rng, day, count)
    when, air = _when(world, moment), _air(world, rng, moment)
    standing = _at(world.standing(moment), count)
    for _ in range(300):
        side = rng.choice([-1.0, 1.0])
        span = np.radians(_capped(rng.uniform(*SWEEP_SPAN_DEG), habits))
        edge = np.radians(max(abs(h) for h in habits.hour_angles_deg))
        start = rng.uniform(0.02, max(edge - span, 0.03))
        hour = side * np.linspace(start, start + span, count)
        dec = world.site.sign * np.radians(rng.uniform(*habits.declinations_deg))
        sides = np.full(count, 1.0 if world.fork else side)
        clamped = dec + rng.normal(0.0, CLAMP_NOISE, count) * ARCSEC
        bent = clamped - _bends(world, hour, clamped, day)[1] * ARCSEC
        enu = looks(world.site, standing, world.tube, sides, hour, bent)
        if np.all(enu[:, 2] > np.sin(np.radians(habits.lowest_deg))):
            break
    ra, dec_deg = catalogued(when, enu, air.true)
    shift = rng.normal(0.0, world.solve_noise, (count, 2))
    times, label = _times(world, moment), f"{times_date(world, day)}-a"
    for k in range(count):
        rows.append(
            [
                times[k],
                f"{(ra[k] + shift[k, 0] / 3600.0 / np.cos(np.radians(dec_deg[k]))) % 360.0:.7f}",
                f"{dec_deg[k] + shift[k, 1] / 3600.0:.7f}",
                label,
                *([f"{air.temp_c[k]:.1f}", f"{air.pressure_hpa[k]:.1f}"] if habits.air_logged else []),
            ]
        )
    noise = np.column_stack([shift[:, 0], -shift[:, 1] - (clamped - dec) / ARCSEC])
    never = np.zeros(count, dtype=bool)
    return Taken(
        np.full(count, number),
        moment,
        np.ones(count, dtype=int),
        np.full(count, -1),
        enu,
        sides,
        never,
        np.zeros(count, dtype=int),
        noise,
    )


def _capped(span_deg: float, habits: object) -> float:
    widest = max(abs(h) for h in habits.hour_angles_deg) - 2.0  # type: ignore[attr-defined]
    return min(span_deg, widest)


# --- levels --------------------------------------------------------------------------------------------


def read_levels(world: World) -> Levels:
    """Read the level on the pier, in daylight, every so many days."""
    rng, habits = world.stream("levels"), world.habits
    if habits.sensor_every_minutes:
        day = np.arange(0.0, world.days, habits.sensor_every_minutes / 1440.0)
        noise_sd = sizes.SENSOR_NOISE
    elif habits.level_every_days:
        hour = rng.choice([-3.0, 4.8])  # before noon or late in the afternoon, as a habit
        day = np.arange(1.0, world.days, habits.level_every_days) + hour / 24.0
        noise_sd = habits.level_sd
    else:
        return Levels(np.zeros(0), np.zeros((0, 2)), np.zeros((0, 2)))
    bias = rng.normal(0.0, 30.0, 2) + _sun_swing(world, rng, day)
    true = np.column_stack(
        [world.course.at(f"tilt_{to}", day) + world.course.at(f"level_{to}", day) for to in ("north", "east")]
    )
    noise = rng.normal(0.0, noise_sd, (day.size, 2))
    return Levels(day, true + bias + noise, noise)


def _sun_swing(world: World, rng: np.random.Generator, day: np.ndarray) -> np.ndarray:
    """Return what the Sun on its housing adds to an all-day sensor (n, 2): most on clear afternoons."""
    if not world.habits.sensor_every_minutes:
        return np.zeros((day.size, 2))
    toward = rng.uniform(0.0, 2.0 * np.pi)
    strength = rng.uniform(0.4, 1.4, int(world.days) + 2)[np.floor(day + 0.5).astype(int)]
    hour = 24.0 * (day % 1.0) + 12.0
    swing = 0.5 * sizes.SENSOR_SWING * strength * np.cos(2.0 * np.pi * (hour - 14.0) / 24.0)
    return np.asarray(swing[:, None] * np.array([np.cos(toward), np.sin(toward)]))


# --- files ---------------------------------------------------------------------------------------------


def _iso(mjd: float) -> str:
    at = EPOCH + timedelta(milliseconds=round((mjd - 40_587.0) * 86_400_000.0))
    return at.strftime("%Y-%m-%dT%H:%M:%S.") + f"{at.microsecond // 1000:03d}Z"


def _times(world: World, day: np.ndarray) -> list[str]:
    """Return times as the log has them: by a clock that is an hour wrong for part of some records."""
    wrong = np.zeros(day.size)
    for first, last, hours in world.clock_wrong:
        wrong += np.where((day >= first) & (day < last), hours / 24.0, 0.0)
    return [_iso(m) for m in world.mjd(day) + wrong]


def times_date(world: World, day: float) -> str:
    """Return the local date on which a night began."""
    return (EPOCH + timedelta(days=int(world.first_mjd + day) - 40_587)).strftime("%Y-%m-%d")


def _write(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(header)
        out.writerows(rows)


def write_logs(world: World, folder: Path, level_word: str = "tilt") -> None:
    """Write the site file, all logs, and what only the oracle may read."""
    folder.mkdir(parents=True, exist_ok=True)
    taken, rows = take(world)
    levels = read_levels(world)
    air = ["temp_c", "pressure_hpa"] if world.habits.air_logged else []
    side = [] if world.fork else ["tube_side"]
    header = ["time_utc", "ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg", *side, *air]
    _write(folder / "solves.csv", header, rows["solves"])
    if rows["sweeps"]:
        _write(folder / "sweeps.csv", ["time_utc", "ra_deg", "dec_deg", "sweep", *air], rows["sweeps"])
    if levels.day.size:
        write_levels(world, levels, folder, level_word)
    if world.habits.weather_logged:
        _weather(world, folder)
    _corrections(world, folder)
    (folder / "pier.toml").write_text(site_text(world))
    np.savez_compressed(
        folder / "oracle.npz",
        **{f"taken_{name}": getattr(taken, name) for name in Taken.__dataclass_fields__},
        **{f"levels_{name}": getattr(levels, name) for name in Levels.__dataclass_fields__},
    )


def write_levels(world: World, levels: Levels, folder: Path, word: str) -> None:
    """Write level readings under the headers that the program at hand knows."""
    header = ["time_utc", f"{word}_north_arcsec", f"{word}_east_arcsec", "place"]
    rows = [
        [_iso(m), f"{v[0]:.1f}", f"{v[1]:.1f}", "pier"]
        for m, v in zip(world.mjd(levels.day), levels.value, strict=True)
    ]
    _write(folder / "level.csv", header, rows)


def _weather(world: World, folder: Path) -> None:
    weather = world.weather
    inside = (weather.day >= -60) & (weather.day <= world.days)
    rows = [
        [times_date(world, d), f"{low:.1f}", f"{high:.1f}"]
        for d, low, high in zip(
            weather.day[inside], weather.low_c[inside], weather.high_c[inside], strict=True
        )
    ]
    _write(folder / "weather.csv", ["date", "t_min_c", "t_max_c"], rows)


def _corrections(world: World, folder: Path) -> None:
    kinds = {"mount_az": "azimuth", "mount_alt": "altitude"}
    rows = [
        [_iso(float(world.mjd(np.array([s.day]))[0])), kinds[s.what], f"{s.recorded_arcmin:.2f}", "knob"]
        for s in sorted(world.course.steps, key=lambda s: s.day)
        if s.recorded_arcmin is not None
    ]
    if rows:
        _write(folder / "corrections.csv", ["time_utc", "kind", "amount_arcmin", "note"], rows)


def site_text(world: World) -> str:
    """Return the site file, as `drift init` would leave it without its remarks."""
    reports = '\nreports = "raw"' if world.reports_given else ""
    return (
        f"[site]\nlatitude_deg = {world.site.latitude_deg}\nlongitude_deg = {world.site.longitude_deg}\n"
        f"elevation_m = {world.site.elevation_m}\n\n[mount]\n"
        f'hour_angle_zero = "{world.zero}"{reports}\n'
    )
