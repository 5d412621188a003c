"""Which bolt to raise, and by how much: a wanted tip of the plate as shims or turns of nuts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drift.advice.result import Action, Bolt
from drift.advice.words import toward
from drift.errors import PlateError
from drift.mount.plate import heights_for_tilt
from drift.sitefile.threads import pitch_mm

if TYPE_CHECKING:
    from drift.pierfile import PierFile

#: Thicknesses are given to this [mm]: the thinnest shim that is sold.
_SHIM_STEP_MM = 0.01


def tip_plate(site: PierFile, north_arcsec: float, east_arcsec: float, why: str) -> Action:
    """Return the action that tips the plate's top by a wanted angle.

    Parameters
    ----------
    site
        Its `plate` says whether the bolts carry levelling nuts, where they stand and their thread.
    north_arcsec, east_arcsec
        Wanted tip toward north and east [arcsec].
    why
        A clause that says what for.

    Returns
    -------
    Action
        "nuts" or "shim", with one `Bolt` for each that is raised; no bolts and
        a sentence that says what is missing or wrong when the plate isn't described
        well enough.
    """
    plate = site.plate
    do = "nuts" if plate.nuts else "shim"
    if plate.bolt_bearings_deg is None or plate.bolt_circle_mm is None:
        return Action(
            do,
            f"{why}, the plate itself has to be tipped, but the site file doesn't say where its bolts "
            "stand: fill in plate.bolt_bearings_deg and plate.bolt_circle_mm and ask again.",
        )
    try:
        heights = heights_for_tilt(plate.bolt_bearings_deg, plate.bolt_circle_mm, north_arcsec, east_arcsec)
    except PlateError as error:
        return Action(do, f"{why}, the plate itself has to be tipped, but that can't be worked out.  {error}")
    pitch = pitch_mm(plate.thread) if plate.nuts and plate.thread else None
    bolts = tuple(
        _bolt(bearing, float(height), pitch, bool(plate.nuts))
        for bearing, height in zip(plate.bolt_bearings_deg, heights, strict=True)
        if height >= _SHIM_STEP_MM / 2.0
    )
    listed = "; ".join(_words(bolt) for bolt in bolts)
    return Action(do, f"{why}, raise the plate: {listed}.", bolts=bolts)


def _bolt(bearing_deg: float, height_mm: float, pitch: float | None, nuts: bool) -> Bolt:
    thickness = round(height_mm / _SHIM_STEP_MM) * _SHIM_STEP_MM
    if not nuts:
        return Bolt(bearing_deg, round(thickness, 2), None)
    return Bolt(bearing_deg, round(height_mm, 3), None if pitch is None else round(height_mm / pitch, 3))


def _words(bolt: Bolt) -> str:
    where = f"the bolt {toward(bolt.bearing_deg)}"
    if bolt.nut_turns is not None:
        return f"{where} by {bolt.nut_turns:.2f} turns of its nut ({bolt.thickness_mm:.2f} mm)"
    return f"{where} by {bolt.thickness_mm:.2f} mm"
