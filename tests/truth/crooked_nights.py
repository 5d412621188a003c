"""Nights of an invented mount with the faults of real ones, under a real sky, with the truth beside them.

Built by rotation matrices of its own; star places come by the demo's full
route (`drift.demo.instrument`).  Nothing is shared with drift.night or drift.mount.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import erfa
import numpy as np
import pandas as pd

from drift.demo.instrument import Overhead
from drift.site.file import PierFile, pier_from_mapping
from drift.types import READING_COLUMNS, Readings, as_readings

ARCSEC = np.pi / 648000.0
DAY_US = 86_400_000_000
FIRST_DAY = 19_000  # 2022-01-08
EAST, NORTH, UP = np.eye(3)


@dataclass(frozen=True)
class Crooked:
    """What to simulate; angles in arcsec unless the name says otherwise.

    `pattern` draws where the mount points: None for the open sky above `lowest_deg`, or ranges of hour
    angle and declination [deg].
    """

    seed: int = 1
    latitude_deg: float = 46.0
    longitude_deg: float = 10.0
    elevation_m: float = 300.0
    nights: int = 60
    years: float = 1.0
    solves: int = 10
    pattern: tuple[tuple[float, float], tuple[float, float]] | None = None
    lowest_deg: float = 25.0
    kept: bool = True
    repeat: float = 5.0
    axis: tuple[float, float] = (150.0, -90.0)  # az_error clockwise, alt_error
    step: tuple[float, float, float] | None = None  # from this part on the axis stands further by (az, alt)
    constants: tuple[float, float, float, float] = (-60.0, 40.0, 25.0, 15.0)  # cone, non-perp., side, droop
    sides: bool = True  # False: a fork, whose tube has no sides
    mirror: float = 0.0  # sd of a shift of the picture each time that the tube changes sides
    one_flip: bool = False  # the tube changes sides once a night
    mount_noise: float = 5.0
    solve_noise: float = 1.5
    wrong: float = 0.01
    modelled: bool = False  # the mount has taken its axis and constants out of what it reports
    model_left: float = 0.0  # sd of what its model leaves of each term
    sweeps: int = 0  # every so many nights are sweeps of 8 solves
    runs: int = 0  # every so many nights is an unguided run of 40 minutes
    j2000: bool = False  # the mount reports places of J2000
    airless: bool = False  # the mount takes refraction out of what it reports, by a formula of its own
    clock_h: tuple[float, float, float] = (
        0.0,
        0.0,
        0.0,
    )  # logged minus true [h], of nights between two parts
    mount_clock: bool = False  # the mount's own sidereal time is as wrong as the log's
    air_logged: bool = True
    mean_c: float = 8.0
    season_c: float = 10.0  # amplitude over the year
    weather_c: float = 4.0  # sd day to day
    weather_hpa: float = 8.0
    refraction: float = 1.0  # true refraction over that of the tool's formula


@dataclass
class Made:
    """Readings, and for each day with a night its true axis."""

    case: Crooked
    readings: Readings
    truth: dict[int, tuple[float, float]]  # by number of the local day
    nights: dict[int, dict[str, Any]] = field(default_factory=dict)

    @property
    def where(self) -> tuple[float, float, float]:
        """Return latitude, longitude [deg] and elevation [m]."""
        return self.case.latitude_deg, self.case.longitude_deg, self.case.elevation_m

    def site(self, **mount: str) -> PierFile:
        """Return the site file that the owner of this mount would write."""
        keys = ("latitude_deg", "longitude_deg", "elevation_m")
        mount = {"hour_angle_zero": "kept" if self.case.kept else "synced"} | mount
        return pier_from_mapping({"site": dict(zip(keys, self.where, strict=True)), "mount": mount})


def turn(axis: np.ndarray, angle_rad: np.ndarray) -> np.ndarray:
    """Right-handed rotation matrices about one unit vector, (n, 3, 3)."""
    x, y, z = axis
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    angle = np.atleast_1d(np.asarray(angle_rad, dtype=float))[:, None, None]
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * (cross @ cross)


def make(case: Crooked) -> Made:
    """Simulate a case."""
    rng = np.random.default_rng(case.seed)
    days = FIRST_DAY + np.sort(rng.choice(int(case.years * 365), case.nights, replace=False))
    parts: dict[str, list[pd.DataFrame]] = {"solves": [], "sweeps": [], "runs": []}
    home = rng.normal(0, 2000, 2)
    left = rng.normal(0, case.model_left, 8)
    truth, told = {}, {}
    for i, day in enumerate(days):
        kind = "solves"
        if case.sweeps and i % case.sweeps == 1:
            kind = "sweeps"
        if case.runs and i % case.runs == 2:
            kind = "runs"
        maker = {"solves": _pointing, "sweeps": _sweep, "runs": _run}[kind]
        part = i / case.nights
        clock = case.clock_h[0] if case.clock_h[1] <= part < case.clock_h[2] else 0.0
        stands = case
        if case.step is not None and part >= case.step[0]:
            stands = replace(case, axis=(case.axis[0] + case.step[1], case.axis[1] + case.step[2]))
        parts[kind].append(maker(stands, rng, int(day), home, left, clock))
        truth[int(day)] = stands.axis
        told[int(day)] = {"clock_h": clock, "kind": kind}
    tables = {kind: _table(kind, pd.concat(rows, ignore_index=True)) for kind, rows in parts.items() if rows}
    return Made(case, as_readings(tables), truth, told)


def _table(kind: str, rows: pd.DataFrame) -> pd.DataFrame:
    blank = {
        name: np.full(len(rows), "", dtype=object) if sort == "text" else np.full(len(rows), np.nan)
        for name, sort in READING_COLUMNS[kind].items()
    }
    given = {name: rows[name].to_numpy() for name in rows if name in blank}
    return pd.DataFrame({**blank, **given, "row_id": np.arange(len(rows))})


def _base(case: Crooked) -> np.ndarray:
    """Rotation from the mount's own frame (meridian, east, north pole) to East North Up."""
    phi, s = np.radians(case.latitude_deg), -1.0 if case.latitude_deg < 0 else 1.0
    ideal = np.column_stack([[0, -np.sin(phi), np.cos(phi)], EAST, [0, np.cos(phi), np.sin(phi)]])
    raised = turn(EAST, s * case.axis[1] * ARCSEC)[0] @ ideal
    return turn(UP, -case.axis[0] * ARCSEC)[0] @ raised


def _tube(ha: np.ndarray, dec: np.ndarray, side: np.ndarray, constants: np.ndarray) -> np.ndarray:
    """Where the tube points in the mount's frame, (n, 3); constants (n, 4)."""
    cone, tilt, offset = (constants[:, k] * ARCSEC for k in range(3))
    dec = dec - offset * side
    straight = np.stack([np.cos(cone) * np.cos(dec), np.sin(cone) * side, np.cos(cone) * np.sin(dec)], axis=1)
    crooked = turn(np.array([1.0, 0, 0]), -tilt * side) @ straight[:, :, None]
    return (turn(np.array([0, 0, 1.0]), -ha) @ crooked)[:, :, 0]


def _drooped(enu: np.ndarray, droop: float, more: np.ndarray | float = 0.0) -> np.ndarray:
    """Lower by droop times the sine, and raise by `more` times the tangent, of the zenith distance."""
    z = np.arccos(np.clip(enu[:, 2], -1, 1))
    size = -droop * ARCSEC * np.sin(z) + more * np.tan(z)
    flat = np.hypot(enu[:, 0], enu[:, 1])
    toward = np.column_stack([-enu[:, 0] / flat * enu[:, 2], -enu[:, 1] / flat * enu[:, 2], flat])
    out = np.cos(size)[:, None] * enu + np.sin(size)[:, None] * toward
    return out / np.linalg.norm(out, axis=1, keepdims=True)


def _hour_dec(case: Crooked, enu: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    phi = np.radians(case.latitude_deg)
    toward = -np.sin(phi) * enu[:, 1] + np.cos(phi) * enu[:, 2]
    return np.arctan2(-enu[:, 0], toward), np.arcsin(np.cos(phi) * enu[:, 1] + np.sin(phi) * enu[:, 2])


def _targets(case: Crooked, rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Hour angles and declinations [rad] to point at; hour angles in order where there are sides."""
    phi, found = np.radians(case.latitude_deg), []
    while len(found) < n:
        if case.pattern is None:
            alt, az = (
                np.arcsin(rng.uniform(np.sin(np.radians(case.lowest_deg)), 0.99)),
                rng.uniform(0, 2 * np.pi),
            )
            up = np.array([[np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)]])
            ha, dec = (float(x[0]) for x in _hour_dec(case, up))
            if abs(ha) > np.radians(80) or abs(dec) > np.radians(80):
                continue
        else:
            ha, dec = (np.radians(rng.uniform(*span)) for span in case.pattern)
            if np.sin(phi) * np.sin(dec) + np.cos(phi) * np.cos(dec) * np.cos(ha) < np.sin(np.radians(5.0)):
                continue
        found.append((ha, dec))
    return np.array(found)[:, 0], np.array(found)[:, 1]


def _air(case: Crooked, rng: np.random.Generator, day: int) -> tuple[float, float]:
    season = -np.cos(2 * np.pi * ((day % 365.25) - 20) / 365.25) * (1 if case.latitude_deg >= 0 else -1)
    standard = 1013.25 * (1 - 0.0065 * case.elevation_m / 288.15) ** 5.25588
    return (
        case.mean_c + case.season_c * season + rng.normal(0, case.weather_c),
        standard + rng.normal(0, case.weather_hpa),
    )


def _overhead(case: Crooked, time_us: np.ndarray, air: tuple[float, float]) -> Overhead:
    site = (case.latitude_deg, case.longitude_deg, case.elevation_m)
    return Overhead(site, time_us, np.full(time_us.size, air[0]), np.full(time_us.size, air[1]))


def _start_us(case: Crooked, rng: np.random.Generator, day: int) -> int:
    evening = day * DAY_US + (20.0 - case.longitude_deg / 15.0) * 3.6e9
    return int(evening + rng.uniform(0, 4) * 3.6e9) // 1000 * 1000


def _shake(rng: np.random.Generator, enu: np.ndarray, sd: float) -> np.ndarray:
    out = enu + rng.normal(0, sd * ARCSEC, enu.shape)
    return out / np.linalg.norm(out, axis=1, keepdims=True)


def _pointing(case, rng, day, home, left, clock_h) -> pd.DataFrame:
    n = case.solves
    ha, dec = _targets(case, rng, n)
    if case.one_flip:
        order = (
            np.argsort(ha < 0, kind="stable") if rng.uniform() < 0.5 else np.argsort(ha >= 0, kind="stable")
        )
        ha, dec = ha[order], dec[order]
    side = np.where(ha >= 0, 1.0, -1.0)
    if not case.sides:
        side = np.ones(n)
    constants = np.tile(np.array(case.constants, dtype=float), (n, 1))
    changes = np.cumsum(np.append(0, np.diff(side) != 0))
    constants[:, [0, 2]] += rng.normal(0, case.mirror, (n, 2))[changes] if case.mirror else 0.0
    air = _air(case, rng, day)
    time_us = _start_us(case, rng, day) + np.arange(n) * 180_000_000
    overhead = _overhead(case, time_us, air)
    seen = _drooped(
        (_base(case) @ _tube(ha, dec, side, constants)[:, :, None])[:, :, 0],
        case.constants[3],
        (case.refraction - 1.0) * -58.3 * ARCSEC,
    )
    solved = _shake(rng, seen, case.solve_noise)
    wrong = rng.uniform(size=n) < case.wrong
    solved = np.where(wrong[:, None], _shake(rng, solved, 1800.0), solved)
    ra, dec_icrs = overhead.icrs_of(solved)
    zero = home + rng.normal(0, case.repeat, 2)
    if not case.kept:
        first_ha, first_dec = (float(x[0]) for x in _hour_dec(case, seen[:1]))
        zero = np.array([first_ha - ha[0], first_dec - dec[0]]) / ARCSEC
    noise = rng.normal(0, case.mount_noise, (n, 2)) * ARCSEC
    mech_ha = ha + zero[0] * ARCSEC + noise[:, 0] / np.cos(dec)
    mech_dec = dec + zero[1] * ARCSEC + noise[:, 1]
    if case.modelled:  # it says where it really points (in the air), but for what its model leaves
        true_ha, true_dec = _hour_dec(case, seen)
        more = left * ARCSEC
        mech_dec = true_dec + more[0] * np.cos(true_ha) - more[1] * np.sin(true_ha) + more[2] * side
        mech_dec = mech_dec + zero[1] * ARCSEC * (not case.kept) + noise[:, 1]
        across = np.sin(true_dec) * (more[0] * np.sin(true_ha) + more[1] * np.cos(true_ha))
        across = across + more[3] * side + more[4] * side * np.sin(true_dec) + noise[:, 0]
        mech_ha = true_ha + across / np.cos(true_dec)
    if case.airless:
        (in_air_ha, in_air_dec), (ha, dec) = (
            _hour_dec(case, enu) for enu in (seen, _drooped(seen, 0.0, -58.3 * ARCSEC))
        )
        mech_ha, mech_dec = mech_ha - in_air_ha + ha, mech_dec - in_air_dec + dec
    lst = overhead.last_rad
    logged_us = time_us + round(clock_h * 3600) * 1_000_000
    if clock_h and case.mount_clock:
        lst = _overhead(case, logged_us, air).last_rad
    mount_ra, mount_dec = lst - mech_ha, mech_dec
    if case.j2000:
        mount_ra, mount_dec = _to_j2000(time_us, mount_ra, mount_dec)
    return pd.DataFrame(
        {
            "time_us": logged_us,
            "ra_deg": np.degrees(ra),
            "dec_deg": np.degrees(dec_icrs),
            "mount_ra_deg": np.degrees(mount_ra) % 360.0,
            "mount_dec_deg": np.degrees(mount_dec),
            "tube_side": np.where(side > 0, "east", "west").astype(object) if case.sides else "",
            "temp_c": air[0] if case.air_logged else np.nan,
            "pressure_hpa": air[1] if case.air_logged else np.nan,
        }
    )


def _to_j2000(time_us: np.ndarray, ra: np.ndarray, dec: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Turn places of date (true equinox) back to the mean equator and equinox of J2000."""
    days = time_us / DAY_US - 10957.5  # since 2000-01-01 12:00
    to_date = erfa.pnm06a(2451545.0, days)
    at = erfa.s2c(ra, dec)
    return erfa.c2s(np.einsum("nji,nj->ni", to_date, at))


def _sweep(case, rng, day, home, left, clock_h) -> pd.DataFrame:
    n = 8
    dec = np.full(n, np.radians(rng.uniform(0, 40) * (1 if case.latitude_deg >= 0 else -1)))
    ha = np.radians(np.linspace(-50, 50, n))
    air = _air(case, rng, day)
    time_us = _start_us(case, rng, day) + np.arange(n) * 120_000_000
    tube = _tube(ha, dec, np.ones(n), np.tile(case.constants, (n, 1)))
    seen = _drooped(
        (_base(case) @ tube[:, :, None])[:, :, 0], case.constants[3], (case.refraction - 1.0) * -58.3 * ARCSEC
    )
    ra, dec_icrs = _overhead(case, time_us, air).icrs_of(_shake(rng, seen, 2.0))
    return pd.DataFrame(
        {
            "time_us": time_us + round(clock_h * 3600) * 1_000_000,
            "ra_deg": np.degrees(ra),
            "dec_deg": np.degrees(dec_icrs),
            "sweep": f"sweep {day}",
            "temp_c": air[0] if case.air_logged else np.nan,
            "pressure_hpa": air[1] if case.air_logged else np.nan,
        }
    )


def _run(case, rng, day, home, left, clock_h) -> pd.DataFrame:
    n = 20
    ha0 = np.radians(rng.choice([-75.0, 0.0, 70.0]))
    dec0 = np.radians(20.0 * (1 if case.latitude_deg >= 0 else -1))
    air = _air(case, rng, day)
    time_us = _start_us(case, rng, day) + np.arange(n) * 120_000_000
    overhead = _overhead(case, time_us, air)
    first = _overhead(case, time_us[:1], air)
    phi = np.radians(case.latitude_deg)
    local = np.array([np.cos(dec0) * np.cos(ha0), -np.cos(dec0) * np.sin(ha0), np.sin(dec0)])
    ideal = np.column_stack([[0, -np.sin(phi), np.cos(phi)], EAST, [0, np.cos(phi), np.sin(phi)]])
    ra, dec_icrs = first.icrs_of((ideal @ local)[None, :])
    enu = overhead.enu_of(np.full(n, ra[0]), np.full(n, dec_icrs[0]))
    in_mount = enu @ _base(case)
    d_mount = np.arcsin(in_mount[:, 2])
    moved = (d_mount - d_mount[0]) / ARCSEC + rng.normal(0, 0.6, n)
    return pd.DataFrame(
        {
            "time_us": time_us,
            "ra_deg": np.degrees(ra[0]),
            "dec_deg": np.degrees(dec_icrs[0]),
            "run": f"run {day}",
            "dec_offset_arcsec": moved,  # by the star, against the tracking mount
            "ra_offset_arcsec": 0.0,
        }
    )


def changed(case: Crooked, **fields: Any) -> Crooked:
    """Return a case with some fields changed."""
    return replace(case, **fields)
