"""Cautions that belong to the advised steps, and when to call for help."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.levelling import lasting_tilt
from drift.advice.movement import pair_of
from drift.advice.situation import ACT_SDS
from drift.codes import CorrectionKind, Do, Lift
from drift.notices import AdviceCode, Notice, info, warning
from drift.quantities import ARCSEC_PER_RAD, local_date
from drift.types import Action

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.site.file import PierFile
    from drift.types import History


# ---- When to call for help: the pier runs away, tilts too far for its build, or cracks.


#: Help is called for when the lasting tilt grows by more than this [arcsec a year] after subtracting two
#: standard deviations, and the nights span at least `_HELP_DAYS`: our own rule.  Piers of observatories
#: move 1 to 20 arcsec a year, shallow ones arcminutes with the season.
_HELP_ARCSEC_PER_YEAR = 120.0
_HELP_DAYS = 180.0
#: A tilt counts as large from 1 in 300 on, the angular distortion from which on walls crack (Skempton and
#: MacDonald 1956, from memory) ...
_LARGE_TILT = 1.0 / 300.0
#: ... or when it has carried a pier's top further than this share of its diameter: our own rule.
_TOP_SHARE = 0.02


def call_for_help(situation: Situation, history: History) -> list[Action]:
    """Return the calls for help, the most serious first."""
    found = [_cracked(situation, history), _large(situation, history), _running(situation, history)]
    return [Action(do=Do.CALL_FOR_HELP, notice=notice) for notice in found if notice is not None]


def large_tilt_arcsec(site: PierFile) -> tuple[float, float | None]:
    """Return the tilt from which on a pier of this build tilts too far.

    Returns
    -------
    limit_arcsec, top_mm
        `top_mm` is how far the pier's top has then moved, where that sets the limit; None for the general
        limit.
    """
    pier, general = site.pier, _LARGE_TILT * ARCSEC_PER_RAD
    if pier.diameter_mm is None or pier.depth_m is None or pier.height_m is None:
        return general, None
    length_mm = 1000.0 * (pier.depth_m + pier.height_m)
    if length_mm <= 0.0:
        return general, None
    top_mm = _TOP_SHARE * pier.diameter_mm
    by_build = top_mm / length_mm * ARCSEC_PER_RAD
    return (general, None) if by_build >= general else (by_build, top_mm)


def _cracked(situation: Situation, history: History) -> Notice | None:
    """Return the call for help about a recorded crack, unless the pier was worked on since."""
    cracks = [c for c in history.corrections if c.kind == CorrectionKind.CRACK]
    if not cracks:
        return None
    latest = max(cracks, key=lambda c: c.time_us)
    mended = any(c.kind == CorrectionKind.PIER and c.time_us > latest.time_us for c in history.corrections)
    if mended:
        return None
    return warning(AdviceCode.CRACK_NOTED, noted_date=local_date(latest.time_us, situation.zone))


def _large(situation: Situation, history: History) -> Notice | None:
    lasting = lasting_tilt(situation, history)
    if lasting is None:
        return None
    tilt, sd = np.nan_to_num(lasting[0]), float(np.nanmax(lasting[1]))
    limit, top_mm = large_tilt_arcsec(situation.site)
    if math.hypot(*tilt) - ACT_SDS * sd <= limit:
        return None
    pier = situation.site.pier
    by_build = top_mm is not None and pier.depth_m is not None and pier.height_m is not None
    return warning(
        AdviceCode.TILTS_TOO_FAR,
        tilt_north_arcsec=float(tilt[0]),
        tilt_east_arcsec=float(tilt[1]),
        tilt_sd_arcsec=sd,
        limit_arcsec=limit,
        top_mm=top_mm,
        diameter_mm=pier.diameter_mm if by_build else None,
        length_m=(pier.depth_m or 0.0) + (pier.height_m or 0.0) if by_build else None,
    )


def _running(situation: Situation, history: History) -> Notice | None:
    lasting = history.lasting
    known = any(pair_of(component, history).answer != "no" for component in ("tilt_east", "tilt_north"))
    if lasting is None or not known or situation.span_days < _HELP_DAYS:
        return None
    if lasting.arcsec_per_year - ACT_SDS * lasting.arcsec_per_year_sd <= _HELP_ARCSEC_PER_YEAR:
        return None
    return warning(
        AdviceCode.TILT_RUNS_AWAY,
        arcsec_per_year=lasting.arcsec_per_year,
        sd_arcsec_per_year=lasting.arcsec_per_year_sd,
        toward_bearing_deg=lasting.toward_bearing_deg,
        limit_arcsec_per_year=_HELP_ARCSEC_PER_YEAR,
    )


# ---- Cautions that belong to the advised steps, short and each only where it applies.


#: From this mass on two people handle a mount head [kg]: the usual upper guide for one person lifting close
#: to the body (from memory).  Two people can lift twice as much; above that a machine is needed, because
#: two people can seldom both stand close to a head on a pier (common practice).
_TWO_PEOPLE_KG, _MACHINE_KG = 25.0, 50.0
_KNOBS = {Do.TURN_AZIMUTH, Do.TURN_ALTITUDE}
_PLATE = {Do.SHIM, Do.NUTS}
_BOLTS = {Do.TIGHTEN} | _KNOBS | _PLATE


def cautions_for(actions: tuple[Action, ...], site: PierFile) -> tuple[Notice, ...]:
    """Return the cautions for what is advised, in the order in which they are needed.

    Parameters
    ----------
    actions
        What is advised.
    site
        Its mount: what it weighs, and how far its knobs travel.
    """
    doing = {action.do for action in actions}
    if any(action.notice.code == AdviceCode.TURN_BASE for action in actions):
        doing.add(Do.SHIM)  # the whole mount is turned
    found: list[Notice] = []
    if doing & _BOLTS:
        found.append(warning(AdviceCode.PARK_FIRST))
    if doing & _KNOBS and not doing & _PLATE:
        found.append(warning(AdviceCode.EASE_BOLTS))
    if Do.TURN_ALTITUDE in doing:
        found.append(warning(AdviceCode.SCREW_CARRIES_HEAD))
    if doing & _KNOBS:
        found.append(info(AdviceCode.SCREWS_HAVE_PLAY))
    if doing & _PLATE:
        found += [warning(AdviceCode.TAKE_LOAD_OFF), _lifting(site), warning(AdviceCode.POWER_OFF)]
    if Do.CALL_FOR_HELP in doing:
        found += [warning(AdviceCode.BURIED_LINES), warning(AdviceCode.DEEP_HOLES)]
    if doing & ({Do.MEASURE} | _KNOBS):
        found.append(warning(AdviceCode.NEVER_THE_SUN))
    return tuple(found)


def _lifting(site: PierFile) -> Notice:
    """Return how to lift the mount: alone, by two, or by a machine; None where its mass is unknown."""
    mass = site.mount.mass_kg
    by = None
    if mass is not None:
        by = (
            Lift.MACHINE
            if mass > _MACHINE_KG
            else Lift.TWO_PEOPLE
            if mass >= _TWO_PEOPLE_KG
            else Lift.ONE_PERSON
        )
    return warning(
        AdviceCode.LIFTING,
        mass_kg=mass,
        by=by,
        two_people_from_kg=_TWO_PEOPLE_KG,
        machine_from_kg=_MACHINE_KG,
    )
