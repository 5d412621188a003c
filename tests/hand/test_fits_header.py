"""FITS files built by hand, block by block: which header is the image's, and how its values are read."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from drift.demo.files import HIGH, WIDE, wcs_cards, write_image
from drift.ingest.fits_header import Cards, HeaderTrouble, image_headers
from drift.notices import ImageCode


def block(*cards: str) -> bytes:
    text = "".join(card.ljust(80) for card in (*cards, "END"))
    return text.ljust(-(-len(text) // 2880) * 2880).encode("latin-1")


EMPTY = ("SIMPLE  =                    T", "BITPIX  =                    8", "NAXIS   =                    0")
IMAGE = (
    "XTENSION= 'IMAGE   '",
    "BITPIX  =                   16",
    "NAXIS   =                    2",
    "NAXIS1  =                   40",
    "NAXIS2  =                   40",  # 3200 bytes of pixels: two blocks
    "PCOUNT  =                    0",
    "GCOUNT  =                    1",
)
PACKED = (
    "XTENSION= 'BINTABLE'",
    "BITPIX  =                    8",
    "NAXIS   =                    2",
    "NAXIS1  =                    8",
    "NAXIS2  =                   40",
    "PCOUNT  =                 5000",  # the heap: 320 + 5000 bytes, two blocks
    "GCOUNT  =                    1",
    "ZIMAGE  =                    T",
    "ZNAXIS  =                    2",
    "ZNAXIS1 =                  600",
    "ZNAXIS2 =                  400",
)


def test_pixels_and_heaps_are_stepped_over(tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    path.write_bytes(
        block(*EMPTY, "OBJECT  = 'M 31'")
        + block(*IMAGE)
        + bytes(5760)
        + block(*PACKED)
        + bytes(5760)
        + block(*IMAGE)
        + bytes(5760)
    )
    found = list(image_headers(path))
    assert [(one.hdu, one.axes) for one in found] == [(1, (40, 40)), (2, (600, 400)), (3, (40, 40))]
    assert all(one.text("OBJECT") == "M 31" for one in found)


def test_a_file_cut_off_within_its_pixels_still_has_a_header(tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    path.write_bytes(block(*EMPTY[:2], "NAXIS   =  2", "NAXIS1  =  4000", "NAXIS2  =  3000") + bytes(100))
    (only,) = image_headers(path)
    assert only.axes == (4000, 3000)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", ImageCode.EMPTY),
        (b"time_utc,ra_deg\n", ImageCode.NOT_FITS),
        (block(*EMPTY)[:80], ImageCode.CUT_OFF),
        (block(*EMPTY)[:2800].replace(b"END", b"   "), ImageCode.CUT_OFF),
        (gzip.compress(block(*EMPTY), mtime=0)[:40], ImageCode.GZIP_BROKEN),
        (gzip.compress(block(*EMPTY), mtime=0)[:12] + b"\xff" * 40, ImageCode.GZIP_BROKEN),
    ],
)
def test_what_is_no_fits_file_says_why(data: bytes, reason: ImageCode, tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    path.write_bytes(data)
    with pytest.raises(HeaderTrouble) as trouble:
        list(image_headers(path))
    assert trouble.value.notice.code is reason


@pytest.mark.parametrize(
    ("card", "value"),
    [
        ("KEY     = 'it''s   '           / a text", "it's"),
        ("KEY     = ''", ""),
        ("KEY     =                   12 / twelve", 12.0),
        ("KEY     = -1.5D-3", -0.0015),
        ("KEY     =  .5", 0.5),
        ("KEY     =                    T", True),
        ("KEY     =                    F / no", False),
        ("KEY     =                      / nothing", None),
        ("KEY       a remark without a value", None),
        ("KEY     = 'a / within the text' / and after", "a / within the text"),
    ],
)
def test_values(card: str, value: object) -> None:
    assert Cards.of(card.ljust(80).encode()).value("KEY") == value


def test_the_first_of_equal_keywords_counts_and_long_ones_are_found() -> None:
    lines = ("RA      = 10.5", "RA      = 11.5", "HIERARCH ESO TEL ALT = 61.25 / [deg]")
    cards = Cards.of("".join(line.ljust(80) for line in lines).encode())
    assert cards.value("RA") == 10.5
    assert cards.value("ESO TEL ALT") == 61.25
    assert cards.value("HIERARCH ESO TEL ALT") == 61.25
    assert cards.value("ESO TEL AZ") is None


def test_other_alphabets_in_comments_do_no_harm() -> None:
    cards = Cards.of("RA      = 10.5 / in °".ljust(80).encode("latin-1"))
    assert cards.value("RA") == 10.5
    assert cards.block.isascii()


@pytest.mark.parametrize("name", ["plain.fits", "zipped.fits.gz", "packed.fits.fz"])
def test_all_wrappings_give_one_header(name: str, tmp_path: Path) -> None:
    path = write_image(tmp_path / name, wcs_cards(150.0, 20.0), packed=name.endswith(".fz"))
    (only,) = image_headers(path)
    assert only.axes == (WIDE, HIGH)
    assert only.number("CRVAL1") == 150.0
