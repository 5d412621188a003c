"""Invented solves as FITS images: headers that camera programs and plate solvers leave, and few pixels.

For tests alone: nothing of the product writes images.
"""

from __future__ import annotations

import gzip
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    from astropy.io.fits import Header


Cards = Mapping[str, Any]

WIDE, HIGH = 64, 48  # a real camera has a hundred times as many; nobody looks at them
SCALE_DEG = 1.2 / 3600.0  # a pixel


def wcs_cards(ra_deg: float, dec_deg: float, pa_deg: float = 0.0, projection: str = "TAN") -> dict[str, Any]:
    """Return the WCS of an image with its middle at an ICRS place and its rows going up toward `pa_deg`."""
    turn = np.radians(pa_deg)
    return {
        "CTYPE1": f"RA---{projection}",
        "CTYPE2": f"DEC--{projection}",
        "CRVAL1": ra_deg,
        "CRVAL2": dec_deg,
        "CRPIX1": (WIDE + 1) / 2,
        "CRPIX2": (HIGH + 1) / 2,
        "CUNIT1": "deg",
        "CUNIT2": "deg",
        "CD1_1": -SCALE_DEG * np.cos(turn),
        "CD1_2": SCALE_DEG * np.sin(turn),
        "CD2_1": SCALE_DEG * np.sin(turn),
        "CD2_2": SCALE_DEG * np.cos(turn),
        "RADESYS": "ICRS",
    }


def write_image(path: Path, cards: Cards, packed: bool = False) -> Path:
    """Write an image with a header.

    Parameters
    ----------
    path
        The file; with a name that ends in ``.gz`` it is zipped.
    cards
        Keyword -> value; one whose value is None is left out.
    packed
        Whether it is a tiled-compressed image, as in ``.fz`` files.
    """
    from astropy.io import fits

    header = fits.Header()
    for key, value in cards.items():
        if value is not None:
            header[key] = value
    path.parent.mkdir(parents=True, exist_ok=True)
    if packed:
        image = fits.CompImageHDU(np.zeros((HIGH, WIDE), np.int16), header, compression_type="RICE_1")
        fits.HDUList([fits.PrimaryHDU(), image]).writeto(path, overwrite=True)
        return path
    data = _plain_file(header)
    path.write_bytes(gzip.compress(data, mtime=0) if path.suffix == ".gz" else data)
    return path


def _plain_file(header: Header) -> bytes:
    """Return an image of zeros (FITS Standard 4.0, sect. 3.3): header and pixels in whole blocks."""
    from astropy.io import fits

    first = [("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 2), ("NAXIS1", WIDE), ("NAXIS2", HIGH)]
    whole = fits.Header(first)
    whole.extend(header, bottom=True)
    pixels = WIDE * HIGH * 2
    return whole.tostring().encode("ascii") + bytes(pixels + -pixels % 2880)


def write_solves(table: pd.DataFrame, folder: Path) -> tuple[Path, ...]:
    """Write solves, with the columns of `drift.types`, as images, in a folder for each UTC date."""
    paths = []
    for number, row in enumerate(table.itertuples(index=False)):
        cards = solve_cards(row._asdict())
        path = folder / cards["DATE-OBS"][:10] / f"image{number:05d}.fits"
        paths.append(write_image(path, cards))
    return tuple(paths)


def solve_cards(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return the header of one solve; DATE-OBS is the start of the exposure."""
    exposure_s = float(row.get("exposure_s", 20.0))
    start = np.datetime64(int(row["time_us"]) - round(exposure_s * 5e5), "us")
    pa_deg = float(row.get("pa_deg", 0.0))
    side = str(row.get("tube_side", "")).upper()
    return {
        "DATE-OBS": str(start),
        "EXPTIME": exposure_s,
        "RA": _known(row.get("mount_ra_deg")),
        "DEC": _known(row.get("mount_dec_deg")),
        "PIERSIDE": side or None,
        "AMBTEMP": _known(row.get("temp_c")),
        "PRESSURE": _known(row.get("pressure_hpa")),
        **wcs_cards(float(row["ra_deg"]), float(row["dec_deg"]), 0.0 if np.isnan(pa_deg) else pa_deg),
    }


def _known(value: float | None) -> float | None:
    return None if value is None or np.isnan(value) else float(value)
