"""Places of date against astropy's frames, and back again."""

from __future__ import annotations

import numpy as np
import pytest

from drift.sky.of_date import apparent_place, icrs_of_apparent, icrs_of_mean, mean_place

#: The nodes' own error, 1.2 mas in the equation of the origins (drift/sky/nodes.py), and astropy's use
#: of UT1.
APPARENT_ARCSEC = 0.003
#: astropy's mean frame of date leaves the frame bias out (0.02 arcsec; IERS Conventions 2010, sect. 5.4.4).
MEAN_ARCSEC = 0.04
#: What is asked of the parser.
BACK_DEG = 1e-9


def places() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    time_us = 1_300_000_000_000_000 + rng.integers(0, 400_000_000, 200) * 1_000_000
    return time_us, rng.uniform(0.0, 360.0, 200), np.degrees(np.arcsin(rng.uniform(-0.98, 0.98, 200)))


def separation_arcsec(frame: object, first: tuple, second: tuple) -> np.ndarray:
    from astropy.coordinates import SkyCoord

    return (
        SkyCoord(*first, unit="deg", frame=frame)
        .separation(SkyCoord(*second, unit="deg", frame=frame))
        .arcsec
    )


@pytest.mark.parametrize(
    ("name", "turn", "tolerance"),
    [("TETE", apparent_place, APPARENT_ARCSEC), ("FK5", mean_place, MEAN_ARCSEC)],
)
def test_against_astropy(name: str, turn, tolerance: float) -> None:
    from astropy.coordinates import FK5, TETE, SkyCoord
    from astropy.time import Time

    from drift.ingest.astropy_tables import astropy_offline

    time_us, ra, dec = places()
    with astropy_offline():
        when = Time(time_us / 1e6, format="unix", scale="utc")
        frame = TETE(obstime=when) if name == "TETE" else FK5(equinox=when)
        there = SkyCoord(ra, dec, unit="deg").transform_to(frame)
        apart = separation_arcsec(frame, (there.ra.deg, there.dec.deg), turn(time_us, ra, dec))
    assert apart.max() < tolerance


@pytest.mark.parametrize(("there", "back"), [(apparent_place, icrs_of_apparent), (mean_place, icrs_of_mean)])
def test_there_and_back(there, back) -> None:
    time_us, ra, dec = places()
    again_ra, again_dec = back(time_us, *there(time_us, ra, dec))
    assert np.abs((again_ra - ra + 180.0) % 360.0 - 180.0).max() < BACK_DEG
    assert np.abs(again_dec - dec).max() < BACK_DEG


def test_precession_in_right_ascension_is_three_seconds_a_year() -> None:
    """On the equator at 0 h: m = 3.075 s a year, n = 20.04 arcsec (Meeus ch. 21, from memory)."""
    time_us = np.array([np.datetime64("2025-01-01", "us").astype(np.int64)])
    ra, dec = mean_place(time_us, np.array([0.0]), np.array([0.0]))
    assert ra[0] * 240.0 / 25.0 == pytest.approx(3.075, abs=0.002)
    assert dec[0] * 3600.0 / 25.0 == pytest.approx(20.04, abs=0.02)
