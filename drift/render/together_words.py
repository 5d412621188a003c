"""The sentences about several piers of one site: what moved them all, and which one moved alone."""

from __future__ import annotations

from drift.codes import GroundPhase
from drift.notices import Code, TogetherCode
from drift.render.notices import Values, Writer
from drift.render.phrases import angle_alone, any_angle, harmless, local_day, toward_of

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def _number(count: int) -> str:
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


def _who(of: Values) -> str:
    """Return "All six piers", or "Five of six piers"."""
    count, whole = len(of["piers"]), int(of["of"])
    words = f"all {_number(count)} piers" if count == whole else f"{_number(count)} of {_number(whole)} piers"
    return f"{words[0].upper()}{words[1:]}"


def _when(of: Values) -> str:
    first, last = (local_day(of[name], 0.0) for name in ("from_us", "to_us"))
    phase = {GroundPhase.THAW: " in the thaw", GroundPhase.FREEZING: " while the ground froze"}
    return f"{phase.get(of['phase'], '')} from {first:%Y-%m-%d} to {last:%Y-%m-%d}"


def _chance(of: Values) -> str:
    chance = float(of["chance"])
    return "fewer than one in 10,000" if chance < 1e-4 else f"one in {round(1.0 / chance):,}"


def _moved_together(of: Values) -> str:
    way = toward_of(of["north_arcsec"], of["east_arcsec"])
    size = any_angle(of["size_arcsec"], of["sd_arcsec"])
    between = angle_alone(of["between_arcsec"])
    return (
        f"{_who(of)} tipped {way}{_when(of)}, by {size} in the mean with {between} from pier to pier: the "
        f"slab or the ground under all of them moved, not one pier.  Of piers that go each its own way "
        f"{_chance(of)} would look so alike.  But if all were read with one level, a change of that level "
        "would look the same: read one of them with another."
    )


def _stood_still(of: Values) -> str:
    most = angle_alone(of["most_arcsec"])
    return f"{_who(of)} stood still{_when(of)}: none is sure to have tipped (largest reading {most})."


def _not_alike(of: Values) -> str:
    count = _number(len(of["piers"]))
    size, between = any_angle(of["size_arcsec"], of["sd_arcsec"]), angle_alone(of["between_arcsec"])
    return (
        f"{count[0].upper()}{count[1:]} piers do not all go one way{_when(of)}: their mean is {size}, and "
        f"they differ by {between}.  Nothing says that what they stand on moves."
    )


def _odd_one(of: Values) -> str:
    name, others = harmless(str(of["pier"])), f"the other {_number(int(of['others']))}"
    did = "stood still" if of["others_still"] else "tipped together" if of["others_moved"] else "did not"
    size, sd = float(of["size_arcsec"]), float(of["sd_arcsec"])
    chance = f"Of piers like the others {_chance(of)} would be so far off."
    if size < 2.0 * sd:
        went = f"{name} stood still ({any_angle(size, sd)}){_when(of)}"
        return f"{went} while {others} {did}: {name} stands on something of its own.  {chance}"
    way = toward_of(of["north_arcsec"], of["east_arcsec"])
    went = f"{name} tipped {any_angle(size, sd)} {way}{_when(of)}"
    return f"{went} while {others} {did}: that is {name}'s own, not the site's.  {chance}"


SENTENCES: dict[Code, Writer] = {
    TogetherCode.MOVED_TOGETHER: _moved_together,
    TogetherCode.STOOD_STILL: _stood_still,
    TogetherCode.NOT_ALIKE: _not_alike,
    TogetherCode.ODD_ONE: _odd_one,
}
