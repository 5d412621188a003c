"""When to call for help: the pier runs away, leans too far for its build, or cracks."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.levelling import lasting_lean
from drift.advice.movement import pair_of
from drift.advice.result import Action
from drift.advice.shims import lean_words
from drift.advice.situation import ACT_SDS
from drift.advice.words import angle, day, plain_angle, plain_arcmin, toward
from drift.quantities import ARCSEC_PER_RAD

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.history.result import History
    from drift.pierfile import PierFile

#: Help is called for when the lasting lean grows by more than this [arcsec a year], two
#: standard deviations taken off, and the nights span at least `_HELP_DAYS`: our own rule.
#: Piers of observatories move 1 to 20 arcsec a year, shallow ones arcminutes with the season.
_HELP_ARCSEC_PER_YEAR = 120.0
_HELP_DAYS = 180.0
#: A lean counts as large from 1 in 300 on, the angular distortion from which on walls crack (Skempton and
#: MacDonald 1956, from memory) ...
_LARGE_LEAN = 1.0 / 300.0
#: ... or when it has carried a pier's top further than this share of its diameter: our own rule.
_TOP_SHARE = 0.02
_CRACK = re.compile(
    r"\b(?<!no )(?<!without )(?<!not )(crack(?:s|ed|ing)?)\b(?! (?:it|them|the bolt|the nut|loose))"
)


def call_for_help(situation: Situation, history: History) -> list[Action]:
    """Return the calls for help, the gravest first."""
    sentences = [_cracked(situation, history), _large(situation, history), _running(situation, history)]
    return [Action("call_for_help", sentence) for sentence in sentences if sentence]


def large_lean_arcsec(site: PierFile) -> tuple[float, str]:
    """Return from which lean on a pier of this build leans too far, and why that far."""
    pier, general = site.pier, _LARGE_LEAN * ARCSEC_PER_RAD
    if pier.diameter_mm is None or pier.depth_m is None or pier.height_m is None:
        return general, "1 in 300"
    length_mm = 1000.0 * (pier.depth_m + pier.height_m)
    if length_mm <= 0.0:
        return general, "1 in 300"
    by_build = _TOP_SHARE * pier.diameter_mm / length_mm * ARCSEC_PER_RAD
    if by_build >= general:
        return general, "1 in 300"
    return by_build, (
        f"{_TOP_SHARE * pier.diameter_mm:.0f} mm at the top of a pier {pier.diameter_mm:g} mm thick and "
        f"{length_mm / 1000.0:g} m from foot to top"
    )


def _cracked(situation: Situation, history: History) -> str:
    """Say that a note tells of a crack, unless the pier was worked on since."""
    told = [c for c in history.corrections if _CRACK.search(c.note.lower())]
    if not told:
        return ""
    latest = max(told, key=lambda c: c.time_us)
    mended = any(c.kind == "pier" and c.time_us > latest.time_us for c in history.corrections)
    if mended:
        return ""
    return (
        f"A crack is noted on {day(latest.time_us, situation.zone)}: have the concrete looked at by someone "
        "who knows it before anything is tightened or adjusted, and do not stand under the load."
    )


def _large(situation: Situation, history: History) -> str:
    told = lasting_lean(situation, history)
    if told is None:
        return ""
    lean, sd = np.nan_to_num(told[0]), float(np.nanmax(told[1]))
    size, (limit, why) = math.hypot(*lean), large_lean_arcsec(situation.site)
    if size - ACT_SDS * sd <= limit:
        return ""
    return (
        f"The pier leans {lean_words(lean[0], lean[1], sd)} against how it first stood, more than "
        f"{plain_angle(limit)} ({why}): have its footing looked at by someone who knows foundations before "
        "anything is adjusted."
    )


def _running(situation: Situation, history: History) -> str:
    lasting = history.lasting
    told = any(pair_of(component, history).answer != "no" for component in ("lean_east", "lean_north"))
    if lasting is None or not told or situation.span_days < _HELP_DAYS:
        return ""
    if lasting.arcsec_per_year - ACT_SDS * lasting.arcsec_per_year_sd <= _HELP_ARCSEC_PER_YEAR:
        return ""
    way = "" if lasting.toward_bearing_deg is None else f" {toward(lasting.toward_bearing_deg)}"
    rate = angle(lasting.arcsec_per_year, lasting.arcsec_per_year_sd)
    settling = plain_arcmin(_HELP_ARCSEC_PER_YEAR / 60.0)
    return (
        "Have the footing looked at by someone who knows foundations before adjusting anything: the lean "
        f"grows by {rate} a year{way}, more than the {settling} a year that is taken here for settling."
    )
