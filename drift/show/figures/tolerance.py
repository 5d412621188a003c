"""How far the axis may be off: by the optics, and by the owner's own warning limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drift.show import phrases

if TYPE_CHECKING:
    from drift.answer import Answer


@dataclass(frozen=True)
class Tolerance:
    """The angle on the sky [arcmin] within which the axis is good enough, and for what."""

    arcmin: float
    name: str


def tolerated(answer: Answer) -> Tolerance | None:
    """Return what the most demanding use of the optics tolerates; None where none is known.

    A use that counts for some only, such as stacking unturned frames, is one of them: status says of
    it that the axis is off too far, and a picture must not say otherwise.
    """
    all_known = [matter for matter in answer.advice.matters if phrases.known(matter.allowed_arcmin)]
    least = min(all_known, key=lambda matter: matter.allowed_arcmin, default=None)
    return None if least is None else Tolerance(least.allowed_arcmin, least.name)


def aimed_pole_arcmin(answer: Answer) -> float:
    """Return how far above the true pole the pole that is aimed at stands [arcmin]."""
    poles = answer.advice.poles
    return poles.lift_arcsec / 60.0 if poles is not None and poles.aimed_at == "refracted" else 0.0
