"""Time the sky step against the plain astropy route on the same solves.

Run: ``python benchmarks/sky_step.py [--solves 100000] [--nights 2000]``.  Prints the
times, their ratio and the largest difference on the sky.  Nothing is downloaded.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np

SITE = {"latitude_deg": 47.3, "longitude_deg": -92.4, "elevation_m": 410.0}
TARGET_RATIO = 15.0
TARGET_ARCSEC = 0.01
SPAN_DAYS = 3652  # the nights are spread over ten years
FIRST_DAY_US = 1_451_606_400_000_000  # 2016-01-01
DAY_US = 86_400_000_000


def invent(solves: int, nights: int, seed: int = 20) -> dict[str, np.ndarray]:
    """Invent solves all over the sky, in the dark hours of scattered nights."""
    rng = np.random.default_rng(seed)
    night = np.sort(rng.choice(SPAN_DAYS, nights, replace=False))
    of_night = rng.integers(0, nights, solves)
    local_midnight = -SITE["longitude_deg"] / 360.0
    day = night[of_night] + local_midnight + rng.uniform(-0.2, 0.2, solves)
    return {
        "time_us": FIRST_DAY_US + (day * DAY_US).astype(np.int64),
        "ra_deg": rng.uniform(0, 360, solves),
        "dec_deg": np.degrees(np.arcsin(rng.uniform(-0.6, 1.0, solves))),
        "temp_c": rng.normal(5, 12, solves),
        "pressure_hpa": rng.normal(965, 8, solves),
    }


def ours(solves: dict[str, np.ndarray]) -> np.ndarray:
    from drift.sky.place import observed

    return observed(SITE["latitude_deg"], SITE["longitude_deg"], SITE["elevation_m"], **solves).enu


def plain(solves: dict[str, np.ndarray]) -> np.ndarray:
    from astropy import units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time

    site = EarthLocation.from_geodetic(SITE["longitude_deg"], SITE["latitude_deg"], SITE["elevation_m"])
    frame = AltAz(
        obstime=Time(solves["time_us"].astype("datetime64[us]"), scale="utc"),
        location=site,
        pressure=solves["pressure_hpa"] * u.hPa,
        temperature=solves["temp_c"] * u.deg_C,
        relative_humidity=0.5,
        obswl=0.55 * u.micron,
    )
    place = SkyCoord(solves["ra_deg"] * u.deg, solves["dec_deg"] * u.deg, frame="icrs").transform_to(frame)
    north, east, up = place.cartesian.xyz.value  # x north, y east
    return np.stack((east, north, up), axis=-1)


def interpolated(solves: dict[str, np.ndarray]) -> np.ndarray:
    from astropy import units as u
    from astropy.coordinates.erfa_astrom import ErfaAstromInterpolator, erfa_astrom

    with erfa_astrom.set(ErfaAstromInterpolator(300 * u.s)):
        return plain(solves)


def timed(route: Callable[[dict[str, np.ndarray]], np.ndarray], solves: dict[str, np.ndarray], repeat: int):
    """Run a route after a small warm-up; return its answer and its shortest time."""
    route({name: column[:10] for name, column in solves.items()})
    shortest = np.inf
    for _ in range(repeat):
        start = time.perf_counter()
        enu = route(solves)
        shortest = min(shortest, time.perf_counter() - start)
    return enu, shortest


def largest_arcsec(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.degrees(np.linalg.norm(a - b, axis=1).max()) * 3600)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--solves", type=int, default=100_000)
    parser.add_argument("--nights", type=int, default=2_000)
    given = parser.parse_args()
    from astropy.utils import iers

    from drift.sky.time_scales import installed_earth_rotation

    start = time.perf_counter()
    installed_earth_rotation()
    print(f"reading the Earth-rotation table   {time.perf_counter() - start:8.3f} s")
    solves = invent(given.solves, given.nights)
    with iers.conf.set_temp("auto_download", False):
        our_enu, our_time = timed(ours, solves, 3)
        plain_enu, plain_time = timed(plain, solves, 1)
        other_enu, other_time = timed(interpolated, solves, 1)
        with iers.earth_orientation_table.set(iers.IERS_A.read(iers.IERS_A_FILE)):
            tenth = {name: column[::10] for name, column in solves.items()}
            same_table = largest_arcsec(our_enu[::10], plain(tenth))
    print(f"{given.solves} solves on {given.nights} nights")
    print(f"sky step                           {our_time:8.3f} s")
    print(
        f"plain astropy                      {plain_time:8.3f} s   {plain_time / our_time:6.1f} times as long"
    )
    print(
        f"astropy, 300 s interpolation       {other_time:8.3f} s   {other_time / our_time:6.1f} times as long"
    )
    difference = largest_arcsec(our_enu, plain_enu)
    print(f"largest difference from plain      {difference:8.5f} arcsec")
    print(f"   with one Earth-rotation table   {same_table:8.5f} arcsec (a tenth of the solves)")
    print(f"   of astropy's interpolation      {largest_arcsec(other_enu, plain_enu):8.5f} arcsec")
    reached = plain_time / our_time >= TARGET_RATIO and difference <= TARGET_ARCSEC
    print(f"goal ({TARGET_RATIO:g} times, {TARGET_ARCSEC} arcsec): {'reached' if reached else 'NOT reached'}")


if __name__ == "__main__":
    main()
