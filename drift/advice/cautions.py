"""Cautions that belong to the advised steps, short and each only where it applies."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drift.advice.result import Action
    from drift.pierfile import PierFile

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
