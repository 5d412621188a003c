"""The answer as pandas tables, with the names that ``drift status --json`` has."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from drift.errors import DriftError
from drift.history.result import COLUMNS
from drift.show.figures.cause_parts import left_over, view_named, views
from drift.show.status_json import as_mapping, utc_text

if TYPE_CHECKING:
    from drift.answer import Answer


def frame_of(answer: Answer, name: str) -> pd.DataFrame:
    """Return one table of the answer.

    Parameters
    ----------
    answer
        What was worked out for one pier.
    name
        One of `FRAMES`.

    Returns
    -------
    pandas.DataFrame
        Angles in arcsec, times aware in UTC, ``_sd`` one standard deviation, NaN for what is not known.

    Raises
    ------
    drift.errors.DriftError
        If there is no such table; names those there are.
    """
    if name not in FRAMES:
        raise DriftError(f"there is no table {name!r}; the tables are {', '.join(FRAMES)}.")
    frame = FRAMES[name](answer)
    for column in frame.columns:
        if str(column).endswith("_utc"):
            frame[column] = pd.to_datetime(frame[column], utc=True)
    return frame


def _nights(answer: Answer) -> pd.DataFrame:
    frame = pd.DataFrame(as_mapping(answer)["nights"])
    for name in ("hour_angle_deg", "declination_deg"):
        spans = [
            getattr(night.sky, name) if night.sky else (np.nan, np.nan) for night in answer.nights.nights
        ]
        for k, end in enumerate(("from", "to")):
            frame[f"{name.removesuffix('_deg')}_{end}_deg"] = [span[k] for span in spans]
    frame["remarks"] = ["; ".join(night.remarks) for night in answer.nights.nights]
    return _numbers(frame, ("az_error", "alt_error", "zero"))


def _history(answer: Answer) -> pd.DataFrame:
    return _numbers(pd.DataFrame(as_mapping(answer)["history"]), COLUMNS)


def _numbers(frame: pd.DataFrame, names: tuple[str, ...]) -> pd.DataFrame:
    for name in names:
        for column in (name, f"{name}_sd"):
            if column in frame:
                frame[column] = frame[column].astype(float)
    return frame


def _causes(answer: Answer) -> pd.DataFrame:
    """One row a cause and reading."""
    history = answer.history
    times = [utc_text(time_us) for time_us in history.time_us]
    parts = []
    for cause in history.causes:
        values: dict[str, Any] = {"cause": cause.name, "time_utc": times}
        for k, name in enumerate(COLUMNS):
            values[name], values[f"{name}_sd"] = cause.change[:, k], cause.sd[:, k]
        parts.append(pd.DataFrame(values))
    columns = ["cause", "time_utc", *(each for name in COLUMNS for each in (name, f"{name}_sd"))]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _left_over(answer: Answer) -> pd.DataFrame:
    """One row a night and coordinate: what no cause explains."""
    parts = []
    for view in views(answer):
        left = left_over(answer, view_named(answer, view.name))
        if left is not None:
            times = [utc_text(time_us) for time_us in left.time_us]
            columns = {
                "time_utc": times,
                "coordinate": view.name,
                "left_over": left.left,
                "left_over_sd": left.sd,
            }
            parts.append(pd.DataFrame(columns))
    names = ["time_utc", "coordinate", "left_over", "left_over_sd"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names)


def _events(answer: Answer) -> pd.DataFrame:
    return pd.json_normalize(as_mapping(answer)["events"], sep="_")


def _listed(name: str, *path: str) -> Callable[[Answer], pd.DataFrame]:
    def frame(answer: Answer) -> pd.DataFrame:
        found: Any = as_mapping(answer)
        for key in (*path, name):
            found = found[key]
        return pd.DataFrame(found)

    return frame


#: Name -> what makes the table.
FRAMES: dict[str, Callable[[Answer], pd.DataFrame]] = {
    "nights": _nights,
    "history": _history,
    "causes": _causes,
    "left_over": _left_over,
    "events": _events,
    "corrections": _listed("corrections"),
    "winters": _listed("winters", "components"),
    "actions": _listed("actions"),
    "set_aside": _listed("set_aside"),
}
