"""What the axis error does and where to aim, as plain data beside the contract's keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drift.show.numbers import number
from drift.show.times import utc_text

if TYPE_CHECKING:
    from drift.advice.result import Advice, AtPlace, Matter, Poles, YearAim


def aims(advice: Advice) -> dict[str, Any]:
    """Return the keys "matters", "poles" and "year_aim"; what is not known is None."""
    return {
        "matters": [_matter(matter) for matter in advice.matters],
        "poles": None if advice.poles is None else _poles(advice.poles),
        "year_aim": None if advice.year is None else _year(advice.year),
    }


def _matter(matter: Matter) -> dict[str, Any]:
    return {
        "name": matter.name,
        "allowed_arcmin": number(matter.allowed_arcmin),
        "now_arcmin": number(matter.now_arcmin),
        "now_sd_arcmin": number(matter.now_sd_arcmin),
        "margin_arcmin": number(matter.margin_arcmin),
        "binding": bool(matter.binding),
        "worst": _place(matter.worst),
        "usual": _place(matter.usual),
        "sentence": matter.sentence,
    }


def _place(place: AtPlace | None) -> dict[str, Any] | None:
    if place is None:
        return None
    return {
        "where": place.where,
        "allowed_arcmin": number(place.allowed_arcmin),
        "effect": number(place.effect),
        "unit": place.unit,
    }


def _poles(poles: Poles) -> dict[str, Any]:
    return {
        "true_arcmin": number(poles.true_arcmin),
        "true_sd_arcmin": number(poles.true_sd_arcmin),
        "refracted_arcmin": number(poles.refracted_arcmin),
        "refracted_sd_arcmin": number(poles.refracted_sd_arcmin),
        "lift_arcsec": number(poles.lift_arcsec),
        "lift_sd_arcsec": number(poles.lift_sd_arcsec),
        "aimed_at": poles.aimed_at,
        "suits": poles.suits,
        "sentence": poles.sentence,
    }


def _year(year: YearAim) -> dict[str, Any]:
    return {
        "aim": year.aim,
        "leave_az_error": number(year.leave_az_arcsec),
        "leave_az_error_sd": number(year.leave_sd_arcsec[0]),
        "leave_alt_error": number(year.leave_alt_arcsec),
        "leave_alt_error_sd": number(year.leave_sd_arcsec[1]),
        "as_aimed_arcmin": number(year.as_aimed_arcmin),
        "as_aimed_sd_arcmin": number(year.sd_arcmin),
        "dead_on_arcmin": number(year.dead_on_arcmin),
        "as_it_is_arcmin": number(year.as_it_is_arcmin),
        "gain": number(year.gain),
        "from_utc": utc_text(year.from_us),
        "until_utc": utc_text(year.until_us),
        "sentence": year.sentence,
    }
