"""Cautions that belong to the advised steps, and when to call for help."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.levelling import lasting_tilt
from drift.advice.movement import pair_of
from drift.advice.plate import tilt_words
from drift.advice.situation import ACT_SDS
from drift.quantities import ARCSEC_PER_RAD, local_date
from drift.render.phrases import angle, plain_angle, plain_arcmin, toward
from drift.types import Action

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.site.file import PierFile
    from drift.types import History


# ---- When to call for help: the pier runs away, tilts too far for its build, or cracks.


#: Help is called for when the lasting tilt grows by more than this [arcsec a year], two
#: standard deviations taken off, and the nights span at least `_HELP_DAYS`: our own rule.
#: Piers of observatories move 1 to 20 arcsec a year, shallow ones arcminutes with the season.
_HELP_ARCSEC_PER_YEAR = 120.0
_HELP_DAYS = 180.0
#: A tilt counts as large from 1 in 300 on, the angular distortion from which on walls crack (Skempton and
#: MacDonald 1956, from memory) ...
_LARGE_TILT = 1.0 / 300.0
#: ... or when it has carried a pier's top further than this share of its diameter: our own rule.
_TOP_SHARE = 0.02
_CRACK = re.compile(
    r"\b(?<!no )(?<!without )(?<!not )(crack(?:s|ed|ing)?)\b(?! (?:it|them|the bolt|the nut|loose))"
)


def call_for_help(situation: Situation, history: History) -> list[Action]:
    """Return the calls for help, the gravest first."""
    sentences = [_cracked(situation, history), _large(situation, history), _running(situation, history)]
    return [Action("call_for_help", sentence) for sentence in sentences if sentence]


def large_tilt_arcsec(site: PierFile) -> tuple[float, str]:
    """Return from which tilt on a pier of this build tilts too far, and why that far."""
    pier, general = site.pier, _LARGE_TILT * ARCSEC_PER_RAD
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
        f"A crack is noted on {local_date(latest.time_us, situation.zone)}: have the concrete looked at by "
        "someone who knows it before anything is tightened or adjusted, and do not stand under the load."
    )


def _large(situation: Situation, history: History) -> str:
    told = lasting_tilt(situation, history)
    if told is None:
        return ""
    tilt, sd = np.nan_to_num(told[0]), float(np.nanmax(told[1]))
    size, (limit, why) = math.hypot(*tilt), large_tilt_arcsec(situation.site)
    if size - ACT_SDS * sd <= limit:
        return ""
    return (
        f"The pier tilts {tilt_words(tilt[0], tilt[1], sd)} against how it first stood, more than "
        f"{plain_angle(limit)} ({why}): have its footing looked at by someone who knows foundations before "
        "anything is adjusted."
    )


def _running(situation: Situation, history: History) -> str:
    lasting = history.lasting
    told = any(pair_of(component, history).answer != "no" for component in ("tilt_east", "tilt_north"))
    if lasting is None or not told or situation.span_days < _HELP_DAYS:
        return ""
    if lasting.arcsec_per_year - ACT_SDS * lasting.arcsec_per_year_sd <= _HELP_ARCSEC_PER_YEAR:
        return ""
    way = "" if lasting.toward_bearing_deg is None else f" {toward(lasting.toward_bearing_deg)}"
    rate = angle(lasting.arcsec_per_year, lasting.arcsec_per_year_sd)
    settling = plain_arcmin(_HELP_ARCSEC_PER_YEAR / 60.0)
    return (
        "Have the footing looked at by someone who knows foundations before adjusting anything: the tilt "
        f"grows by {rate} a year{way}, more than the {settling} a year that is taken here for settling."
    )


# ---- Cautions that belong to the advised steps, short and each only where it applies.


#: From this mass on two people handle a mount head [kg]; the usual upper guide for one
#: person lifting close to the body (from memory).
_TWO_PEOPLE_KG = 25.0
_KNOBS = {"turn_azimuth", "turn_altitude"}
_PLATE = {"shim", "nuts"}
_BOLTS = {"tighten"} | _KNOBS | _PLATE


def cautions_for(actions: tuple[Action, ...], site: PierFile) -> tuple[str, ...]:
    """Return the cautions for what is advised, in the order in which they are needed.

    Parameters
    ----------
    actions
        What is advised.
    site
        Its mount: what it weighs, and how far its knobs travel.
    """
    doing = {action.do for action in actions}
    if any(_turns_the_base(action, site) for action in actions):
        doing.add("shim")
    said: list[str] = []
    if doing & _BOLTS:
        said.append(
            "Park the tube and stop the drive first, and keep hands clear of where the counterweight and "
            "the clutches can pinch."
        )
    if doing & _KNOBS and not doing & _PLATE:
        said.append("Ease the locking bolts just enough to turn; never loosen all of them at once.")
    if doing & _KNOBS:
        said.append(
            "Screws have play: let the last bit of every turn be one in which the screw pushes the mount. "
            "Where it has to back off, back off a little further than said, then push forward to the amount."
        )
    if doing & _PLATE:
        said.append(
            "Take the load off and support the mount before loosening; never loosen all the bolts at once."
        )
        said.append(_lifting(site.mount.mass_kg))
        said.append("Switch the power off at the pier and keep water away from outdoor outlets.")
    if "call_for_help" in doing:
        said.append(
            "Before anyone digs, have buried lines located; structural, electrical and excavation work goes "
            "by local code and to licensed trades."
        )
    if doing & ({"measure"} | _KNOBS):
        said.append(
            "Never point or sweep toward the Sun: keep the cap on until it is down, or fit the solar filter "
            "before uncovering."
        )
    return tuple(said)


def _turns_the_base(action: Action, site: PierFile) -> bool:
    """Whether a turn is beyond the knob's travel, so that the whole mount has to be turned."""
    travel = site.mount.knob_travel_arcmin
    return travel is not None and action.amount_arcmin is not None and abs(action.amount_arcmin) > travel


def _lifting(mass_kg: float | None) -> str:
    if mass_kg is None:
        return (
            f"If the mount with its load is over {_TWO_PEOPLE_KG:g} kg, two people and a plan for the lift."
        )
    if mass_kg >= _TWO_PEOPLE_KG:
        return f"The mount is {mass_kg:g} kg: two people and a plan for the lift."
    return f"The mount is {mass_kg:g} kg: have its support in place before it is free."
