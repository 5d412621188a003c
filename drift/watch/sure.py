"""How sure an alarm must be, so that a steady pier raises no more of them than the site file allows.

*Events.*  Let steps of a harmful kind be expected ``L`` times a year.  On a
pier that stays put the expected odds of "moved" to "nothing", summed over all
places of a step, grow by ``L`` a year and no faster, however often one looks
(they are a likelihood ratio, a martingale when nothing happens).  So odds of
``K`` to 1 come up by chance at most ``L / K`` times a year (Ville's inequality,
*Etude critique de la notion de collectif*, 1939; from memory), and ``K = L / f`` keeps the rate below
``f``.  The history takes up a step only at 10 to 1, so ``f`` above ``L / 10`` is never used up.

*Limits.*  The smoothed value of one night is nearly that of the next; it
is taken to be as good as new once a week (our own rule), so a value just inside its limit
may seem beyond it in ``f / 52`` of the looks.

*Corrections.*  Of those that held, at most (prior odds of failing) / K seem to have
failed at K to 1 (Markov's inequality).

Both hold for the noise that the model knows; `benchmarks/false_alarms.py` measures what comes of it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.advice.learned import FAILS_CHANCE
from drift.advice.movement import counts
from drift.history.causes.steps import STEPS_PER_YEAR

if TYPE_CHECKING:
    from drift.history.result import Event

_LOOKS_PER_YEAR = 52.0
#: A value is never told as beyond its limit with less than this many standard deviations.
_LEAST_SDS = 1.0
_HARMLESS = ("zero",)
#: Corrections a year that the rate is shared among: common practice, weakly held.
_CORRECTIONS_PER_YEAR = 2.0
#: A correction is never told as failed at lower odds.
_LEAST_FAILED = 3.0


def odds_needed(false_alarms_per_year: float) -> float:
    """Return how likely "moved" must be against "nothing", as odds, before an event is an alarm."""
    steps = sum(rate for part, rate in STEPS_PER_YEAR.items() if part not in _HARMLESS)
    return max(1.0, steps / false_alarms_per_year)


def failed_at_least(false_alarms_per_year: float) -> float:
    """Return how probable it must be that a correction did not hold, before that is told."""
    prior = FAILS_CHANCE / (1.0 - FAILS_CHANCE)
    odds = max(_LEAST_FAILED, _CORRECTIONS_PER_YEAR * prior / false_alarms_per_year)
    return odds / (1.0 + odds)


def sds_needed(false_alarms_per_year: float) -> float:
    """Return by how many standard deviations a value must be beyond its limit."""
    from scipy.special import ndtri

    chance = min(false_alarms_per_year / _LOOKS_PER_YEAR, 0.5)
    return max(_LEAST_SDS, float(-ndtri(chance)))


def sds_needed_in_plane(false_alarms_per_year: float) -> float:
    """Return the same of the length of two coordinates together: Rayleigh's law, exp(-k^2 / 2)."""
    chance = min(false_alarms_per_year / _LOOKS_PER_YEAR, 0.5)
    return max(_LEAST_SDS, math.sqrt(-2.0 * math.log(chance)))


def is_alarm(event: Event, false_alarms_per_year: float) -> bool:
    """Whether an event is an unrecorded movement, and sure enough for an alarm; provisional or not."""
    if not counts(event):
        return False
    odds = event.probability
    moved = sum(odds[part] for part in odds if part not in ("nothing", *_HARMLESS))
    return moved >= odds_needed(false_alarms_per_year) * odds["nothing"]
