"""The coming twelve months as data: part of ``drift status --json``, and ``drift outlook --json``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from drift.advice.pier_ground import fitting_advice
from drift.show.coming import coming_of
from drift.show.numbers import number
from drift.show.times import utc_text

if TYPE_CHECKING:
    from drift.advice.outlook import Day, Month, Outlook
    from drift.advice.pier_ground import PierGround
    from drift.answer import Answer
    from drift.ground.reach import WinterFrost
    from drift.hindcast import Hindcast
    from drift.history.forecast import Settling
    from drift.quantities import Floats

_AXIS, _LEAN = ("az_error", "alt_error"), ("lean_north", "lean_east")
#: Decimals of a depth in metres.
_DEPTH_DECIMALS = 3


def outlook_mapping(answer: Answer) -> dict[str, Any] | None:
    """Return what is to come as plain data; None where the history has no forecast."""
    outlook = coming_of(answer)
    return None if outlook is None else _outlook(outlook)


def document(
    outlook: Outlook | None, ground: PierGround | None, hindcasts: Sequence[Hindcast] | None
) -> dict[str, Any]:
    """Return all that ``drift outlook --json`` prints; angles in arcsec, times in UTC.

    Parameters
    ----------
    outlook, ground
        None where there is no forecast, no weather.
    hindcasts
        None where nobody asked for them.
    """
    fitting, others = fitting_advice(ground)
    return {
        "format": "drift-outlook",
        "version": 1,
        "outlook": None if outlook is None else _outlook(outlook),
        "frost": None if ground is None else _frost(ground),
        "hindcasts": None if hindcasts is None else [_hindcast(one) for one in hindcasts],
        "for_the_pier": [
            {"topic": one.topic, "sentence": one.sentence, "source": one.source, "fits": one in fitting}
            for one in (*fitting, *others)
        ],
    }


def _outlook(outlook: Outlook) -> dict[str, Any]:
    turning, chances = outlook.turning, outlook.realigning
    return {
        "from_utc": utc_text(outlook.from_us),
        "rests_on": outlook.rests_on,
        "season_sure": bool(outlook.season_sure),
        "driver_odds": {name: number(p, None) for name, p in outlook.driver_odds.items()},
        "moved_last_year": {name: number(size) for name, size in outlook.causes.items()},
        "months": [_month(month) for month in outlook.months],
        "swing": None if turning is None else number(turning.swing),
        "furthest": None if turning is None else _day(turning.peak),
        "back": None if turning is None else _day(turning.back),
        "tolerance": number(chances.tolerance),
        "tolerance_of": chances.tolerance_of,
        "chance_left_alone": number(chances.left_alone),
        "chance_set_now": number(chances.set_now),
        "realign_by_utc": None if chances.by_us is None or not chances.worth else utc_text(chances.by_us),
        "likely_beyond_utc": None if chances.likely_us is None else utc_text(chances.likely_us),
        "settling": None if outlook.settling is None else _settling(outlook.settling),
    }


def _month(month: Month) -> dict[str, Any]:
    row: dict[str, Any] = {"month": month.name, "time_utc": utc_text(month.time_us)}
    row |= _banded(_AXIS, month.axis, month.axis_low, month.axis_high)
    row |= _banded(_LEAN, month.lean, month.lean_low, month.lean_high)
    return {**row, "chance_beyond": number(month.chance)}


def _banded(names: tuple[str, str], middle: Floats, low: Floats, high: Floats) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for k, name in enumerate(names):
        row |= {name: number(middle[k]), f"{name}_low": number(low[k]), f"{name}_high": number(high[k])}
    return row


def _day(day: Day | None) -> dict[str, Any] | None:
    if day is None:
        return None
    return {
        "time_utc": utc_text(day.time_us),
        "first_utc": utc_text(day.first_us),
        "last_utc": utc_text(day.last_us),
        "share": number(day.share),
    }


def _settling(found: Settling) -> dict[str, Any]:
    row = {}
    for what in ("left", "year"):
        for k, way in enumerate(("north", "east")):
            row[f"{what}_{way}"] = number(getattr(found, what)[k])
            row[f"{what}_{way}_sd"] = number(getattr(found, f"{what}_sd")[k])
    return row


def _frost(ground: PierGround) -> dict[str, Any]:
    frost, design = ground.frost, ground.design
    trio = zip(frost.as_is, frost.snow_left, frost.snow_cleared, strict=True)
    return {
        "base_m": number(frost.base_m, _DEPTH_DECIMALS),
        "winters": [_winter(*each) for each in trio],
        "design_index_c_d": None if design is None else number(design.index_c_d, 1),
        "assumed": list(ground.ground.assumed),
        "notes": list(ground.notes),
    }


def _winter(as_is: WinterFrost, left: WinterFrost, cleared: WinterFrost) -> dict[str, Any]:
    return {
        "winter": as_is.winter,
        "whole": bool(as_is.whole),
        "reaches_base": as_is.reaches,
        "below_base_m": number(as_is.below_base_m, _DEPTH_DECIMALS),
        "first_day_below": _date(as_is.first_day),
        "last_day_below": _date(as_is.last_day),
        "deepest_day": _date(as_is.deepest_day),
        **{
            f"{name}_m": [number(d, _DEPTH_DECIMALS) for d in (w.depth.shallow, w.depth.middle, w.depth.deep)]
            for name, w in (("depth", as_is), ("depth_snow_left", left), ("depth_snow_cleared", cleared))
        },
    }


def _date(day: int | None) -> str | None:
    from drift.ground.calendar import date_text

    return None if day is None else date_text(day)


def _hindcast(one: Hindcast) -> dict[str, Any]:
    return {
        "winter": one.winter,
        "from_utc": utc_text(one.cut_us),
        "nights": one.nights,
        "rms": number(one.rms),
        "rms_annual_shape": number(one.rms_annual),
        "inside_band": number(one.inside),
        "driver": one.driver,
    }
