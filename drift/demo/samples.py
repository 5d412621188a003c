"""The two sample sets: their histories, site files, README and folder."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from drift.demo.files import FILES, SITE_NAME, TRUTH_NAME, World, log_texts, write_texts
from drift.demo.instrument import Constants
from drift.demo.motion import first_day, winter_peaks
from drift.demo.scenario import Climate, InventedCorrection, InventedStep, Scenario
from drift.demo.truth import TRUTH_FORMAT
from drift.errors import DriftError

# ---- The README beside the sample logs: what each file shows, and the truth in numbers and words.


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


def _step_words(step: InventedStep) -> str:
    if step.mount_az:
        knob, size, direction = (
            "azimuth",
            step.mount_az,
            "clockwise" if step.mount_az > 0 else "anticlockwise",
        )
    else:
        knob, size, direction = "altitude", step.mount_alt, "up" if step.mount_alt > 0 else "down"
    noted = "nobody wrote it down"
    if step.kind and step.amount_arcmin is not None:
        asked = 60.0 * step.amount_arcmin
        noted = f"written down as {step.amount_arcmin:+.1f} arcmin ({asked:+.0f} arcsec)"
    return f"the {knob} knob moved the axis {direction} by {abs(size):.0f} arcsec; {noted}."


def _events(world: World) -> Iterator[str]:
    for event in world.truth.events:
        day = np.datetime64(event.time_us, "us").astype("datetime64[D]")
        yield f"{day}: {_step_words(event.step)}"


def _winters(world: World) -> Iterator[str]:
    weather, scenario = world.motion.weather, world.scenario
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
    """Return the template's values for one pier."""
    scenario, nights, constants = world.scenario, world.truth.nights["pointing"], world.truth.constants
    change = {
        name: f"{float(column[-1] - column[0]) + 0.0:+.0f}"
        for name, column in (
            ("north", nights.tilt_north),
            ("east", nights.tilt_east),
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


# ---- The two sample sets: what their histories are, and the site files that go with them.
#
# Neither place is a real observatory; sites, names and measures are invented.


@dataclass(frozen=True)
class SampleSet:
    """A scenario, the rest of its pier.toml, and its folder."""

    scenario: Scenario
    folder: str  # within sample_logs; "" for the folder itself
    site: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


NORTH = SampleSet(
    folder="",
    scenario=Scenario(
        seed=20260,
        family="heave",
        name="Birch Hollow",
        latitude_deg=52.4,
        longitude_deg=83.1,
        elevation_m=215.0,
        timezone="Asia/Barnaul",
        start="2022-09-10",
        years=3.85,
        climate=Climate(mean_c=2.5, annual_amplitude_c=17.5),
        tilt0_north=-14.0,
        tilt0_east=31.0,
        heave=48.0,
        heave_bearing_deg=205.0,
        ratchet=0.12,
        settle=55.0,
        settle_years=2.2,
        settle_bearing_deg=120.0,
        mount_az0=-46.0,
        mount_alt0=22.0,
        steps=(InventedStep(402.2, mount_az=118.0),),
        corrections=(
            InventedCorrection(628.3, note="azimuth knob a little counterclockwise and clamped again"),
        ),
        constants=Constants(42.0, -31.0, 55.0, 18.0),
        zero0=-210.0,
        dec_zero0=95.0,
        zero_repeatability=5.0,
        nights_a_year=82.0,
        night_kinds=(
            (("pointing",), 0.68),
            (("pointing", "sweep"), 0.06),
            (("sweep",), 0.12),
            (("pointing", "run"), 0.05),
            (("run",), 0.04),
            (("typed",), 0.05),
        ),
        solves_a_night=11,
        horizon=((0.0, 16.0), (45.0, 20.0), (60.0, 47.0), (108.0, 47.0), (122.0, 22.0), (230.0, 18.0)),
        level_every_days=28.0,
        bad_rows=True,
    ),
    site={
        "mount": {
            "azimuth_knob_arcmin_per_turn": 42,
            "altitude_knob_arcmin_per_turn": 34,
            "knob_travel_arcmin": 480,
            "mass_kg": 92,
        },
        "plate": {"bolt_bearings_deg": [30, 150, 270], "bolt_circle_mm": 260, "thread": "M12", "nuts": False},
        "pier": {
            "diameter_mm": 320,
            "depth_m": 1.1,
            "height_m": 1.0,
            "soil": "silty clay",
            "drained": False,
            "surface": "turf, snow kept",
        },
        "optics": {
            "focal_length_mm": 1280,
            "pixel_um": 3.8,
            "exposure_s": 180,
            "session_min": 150,
            "typical_declination_deg": 35,
            "guided": True,
        },
    },
)

SOUTH = SampleSet(
    folder="south",
    scenario=Scenario(
        seed=20261,
        family="settle",
        name="Tres Sauces",
        latitude_deg=-44.3,
        longitude_deg=-69.4,
        elevation_m=510.0,
        timezone="America/Argentina/Catamarca",
        start="2024-10-05",
        years=1.55,
        climate=Climate(
            mean_c=8.5,
            annual_amplitude_c=8.5,
            day_to_day_c=3.5,
            winter_spread_c=1.5,
            daily_range_c=12.0,
            wet_day_chance=0.15,
            clear_by_month=(1.2, 1.2, 1.1, 1.0, 0.8, 0.7, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2),
        ),
        tilt0_north=22.0,
        tilt0_east=-9.0,
        heave=24.0,
        heave_bearing_deg=15.0,
        settle=75.0,
        settle_years=0.9,
        settle_bearing_deg=290.0,
        mount_az0=85.0,
        mount_alt0=-30.0,
        steps=(InventedStep(331.2, mount_alt=-95.0),),
        constants=Constants(-28.0, 20.0, -36.0, 9.0),
        zero="synced",
        session_logged=True,
        second_sync_chance=0.15,
        nights_a_year=52.0,
        solves_a_night=12,
        level_every_days=14.0,
        level_sigma=8.0,
        horizon=((0.0, 25.0), (90.0, 12.0), (180.0, 14.0), (270.0, 20.0)),
    ),
    site={
        "mount": {"azimuth_knob_arcmin_per_turn": 50, "altitude_knob_arcmin_per_turn": 40},
        "pier": {"diameter_mm": 300, "depth_m": 0.8, "height_m": 1.1, "soil": "clay", "surface": "bare"},
        "optics": {
            "focal_length_mm": 800,
            "pixel_um": 4.6,
            "exposure_s": 120,
            "session_min": 180,
            "typical_declination_deg": -45,
            "guided": True,
        },
    },
)

SAMPLES = (NORTH, SOUTH)


def sample_texts(sample: SampleSet) -> dict[str, str]:
    """Return file name -> text of one sample set: logs, pier.toml and truth.json."""
    from drift.demo.files import make, world_texts

    return world_texts(make(sample.scenario), sample.site)


def samples_files() -> dict[str, str]:
    """Return path within sample_logs -> text of every file there, the README included."""
    from drift.demo.files import make, world_texts

    worlds = [make(sample.scenario) for sample in SAMPLES]
    texts = {
        f"{sample.folder}/{name}".lstrip("/"): text
        for sample, world in zip(SAMPLES, worlds, strict=True)
        for name, text in world_texts(world, sample.site).items()
    }
    return texts | {"README.md": readme_text(*worlds)}


def write_samples(folder: Path) -> tuple[Path, ...]:
    """Write both sample sets and their README into `folder`; return the paths."""
    from drift.demo.files import write_texts

    return write_texts(folder, samples_files())


# ---- The folder of a demo: what may be overwritten, and what is put there.


LOGS = "logs"
REPORT_NAME = "report.html"
_BOOK_NAME = "drift-book.sqlite"
_BOOK_FILES = tuple(_BOOK_NAME + end for end in ("", "-wal", "-shm", "-journal"))


def clear_folder(folder: Path) -> None:
    """Make room in `folder` for a demo: it may be new, empty or an earlier demo's.

    Only files that a demo makes are removed.

    Raises
    ------
    drift.errors.DriftError
        If anything else is in it; names the folder and what to do.
    """
    if folder.exists() and not folder.is_dir():
        raise DriftError(f"{folder} is a file.  Name a new folder for the demo, as in `drift demo my-demo`.")
    if not folder.exists() or not any(folder.iterdir()):
        return
    if not _is_demo(folder):
        raise DriftError(
            f"the folder {folder} is not empty and was not made by an earlier demo, so it is left alone.  "
            "Name another folder, as in `drift demo my-demo`."
        )
    ours = [folder / name for name in (SITE_NAME, TRUTH_NAME, REPORT_NAME, *_BOOK_FILES)]
    ours += [folder / LOGS / name for name in FILES.values()]
    try:
        for path in ours:
            path.unlink(missing_ok=True)
    except OSError as error:
        raise DriftError(
            f"{error.filename} of the earlier demo can't be taken away ({error.strerror}).  Close what has "
            "it open, or name another folder."
        ) from error


def _is_demo(folder: Path) -> bool:
    try:
        truth = json.loads((folder / TRUTH_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(truth, dict) and truth.get("format") == TRUTH_FORMAT


def put_logs(folder: Path, sample: SampleSet) -> str:
    """Write a sample's logs and truth into `folder`; return the text of its filled-in site file.

    Raises
    ------
    drift.errors.DriftError
        If something can't be written.
    """
    texts = sample_texts(sample)
    logs = {name: text for name, text in texts.items() if name in FILES.values()}
    try:
        write_texts(folder, {TRUTH_NAME: texts[TRUTH_NAME]})
        write_texts(folder / LOGS, logs)
    except OSError as error:
        raise DriftError(
            f"{error.filename} can't be written ({error.strerror}).  Name a folder that is open for writing "
            "and has room, as in `drift demo my-demo`."
        ) from error
    return texts[SITE_NAME]
