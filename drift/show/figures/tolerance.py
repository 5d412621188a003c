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
    """Return what the optics tolerate: the least of all effects that bind; None where none is known."""
    binding = [m for m in answer.advice.matters if m.binding and phrases.known(m.allowed_arcmin)]
    least = min(binding, key=lambda matter: matter.allowed_arcmin, default=None)
    return None if least is None else Tolerance(least.allowed_arcmin, least.name)


def aimed_pole_arcmin(answer: Answer) -> float:
    """Return how far above the true pole the pole that is aimed at stands [arcmin]."""
    poles = answer.advice.poles
    return poles.lift_arcsec / 60.0 if poles is not None and poles.aimed_at == "refracted" else 0.0
