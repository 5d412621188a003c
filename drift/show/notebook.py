"""How an answer shows itself in a notebook: a short table, and pictures."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.advice.result import Advice, Verdict
from drift.answer import Answer
from drift.errors import DriftError
from drift.history.result import History, Separable
from drift.night.result import Nights
from drift.show import phrases, words
from drift.show.catalogue import picture_named
from drift.show.tables import axis, causes
from drift.show.times import utc_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from drift.notebook import ShowsItself
    from drift.pierfile import PierFile

_CELL = "border: 0; text-align: left; vertical-align: top"


def short_rows(answer: Answer) -> list[tuple[str, str]]:
    """Return verdict, what to do, and where things stand, as pairs."""
    advice = answer.advice
    do = "; ".join(words.action_words(action) for action in advice.actions)
    said = [("Verdict", phrases.harmless(advice.verdict.sentence)), ("What to do", do)]
    return [*said, *((what, how) for what, how in axis.now_table(answer).rows)]


def short_text(answer: Answer) -> str:
    """Return the short table as plain text."""
    return _text(words.title(answer), short_rows(answer))


def short_html(answer: Answer) -> str:
    """Return the short table as HTML, everything in it escaped."""
    return _html(words.title(answer), short_rows(answer))


def result_text(result: ShowsItself) -> str:
    """Return the short table of nights or of a history as plain text."""
    return _text(*_title_and_rows(result))


def result_html(result: ShowsItself) -> str:
    """Return the short table of nights or of a history as HTML, everything in it escaped."""
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


def _title_and_rows(result: ShowsItself) -> tuple[str, list[tuple[str, str]]]:
    if isinstance(result, Nights):
        return f"{phrases.counted(len(result.nights), 'night')} of readings", _night_rows(result)
    assert isinstance(result, History)
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
    return [*rows, *(("Warning", phrases.harmless(one)) for one in nights.warnings)]


def _history_rows(history: History) -> list[tuple[str, str]]:
    rows = [("From, to (UTC)", _span(history.time_us.tolist()))] if len(history.time_us) else []
    latest = axis.latest_row(history)
    if latest is not None:
        north, east = history.change[latest, :2]
        north_sd, east_sd = history.sd[latest, :2]
        rows.append(("Pier lean since the start", phrases.lean_words(north, north_sd, "north", "south")))
        rows.append(("", phrases.lean_words(east, east_sd, "east", "west")))
    rows.append(("With the season", axis.seasonal_words(history)))
    rows.append(("Lasting", axis.lasting_words(history)))
    rows.append(("Events", "; ".join(causes.event_words(event) for event in history.events) or "none"))
    rows.append(("Corrections", str(len(history.corrections))))
    return [*rows, *(("Warning", phrases.harmless(one)) for one in history.warnings)]


def _span(times_us: list[int]) -> str:
    return f"{utc_text(min(times_us))[:10]} to {utc_text(max(times_us))[:10]}"


def plot_result(result: ShowsItself, site: PierFile, name: str, ax: Any = None, **look: Any) -> Figure:
    """Draw a picture from nights or a history alone.

    Raises
    ------
    drift.errors.DriftError
        If there is none of that name, or it needs more than the result holds.
    """
    no_advice = Advice(Verdict(False, "none", ""), (), ())
    if isinstance(result, Nights):
        alone, name = Answer(site, result, _no_history(), no_advice, ()), name or "axis"
    else:
        assert isinstance(result, History)
        alone, name = Answer(site, Nights((), (), ()), result, no_advice, ()), name or "lean"
    lacking = picture_named(alone, name).lacking(alone)
    if lacking:
        raise DriftError(f"the picture {name!r} has nothing to show of this result alone: {lacking}")
    return plot(alone, name, ax, **look)


def _no_history() -> History:
    unknown = Separable("no", "no history was given", "the whole answer")
    none, no = np.zeros((0, 6)), np.full(2, np.nan)
    return History(
        time_us=np.zeros(0, dtype=np.int64),
        change=none,
        sd=none,
        east_lean_from_mount_azimuth=unknown,
        north_lean_from_mount_altitude=unknown,
        seasonal=None,
        winters=(),
        lasting=None,
        events=(),
        corrections=(),
        axis_now=no,
        axis_now_sd=no,
        seasonal_axis_offset=np.zeros((366, 2)),
    )


def plot(answer: Answer, name: str, ax: Any = None, **look: Any) -> Figure:
    """Draw the picture of that name; a new figure shows itself where it is the last value of a cell.

    Raises
    ------
    drift.errors.DriftError
        If there is none of that name.
    """
    figure = picture_named(answer, name).figure(answer, ax, **look)
    if ax is None:
        # pictures are made without pyplot, so that no notebook knows them by itself
        figure._repr_svg_ = lambda: _svg(figure)  # type: ignore[attr-defined]
    return figure


def _svg(figure: Figure) -> str:
    import io

    written = io.StringIO()
    figure.savefig(written, format="svg", metadata={"Date": None})
    return written.getvalue()
