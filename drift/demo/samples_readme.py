"""The README beside the sample logs: what each file shows, and the truth in numbers and words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from drift.demo.scenario import Step
from drift.demo.weather import first_day, winter_peaks
from drift.demo.world import World
from drift.demo.write import log_texts

_TEMPLATE = "samples_readme.md.j2"
_NIGHTS_OF = {
    "solves.csv": "pointing",
    "sweeps.csv": "sweep",
    "runs.csv": "run",
    "alignments.csv": "typed",
    "levels.csv": "level",
}
_LEAST_PEAK = 0.25  # of a mean winter; less is the beginning or end of the record


def _counts(world: World) -> Iterator[str]:
    texts, bad_rows = log_texts(world)
    for name, text in texts.items():
        rows, unusable = text.count("\n") - 1, sum(bad.file == name for bad in bad_rows)
        line = f"{name}: {rows} rows"
        if unusable:
            line += f", {unusable} of them unusable"
        if name in _NIGHTS_OF:
            nights = len(world.truth.nights[_NIGHTS_OF[name]].time_us)
            line += f", on {nights} {'days' if name == 'levels.csv' else 'nights'}"
        yield line


def _step_words(step: Step) -> str:
    if step.mount_az:
        knob, size, way = "azimuth", step.mount_az, "clockwise" if step.mount_az > 0 else "anticlockwise"
    else:
        knob, size, way = "altitude", step.mount_alt, "up" if step.mount_alt > 0 else "down"
    noted = "nobody wrote it down"
    if step.kind and step.amount_arcmin is not None:
        asked = 60.0 * step.amount_arcmin
        noted = f"written down as {step.amount_arcmin:+.1f} arcmin ({asked:+.0f} arcsec)"
    return f"the {knob} knob moved the axis {way} by {abs(size):.0f} arcsec; {noted}."


def _events(world: World) -> Iterator[str]:
    for event in world.truth.events:
        day = np.datetime64(event.time_us, "us").astype("datetime64[D]")
        yield f"{day}: {_step_words(event.step)}"


def _winters(world: World) -> Iterator[str]:
    weather, scenario = world.course.weather, world.scenario
    shown = weather.day >= first_day(scenario)
    day, frost, winter = weather.day[shown], weather.frost[shown], weather.winter[shown]
    for number, peak in winter_peaks(frost, winter).items():
        if peak > _LEAST_PEAK:
            at = np.datetime64(int(day[winter == number][np.argmax(frost[winter == number])]), "D")
            out = scenario.heave * peak
            yield f"farthest out on {at}, by {out:.0f} arcsec, of which {scenario.ratchet * out:.1f} stay"


def _wrong(world: World) -> str:
    solves, sweeps = int(world.truth.wrong_solves.sum()), int(world.truth.wrong_sweep_solves.sum())
    also = f" and {sweeps} solves of sweeps" if sweeps else ""
    return f"{solves} of the pointing solves{also}"


def _values(world: World) -> dict[str, Any]:
    """Return what the template says of one pier."""
    scenario, nights, constants = world.scenario, world.truth.nights["pointing"], world.truth.constants
    change = {
        name: f"{float(column[-1] - column[0]) + 0.0:+.0f}"
        for name, column in (
            ("north", nights.lean_north),
            ("east", nights.lean_east),
            ("azimuth", nights.mount_az),
            ("altitude", nights.mount_alt),
        )
    }
    latitude, longitude, elevation = scenario.site
    return change | {
        "name": scenario.name,
        "site": f"latitude {latitude:+.1f}, longitude {longitude:+.1f} degrees, {elevation:.0f} m",
        "repeatability": f"{scenario.zero_repeatability:.0f}",
        "heave": f"{scenario.heave:.0f}",
        "heave_bearing": f"{scenario.heave_bearing_deg:.0f}",
        "ratchet": f"{scenario.ratchet:.0%}" if scenario.ratchet else "nothing",
        "settle": f"{scenario.settle:.0f}",
        "settle_years": f"{scenario.settle_years:g}",
        "settle_bearing": f"{scenario.settle_bearing_deg:.0f}",
        "cone": f"{constants.cone_error_arcsec:+.0f}",
        "skew": f"{constants.axis_nonperpendicularity_arcsec:+.0f}",
        "offset": f"{constants.declination_offset_arcsec:+.0f}",
        "droop": f"{constants.droop_arcsec:.0f}",
        "counts": list(_counts(world)),
        "events": list(_events(world)),
        "winters": list(_winters(world)),
        "wrong": _wrong(world),
        "bad_rows": [f"{bad.file}, line {bad.line}: {bad.what}" for bad in log_texts(world)[1]],
    }


def readme_text(north: World, south: World) -> str:
    """Return the README of the sample logs."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("drift.demo", "")
    environment = Environment(
        loader=loader, undefined=StrictUndefined, keep_trailing_newline=True, autoescape=False
    )
    return environment.get_template(_TEMPLATE).render(north=_values(north), south=_values(south))
