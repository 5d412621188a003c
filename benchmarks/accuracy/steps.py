"""Steps: how soon they are told, whether the right part is named, whether odds hold, and false ones."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from histories import Invented, invent, scenario_of
from score import NORMAL_95, PICK

from drift.demo.files import make
from drift.demo.scenario import InventedStep, Scenario
from drift.quantities import DAY_US, YEAR_DAYS
from drift.types import History

#: Size of the step that must be told [arcsec].
SIZE = 60.0
#: Nights after the step that are given.
NIGHTS_AFTER = 2
#: Length of a quiet pier's record [years].
QUIET_YEARS = 4.0


@dataclass(frozen=True)
class Prompt:
    """A step of `SIZE` seen on two nights only."""

    part: str
    seed: int
    separable: bool  # a level was read after it, or a kept zero sees it
    reported: bool
    named: str
    odds: float


def stepped(part: str, seed: int) -> Scenario:
    """Return a pier with one step of `SIZE` of a part, well inside the record."""
    base = scenario_of("heave" if seed % 2 else "quiet", seed)
    rng = np.random.default_rng([seed, 77])
    day = round(base.years * YEAR_DAYS * rng.uniform(0.4, 0.9)) + 0.1
    if part == "pier":
        toward = rng.uniform(0.0, 2.0 * np.pi)
        step = InventedStep(day, tilt_north=SIZE * np.cos(toward), tilt_east=SIZE * np.sin(toward))
    else:
        step = InventedStep(day, **{part: SIZE * float(rng.choice([-1.0, 1.0]))})
    return replace(base, steps=(step,))


def prompt(part: str, seed: int) -> Prompt:
    """Cut a record two nights after its step, and look whether the step is told."""
    scenario = stepped(part, seed)
    history = invent(scenario, until_us=_second_night(scenario))
    found = history.separated()
    at = int(history.motion.step_times_us[0])
    events = [e for e in found.events if not e.recorded and e.before_us >= at]
    level_after = bool(np.any(history.levels["time_us"].to_numpy(dtype=np.int64) > at))
    separable = level_after or (scenario.zero == "kept" and part != "mount_alt")
    odds = 0.0
    if events:
        probability = events[-1].probability
        odds = probability[part] / max(1.0 - probability["nothing"], 1e-12)
    return Prompt(part, seed, separable, bool(events), events[-1].what if events else "", odds)


def _second_night(scenario: Scenario) -> int:
    """Return the end of the second clear night after the step, UTC microseconds."""
    world = make(scenario)
    at = int(world.motion.step_times_us[0])
    nights = np.sort(world.truth.nights["pointing"].time_us)
    later = nights[nights > at]
    return int(later[min(NIGHTS_AFTER, later.size) - 1] + DAY_US // 2) if later.size else at


def quiet(seed: int) -> tuple[float, list[tuple[str, float]]]:
    """Return the years of a quiet record and the events told in it."""
    scenario = replace(scenario_of("quiet", 10_000 + seed), years=QUIET_YEARS)
    history = invent(scenario)
    found = history.separated()
    told = [(e.what, 1.0 - e.probability["nothing"]) for e in found.events if not e.recorded]
    return QUIET_YEARS, told


def negative_controls(history: Invented) -> dict[str, History]:
    """Return the separation with a latitude that is wrong by 10 degrees, and with its sign wrong."""
    latitude = history.scenario.latitude_deg
    return {
        "latitude 10 degrees off": history.separated(latitude_deg=latitude - np.copysign(10.0, latitude)),
        "latitude of the wrong sign": history.separated(latitude_deg=-latitude),
    }


def inside(history: Invented, found: History) -> np.ndarray:
    """Return whether the 95 % intervals hold the truth, (n, 4), the reference left out."""
    true = history.true_change(found.time_us)[1:, PICK]
    return np.asarray(np.abs(found.change[1:, PICK] - true) <= NORMAL_95 * found.sd[1:, PICK])
