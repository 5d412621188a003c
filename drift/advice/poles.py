"""The true and the refracted pole: how far the axis is from each, and which suits the tracking.

An axis on the true pole driven at the sidereal rate follows the stars as they would stand without air;
refraction then shifts them slowly.  On the refracted pole the lift of the pole itself is followed too.
Neither is right everywhere, so both are worked out over the free sky: unguided, how far a star trails in
one exposure; guided (or driven as refraction asks), how far the corner turns about the middle.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.matters import OpenSky, open_sky
from drift.mount.axis_error import SIDEREAL_RAD_PER_MIN, on_sky
from drift.mount.instrument import hemisphere
from drift.quantities import ARCSEC_PER_RAD, Floats
from drift.sky.air import (
    STANDARD_TEMP_C,
    refracted_place,
    refracted_pole_altitude_arcsec,
    standard_pressure_hpa,
)
from drift.types import Poles

if TYPE_CHECKING:
    from drift.site.file import PierFile


#: The average King rate against the sidereal one: 15.0369 against 15.0411 arcsec/s (from memory).
KING_SHARE = 15.0369 / 15.0411
#: Assumed temperature [deg C], with the standard pressure; seasons and weather change the lift by this
#: share (from -10 to +25 deg C it is 12 % at any latitude).
_LIFT_SD_SHARE = 0.05
#: Nearer to the equator than this the pole is too low for the refraction model [deg].
_LOWEST_POLE_DEG = 10.0
#: Lower than this refraction dominates whatever the axis does [deg]; nearer to the poles a field turns
#: freely.
_LOWEST_DEG, _NEAREST_POLE_DEG = 20.0, 80.0
#: The poles count as equally good when one is not better by this share, or both are below so many pixels.
_BETTER_BY, _TOO_SMALL_PIXELS = 0.2, 0.1
#: Half the length over which the turn of the field is taken [rad].
_HALF_FIELD = math.radians(0.25)


def lift_of(site: PierFile) -> tuple[float, float]:
    """Return how high the refracted pole stands above the true one, and the sd [arcsec]; 0 at the equator."""
    if abs(site.site.latitude_deg) < _LOWEST_POLE_DEG:
        return 0.0, 0.0
    pressure = standard_pressure_hpa(site.site.elevation_m)
    lift = float(refracted_pole_altitude_arcsec(site.site.latitude_deg, STANDARD_TEMP_C, pressure))
    return lift, _LIFT_SD_SHARE * lift


def pole_offset(site: PierFile) -> Floats:
    """Return the pole that the site file aims at as (az_error, alt_error) against the true pole [arcsec]."""
    return np.array([0.0, lift_of(site)[0] if site.mount.pole == "refracted" else 0.0])


def poles_of(site: PierFile, axis: Floats, sd: Floats) -> Poles:
    """Return how far the axis is from both poles, and which suits the tracking.

    Parameters
    ----------
    site
        Its tracking, optics and horizon.
    axis, sd
        (az_error, alt_error) against the true pole, with standard deviations [arcsec].
    """
    latitude = math.radians(site.site.latitude_deg)
    lift, lift_sd = lift_of(site)
    true = on_sky(axis, sd, latitude)
    refracted = on_sky(axis - [0.0, lift], np.hypot(sd, [0.0, lift_sd]), latitude)
    sizes = _sizes(site, lift)
    return Poles(
        true_arcmin=true[0] / 60.0,
        true_sd_arcmin=true[1] / 60.0,
        refracted_arcmin=refracted[0] / 60.0,
        refracted_sd_arcmin=refracted[1] / 60.0,
        lift_arcsec=lift,
        lift_sd_arcsec=lift_sd,
        aimed_at=str(site.mount.pole),
        suits=_suits(sizes),
        true_pixels=None if sizes is None else sizes[0],
        refracted_pixels=None if sizes is None else sizes[1],
        star_held=_held(site),
    )


def _suits(sizes: tuple[float, float] | None) -> str:
    if sizes is None or max(sizes) < _TOO_SMALL_PIXELS:
        return "either"
    small, large = sorted(sizes)
    if small > (1.0 - _BETTER_BY) * large:
        return "either"
    return "true" if sizes[0] < sizes[1] else "refracted"


def _held(site: PierFile) -> bool:
    """Whether a star is held still whatever the axis does, so that only field rotation is left."""
    return bool(site.optics.guided) or site.mount.tracking == "refraction"


def _sizes(site: PierFile, lift: float) -> tuple[float, float] | None:
    """Return what an axis on the true and on the refracted pole does over the sky, rms [pixels]."""
    sky = open_sky(site)
    sky = sky.only((sky.altitude >= _LOWEST_DEG) & (np.abs(sky.declination) <= _NEAREST_POLE_DEG))
    if not sky.declination.size or lift == 0.0:
        return None
    optics = site.optics
    if _held(site):
        corner = math.hypot(optics.sensor_width_mm, optics.sensor_height_mm) / 2.0
        per_rad, effect = corner * 1000.0 / optics.pixel_um, corner_turn
    else:
        per_rad, effect = optics.focal_length_mm * 1000.0 / optics.pixel_um, refracted_trail
    raised = [effect(site, sky, alt_error) for alt_error in (0.0, lift)]
    true, refracted = (per_rad * float(np.sqrt(np.mean(one**2))) for one in raised)
    return true, refracted


def refracted_trail(site: PierFile, sky: OpenSky, alt_error: float) -> Floats:
    """Return how far a star trails in one exposure with an axis `alt_error` [arcsec] above the true pole.

    Returns
    -------
    numpy.ndarray
        (n,) [rad], the air's own shift included.
    """
    (hour_0, dec_0), (hour_1, dec_1), passed = _ends(site, sky, alt_error, 0.0)
    rate = KING_SHARE if site.mount.tracking == "king" else 1.0
    along = (hour_1 - hour_0 - rate * passed) * np.cos(dec_0)
    return np.asarray(np.hypot(along, dec_1 - dec_0))


def corner_turn(site: PierFile, sky: OpenSky, alt_error: float) -> Floats:
    """Return by how much the field turns about a star held still in one exposure, (n,) [rad]."""
    (hour_n0, dec_n0), (hour_n1, dec_n1), _ = _ends(site, sky, alt_error, _HALF_FIELD)
    (hour_s0, dec_s0), (hour_s1, dec_s1), _ = _ends(site, sky, alt_error, -_HALF_FIELD)
    first = np.arctan2((hour_n0 - hour_s0) * np.cos(dec_s0), dec_n0 - dec_s0)
    last = np.arctan2((hour_n1 - hour_s1) * np.cos(dec_s1), dec_n1 - dec_s1)
    return np.asarray(last - first)


def _ends(
    site: PierFile, sky: OpenSky, alt_error: float, north: float
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats], float]:
    """Return a star's place in the mount's frame at start and end of an exposure, and the turn between."""
    passed = SIDEREAL_RAD_PER_MIN * site.optics.exposure_s / 60.0
    hour, dec = np.radians(sky.hour_angle), np.radians(sky.declination) + north
    start, end = (_in_mount(site, hour + shift, dec, alt_error) for shift in (-passed / 2.0, passed / 2.0))
    return start, (start[0] + (end[0] - start[0]) % (2.0 * np.pi), end[1]), passed


def _in_mount(site: PierFile, hour: Floats, dec: Floats, alt_error: float) -> tuple[Floats, Floats]:
    """Return where the mount sees a star whose axis stands `alt_error` [arcsec] above the true pole."""
    pressure = float(standard_pressure_hpa(site.site.elevation_m))
    hour, dec = refracted_place(hour, dec, site.site.latitude_deg, STANDARD_TEMP_C, pressure)
    # raising the elevated end turns the frame about its east axis: meridian toward the ground
    lift = hemisphere(math.radians(site.site.latitude_deg)) * alt_error / ARCSEC_PER_RAD
    meridian, west, pole = np.cos(dec) * np.cos(hour), np.cos(dec) * np.sin(hour), np.sin(dec)
    turned_meridian = meridian * math.cos(lift) - pole * math.sin(lift)
    turned_pole = pole * math.cos(lift) + meridian * math.sin(lift)
    return np.arctan2(west, turned_meridian), np.arcsin(turned_pole)
