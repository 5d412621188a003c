"""FITS files for tests: solved images with the header that a camera program writes, and almost no pixels."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

WIDE, HIGH = 64, 48
SCALE_DEG = 1.2 / 3600.0


def wcs_cards(
    ra_deg: float, dec_deg: float, pa_deg: float = 0.0, projection: str = "TAN", off_px: float = 0.0
) -> dict[str, Any]:
    """Return the WCS of an image whose middle, but for `off_px` across, is a place; `pa_deg` turns it."""
    turn = np.radians(pa_deg)
    return {
        "CTYPE1": f"RA---{projection}",
        "CTYPE2": f"DEC--{projection}",
        "CRVAL1": ra_deg,
        "CRVAL2": dec_deg,
        "CRPIX1": (WIDE + 1) / 2 + off_px,
        "CRPIX2": (HIGH + 1) / 2,
        "CUNIT1": "deg",
        "CUNIT2": "deg",
        "CD1_1": -SCALE_DEG * np.cos(turn),
        "CD1_2": SCALE_DEG * np.sin(turn),
        "CD2_1": SCALE_DEG * np.sin(turn),
        "CD2_2": SCALE_DEG * np.cos(turn),
        "RADESYS": "ICRS",
    }


def header_of(cards: Mapping[str, Any]) -> fits.Header:
    """Return a header with some cards; a keyword whose value is None is left out."""
    header = fits.Header()
    for key, value in cards.items():
        if value is not None:
            header[key] = value
    return header


def write_image(path: Path, cards: Mapping[str, Any], packed: bool = False) -> Path:
    """Write an image; ``packed`` as a tiled-compressed one, a name that ends in .gz as a zipped one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    pixels = np.zeros((HIGH, WIDE), dtype=np.int16)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if packed:
            image = fits.CompImageHDU(pixels, header_of(cards), compression_type="RICE_1")
            fits.HDUList([fits.PrimaryHDU(), image]).writeto(path, overwrite=True)
        else:
            fits.PrimaryHDU(pixels, header_of(cards)).writeto(path, overwrite=True)
    return path


def sexagesimal(degrees: float, decimals: int, sign: bool = False) -> str:
    """Write hours or degrees in parts of sixty, with blanks."""
    size = round(abs(degrees) * 3600.0, decimals)
    whole, rest = divmod(size, 3600.0)
    minutes, seconds = divmod(rest, 60.0)
    width = 3 + decimals if decimals else 2
    text = f"{int(whole):02d} {int(minutes):02d} {seconds:0{width}.{decimals}f}"
    return (("-" if degrees < 0 else "+") if sign else "") + text
