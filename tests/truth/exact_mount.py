"""An invented mount on an invented pier, by exact rotations, without any star places.

Independent of drift.mount and drift.night: directions are turned step by step
with rotation matrices.  Used by the tests of the night and the history.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from drift.night.observations import Directions
from drift.readings import READING_COLUMNS, Readings, as_readings

ARCSEC = np.pi / 180.0 / 3600.0
NIGHT_US = 86_400_000_000
FIRST_US = 1_577_836_800_000_000 + 20 * 3_600_000_000  # 2020-01-01 20:00 UTC


def turn(axis: np.ndarray, angle_rad: float) -> np.ndarray:
    """Right-handed rotation matrix about a unit vector (Rodrigues)."""
    x, y, z = axis
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle_rad) * cross + (1 - np.cos(angle_rad)) * cross @ cross


EAST, NORTH, UP = np.eye(3)


def base(latitude_deg: float, tilt_north: float, tilt_east: float, kappa: float, alpha: float) -> np.ndarray:
    """Rotation from a mount's own frame (meridian, east, north pole) to East North Up [arcsec]."""
    phi, s = np.radians(latitude_deg), -1.0 if latitude_deg < 0 else 1.0
    ideal = np.column_stack([[0, -np.sin(phi), np.cos(phi)], EAST, [0, np.cos(phi), np.sin(phi)]])
    raised = turn(EAST, s * alpha * ARCSEC) @ ideal  # right-handed about east raises what points north
    turned = turn(UP, -kappa * ARCSEC) @ raised  # clockwise from above is left-handed about up
    size = np.hypot(tilt_north, tilt_east)
    if size == 0:
        return turned
    return turn(np.array([-tilt_north, tilt_east, 0.0]) / size, size * ARCSEC) @ turned


def axis_of(latitude_deg: float, frame: np.ndarray) -> tuple[float, float, float]:
    """(az_error, alt_error, zero) [arcsec] of a frame, from its vectors alone."""
    s = -1.0 if latitude_deg < 0 else 1.0
    end = s * frame[:, 2]
    bearing = np.arctan2(end[0], end[1])
    pole_bearing = 0.0 if s > 0 else np.pi
    az = np.angle(np.exp(1j * (bearing - pole_bearing)))
    alt = np.arcsin(end[2]) - abs(np.radians(latitude_deg))
    phi = np.radians(latitude_deg)
    meridian = frame[:, 0]  # where the mount reads hour angle 0, on its equator
    toward = -np.sin(phi) * meridian[1] + np.cos(phi) * meridian[2]
    true_ha = np.arctan2(-meridian[0], toward)
    return float(az / ARCSEC), float(alt / ARCSEC), float(-true_ha / ARCSEC)


def still(_: float) -> tuple[float, float, float, float]:
    """Nothing moves."""
    return (0.0, 0.0, 0.0, 0.0)


@dataclass
class Case:
    """What to simulate; angles in arcsec, times in days."""

    seed: int
    latitude_deg: float = 46.0
    nights: int = 60
    years: float = 1.5
    solves: int = 9
    moves: Callable[[float], tuple[float, float, float, float]] = still  # tilt n, tilt e, kappa, alpha
    kept: bool = True
    repeat: float = 6.0
    sync_sd: float = 600.0
    solve_sd: float = 1.5
    mount_sd: float = 5.0
    wrong: float = 0.0
    second_sync: float = 0.0
    level_every: int = 0
    level_sd: float = 12.0
    start: tuple[float, float] = (200.0, -150.0)
    constants: tuple[float, float, float, float] = (-60.0, 40.0, 25.0, 20.0)


@dataclass
class Made:
    """Readings, directions and truth."""

    readings: Readings
    directions: dict[str, Directions]
    day: np.ndarray
    truth: np.ndarray  # (nights, 4) tilt n, tilt e, kappa, alpha
    axis: np.ndarray  # (nights, 2) az_error, alt_error
    wrong: list[int] = field(default_factory=list)


def tube(ha: float, dec: float, side: float, constants: tuple[float, float, float, float]) -> np.ndarray:
    """Where a tube points in the mount's frame, before it droops."""
    cone, tilt, offset, _ = (c * ARCSEC for c in constants)
    dec = dec - offset * side
    straight = np.array([np.cos(cone) * np.cos(dec), np.sin(cone) * side, np.cos(cone) * np.sin(dec)])
    crooked = turn(np.array([1.0, 0, 0]), -tilt * side) @ straight
    return turn(np.array([0, 0, 1.0]), -ha) @ crooked


def make(case: Case) -> Made:
    """Simulate a case."""
    rng = np.random.default_rng(case.seed)
    phi = np.radians(case.latitude_deg)
    day = np.sort(rng.choice(int(case.years * 365), case.nights, replace=False)).astype(float)
    home = rng.normal(0, 2000, 2)
    rows, seen, truth, axes, wrong = [], [], [], [], []
    for d in day:
        tilt_n, tilt_e, kappa, alpha = case.moves(d)
        frame = base(case.latitude_deg, tilt_n, tilt_e, case.start[0] + kappa, case.start[1] + alpha)
        truth.append((tilt_n, tilt_e, kappa, alpha))
        axes.append(axis_of(case.latitude_deg, frame)[:2])
        zero = home + rng.normal(0, case.repeat, 2) if case.kept else rng.normal(0, case.sync_sd, 2)
        sync_at = rng.integers(1, case.solves) if rng.uniform() < case.second_sync else case.solves
        later = rng.normal(0, 300, 2)
        for i in range(case.solves):
            alt, az = np.arcsin(rng.uniform(0.47, 0.996)), rng.uniform(0, 2 * np.pi)
            up = np.array([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)])
            toward = -np.sin(phi) * up[1] + np.cos(phi) * up[2]
            ha, dec = np.arctan2(-up[0], toward), np.arcsin(np.cos(phi) * up[1] + np.sin(phi) * up[2])
            side = 1.0 if ha >= 0 else -1.0
            ideal = frame @ tube(ha, dec, side, case.constants)
            droop = case.constants[3] * ARCSEC
            v = ideal - droop * (UP - ideal * ideal[2]) + rng.normal(0, case.solve_sd * ARCSEC, 3)
            if rng.uniform() < case.wrong:
                v = v + rng.normal(0, 1800 * ARCSEC, 3)
                wrong.append(len(rows))
            shift = zero + (later if i >= sync_at else 0.0)
            mech_ha = ha + (shift[0] + rng.normal(0, case.mount_sd) / np.cos(dec)) * ARCSEC
            mech_dec = dec + (shift[1] + rng.normal(0, case.mount_sd)) * ARCSEC
            rows.append(_row(len(rows), d, i, mech_ha, mech_dec, side))
            seen.append(v / np.linalg.norm(v))
    none = Directions(np.zeros((0, 3)), np.zeros(0))
    tables = {"solves": pd.DataFrame(rows)}
    if case.level_every:
        tables["levels"] = _levels(case, rng)
    return Made(
        as_readings(tables),
        {"solves": Directions(np.array(seen), np.zeros(len(rows))), "sweeps": none, "runs": none},
        day,
        np.array(truth),
        np.array(axes),
        wrong,
    )


def _row(number: int, day: float, i: int, mech_ha: float, mech_dec: float, side: float) -> dict[str, object]:
    row: dict[str, object] = {
        name: "" if sort == "text" else np.nan for name, sort in READING_COLUMNS["solves"].items()
    }
    row |= {
        "row_id": number,
        "time_us": int(FIRST_US + day * NIGHT_US + i * 60_000_000),
        "mount_ra_deg": np.degrees(-mech_ha) % 360.0,  # sidereal time is 0 in these directions
        "mount_dec_deg": np.degrees(mech_dec),
        "tube_side": "east" if side > 0 else "west",
    }
    return row


def _levels(case: Case, rng: np.random.Generator) -> pd.DataFrame:
    out = []
    for d in range(1, int(case.years * 365), case.level_every):
        tilt_n, tilt_e, _, _ = case.moves(float(d))
        out.append(
            {
                "row_id": len(out),
                "time_us": int(FIRST_US + d * NIGHT_US - 3 * 3_600_000_000),
                "tilt_north_arcsec": tilt_n + 300.0 + rng.normal(0, case.level_sd),
                "tilt_east_arcsec": tilt_e - 200.0 + rng.normal(0, case.level_sd),
                "place": "pier",
                "face_deg": np.nan,
                "sigma_arcsec": case.level_sd,
            }
        )
    return pd.DataFrame(out)
