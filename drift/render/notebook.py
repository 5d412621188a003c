"""How an analysis shows itself in a notebook: pandas tables, a short table, and pictures."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from drift.codes import Answer, MovedPart
from drift.errors import DriftError
from drift.notices import AdviceCode, HistoryCode, info
from drift.render import phrases, status
from drift.render.advice_words import verdict_sentence
from drift.render.catalogue import picture_named
from drift.render.figures.causes import left_over, view_named, views
from drift.render.history_words import cause_name
from drift.render.notices import sentence
from drift.render.phrases import utc_text
from drift.render.status_json import as_mapping
from drift.render.tables import axis, causes
from drift.types import HISTORY_COLUMNS, Advice, Analysis, History, Nights, Separable, Verdict

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from drift.site.file import PierFile


# ---- The answer as pandas tables, with the names that ``drift status --json`` has.


def frame_of(analysis: Analysis, name: str) -> pd.DataFrame:
    """Return one table of the answer.

    Parameters
    ----------
    analysis
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
    frame = FRAMES[name](analysis)
    for column in frame.columns:
        if str(column).endswith("_utc"):
            frame[column] = pd.to_datetime(frame[column], utc=True)
    return frame


def _nights(analysis: Analysis) -> pd.DataFrame:
    frame = pd.DataFrame(as_mapping(analysis)["nights"])
    for name in ("hour_angle_deg", "declination_deg"):
        spans = [
            getattr(night.sky, name) if night.sky else (np.nan, np.nan) for night in analysis.nights.nights
        ]
        for k, end in enumerate(("from", "to")):
            frame[f"{name.removesuffix('_deg')}_{end}_deg"] = [span[k] for span in spans]
    frame["remarks"] = [axis.remark_words(night) for night in analysis.nights.nights]
    return _numbers(frame, ("az_error", "alt_error", "zero"))


def _history(analysis: Analysis) -> pd.DataFrame:
    return _numbers(pd.DataFrame(as_mapping(analysis)["history"]), HISTORY_COLUMNS)


def _numbers(frame: pd.DataFrame, names: tuple[str, ...]) -> pd.DataFrame:
    for name in names:
        for column in (name, f"{name}_sd"):
            if column in frame:
                frame[column] = frame[column].astype(float)
    return frame


def _causes(analysis: Analysis) -> pd.DataFrame:
    """One row a cause and reading."""
    history = analysis.history
    times = [utc_text(time_us) for time_us in history.time_us]
    parts = []
    for cause in history.causes:
        values: dict[str, Any] = {"cause": cause_name(cause), "time_utc": times}
        for k, name in enumerate(HISTORY_COLUMNS):
            values[name], values[f"{name}_sd"] = cause.change[:, k], cause.sd[:, k]
        parts.append(pd.DataFrame(values))
    columns = ["cause", "time_utc", *(each for name in HISTORY_COLUMNS for each in (name, f"{name}_sd"))]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _left_over(analysis: Analysis) -> pd.DataFrame:
    """One row a night and coordinate: what no cause explains."""
    parts = []
    for view in views(analysis):
        left = left_over(analysis, view_named(analysis, view.name))
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


def _events(analysis: Analysis) -> pd.DataFrame:
    return pd.json_normalize(as_mapping(analysis)["events"], sep="_")


def _listed(name: str, *path: str) -> Callable[[Analysis], pd.DataFrame]:
    def frame(analysis: Analysis) -> pd.DataFrame:
        found: Any = as_mapping(analysis)
        for key in (*path, name):
            found = found[key]
        return pd.DataFrame(found)

    return frame


#: Name -> what makes the table.
FRAMES: dict[str, Callable[[Analysis], pd.DataFrame]] = {
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


# ---- How an answer shows itself in a notebook: a short table, and pictures.


_CELL = "border: 0; text-align: left; vertical-align: top"


def short_rows(analysis: Analysis) -> list[tuple[str, str]]:
    """Return verdict, what to do, and where things stand, as pairs."""
    advice = analysis.advice
    steps = "; ".join(status.action_words(action) for action in advice.actions)
    do = f"{steps} {status.held_then_words(analysis)}".rstrip()
    said = [("Verdict", phrases.harmless(verdict_sentence(advice.verdict))), ("What to do", do)]
    return [*said, *((what, how) for what, how in axis.now_table(analysis).rows)]


def short_text(result: Analysis | Nights | History) -> str:
    """Return the short table as plain text."""
    return _text(*_title_and_rows(result))


def short_html(result: Analysis | Nights | History) -> str:
    """Return the short table as HTML, everything in it escaped."""
    return _html(*_title_and_rows(result))


def _text(title: str, rows: list[tuple[str, str]]) -> str:
    width = max((len(what) for what, _ in rows), default=0)
    return "\n".join([title, *(f"{what:<{width}}  {how}".rstrip() for what, how in rows)])


def _html(title: str, rows: list[tuple[str, str]]) -> str:
    cells = "".join(
        f'<tr><th scope="row" style="{_CELL}">{escape(what)}</th><td style="{_CELL}">{escape(how)}</td></tr>'
        for what, how in rows
    )
    return f"<table><caption>{escape(title)}</caption><tbody>{cells}</tbody></table>"


def _title_and_rows(result: Analysis | Nights | History) -> tuple[str, list[tuple[str, str]]]:
    if isinstance(result, Analysis):
        return status.title(result), short_rows(result)
    if isinstance(result, Nights):
        return f"{phrases.counted(len(result.nights), 'night')} of readings", _night_rows(result)
    return f"History of {phrases.counted(len(result.time_us), 'reading')}", _history_rows(result)


def _night_rows(nights: Nights) -> list[tuple[str, str]]:
    found = nights.nights
    known = [night for night in found if night.has_axis]
    rows = [("From, to (UTC)", _span([night.time_us for night in found]))] if found else []
    rows.append(("With a usable axis", f"{len(known)} of {len(found)}"))
    if known:
        sd = np.sqrt([np.diagonal(night.covariance)[:2] for night in known])
        middle = ", ".join(
            f'{name} {value:.1f}"'
            for name, value in zip(("azimuth", "altitude"), np.median(sd, axis=0), strict=True)
        )
        rows.append(("Half are better than", middle))
    rows.append(("Readings used", str(sum(night.solves_used for night in found))))
    rows.append(("Readings set aside", str(len(nights.set_aside))))
    return [*rows, *(("Warning", phrases.harmless(sentence(one))) for one in nights.notices)]


def _history_rows(history: History) -> list[tuple[str, str]]:
    rows = [("From, to (UTC)", _span(history.time_us.tolist()))] if len(history.time_us) else []
    latest = axis.latest_row(history)
    if latest is not None:
        north, east = history.change[latest, :2]
        north_sd, east_sd = history.sd[latest, :2]
        rows.append(("Pier tilt since the start", phrases.tilt_words(north, north_sd, "north", "south")))
        rows.append(("", phrases.tilt_words(east, east_sd, "east", "west")))
    rows.append(("With the season", axis.seasonal_words(history)))
    rows.append(("Lasting", axis.lasting_words(history)))
    rows.append(("Events", "; ".join(causes.event_words(event) for event in history.events) or "none"))
    rows.append(("Corrections", str(len(history.corrections))))
    return [*rows, *(("Warning", phrases.harmless(sentence(one))) for one in history.notices)]


def _span(times_us: list[int]) -> str:
    return f"{utc_text(min(times_us))[:10]} to {utc_text(max(times_us))[:10]}"


def plot_result(result: Nights | History, site: PierFile, name: str, ax: Any = None, **look: Any) -> Figure:
    """Draw a picture from nights or a history alone.

    Raises
    ------
    drift.errors.DriftError
        If there is none of that name, or it needs more than the result holds.
    """
    verdict = Verdict(moved=False, part=MovedPart.NONE, notice=info(AdviceCode.NO_AXIS))
    no_advice = Advice(verdict=verdict, actions=(), cautions=())
    if isinstance(result, Nights):
        alone, name = Analysis(site, result, _no_history(), no_advice, ()), name or "axis"
    else:
        alone, name = Analysis(site, Nights(), result, no_advice, ()), name or "tilt"
    lacking = picture_named(alone, name).lacking(alone)
    if lacking:
        raise DriftError(f"the picture {name!r} has nothing to show of this result alone: {lacking}")
    return plot(alone, name, ax, **look)


def _no_history() -> History:
    unknown = Separable(answer=Answer.NO, because=(info(HistoryCode.NO_HISTORY),), would_settle_it=None)
    none, no = np.zeros((0, 6)), np.full(2, np.nan)
    return History(
        time_us=np.zeros(0, dtype=np.int64),
        change=none,
        sd=none,
        east_tilt_from_mount_azimuth=unknown,
        north_tilt_from_mount_altitude=unknown,
        seasonal=None,
        winters=(),
        lasting=None,
        events=(),
        corrections=(),
        axis_now=no,
        axis_now_sd=no,
        seasonal_axis_offset=np.zeros((366, 2)),
    )


def plot(analysis: Analysis, name: str, ax: Any = None, **look: Any) -> Figure:
    """Draw the picture of that name; a new figure shows itself where it is the last value of a cell.

    Raises
    ------
    drift.errors.DriftError
        If there is none of that name.
    """
    figure = picture_named(analysis, name).figure(analysis, ax, **look)
    if ax is None:
        # pictures are made without pyplot, so that no notebook knows them by itself
        figure._repr_svg_ = lambda: _svg(figure)  # type: ignore[attr-defined]
    return figure


def _svg(figure: Figure) -> str:
    import io

    written = io.StringIO()
    figure.savefig(written, format="svg", metadata={"Date": None})
    return written.getvalue()
