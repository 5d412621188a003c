"""Time the answer on a ten-year book against per-night least squares on the plain route.

    python benchmarks/status_ten_years.py [--nights 2000] [--solves 25] [--peer-nights 60]

The peer does the same work as a careful script would: one vectorised astropy
transformation of all solves to altitude and azimuth, then in turn, until they
agree, `scipy.optimize.least_squares` with a soft-L1 loss for each night's axis
and zeros, and for the four instrument constants that all nights share.  It is
run on some of the nights and its time scaled up.  It has no history, no search
for second syncs and no covariances.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares

from drift.analysis import work_out
from drift.demo.files import make
from drift.demo.scenario import family
from drift.mount.instrument import Pose, pointed_direction
from drift.site.file import PierFile, pier_from_mapping
from drift.types import Readings, as_readings

#: The peer goes on until no constant moves by more than this [arcsec].
AT_REST = 0.1


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
    jd = table["time_us"].to_numpy() / 86400e6 + 2440587.5
    when = Time(jd, format="jd", scale="utc", location=where)
    frame = AltAz(
        obstime=when,
        location=where,
        pressure=table["pressure_hpa"].fillna(980.0).to_numpy() * u.hPa,
        temperature=table["temp_c"].fillna(10.0).to_numpy() * u.deg_C,
        relative_humidity=0.5,
        obswl=0.55 * u.um,
    )
    stars = SkyCoord(table["ra_deg"].to_numpy() * u.deg, table["dec_deg"].to_numpy() * u.deg)
    seen = stars.transform_to(frame)
    alt, az = seen.alt.rad, seen.az.rad
    enu = np.stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)], axis=1)
    return enu, when.sidereal_time("apparent").rad


def fit(latitude_rad: float, rows: tuple[np.ndarray, ...], x: np.ndarray, free: slice) -> np.ndarray:
    """Fit axis, zeros and constants (8 numbers, those in `free`) to one set of rows."""
    enu, ha, dec, side, base = rows

    def misfit(chosen: np.ndarray) -> np.ndarray:
        full = np.tile(x, (ha.size, 1)) if base is None else base.copy()
        full[:, free] = chosen
        pose = Pose(full[:, 0], full[:, 1], full[:, 2], full[:, 3], full[:, 4:8])
        return ((pointed_direction(latitude_rad, ha, dec, side, pose) - enu) * 206265.0 / 5.0).ravel()

    return least_squares(misfit, x[free], loss="soft_l1", x_scale=60.0).x


def peer_seconds(
    readings: Readings, site: dict[str, float | str], sample: int
) -> tuple[float, float, float, int]:
    """Return seconds for the sky, for the first pass over the nights, for all passes; and their number.

    The passes are run on a sample of the nights and scaled up.
    """
    start = time.perf_counter()
    enu, last = plain_sky(readings, site)
    sky = time.perf_counter() - start
    table, phi = readings["solves"], np.radians(float(site["latitude_deg"]))
    ha = last - np.radians(table["mount_ra_deg"].to_numpy())
    dec = np.radians(table["mount_dec_deg"].to_numpy())
    side = np.where(table["tube_side"] == "east", 1.0, -1.0)
    day = (table["time_us"].to_numpy() // 86_400_000_000).astype(int)
    days = np.unique(day)
    chosen = days[:: max(1, days.size // sample)][:sample]
    seen = np.isin(day, chosen)
    found, constants, first, passes = np.zeros((ha.size, 8)), np.zeros(4), 0.0, 0
    start = time.perf_counter()
    while True:
        found[:, 4:] = constants
        for one in chosen:
            own = day == one
            x = found[own][0]
            found[own, :4] = fit(phi, (enu[own], ha[own], dec[own], side[own], None), x, slice(0, 4))
        first = first or time.perf_counter() - start
        x = np.append(np.zeros(4), constants)
        new = fit(phi, (enu[seen], ha[seen], dec[seen], side[seen], found[seen]), x, slice(4, 8))
        passes, moved, constants = passes + 1, np.max(np.abs(new - constants)), new
        if moved < AT_REST:
            break
    scale = days.size / chosen.size
    return sky, first * scale, (time.perf_counter() - start) * scale, passes


class Shelf(dict):
    """A store in memory."""

    def get(self, keys):
        """Return what is there."""
        return {key: self[key] for key in keys if key in self}

    put = dict.update


def one_night_more(site: PierFile, readings: Readings) -> float:
    """Return the seconds for an answer when only the last night is new."""
    solves, shelf = readings["solves"], Shelf()
    new = solves["time_us"] >= solves["time_us"].max() - 43_200_000_000
    work_out(site, as_readings({**readings.tables, "solves": solves[~new].reset_index(drop=True)}), shelf)
    start = time.perf_counter()
    work_out(site, readings, shelf)
    return time.perf_counter() - start


def main() -> None:
    """Print the times and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=2000)
    parser.add_argument("--solves", type=int, default=25)
    parser.add_argument("--peer-nights", type=int, default=60)
    options = parser.parse_args()
    readings, mapping = ten_years(options.nights, options.solves)
    site = pier_from_mapping(mapping)
    work_out(
        site, as_readings({"solves": readings["solves"].head(200)})
    )  # imports and tables are warm for both
    start = time.perf_counter()
    analysis = work_out(site, readings)
    ours = time.perf_counter() - start
    sky, first, nights, passes = peer_seconds(readings, mapping["site"], options.peer_nights)
    print(f"{len(readings['solves'])} solves; {len(analysis.nights.nights)} nights answered")
    print(f"whole answer: sky, nights, history, advice       {ours:8.2f} s")
    print(f"the same when only the last night is new         {one_night_more(site, readings):8.2f} s")
    print(f"peer: sky by SkyCoord.transform_to(AltAz)        {sky:8.2f} s")
    print(f"peer: least_squares a night, first pass alone    {first:8.2f} s  (scaled up)")
    print(f"peer: {passes:2d} passes until the constants rest        {nights:8.2f} s  (scaled up)")
    print(f"ratio peer / ours                                {(sky + nights) / ours:8.1f}   goal 20")
    print(f"ratio with the first pass alone                  {(sky + first) / ours:8.1f}")


if __name__ == "__main__":
    main()
