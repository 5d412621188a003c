"""What the references do by themselves as data: part of ``drift status --json``.

Codes and numbers only; a number that isn't known is None (null).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drift.codes import OwnMovement
from drift.render.phrases import number, utc_text

if TYPE_CHECKING:
    from drift.types import LevelDrift, Measure, ReferenceMoved, References, Rival, ZeroCreep


#: Decimals of what goes by the degree or by the year.
DECIMALS = 3
#: Units of the movements of each kind, as they stand in the names of fields.
UNIT = {OwnMovement.STEADY: "arcsec_per_year", OwnMovement.WARMTH: "arcsec_per_c"}


def references_mapping(references: References | None) -> dict[str, Any] | None:
    """Return the references, what was found of them, and the rivals; None where nothing checks them.

    ``hour_angle_zero`` is the zero in use now, ``hour_angle_zeros`` all of them by time.
    """
    if references is None:
        return None
    zeros = [_zero(zero) for zero in references.zeros]
    return {
        "hour_angle_zero": zeros[-1] if zeros else None,
        "hour_angle_zeros": zeros,
        "levels": [_level(level) for level in references.levels],
        "moved": [_moved(one) for one in references.moved],
        "rivals": [_rival(one) for one in references.rivals],
    }


def _with_sd(name: str, measure: Measure | None) -> dict[str, float | None]:
    value, sd = (None, None) if measure is None else (measure.value, measure.sd)
    return {
        name: None if value is None else number(value, DECIMALS),
        f"{name}_sd": None if sd is None else number(sd, DECIMALS),
    }


def _zero(zero: ZeroCreep) -> dict[str, Any]:
    return {
        "from_utc": utc_text(zero.from_us),
        "to_utc": utc_text(zero.to_us),
        **_with_sd("creep_arcsec_per_year", zero.creep),
        **_with_sd("warmth_arcsec_per_c", zero.warmth),
    }


def _level(level: LevelDrift) -> dict[str, Any]:
    return {
        "place": level.place,
        **_with_sd("creep_north_arcsec_per_year", level.creep_north),
        **_with_sd("creep_east_arcsec_per_year", level.creep_east),
        **_with_sd("warmth_north_arcsec_per_c", level.warmth_north),
        **_with_sd("warmth_east_arcsec_per_c", level.warmth_east),
    }


def _moved(one: ReferenceMoved) -> dict[str, Any]:
    return {
        "code": one.code,
        "reference": one.reference,
        "place": one.place,
        "kind": one.kind,
        **(_with_sd(f"north_{UNIT[one.kind]}", one.north) if one.north is not None else {}),
        **_with_sd(f"east_{UNIT[one.kind]}" if one.north is not None else UNIT[one.kind], one.east),
        "probability": number(one.probability, None),
        "over_record_arcsec": number(one.over_record_arcsec),
        "would_tell": one.would_tell,
    }


def _rival(one: Rival) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "moving": list(one.moving),
        "probability": number(one.probability, None),
        "tilt_north": number(one.tilt_north),
        "tilt_east": number(one.tilt_east),
    }
