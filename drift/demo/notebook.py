"""What the owner writes down by day: typed alignment errors, levels, weather, corrections."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from drift.demo.motion import Motion, step_us
from drift.demo.sessions import HOUR_US, Evening
from drift.demo.weather import LEAD_IN_DAYS, LOGGED_LEAD_IN_DAYS, YEAR_DAYS, stream
from drift.types import empty_table

if TYPE_CHECKING:
    import pandas as pd


TURNED_AFTER_US = HOUR_US // 6  # a level is turned end for end ten minutes later
FIRST_LEVEL_DAY = 3.1  # after the first noon: an afternoon


def log_typed(course: Motion, evenings: tuple[Evening, ...]) -> pd.DataFrame:
    """Return the alignment errors that some other method gave and the owner typed in."""
    import pandas as pd

    scenario = course.scenario
    used = [evening for evening in evenings if "typed" in evening.kinds]
    if not used:
        return empty_table("alignments").drop(columns="row_id")
    time_us = np.array([e.start_us for e in used], dtype=np.int64) // 1_000_000 * 1_000_000
    noise = [stream(scenario.seed, "typed", e.day).normal(0.0, scenario.typed_noise_arcmin, 2) for e in used]
    az_error, alt_error = course.axis(time_us)
    return pd.DataFrame(
        {
            "time_us": time_us,
            "az_error_arcmin": np.round(az_error / 60.0 + np.array(noise)[:, 0], 2),
            "alt_error_arcmin": np.round(alt_error / 60.0 + np.array(noise)[:, 1], 2),
            "sigma_arcmin": scenario.typed_noise_arcmin if scenario.typed_sigma_given else np.nan,
        }
    )


def _level_times(course: Motion) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Return the moments of level readings and the face of each [deg]."""
    scenario = course.scenario
    visits = np.arange(FIRST_LEVEL_DAY, scenario.years * YEAR_DAYS - 1, scenario.level_every_days)
    first = np.array([step_us(scenario, day) for day in visits], dtype=np.int64)
    if not scenario.level_pairs:
        return first, np.full(len(first), np.nan)
    turned = np.stack([first, first + TURNED_AFTER_US], axis=-1).ravel()
    return turned, np.tile((0.0, 180.0), len(first))


def log_levels(course: Motion) -> pd.DataFrame:
    """Return the level readings, each as read on the level's own axes."""
    import pandas as pd

    scenario = course.scenario
    if scenario.level_every_days <= 0:
        return empty_table("levels").drop(columns="row_id")
    time_us, face = _level_times(course)
    setting = course.setting(time_us)
    on_pier = scenario.level_place == "pier"
    north = setting.tilt_north + (0.0 if on_pier else setting.plate_north)
    east = setting.tilt_east + (0.0 if on_pier else setting.plate_east)
    noise = stream(scenario.seed, "level").normal(0.0, scenario.level_sigma, (2, len(time_us)))
    sign = np.where(face == 180.0, -1.0, 1.0)
    return pd.DataFrame(
        {
            "time_us": time_us,
            "tilt_north_arcsec": np.round(sign * north + scenario.level_bias + noise[0], 1),
            "tilt_east_arcsec": np.round(sign * east - scenario.level_bias + noise[1], 1),
            "place": scenario.level_place,
            "face_deg": face,
            "sigma_arcsec": scenario.level_sigma,
        }
    )


def log_weather(course: Motion) -> pd.DataFrame:
    """Return the daily weather from some weeks before the first night on."""
    import pandas as pd

    if not course.scenario.weather_logged:
        return empty_table("weather").drop(columns="row_id")
    shown = slice(LEAD_IN_DAYS - LOGGED_LEAD_IN_DAYS, -1)
    weather = course.weather
    return pd.DataFrame(
        {
            "day": weather.day[shown],
            "t_min_c": np.round(weather.min_c[shown], 1),
            "t_max_c": np.round(weather.max_c[shown], 1),
            "t_mean_c": np.round(weather.mean_c[shown], 1),
            "snow_cm": np.round(weather.snow_cm[shown], 0),
        }
    )


def log_corrections(course: Motion) -> pd.DataFrame:
    """Return what the owner wrote down of his corrections."""
    import pandas as pd

    names = ("amount_arcmin", "bearing_deg", "thickness_mm", "turns")
    written = [
        (time_us, step)
        for time_us, step in zip(course.step_times_us.tolist(), course.steps, strict=True)
        if step.kind
    ]
    if not written:
        return empty_table("corrections").drop(columns="row_id")
    return pd.DataFrame(
        {
            "time_us": np.array([time_us for time_us, _ in written], dtype=np.int64),
            "kind": [step.kind for _, step in written],
            **{name: np.array([getattr(s, name) for _, s in written], dtype=float) for name in names},
            "note": [step.note for _, step in written],
        }
    )
