"""Corrections that look written down wrongly, by what the sky says: how, and with what odds.

What the readings alone say of a correction, f with its sd, is weighed under each explanation; a is the
amount that was written down:

- as written: f about a, as well as a knob follows what is asked;
- did not hold: f anywhere about a / 2, since some of it slipped, or stayed in the knob's play;
- sign: f about -a;
- unit: f about a / 60, where that is not next to nothing;
- never made: f about 0;
- knob: f about 0, and the other knob stepped by a, up or down, unrecorded, within days;
- twice: of two alike within days, both together about a;
- another day: the same knob stepped by a, unrecorded, on another day (`drift.history.outcome` finds it).

And one that was not written down at all: knobs that step so that the axis comes to the pole.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.knobs import FAILS_CHANCE, GAIN_SD_GUESSED, KNOBS, seen_alone
from drift.advice.movement import axis_about
from drift.codes import CorrectionKind, Misrecorded, Part
from drift.history.changes import STEP_SD, STEPS_PER_YEAR
from drift.history.outcome import FURTHEST_DAYS, SET_SD, SIZE_OF, TWICE_DAYS
from drift.quantities import DAY_US, YEAR_DAYS

if TYPE_CHECKING:
    from drift.site.file import PierFile
    from drift.types import CorrectionFound, Event, History, Nights


#: Prior chance that a correction is written down with the wrong sign, for another day, or was never made;
#: and that of two alike within days one repeats the other: common practice, weakly held.
WRONG_CHANCE, TWICE_CHANCE = 0.01, 0.5
#: The other knob's step lies between readings no further than this from what was written down [days], and a
#: unit shows where a sixtieth of the amount is so many sds.
KNOB_DAYS, UNIT_SDS = 3.0, 3.0
_OTHER_KNOB = {CorrectionKind.AZIMUTH: Part.MOUNT_ALT, CorrectionKind.ALTITUDE: Part.MOUNT_AZ}
#: Reported from three to one on, like a correction that did not hold.
_REPORTED_FROM = 0.75
#: What did not hold lies about half of what was asked, by this share of it.
_FAILED_SHARE = 0.35
#: Uncertainty of a movement between two nights, and of two settings of a knob [arcsec].
_PAIR_SD = 10.0
_AMOUNTS = (*KNOBS, CorrectionKind.SHIM, CorrectionKind.NUTS)
_PART_OF = {CorrectionKind.AZIMUTH: Part.MOUNT_AZ, CorrectionKind.ALTITUDE: Part.MOUNT_ALT}


@dataclass(frozen=True, kw_only=True)
class Suspect:
    """A correction that looks written down wrongly, how, and how probable that is against all else."""

    correction: CorrectionFound
    wrong: Misrecorded
    probability: float
    event: Event | None = None  # the step of the other knob, where that was probably turned


def suspects(site: PierFile, history: History) -> tuple[Suspect | None, ...]:
    """Return for each correction of the history how it looks written down wrongly; None where it doesn't."""
    found = history.corrections
    return tuple(
        _suspect(one, _twin(k, found), _step_of_other_knob(one, history)) for k, one in enumerate(found)
    )


def _step_of_other_knob(one: CorrectionFound, history: History) -> Event | None:
    """Return an unrecorded step of the other knob within days of a correction; None for none."""
    part, leeway = _OTHER_KNOB.get(one.kind), KNOB_DAYS * DAY_US
    for event in history.events:
        near = event.after_us - leeway <= one.time_us <= event.before_us + leeway
        if near and event.what == part and not event.recorded:
            return event
    return None


def _suspect(one: CorrectionFound, twin: CorrectionFound | None, other: Event | None) -> Suspect | None:
    if one.kind not in _AMOUNTS or not _is_number(one.asked) or not one.asked or not _is_number(one.found):
        return None
    odds = _odds(one, twin, other)
    if odds is None:
        return None
    top = max(odds.values())
    weight = {wrong: math.exp(value - top) for wrong, value in odds.items()}
    total = sum(weight.values())
    wrong, most = max(
        ((wrong, w) for wrong, w in weight.items() if wrong is not None), key=lambda pair: pair[1]
    )
    if most < _REPORTED_FROM * total:
        return None
    event = other if wrong is Misrecorded.KNOB else None
    return Suspect(correction=one, wrong=wrong, probability=most / total, event=event)


def _odds(
    one: CorrectionFound, twin: CorrectionFound | None, other: Event | None
) -> dict[Misrecorded | None, float] | None:
    """Return the log odds of each explanation; None stands for a correct entry.

    None as a whole where the readings alone don't show it.
    """
    if twin is not None:
        return _twice(one, twin)
    asked, seen = float(one.asked or 0.0), seen_alone(one, None)
    if not math.isfinite(seen.found_sd):
        return None
    sd = math.hypot(seen.found_sd, SET_SD)
    as_asked = math.hypot(sd, GAIN_SD_GUESSED * asked)
    right = math.log(1.0 - FAILS_CHANCE) + _normal(seen.found - asked, as_asked)
    failed = math.log(FAILS_CHANCE) + _normal(seen.found - asked / 2.0, math.hypot(sd, _FAILED_SHARE * asked))
    wrong = math.log(WRONG_CHANCE)
    if one.misrecorded is Misrecorded.DATE:
        # found at another day: its step is there by chance, or is this one
        days = STEPS_PER_YEAR[_PART_OF[one.kind]] * 2.0 * FURTHEST_DAYS / YEAR_DAYS
        chance = math.log(days) + _normal(seen.found, math.hypot(sd, STEP_SD[_PART_OF[one.kind]]))
        return {Misrecorded.DATE: _normal(seen.found - asked, as_asked), Misrecorded.NEVER: chance}
    odds: dict[Misrecorded | None, float] = {
        None: _logsum(right, failed),
        Misrecorded.SIGN: wrong + _normal(seen.found + asked, as_asked),
        Misrecorded.NEVER: wrong + _normal(seen.found, seen.found_sd),  # nobody set anything
    }
    if one.kind in KNOBS and abs(asked) / 60.0 > UNIT_SDS * sd:
        odds[Misrecorded.UNIT] = wrong + _normal(
            seen.found - asked / 60.0, math.hypot(sd, GAIN_SD_GUESSED * asked / 60.0)
        )
    return odds if other is None else _with_knob(odds, asked, other)


def _with_knob(
    odds: dict[Misrecorded | None, float], asked: float, other: Event
) -> dict[Misrecorded | None, float]:
    """Add that the other knob was turned: its step is there by chance, or is what was asked."""
    part = Part(other.what)
    size, sd = abs(other.size[SIZE_OF[part]]), math.hypot(other.size_sd[SIZE_OF[part]], SET_SD)
    days = (other.before_us - other.after_us) / DAY_US + 2.0 * KNOB_DAYS
    chance = math.log(STEPS_PER_YEAR[part] * days / YEAR_DAYS)
    by_chance = chance + _normal(size, math.hypot(sd, STEP_SD[part])) + math.log(2.0)  # either way
    as_asked = _normal(size - abs(asked), math.hypot(sd, GAIN_SD_GUESSED * asked))
    return {
        **{wrong: value + by_chance for wrong, value in odds.items()},
        Misrecorded.KNOB: odds[Misrecorded.NEVER] + as_asked,
    }


def _twice(one: CorrectionFound, twin: CorrectionFound) -> dict[Misrecorded | None, float]:
    """Return the log odds of one made and written down twice against two made, by what both did together.

    Without a night between them the single ones aren't known, but their sum is.
    """
    asked, both = float(one.asked or 0.0), float(one.found or 0.0) + float(twin.found or 0.0)
    share, sd = GAIN_SD_GUESSED * asked, _PAIR_SD
    two = math.hypot(sd, math.sqrt(2.0) * share)
    right = _logsum(
        math.log(1.0 - FAILS_CHANCE) + _normal(both - 2.0 * asked, two),
        math.log(FAILS_CHANCE) + _normal(both - asked, math.hypot(sd, 2.0 * _FAILED_SHARE * asked)),
    )
    once = math.log(TWICE_CHANCE / (1.0 - TWICE_CHANCE)) + _normal(both - asked, math.hypot(sd, share))
    return {
        None: right,
        Misrecorded.TWICE: once,
        Misrecorded.NEVER: math.log(WRONG_CHANCE) + _normal(both, sd),
    }


def _twin(k: int, found: tuple[CorrectionFound, ...]) -> CorrectionFound | None:
    """Return the correction that is the same as number `k` and within days of it; None where none is."""
    one = found[k]
    for other in (*found[:k][::-1], *found[k + 1 :]):
        near = abs(other.time_us - one.time_us) <= TWICE_DAYS * DAY_US
        if near and other.kind == one.kind and other.asked == one.asked and _is_number(other.found):
            return other
    return None


def _normal(off: float, sd: float) -> float:
    return -0.5 * (off / sd) ** 2 - math.log(sd)


def _logsum(first: float, second: float) -> float:
    top = max(first, second)
    return top + math.log(math.exp(first - top) + math.exp(second - top))


def _is_number(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


# ---- Steps of the mount that look like a correction that nobody wrote down.
#
# A knob that slips goes anywhere; one that is turned on purpose brings the axis to the pole.  So does a star
# model made in the mount, as far as its own reports show, in both coordinates at once.


#: How far from the pole a person leaves an axis, each coordinate on the sky [arcsec]: common practice, half
#: an arcminute; nobody aligns one that is nearer than this, and it comes nearer by this share at least.
ALIGNED_SD, WORTH_ALIGNING_ARCSEC, NEARER_SHARE = 30.0, 60.0, 0.5
#: How many times as often both coordinates step between the same two nights by a hand as by slips: our own
#: rule; two slips in one gap are rare.
BOTH_AT_ONCE = 10.0


@dataclass(frozen=True, kw_only=True)
class Realigned:
    """Steps of the mount in one gap that look like a correction without a note."""

    parts: tuple[Part, ...]
    after_us: int
    before_us: int
    was_arcsec: float  # from the pole, on the sky
    now_arcsec: float
    sd_arcsec: float  # of their difference, in one coordinate
    probability: float  # against knobs that slipped


def realigned(
    nights: Nights, history: History, events: Sequence[Event], cos_latitude: float
) -> Realigned | None:
    """Return what speaks for a correction that nobody wrote down, from three to one on; else None.

    Parameters
    ----------
    nights, history
        All nights and their history.
    events
        Unrecorded steps of the mount between the same two readings, one of each knob at most.
    cos_latitude
        Cosine of the site's latitude, with which azimuth counts on the sky.
    """
    about = axis_about(nights, history, events[0])
    if about is None:
        return None
    on_sky = np.array([cos_latitude, 1.0])
    was, now, sd = (one * on_sky for one in about)
    before, after = float(np.hypot(*was)), float(np.hypot(*now))
    if before < WORTH_ALIGNING_ARCSEC or after > NEARER_SHARE * before:
        return None
    parts = tuple(Part(event.what) for event in events)
    moved = [_COORDINATES.index(part) for part in parts]
    log_odds = np.log(BOTH_AT_ONCE) if len(moved) > 1 else 0.0
    for k in moved:
        slip, hand = STEP_SD[_COORDINATES[k]] * on_sky[k], np.hypot(ALIGNED_SD, sd[k])
        step = (now - was)[k]
        log_odds += 0.5 * (step / slip) ** 2 + np.log(slip) - 0.5 * (now[k] / hand) ** 2 - np.log(hand)
    probability = float(1.0 / (1.0 + np.exp(-np.clip(log_odds, -500.0, 500.0))))
    if probability < _REPORTED_FROM:
        return None
    return Realigned(
        parts=parts,
        after_us=events[0].after_us,
        before_us=events[0].before_us,
        was_arcsec=before,
        now_arcsec=after,
        sd_arcsec=float(np.sqrt(np.mean(np.square(sd)))),
        probability=probability,
    )


_COORDINATES = (Part.MOUNT_AZ, Part.MOUNT_ALT)
