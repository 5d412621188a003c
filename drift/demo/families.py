"""Families of invented histories: each seed is another pier.

For tests and benchmarks alone; `drift demo` makes its samples in `drift.demo.samples`.

A family fixes what happens; the seed draws how much, which way and when.  Any
field of the scenario can be given instead of drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from drift.demo.instrument import Constants
from drift.demo.scenario import InventedCorrection, InventedStep, Scenario
from drift.demo.weather import YEAR_DAYS, stream


def _any_pier(rng: np.random.Generator, seed: int, family: str) -> Scenario:
    """Draw a site, an instrument and a first setting."""
    south = rng.random() < 0.35
    latitude = rng.uniform(36.0, 57.0) * (-1.0 if south else 1.0)
    cone, skew, between, droop = rng.normal(0.0, (40.0, 35.0, 40.0, 12.0))
    return Scenario(
        seed=seed,
        family=family,
        name=f"Invented pier {family} {seed}",
        latitude_deg=round(latitude, 2),
        longitude_deg=round(rng.uniform(-175.0, 175.0), 2),
        elevation_m=round(rng.uniform(20.0, 1500.0)),
        tilt0_north=rng.normal(0.0, 40.0),
        tilt0_east=rng.normal(0.0, 40.0),
        mount_az0=rng.normal(0.0, 60.0),
        mount_alt0=rng.normal(0.0, 60.0),
        constants=Constants(cone, skew, between, abs(droop)),
        zero0=rng.normal(0.0, 150.0),
        dec_zero0=rng.normal(0.0, 150.0),
    )


def _days(rng: np.random.Generator, scenario: Scenario, count: int) -> list[float]:
    """Draw afternoons in the middle of the history, well apart."""
    length = scenario.years * YEAR_DAYS
    slots = np.linspace(0.2, 0.85, count + 1)
    return [
        round(float(rng.uniform(a, 0.7 * b + 0.3 * a) * length)) + 0.1
        for a, b in zip(slots[:-1], slots[1:], strict=True)
    ]


def _sign(rng: np.random.Generator) -> float:
    return 1.0 if rng.random() < 0.5 else -1.0


def _heave(rng: np.random.Generator, base: Scenario) -> Scenario:
    return replace(
        base,
        heave=rng.uniform(20.0, 80.0),
        heave_bearing_deg=rng.uniform(0.0, 360.0),
        ratchet=rng.uniform(0.0, 0.25),
    )


def _settle(rng: np.random.Generator, base: Scenario) -> Scenario:
    return replace(
        base,
        settle=rng.uniform(40.0, 160.0),
        settle_years=rng.uniform(1.0, 4.0),
        settle_bearing_deg=rng.uniform(0.0, 360.0),
    )


def _slips(rng: np.random.Generator, base: Scenario) -> Scenario:
    azimuth, altitude, corrected = _days(rng, base, 3)
    return replace(
        base,
        steps=(
            InventedStep(azimuth, mount_az=_sign(rng) * rng.uniform(40.0, 200.0)),
            InventedStep(altitude, mount_alt=_sign(rng) * rng.uniform(40.0, 200.0)),
        ),
        corrections=(InventedCorrection(corrected, note="turned the azimuth knob"),),
    )


def _bump(rng: np.random.Generator, base: Scenario) -> Scenario:
    (day,) = _days(rng, base, 1)
    size, bearing = rng.uniform(30.0, 120.0), rng.uniform(0.0, 2 * np.pi)
    return replace(
        base, steps=(InventedStep(day, tilt_north=size * np.cos(bearing), tilt_east=size * np.sin(bearing)),)
    )


def _quiet(rng: np.random.Generator, base: Scenario) -> Scenario:
    return base


#: Name -> what is drawn: frost heave with ratchet; slow settlement; unrecorded slips of
#: both knobs and a recorded correction; an unrecorded step of the pier; nothing at all.
FAMILIES: dict[str, Callable[[np.random.Generator, Scenario], Scenario]] = {
    "heave": _heave,
    "settle": _settle,
    "slips": _slips,
    "bump": _bump,
    "quiet": _quiet,
}


def family(name: str, seed: int, **changes: Any) -> Scenario:
    """Return the scenario of a family and a seed, with some fields given.

    Parameters
    ----------
    name
        One of `FAMILIES`.
    seed
        Draws everything that is not given.
    **changes
        Fields of `drift.demo.scenario.Scenario`; `years` and `latitude_deg`
        are taken into account before anything is drawn.

    Raises
    ------
    KeyError
        For an unknown family; lists the known ones.
    """
    if name not in FAMILIES:
        raise KeyError(f"no family of histories is called {name!r}; there are {', '.join(FAMILIES)}")
    rng = stream(seed, f"family {name}")
    base = replace(_any_pier(rng, seed, name), **changes)
    return replace(FAMILIES[name](rng, base), **changes)
