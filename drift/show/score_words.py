"""What past forecasts, scored, say of the next one: one sentence on whether it may be trusted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from drift.advice.words import counted, plain_angle

if TYPE_CHECKING:
    from drift.hindcast import Hindcast

#: A band that holds 80 % of the nights is right.  Nights of one winter go astray together, so that a good
#: forecast may hold fewer or more: our own rule.
_HELD_LEAST, _HELD_MOST = 0.65, 0.95
#: A forecast is nearer, or further off, than another when it is by this share: our own rule.
_NEARER = 0.1
ANNUAL_SHAPE = (
    "The plain annual shape is the mean yearly swing with the lasting lean carried on: it asks no weather."
)


def score_sentence(hindcasts: Sequence[Hindcast]) -> str:
    """Say whether the forecast may be trusted, by its band and against the plain annual shape."""
    nights = sum(one.nights for one in hindcasts)
    held = sum(one.nights * one.inside for one in hindcasts) / nights
    own, plain = (
        _pooled([(one.nights, getattr(one, of)) for one in hindcasts]) for of in ("rms", "rms_annual")
    )
    years = counted(len(hindcasts), "year")
    over = f"over {years} its band held {100.0 * held:.0f} % of what came (80 % is right)"
    against = f"it was off by {plain_angle(own)}, {_against(own, plain)}"
    little = "  One year says little: ask again after the next." if len(hindcasts) == 1 else ""
    return f"{_verdict(held, own, plain)}: {over}, and {against}.{little}"


def _pooled(pairs: Sequence[tuple[int, float]]) -> float:
    return math.sqrt(sum(n * rms**2 for n, rms in pairs) / sum(n for n, _ in pairs))


def _verdict(held: float, own: float, plain: float) -> str:
    further = own > (1.0 + _NEARER) * plain
    if held < _HELD_LEAST:
        no_more = ", and the plain annual shape rather than its middle" if further else ""
        return f"Don't trust the forecast's band, which was too narrow{no_more}"
    if further:
        return "Trust the forecast's band, but rather the plain annual shape than its middle"
    if held > _HELD_MOST:
        return "The forecast may be trusted, and is surer than its band says"
    return "The forecast may be trusted"


def _against(own: float, plain: float) -> str:
    if own < (1.0 - _NEARER) * plain:
        return f"nearer than the plain annual shape, which was off by {plain_angle(plain)}"
    if own > (1.0 + _NEARER) * plain:
        return f"further than the plain annual shape, which was off by {plain_angle(plain)}"
    return f"as near as the plain annual shape ({plain_angle(plain)})"
