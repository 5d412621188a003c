"""Does the axis error matter: what the optics and habits of the site file tolerate, against what there is.

Each effect is proportional to the axis error and depends on where it points and
on the place on the sky (`drift.advice.effects`).  "May be off by up to" holds for an
error in any direction; beside it stands what the present error does where it shows
most in the sky that the horizon leaves, and at the usual declination.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from drift.advice import effects
from drift.advice.axis_error import on_sky, parts_on_sky
from drift.advice.open_sky import OpenSky, open_sky, usual_declination, usual_place, usual_words
from drift.advice.result import AtPlace, Matter
from drift.advice.words import CLOSE_SDS, arcmin, pair, plain_arcmin, rounded_arcmin
from drift.quantities import ARCSEC_PER_RAD, Floats

if TYPE_CHECKING:
    from drift.pierfile import PierFile

#: A star may trail, or a corner be smeared, by this many pixels: beyond one the
#: star is longer than wide on any sampling (common practice).
TRAIL_PIXELS = 1.0
#: So much of the field may be lost to a stack [percent]: less than dithering costs (our own choice).
OVERLAP_PERCENT = 5.0
#: The places are told in words where the axis may be off by less than this many times what it is.
_WORTH_PLACES = 5.0
#: Nearer to the poles of the sky than this a field turns without bound about a guide star [deg].
NEAREST_POLE_DEG = 80.0


@dataclass(frozen=True)
class _Effect:
    """One effect: its size is ``scale |M a|`` with the axis error a in arcsec, and may be `limit`."""

    name: str
    limited: str  # what is reached at the limit: "1 pixel in 180 s"
    unit: str
    limit: float
    scale: float
    matrices: Callable[[OpenSky], Floats]
    everywhere: bool = False  # whether it is limited wherever in the sky it happens
    near_poles: bool = True
    binding: bool = True


def matters_of(site: PierFile, axis: Floats, sd: Floats) -> tuple[Matter, ...]:
    """Say for the site's optics how large the axis error may be, and how large it is.

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
    limited = f'{TRAIL_PIXELS:g} pixel, {pixel:.2f}", in {optics.exposure_s:g} s unguided'
    matrices = _for_time(effects.trail, optics.exposure_s)
    return _Effect("trailing in one exposure", limited, "pixels", TRAIL_PIXELS, 1.0 / pixel, matrices)


def _rotation(site: PierFile, exposure_s: float) -> _Effect:
    limited = f"{TRAIL_PIXELS:g} pixel in {exposure_s:g} s {_at_usual(site)}"
    name = "field rotation at the corner in one exposure"
    matrices = _for_time(effects.rotation, exposure_s)
    scale = _pixels_at_corner(site)
    return _Effect(name, limited, "pixels", TRAIL_PIXELS, scale, matrices, near_poles=False)


def _rotation_of_a_session(site: PierFile) -> _Effect:
    minutes = site.optics.session_min
    limited = (
        f"{TRAIL_PIXELS:g} pixel at the corner in {minutes:g} min {_at_usual(site)}; it counts "
        "only where frames are stacked unturned"
    )
    name = "field rotation over a session, not turned back"
    matrices, scale = _for_time(effects.rotation, 60.0 * minutes), _pixels_at_corner(site)
    return _Effect(name, limited, "pixels", TRAIL_PIXELS, scale, matrices, near_poles=False, binding=False)


def _overlap_unguided(site: PierFile) -> _Effect:
    optics = site.optics
    short = min(optics.sensor_width_mm, optics.sensor_height_mm) / optics.focal_length_mm * ARCSEC_PER_RAD
    limited = f"{OVERLAP_PERCENT:g} % of the sensor's shorter side in {optics.session_min:g} min"
    matrices = _for_time(effects.trail, 60.0 * optics.session_min)
    name = "loss of overlap over a session"
    return _Effect(name, limited, "percent", OVERLAP_PERCENT, 100.0 / short, matrices)


def _overlap_guided(site: PierFile) -> _Effect:
    """Guided frames turn about the middle: of w x h the area (w^2 + h^2) / 4 times the turn is lost."""
    width, height = site.optics.sensor_width_mm, site.optics.sensor_height_mm
    minutes = site.optics.session_min
    scale = 100.0 * (width**2 + height**2) / (4.0 * width * height) / ARCSEC_PER_RAD
    limited = f"{OVERLAP_PERCENT:g} % of the sensor's area in {minutes:g} min {_at_usual(site)}"
    name, matrices = "loss of overlap over a session", _for_time(effects.rotation, 60.0 * minutes)
    return _Effect(name, limited, "percent", OVERLAP_PERCENT, scale, matrices, near_poles=False)


def _goto(site: PierFile) -> _Effect:
    optics, kept = site.optics, site.mount.hour_angle_zero == "kept"
    short = min(optics.sensor_width_mm, optics.sensor_height_mm) / optics.focal_length_mm * ARCSEC_PER_RAD
    field = optics.goto_field_arcmin or short / 60.0
    star = _not_at_pole(usual_declination(site))
    after = "with the zeros that the mount keeps" if kept else f"after a sync {usual_words(star)}"
    limited = f"half the field of {plain_arcmin(field)} anywhere in your sky, {after}"

    def matrices(sky: OpenSky) -> Floats:
        return effects.goto_miss(sky, None if kept else star)

    return _Effect("go-to miss", limited, "arcmin", field / 2.0, 1.0 / 60.0, matrices, everywhere=True)


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
    most = effect.scale * float(effects.worst_direction(effect.matrices(limiting)).max())
    allowed = effect.limit / most
    parts = parts_on_sky(axis, latitude)
    worst = _at_place(effect, sky, parts, error)
    at_usual = _at_place(effect, usual, parts, error, usual_words(usual) if usual.declination.size else "")
    sentence = _sentence(effect, allowed, error, error_sd, worst, at_usual)
    return Matter(
        effect.name,
        allowed / 60.0,
        error / 60.0,
        error_sd / 60.0,
        sentence,
        worst,
        at_usual,
        effect.binding,
    )


def _at_place(effect: _Effect, sky: OpenSky, parts: Floats, error: float, words: str = "") -> AtPlace | None:
    """Return what the present error does at the worst of some places; None where there is none."""
    if not sky.declination.size or not error > 0.0:
        return None
    sizes = effect.scale * effects.of_error(effect.matrices(sky), parts)
    k = int(np.argmax(np.round(sizes, 9)))
    size = float(sizes[k])
    allowed = error * effect.limit / size if size > 0.0 else math.inf
    return AtPlace(words or sky.words(k), allowed / 60.0, size, effect.unit)


def _sentence(
    effect: _Effect,
    allowed: float,
    error: float,
    sd: float,
    worst: AtPlace | None,
    usual: AtPlace | None,
) -> str:
    margin = allowed - error
    verdict = f"{rounded_arcmin(abs(margin), sd)} {'to spare' if margin >= 0 else 'too much'}"
    if abs(margin) < CLOSE_SDS * sd:
        verdict += ", too close to call"
    sentence = (
        f"{effect.name[0].upper()}{effect.name[1:]}: the axis may be off by up to "
        f"{plain_arcmin(allowed / 60.0)} ({effect.limited}); it is off by {arcmin(error, sd)}: {verdict}."
    )
    if worst is None or allowed > _WORTH_PLACES * error:
        return sentence
    sentence += f"  Worst now, {worst.where}: {_effect_words(worst, sd / error)}"
    if usual is not None and usual.effect > 0.0:
        sentence += f"; {usual.where} {_effect_words(usual, sd / error)}"
    return f"{sentence}."


def _effect_words(at: AtPlace, share_sd: float) -> str:
    """Return an effect in words, with its sd as a share of it."""
    unit = {"pixels": " pixels", "percent": " %", "arcmin": "'"}[at.unit]
    amount = pair(at.effect, share_sd * at.effect, unit)
    return (
        f"{amount} (up to {plain_arcmin(at.allowed_arcmin)} there)"
        if math.isfinite(at.allowed_arcmin)
        else amount
    )


def _for_time(of: Callable[[OpenSky, float], Floats], seconds: float) -> Callable[[OpenSky], Floats]:
    return lambda sky: of(sky, seconds)


def _corner_mm(site: PierFile) -> float:
    return math.hypot(site.optics.sensor_width_mm, site.optics.sensor_height_mm) / 2.0


def _pixels_at_corner(site: PierFile) -> float:
    return _corner_mm(site) * 1000.0 / site.optics.pixel_um / ARCSEC_PER_RAD


def _at_usual(site: PierFile) -> str:
    declination = site.optics.typical_declination_deg
    held = math.copysign(min(abs(declination), NEAREST_POLE_DEG), declination)
    return f"at declination {held:g}°"


def _not_at_pole(place: OpenSky) -> OpenSky:
    """Return a place moved away from the pole of the sky to where a field still turns by a bounded angle."""
    held = np.clip(place.declination, -NEAREST_POLE_DEG, NEAREST_POLE_DEG)
    return OpenSky(place.latitude_deg, place.hour_angle, held, place.bearing, place.altitude)
