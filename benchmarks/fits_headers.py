"""Time the reading of many solved images against reading their headers alone.

The peer is astropy's quickest documented way to a header, `astropy.io.fits.Header.fromfile` on an open file:
it finds the END card and indexes the cards, and looks at no value.  (`fits.getheader` is measured beside it.)
What is timed of ours is everything from the list of files to checked rows: header, WCS with its distortion,
time, mount, observatory, frames, horizon.  Both use all cores: the peer with a pool of processes that are
running already, ours with its own children, whose start counts.

Run: ``python benchmarks/fits_headers.py [--files 10000] [--repeats 3]``.  Prints the best time of each, taken
in turn, and their ratio.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from astropy.io import fits

from drift.ingest.fits_log import read_images
from drift.ingest.row_check import Circumstances

LATITUDE_DEG, LONGITUDE_DEG, ELEVATION_M = 47.3, -92.4, 410.0
TARGET_RATIO = 2.0
WIDE, HIGH, SCALE_DEG = 4656, 3520, 1.1 / 3600.0
FIRST = np.datetime64("2022-01-01T03:00:00", "ms")
J2000 = np.datetime64("2000-01-01T12:00:00", "ms")
#: Cards beside those that are read: what camera programs write about camera, filter and weather.
OTHERS = 40
HISTORY = 15


def header_text(template: fits.Header, at: int, rng: np.random.Generator) -> bytes:
    """Return the header of one image, solved with a distortion of the third order."""
    when = FIRST + np.timedelta64(at % 60 * 180_000 + at // 60 * 86_400_000, "ms")
    days = (when - J2000) / np.timedelta64(1, "D")
    sidereal_deg = 280.46061837 + 360.98564736629 * days + LONGITUDE_DEG
    ra, dec = (sidereal_deg + rng.uniform(-50, 50)) % 360.0, rng.uniform(5, 75)
    template["DATE-OBS"] = str(when)
    template["CRVAL1"], template["CRVAL2"] = ra, dec
    precession = 22.0 * 0.01397  # [deg] what the equinox has moved, enough for a benchmark
    template["RA"] = (ra + precession) % 360.0
    template["DEC"] = dec + 0.12 * np.cos(np.radians(ra)) + 0.01
    return template.tostring().encode("ascii")


def template() -> fits.Header:
    header = fits.Header([("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 2), ("NAXIS1", WIDE), ("NAXIS2", HIGH)])
    header["EXPTIME"] = (30.0, "[s] exposure")
    for number in range(OTHERS):
        header[f"CAM{number:05d}"] = (number * 1.25, "something about the camera")
    header.update(
        {"DATE-OBS": "", "RA": 0.0, "DEC": 0.0, "OBSGEO-B": LATITUDE_DEG, "OBSGEO-L": LONGITUDE_DEG}
    )
    header.update({"CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "CRVAL1": 0.0, "CRVAL2": 0.0})
    header.update({"CRPIX1": 2300.0, "CRPIX2": 1800.0, "CUNIT1": "deg", "CUNIT2": "deg"})
    header.update({"CD1_1": -SCALE_DEG, "CD1_2": 2e-6, "CD2_1": 2e-6, "CD2_2": SCALE_DEG})
    for name in ("A", "B", "AP", "BP"):
        header[f"{name}_ORDER"] = 3
        for i in range(4):
            for j in range(4 - i):
                header[f"{name}_{i}_{j}"] = 0.0 if i + j < 2 else 1e-7 / 10.0 ** (3 * (i + j - 2))
    for _ in range(HISTORY):
        header.add_history("what a program did to the image")
    return header


def write_images(folder: Path, count: int, seed: int = 1) -> list[Path]:
    """Write headers with one block of pixels each: the rest of an image is never read."""
    rng, header = np.random.default_rng(seed), template()
    paths = []
    for at in range(count):
        path = folder / f"night{at // 60:04d}" / f"image{at % 60:02d}.fits"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(header_text(header, at, rng) + bytes(2880))
        paths.append(path)
    return paths


def one_header(path: Path) -> int:
    with path.open("rb") as file:
        return len(fits.Header.fromfile(file))


def timed(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    now_us = int(np.datetime64("2026-06-01", "us").astype(np.int64))
    around = Circumstances(LATITUDE_DEG, LONGITUDE_DEG, ELEVATION_M, now_us)
    cores = os.cpu_count() or 1
    with tempfile.TemporaryDirectory() as name, ProcessPoolExecutor(cores) as pool:
        paths = write_images(Path(name), options.files)
        list(pool.map(one_header, paths[: 4 * cores]))  # the pool's own start does not count

        def ours() -> None:
            log = read_images(paths, around, answers={"fits.mount_places": "of date"})
            assert len(log.lines) == len(paths), log.set_aside[:3]

        ways: dict[str, Callable[[], object]] = {
            "Header.fromfile, one core": lambda: [one_header(path) for path in paths],
            "Header.fromfile, all cores": lambda: list(pool.map(one_header, paths, chunksize=100)),
            "drift, all cores": ours,
        }
        times = {way: [timed(work) for way_, work in ways.items() if way_ == way] for way in ways}
        for _ in range(options.repeats - 1):
            for way, work in ways.items():
                times[way].append(timed(work))
    best = {way: min(taken) for way, taken in times.items()}
    cards = len(template())
    print(f"{options.files:,} headers of {cards} cards, {cores} cores, best of {options.repeats} in turn")
    for way, taken in best.items():
        print(f"  {way:28} {taken:8.2f} s")
    alone, shared, own = best.values()
    print(f"  ratio {own / shared:.2f} (goal: at most {TARGET_RATIO:.0f}); {own / alone:.2f} to one core")


if __name__ == "__main__":
    main()
