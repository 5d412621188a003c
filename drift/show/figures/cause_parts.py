"""What each cause alone did to the axis or to the lean, and what is left of the nights' own readings."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.history.result import COLUMNS
from drift.quantities import Bools, Floats, Ints

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.history.result import CauseSeries

#: Causes that are many of one kind are shown as one: a word of their names -> what they are called together.
_TOGETHER = {"correction": "corrections", "sudden change": "sudden changes"}


@dataclass(frozen=True)
class View:
    """One coordinate in which causes are compared: a weighted sum of the columns of the history."""

    name: str  # "azimuth", "altitude", "north", "east"
    title: str
    weights: Floats = field(repr=False)  # (6,)
    nights_column: int | None  # of `NightAxis.estimate`; None where nights say nothing of it


@dataclass(frozen=True)
class Part:
    """What one cause did in one view, a row a reading of the history [arcsec]."""

    title: str
    value: Floats = field(repr=False)  # (n,)
    sd: Floats = field(repr=False)  # (n,)
    sudden: bool  # moves by steps, which may dwarf all else


@dataclass(frozen=True)
class Left:
    """The nights' own readings in one view against the sum of all causes [arcsec]."""

    time_us: Ints = field(repr=False)  # (m,)
    read: Floats = field(repr=False)  # (m,) change since the start, by each night alone
    sd: Floats = field(repr=False)  # (m,) of the night
    left: Floats = field(repr=False)  # (m,) what is left over


def views(answer: Answer) -> tuple[View, ...]:
    """Return the coordinates to compare causes in: those of the axis; where no night has one, of the lean."""
    if any(night.has_axis for night in answer.nights.nights):
        return view_named(answer, "azimuth"), view_named(answer, "altitude")
    return view_named(answer, "north"), view_named(answer, "east")


def view_named(answer: Answer, name: str) -> View:
    """Return a view by its name.

    Notes
    -----
    The change in az_error is mount_az + (lean_east + plate_east) tan(phi), in alt_error
    mount_alt - s (lean_north + plate_north), with s = +1 on the equator and north of it.
    """
    latitude = answer.site.site.latitude_deg
    tan, sign = math.tan(math.radians(latitude)), -1.0 if latitude < 0 else 1.0
    weights: dict[str, dict[str, float]] = {
        "azimuth": {"mount_az": 1.0, "lean_east": tan, "plate_east": tan},
        "altitude": {"mount_alt": 1.0, "lean_north": -sign, "plate_north": -sign},
        "north": {"lean_north": 1.0},
        "east": {"lean_east": 1.0},
    }
    titles = {
        "azimuth": "azimuth of the axis",
        "altitude": "altitude of the axis",
        "north": "lean toward north",
        "east": "lean toward east",
    }
    column = {"azimuth": 0, "altitude": 1}.get(name)
    of = np.array([weights[name].get(each, 0.0) for each in COLUMNS])
    return View(name, titles[name], of, column)


def parts(answer: Answer, view: View) -> list[Part]:
    """Return what each cause did in a view, those of one kind together.

    A cause that does nothing in the view is left out.  Columns of one cause, and causes that are shown as
    one, are taken as independent.
    """
    groups: dict[str, list[CauseSeries]] = {}
    for cause in answer.history.causes:
        groups.setdefault(_kind(cause.name), []).append(cause)
    found = []
    for title, members in groups.items():
        value = np.sum([weighed(cause.change, view) for cause in members], axis=0)
        sd = np.sqrt(np.sum([weighed_sd(cause.sd, view) ** 2 for cause in members], axis=0))
        if np.any(np.abs(np.nan_to_num(value)) > 0) or np.any(np.nan_to_num(sd) > 0):
            found.append(Part(title, value, sd, title in _TOGETHER.values()))
    return found


def _kind(name: str) -> str:
    return next((title for word, title in _TOGETHER.items() if word in name), name)


def weighed(change: Any, view: View) -> Floats:
    """Return the weighted sum of the columns of `change` (n, 6); columns without weight may be unknown."""
    used = view.weights != 0
    return np.asarray(change[:, used] @ view.weights[used])


def weighed_sd(sd: Any, view: View) -> Floats:
    """Return the standard deviation of the weighted sum, columns taken as independent."""
    used = view.weights != 0
    return np.asarray(np.sqrt(sd[:, used] ** 2 @ view.weights[used] ** 2))


def total_sd(answer: Answer, view: View) -> Floats:
    """Return at most what the standard deviation of the sum of all causes is, (n,) [arcsec].

    Notes
    -----
    Of two bounds the lower is taken.  One adds the columns' variances: what a night sees is their sum, so
    that their errors go against one another and cancel in it.  The other is that of the difference between
    two nights alone, this one and the first, which the estimate from all nights can't be worse than.
    """
    bound, column, history = weighed_sd(answer.history.sd, view), view.nights_column, answer.history
    if column is None:
        return bound
    alone = {
        int(night.time_us): float(night.covariance[column, column])
        for night in answer.nights.nights
        if np.isfinite(night.estimate[column])
    }
    variance = np.array([alone.get(int(time_us), math.inf) for time_us in history.time_us])
    known = np.flatnonzero(np.isfinite(bound))
    if not known.size:
        return bound
    two_nights = np.sqrt(variance + variance[known[0]])
    two_nights[known[0]] = 0.0
    return np.asarray(np.fmin(bound, two_nights))


def left_over(answer: Answer, view: View) -> Left | None:
    """Return the nights against the sum of all causes; None where nights say nothing of the view.

    The sum counts from the start, the nights from the pole.  They are tied by the smoothed axis of the
    latest night, which is of the same fit.
    """
    column, history = view.nights_column, answer.history
    if column is None or not np.isfinite(history.axis_now[column]):
        return None
    row_of = {int(time_us): row for row, time_us in enumerate(history.time_us)}
    nights = [night for night in answer.nights.nights if int(night.time_us) in row_of]
    rows = np.array([row_of[int(night.time_us)] for night in nights], dtype=int)
    total = weighed(history.change, view)[rows] if rows.size else np.zeros(0)
    axes: Bools = np.array([night.has_axis for night in nights], dtype=bool) & np.isfinite(total)
    if not axes.any():
        return None
    start = float(history.axis_now[column] - total[np.flatnonzero(axes)[-1]])
    estimate = np.array([night.estimate[column] for night in nights])
    with np.errstate(invalid="ignore"):
        sd = np.sqrt(np.array([night.covariance[column, column] for night in nights]))
    known = np.isfinite(estimate) & np.isfinite(sd) & np.isfinite(total)
    read = estimate[known] - start
    return Left(history.time_us[rows][known], read, sd[known], read - total[known])


def scatter_in_sds(left: Left) -> float:
    """Return the root mean square of what is left over, each night against its own standard deviation."""
    return float(np.sqrt(np.mean((left.left / left.sd) ** 2)))
