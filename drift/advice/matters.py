"""Does the axis error matter: what the optics of the site file tolerate, against what there is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drift.advice.axis_error import error_for_rotation, error_for_trail
from drift.advice.result import Matter
from drift.advice.words import arcmin, plain_arcmin
from drift.quantities import ARCSEC_PER_RAD

if TYPE_CHECKING:
    from drift.pierfile import PierFile

#: A star may trail, or a corner be smeared, by this many pixels: beyond one the
#: star is longer than wide on any sampling (common practice).
TRAIL_PIXELS = 1.0
#: Assumed from the guide star to the farthest corner [mm]: half the diagonal of
#: an 18 x 24 mm sensor, the guide star being near the middle.
CORNER_MM = 15.0


def matters_of(site: PierFile, error_arcsec: float, sd_arcsec: float) -> tuple[Matter, ...]:
    """Say for the site's optics how large the axis error may be, and how large it is.

    Parameters
    ----------
    site
        Its `optics`: without focal length, pixel and exposure there is nothing to say.
    error_arcsec, sd_arcsec
        Angle on the sky between axis and pole, with its standard deviation [arcsec].

    Returns
    -------
    matters
        Guided: field rotation at the corner.  Unguided: trailing, which is then the larger of
        the two wherever the sensor is smaller than the focal length.
    """
    optics = site.optics
    if not (optics.focal_length_mm and optics.pixel_um and optics.exposure_s):
        return ()
    if optics.guided:
        return (_rotation(site, error_arcsec, sd_arcsec),)
    return (_trailing(site, error_arcsec, sd_arcsec),)


def _trailing(site: PierFile, error: float, sd: float) -> Matter:
    optics = site.optics
    pixel_arcsec = optics.pixel_um / 1000.0 / optics.focal_length_mm * ARCSEC_PER_RAD
    allowed = error_for_trail(TRAIL_PIXELS * pixel_arcsec, optics.exposure_s)
    habit = (
        f'a star may trail by {TRAIL_PIXELS:g} pixel ({pixel_arcsec:.2f}") in an unguided exposure of '
        f"{optics.exposure_s:g} s, where in the sky it trails most"
    )
    return _matter("trailing in one exposure", habit, allowed, error, sd)


def _rotation(site: PierFile, error: float, sd: float) -> Matter:
    optics = site.optics
    declination = optics.typical_declination_deg or 0.0
    allowed = error_for_rotation(TRAIL_PIXELS * optics.pixel_um, CORNER_MM, optics.exposure_s, declination)
    habit = (
        f"the field may turn about the guide star by {TRAIL_PIXELS:g} pixel at a corner {CORNER_MM:g} mm "
        f"from it (assumed) in a guided exposure of {optics.exposure_s:g} s at declination {declination:g}°"
    )
    return _matter("field rotation in one guided exposure", habit, allowed, error, sd)


def _matter(name: str, habit: str, allowed: float, error: float, sd: float) -> Matter:
    margin = (allowed - error) / 60.0
    verdict = f"{plain_arcmin(margin)} to spare" if margin >= 0 else f"{plain_arcmin(-margin)} too much"
    sentence = (
        f"{name.capitalize()}: the axis may be off by up to {plain_arcmin(allowed / 60.0)} if {habit}; "
        f"it is off by {arcmin(error, sd)}: {verdict}."
    )
    return Matter(name, allowed / 60.0, error / 60.0, sd / 60.0, sentence)
