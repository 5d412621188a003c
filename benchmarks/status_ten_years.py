"""Time the answer on a ten-year book against per-night least squares on the plain route.

    python benchmarks/status_ten_years.py [--nights 2000] [--solves 25] [--peer-nights 60]

The peer does what a careful script would: one vectorised astropy
transformation of all solves to altitude and azimuth, then for each night
`scipy.optimize.least_squares` with a soft-L1 loss over axis, zeros and the four
instrument constants.  It is run on some of the nights and its time scaled up.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares

from drift.demo.families import family
from drift.demo.world import make
from drift.mount.instrument import Pose, pointed_direction
from drift.pierfile import pier_from_mapping
from drift.pipeline import work_out
from drift.readings import Readings, as_readings


def ten_years(nights: int, solves: int) -> tuple[Readings, dict[str, dict[str, float | str]]]:
    """Make the readings of ten years and the site they belong to."""
    scenario = replace(
        family("heave", 5, years=10.0, nights_a_year=nights / 10.0, latitude_deg=47.0),
        start="2015-09-01",
        solves_a_night=solves,
        weather_logged=False,
    )
    site = {
        "site": {
            "latitude_deg": scenario.latitude_deg,
            "longitude_deg": scenario.longitude_deg,
            "elevation_m": scenario.elevation_m,
        },
        "mount": {"hour_angle_zero": "kept"},
    }
    return make(scenario).readings(), site


def plain_sky(readings: Readings, site: dict[str, float | str]) -> tuple[np.ndarray, np.ndarray]:
    """Turn all solves into directions and sidereal time by astropy's plain route."""
    import astropy.units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time
    from astropy.utils import iers

    iers.conf.auto_download = False
    table = readings["solves"]
    where = EarthLocation.from_geodetic(
        site["longitude_deg"] * u.deg, site["latitude_deg"] * u.deg, site["elevation_m"] * u.m
    )
    when = Time(table["time_us"].to_numpy() / 86400e6 + 2440587.5, format="jd", scale="utc", location=where)
    frame = AltAz(
        obstime=when,
        location=where,
        pressure=table["pressure_hpa"].fillna(980.0).to_numpy() * u.hPa,
        temperature=table["temp_c"].fillna(10.0).to_numpy() * u.deg_C,
        relative_humidity=0.5,
        obswl=0.55 * u.um,
    )
    seen = SkyCoord(table["ra_deg"].to_numpy() * u.deg, table["dec_deg"].to_numpy() * u.deg).transform_to(frame)
    alt, az = seen.alt.rad, seen.az.rad
    enu = np.stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)], axis=1)
    return enu, when.sidereal_time("apparent").rad


def one_night(latitude_rad: float, enu: np.ndarray, ha: np.ndarray, dec: np.ndarray, side: np.ndarray) -> None:
    """Fit one night: axis, zeros, constants."""

    def misfit(x: np.ndarray) -> np.ndarray:
        full = np.ones(ha.size)
        pose = Pose(x[0] * full, x[1] * full, x[2] * full, x[3] * full, np.tile(x[4:8], (ha.size, 1)))
        return ((pointed_direction(latitude_rad, ha, dec, side, pose) - enu) * 206265.0 / 5.0).ravel()

    least_squares(misfit, np.zeros(8), loss="soft_l1", x_scale=60.0)


def peer_seconds(readings: Readings, site: dict[str, float | str], sample: int) -> tuple[float, float, int]:
    """Return seconds for the sky, for the nights (scaled up), and the number of nights."""
    start = time.perf_counter()
    enu, last = plain_sky(readings, site)
    sky = time.perf_counter() - start
    table = readings["solves"]
    ha = last - np.radians(table["mount_ra_deg"].to_numpy())
    dec = np.radians(table["mount_dec_deg"].to_numpy())
    side = np.where(table["tube_side"] == "east", 1.0, -1.0)
    day = (table["time_us"].to_numpy() // 86_400_000_000).astype(int)
    days = np.unique(day)
    start = time.perf_counter()
    for chosen in days[:: max(1, days.size // sample)][:sample]:
        own = day == chosen
        one_night(np.radians(float(site["latitude_deg"])), enu[own], ha[own], dec[own], side[own])
    return sky, (time.perf_counter() - start) * days.size / sample, int(days.size)


def main() -> None:
    """Print the times and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=2000)
    parser.add_argument("--solves", type=int, default=25)
    parser.add_argument("--peer-nights", type=int, default=60)
    options = parser.parse_args()
    readings, mapping = ten_years(options.nights, options.solves)
    site = pier_from_mapping(mapping)
    work_out(site, as_readings({"solves": readings["solves"].head(200)}))  # imports and tables are warm for both
    start = time.perf_counter()
    answer = work_out(site, readings)
    ours = time.perf_counter() - start
    sky, nights, count = peer_seconds(readings, mapping["site"], options.peer_nights)
    print(f"{len(readings['solves'])} solves on {count} nights; {len(answer.nights.nights)} nights answered")
    print(f"whole answer (sky, nights, history, advice)      {ours:8.2f} s")
    print(f"peer, sky by SkyCoord.transform_to(AltAz)         {sky:8.2f} s")
    print(f"peer, scipy least_squares a night (no history)    {nights:8.2f} s  (from {options.peer_nights} nights)")
    print(f"ratio peer / ours                                 {(sky + nights) / ours:8.1f}   goal 20")


if __name__ == "__main__":
    main()
