"""The two sample sets: what their histories are, and the site files that go with them.

Neither place is a real observatory; sites, names and measures are invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from drift.demo.instrument import Constants
from drift.demo.scenario import Climate, Correction, Scenario, Step


@dataclass(frozen=True)
class Sample:
    """A scenario, what else its owner wrote into pier.toml, and the folder it stands in."""

    scenario: Scenario
    folder: str  # within sample_logs; "" for the folder itself
    site: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


NORTH = Sample(
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
        lean0_north=-14.0,
        lean0_east=31.0,
        heave=48.0,
        heave_bearing_deg=205.0,
        ratchet=0.12,
        settle=55.0,
        settle_years=2.2,
        settle_bearing_deg=120.0,
        mount_az0=-46.0,
        mount_alt0=22.0,
        steps=(Step(402.2, mount_az=118.0),),
        corrections=(Correction(628.3, note="azimuth knob a little counterclockwise and clamped again"),),
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

SOUTH = Sample(
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
        lean0_north=22.0,
        lean0_east=-9.0,
        heave=24.0,
        heave_bearing_deg=15.0,
        settle=75.0,
        settle_years=0.9,
        settle_bearing_deg=290.0,
        mount_az0=85.0,
        mount_alt0=-30.0,
        steps=(Step(331.2, mount_alt=-95.0),),
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


def sample_texts(sample: Sample) -> dict[str, str]:
    """Return file name -> text of one sample set: logs, pier.toml and truth.json."""
    from drift.demo.world import make
    from drift.demo.write import world_texts

    return world_texts(make(sample.scenario), sample.site)


def samples_files() -> dict[str, str]:
    """Return path within sample_logs -> text of every file there, the README included."""
    from drift.demo.samples_readme import readme_text
    from drift.demo.world import make
    from drift.demo.write import world_texts

    worlds = [make(sample.scenario) for sample in SAMPLES]
    texts = {
        f"{sample.folder}/{name}".lstrip("/"): text
        for sample, world in zip(SAMPLES, worlds, strict=True)
        for name, text in world_texts(world, sample.site).items()
    }
    return texts | {"README.md": readme_text(*worlds)}


def write_samples(folder: Path) -> tuple[Path, ...]:
    """Write both sample sets and their README into `folder`; return the paths."""
    from drift.demo.write import write_texts

    return write_texts(folder, samples_files())
