"""Does the axis error matter: what it does at each place on the sky, and what optics and habits tolerate."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from drift.codes import AxisBound, EffectUnit, HourAngleZero
from drift.mount.axis_error import on_sky, parts_on_sky, turned
from drift.notices import AdviceCode, Notice, info
from drift.quantities import ARCSEC_PER_RAD, Bools, Floats
from drift.types import AtPlace, Matter

if TYPE_CHECKING:
    from drift.site.file import PierFile


# ---- What an axis error does at each place on the sky, to first order, as matrices.
#
# An effect at a place is ``M a`` with the axis error on the sky
# ``a = (a_alt, a_az)``: ``a_alt = s alt_error`` and ``a_az = az_error cos(phi)``.
# So the mount sees a star displaced by
#
#     dDec = a_alt cos H - a_az sin H,    dHA cos D = sin D (a_alt sin H + a_az cos H)
#
# and turned about itself by ``(a_alt sin H + a_az cos H) / cos D`` [1]_.  Over an
# exposure in the middle of which the hour angle is H the differences are those
# of the two ends.  The largest singular value of M says what an error of unit size does
# there in the worst direction, the length of ``M a`` what the present one does.
#
# .. [1] Derived here, and tested against exact rotations; M. A. Covington, Astrophotography for the Amateur
#    (Cambridge 1999), appendix B, names W. Chauvenet (1876), vol. 2, pp. 367-390, for the full treatment.


def trail(sky: OpenSky, exposure_s: float) -> Floats:
    """Return how a tracked star moves in the mount's frame from start to end, (n, 2, 2).

    Rows: west on the sky (hour angle times cos D), declination; radians for an error in radians.
    """
    sin_h, cos_h, sin_d = _sin(sky.hour_angle), _cos(sky.hour_angle), _sin(sky.declination)
    west = np.stack([sin_d * cos_h, -sin_d * sin_h], axis=-1)
    north = np.stack([-sin_h, -cos_h], axis=-1)
    return turned(exposure_s) * np.stack([west, north], axis=1)


def rotation(sky: OpenSky, exposure_s: float) -> Floats:
    """Return how the field turns about a star held still, (n, 1, 2); infinite at the poles of the sky."""
    cos_d = np.maximum(_cos(sky.declination), 1e-9)
    turn = np.stack([_cos(sky.hour_angle), -_sin(sky.hour_angle)], axis=-1) / cos_d[:, None]
    return turned(exposure_s) * turn[:, None, :]


def goto_miss(sky: OpenSky, synced_at: OpenSky | None) -> Floats:
    """Return how far a slew misses, (n, 2, 2), rows as in `trail`.

    Parameters
    ----------
    sky
        Places slewed to.
    synced_at
        The one place on which hour angle and declination were set before; None
        where the mount keeps true zeros.
    """
    miss = _displacement(sky)
    if synced_at is None:
        return miss
    here, cos_d = _displacement(synced_at)[0], _cos(sky.declination)
    miss[:, 1] -= here[1]
    # the hour angle, not its length on the sky, is what a sync sets
    miss[:, 0] -= cos_d[:, None] / max(float(_cos(synced_at.declination)[0]), 1e-9) * here[0]
    return miss


def worst_direction(matrices: Floats) -> Floats:
    """Return what an error of unit size does at most, whichever way it points, (n,)."""
    return np.asarray(np.linalg.norm(matrices, ord=2, axis=(1, 2)))


def of_error(matrices: Floats, axis: Floats) -> Floats:
    """Return what the axis error (a_alt, a_az) does at each place, (n,), in the unit of `axis`."""
    return np.asarray(np.linalg.norm(matrices @ axis, axis=1))


def _displacement(sky: OpenSky) -> Floats:
    sin_h, cos_h, sin_d = _sin(sky.hour_angle), _cos(sky.hour_angle), _sin(sky.declination)
    west = np.stack([sin_d * sin_h, sin_d * cos_h], axis=-1)
    return np.stack([west, np.stack([cos_h, -sin_h], axis=-1)], axis=1)


def _sin(degrees: Floats) -> Floats:
    return np.asarray(np.sin(np.radians(degrees)))


def _cos(degrees: Floats) -> Floats:
    return np.asarray(np.cos(np.radians(degrees)))


# ---- The part of the sky that the horizon leaves, as a grid of places.


#: Step of the grid in hour angle and declination [deg].
_STEP_DEG = 5.0


@dataclass(frozen=True, kw_only=True)
class OpenSky:
    """Places above the horizon; all arrays are (n,).

    Hour angle positive west, declination positive north, bearing clockwise
    from true north [deg].
    """

    latitude_deg: float
    hour_angle: Floats = field(repr=False)
    declination: Floats = field(repr=False)
    bearing: Floats = field(repr=False)
    altitude: Floats = field(repr=False)

    def only(self, keep: Bools) -> OpenSky:
        """Return those places for which `keep` (n,) is true."""
        return OpenSky(
            latitude_deg=self.latitude_deg,
            hour_angle=self.hour_angle[keep],
            declination=self.declination[keep],
            bearing=self.bearing[keep],
            altitude=self.altitude[keep],
        )


def open_sky(site: PierFile) -> OpenSky:
    """Return a grid over all places that stand above the site's horizon."""
    hours, decs = np.arange(-180.0, 180.0, _STEP_DEG), np.arange(-90.0, 90.1, _STEP_DEG)
    hour_angle, declination = (grid.ravel() for grid in np.meshgrid(hours, decs))
    sky = _placed(site.site.latitude_deg, hour_angle, declination)
    return sky.only(sky.altitude > horizon_at(site, sky.bearing))


def usual_declination(site: PierFile) -> OpenSky:
    """Return the usual declination on the meridian, whether the horizon leaves it free or not."""
    return _placed(site.site.latitude_deg, np.zeros(1), np.array([site.optics.typical_declination_deg]))


def usual_place(site: PierFile) -> OpenSky:
    """Return the place where the usual declination is highest in the free sky; or none."""
    hours = np.arange(-180.0, 180.0, 1.0)
    sky = _placed(site.site.latitude_deg, hours, np.full(hours.size, site.optics.typical_declination_deg))
    sky = sky.only(sky.altitude > horizon_at(site, sky.bearing))
    # the pole itself is equally high at every hour
    best = np.lexsort((np.abs(sky.hour_angle), -np.round(sky.altitude, 6)))[:1]
    return sky.only(np.isin(np.arange(sky.hour_angle.size), best))


def _placed(latitude_deg: float, hour_angle: Floats, declination: Floats) -> OpenSky:
    phi, hour, dec = np.radians(latitude_deg), np.radians(hour_angle), np.radians(declination)
    up = np.sin(phi) * np.sin(dec) + np.cos(phi) * np.cos(dec) * np.cos(hour)
    north = np.cos(phi) * np.sin(dec) - np.sin(phi) * np.cos(dec) * np.cos(hour)
    east = -np.cos(dec) * np.sin(hour)
    altitude = np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))
    return OpenSky(
        latitude_deg=latitude_deg,
        hour_angle=hour_angle,
        declination=declination,
        bearing=np.degrees(np.arctan2(east, north)),
        altitude=altitude,
    )


def horizon_at(site: PierFile, bearing_deg: Floats) -> Floats:
    """Return the altitude of the horizon at bearings; it runs straight between the points given."""
    outline = site.horizon.altitude_deg
    if not outline:
        return np.zeros(np.shape(bearing_deg))
    bearings, altitudes = zip(*outline, strict=True)
    return np.asarray(np.interp(bearing_deg, bearings, altitudes, period=360.0))


# ---- What optics and habits tolerate, against the present error.
#
# Each effect is proportional to the axis error and depends on where it points and on the place on the sky
# (`drift.advice.matters`).  "May be off by up to" holds for an error in any direction; with it comes what
# the present error does where it shows most in the free sky, and at the usual declination.


#: A star may trail, or a corner be smeared, by this many pixels: beyond one the
#: star is longer than wide on any sampling (common practice).
TRAIL_PIXELS = 1.0
#: Share of the field that a stack may lose [percent]: less than dithering costs (our own choice).
OVERLAP_PERCENT = 5.0
#: Nearer to the celestial poles than this a field turns without bound about a guide star [deg].
NEAREST_POLE_DEG = 80.0


@dataclass(frozen=True, kw_only=True)
class _Effect:
    """One effect: its size is ``scale |M a|`` with the axis error a in arcsec, and may be `most`."""

    bound: AxisBound
    limit: Notice  # the limit that is reached
    unit: EffectUnit
    most: float
    scale: float
    matrices: Callable[[OpenSky], Floats]
    everywhere: bool = False  # whether it is limited wherever in the sky it happens
    near_poles: bool = True
    binding: bool = True


def matters_of(site: PierFile, axis: Floats, sd: Floats) -> tuple[Matter, ...]:
    """Return, for the site's optics, how large the axis error may be and how large it is.

    Parameters
    ----------
    site
        Its `optics`, `horizon` and whether the mount keeps its hour-angle zero.
    axis, sd
        (az_error, alt_error) against the pole aimed at, with standard deviations, shape (2,) [arcsec].
    """
    sky, usual = open_sky(site), usual_place(site)
    made = [e for e in _effects(site) if sky.declination.size or not e.everywhere]
    return tuple(_matter(site, effect, sky, usual, axis, sd) for effect in made)


def _effects(site: PierFile) -> Iterator[_Effect]:
    optics = site.optics
    if not optics.guided:
        yield _trailing(site)
    yield _rotation(site, optics.exposure_s)
    yield _rotation_of_a_session(site)
    yield _overlap_guided(site) if optics.guided else _overlap_unguided(site)
    yield _goto(site)


def _trailing(site: PierFile) -> _Effect:
    optics = site.optics
    pixel = optics.pixel_um / 1000.0 / optics.focal_length_mm * ARCSEC_PER_RAD
    return _Effect(
        bound=AxisBound.TRAILING,
        limit=info(
            AdviceCode.TRAILS, most_pixels=TRAIL_PIXELS, pixel_arcsec=pixel, exposure_s=optics.exposure_s
        ),
        unit=EffectUnit.PIXELS,
        most=TRAIL_PIXELS,
        scale=1.0 / pixel,
        matrices=_for_time(trail, optics.exposure_s),
    )


def _rotation(site: PierFile, exposure_s: float) -> _Effect:
    return _Effect(
        bound=AxisBound.CORNER_ROTATION,
        limit=info(
            AdviceCode.CORNER_TURNS,
            most_pixels=TRAIL_PIXELS,
            exposure_s=exposure_s,
            declination_deg=_turning_declination(site),
        ),
        unit=EffectUnit.PIXELS,
        most=TRAIL_PIXELS,
        scale=_pixels_at_corner(site),
        matrices=_for_time(rotation, exposure_s),
        near_poles=False,
    )


def _rotation_of_a_session(site: PierFile) -> _Effect:
    minutes = site.optics.session_min
    return _Effect(
        bound=AxisBound.SESSION_ROTATION,
        limit=info(
            AdviceCode.SESSION_TURNS,
            most_pixels=TRAIL_PIXELS,
            session_min=minutes,
            declination_deg=_turning_declination(site),
        ),
        unit=EffectUnit.PIXELS,
        most=TRAIL_PIXELS,
        scale=_pixels_at_corner(site),
        matrices=_for_time(rotation, 60.0 * minutes),
        near_poles=False,
        binding=False,
    )


def _overlap_unguided(site: PierFile) -> _Effect:
    optics = site.optics
    short = min(optics.sensor_width_mm, optics.sensor_height_mm) / optics.focal_length_mm * ARCSEC_PER_RAD
    return _Effect(
        bound=AxisBound.OVERLAP,
        limit=info(AdviceCode.OVERLAP_SHIFTED, most_percent=OVERLAP_PERCENT, session_min=optics.session_min),
        unit=EffectUnit.PERCENT,
        most=OVERLAP_PERCENT,
        scale=100.0 / short,
        matrices=_for_time(trail, 60.0 * optics.session_min),
    )


def _overlap_guided(site: PierFile) -> _Effect:
    """Guided frames turn about the middle: of w x h the area (w^2 + h^2) / 4 times the turn is lost."""
    width, height = site.optics.sensor_width_mm, site.optics.sensor_height_mm
    minutes = site.optics.session_min
    return _Effect(
        bound=AxisBound.OVERLAP,
        limit=info(
            AdviceCode.OVERLAP_TURNED,
            most_percent=OVERLAP_PERCENT,
            session_min=minutes,
            declination_deg=_turning_declination(site),
        ),
        unit=EffectUnit.PERCENT,
        most=OVERLAP_PERCENT,
        scale=100.0 * (width**2 + height**2) / (4.0 * width * height) / ARCSEC_PER_RAD,
        matrices=_for_time(rotation, 60.0 * minutes),
        near_poles=False,
    )


def _goto(site: PierFile) -> _Effect:
    optics, kept = site.optics, site.mount.hour_angle_zero == HourAngleZero.KEPT
    short = min(optics.sensor_width_mm, optics.sensor_height_mm) / optics.focal_length_mm * ARCSEC_PER_RAD
    field = optics.goto_field_arcmin or short / 60.0
    star = _not_at_pole(usual_declination(site))

    def matrices(sky: OpenSky) -> Floats:
        return goto_miss(sky, None if kept else star)

    return _Effect(
        bound=AxisBound.GOTO,
        limit=info(
            AdviceCode.SLEW_MISSES,
            field_arcmin=field,
            synced_at_declination_deg=None if kept else float(star.declination[0]),
        ),
        unit=EffectUnit.ARCMIN,
        most=field / 2.0,
        scale=1.0 / 60.0,
        matrices=matrices,
        everywhere=True,
    )


def _matter(
    site: PierFile, effect: _Effect, sky: OpenSky, usual: OpenSky, axis: Floats, sd: Floats
) -> Matter:
    latitude = math.radians(site.site.latitude_deg)
    error, error_sd = on_sky(axis, sd, latitude)
    limiting = usual_declination(site)
    if not effect.near_poles:
        sky = sky.only(np.abs(sky.declination) <= NEAREST_POLE_DEG)
        limiting = _not_at_pole(limiting)
        usual = _not_at_pole(usual)
    if effect.everywhere:
        limiting = sky
    most = effect.scale * float(worst_direction(effect.matrices(limiting)).max())
    parts = parts_on_sky(axis, latitude)
    return Matter(
        effect=effect.bound,
        limit=effect.limit,
        allowed_arcmin=effect.most / most / 60.0,
        now_arcmin=error / 60.0,
        now_sd_arcmin=error_sd / 60.0,
        worst=_at_place(effect, sky, parts, error),
        usual=_at_place(effect, usual, parts, error),
        binding=effect.binding,
    )


def _at_place(effect: _Effect, sky: OpenSky, parts: Floats, error: float) -> AtPlace | None:
    """Return what the present error does at the worst of some places; None where there is none."""
    if not sky.declination.size or not error > 0.0:
        return None
    sizes = effect.scale * of_error(effect.matrices(sky), parts)
    k = int(np.argmax(np.round(sizes, 9)))
    size = float(sizes[k])
    allowed = error * effect.most / size if size > 0.0 else math.inf
    return AtPlace(
        bearing_deg=float(sky.bearing[k] % 360.0),
        altitude_deg=float(sky.altitude[k]),
        hour_angle_deg=float(sky.hour_angle[k]),
        declination_deg=float(sky.declination[k]),
        allowed_arcmin=allowed / 60.0,
        effect=size,
        unit=effect.unit,
    )


def _for_time(of: Callable[[OpenSky, float], Floats], seconds: float) -> Callable[[OpenSky], Floats]:
    return lambda sky: of(sky, seconds)


def _corner_mm(site: PierFile) -> float:
    return math.hypot(site.optics.sensor_width_mm, site.optics.sensor_height_mm) / 2.0


def _pixels_at_corner(site: PierFile) -> float:
    return _corner_mm(site) * 1000.0 / site.optics.pixel_um / ARCSEC_PER_RAD


def _turning_declination(site: PierFile) -> float:
    """Return the usual declination [deg], away from the pole, where a field turns by a bounded angle."""
    declination = site.optics.typical_declination_deg
    return math.copysign(min(abs(declination), NEAREST_POLE_DEG), declination)


def _not_at_pole(place: OpenSky) -> OpenSky:
    """Return a place moved away from the pole of the sky to where a field still turns by a bounded angle."""
    held = np.clip(place.declination, -NEAREST_POLE_DEG, NEAREST_POLE_DEG)
    return replace(place, declination=held)
