"""The report: pictures and words in one HTML file that opens offline."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from drift._version import __version__
from drift.errors import DriftError
from drift.show import phrases, words
from drift.show.figures import axis_history, axis_path, lean_history, palette, seasons
from drift.show.figures.canvas import PHONE_IN, WIDE_IN
from drift.show.inline_svg import colour_variables, inline_svg
from drift.show.status_json import all_warnings
from drift.show.tables import axis, causes, instrument, pictures
from drift.show.tables.table import Table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from drift.answer import Answer

#: By this a report is known as one of ours, so that it may be written over.
MARK = '<meta name="generator" content="drift report">'
_MARK_WITHIN = 2000
_ELSEWHERE = "Name a file elsewhere with -o."


@dataclass(frozen=True)
class Picture:
    """One picture: drawn wide and for a phone, its caption, and its numbers as a table."""

    key: str
    title: str
    caption: str
    wide: str  # <svg>, safe to put in as it is
    phone: str
    table: Table


@dataclass(frozen=True)
class _Plan:
    key: str
    title: str
    caption: str
    draw: Callable[..., Figure]
    describe: Callable[[Answer], str]
    table: Callable[[Answer], Table]


_MARKS = (
    "Numbers in circles are events, letters in squares are corrections, as in the tables below; "
    "two that stand close together are written as one."
)
_PLANS = (
    _Plan(
        "axis",
        "The axis, night by night",
        "Bars are one standard deviation; the tinted band is what you want to be warned beyond.",
        axis_history.figure,
        axis_history.describe,
        axis.nights_table,
    ),
    _Plan(
        "lean",
        "Pier and mount apart",
        "Change since the first night with a usable axis; bands are one standard deviation of the "
        "difference.",
        lean_history.figure,
        lean_history.describe,
        causes.history_table,
    ),
    _Plan(
        "seasons",
        "Winter over winter",
        "One curve a winter, the latest solid and heaviest; bands are one standard deviation. What one "
        "winter leaves behind shows as the height at which the next begins.",
        seasons.figure,
        seasons.describe,
        pictures.seasons_table,
    ),
    _Plan(
        "path",
        "The way of the axis",
        "Each point is a night or the mean of a few neighbouring nights, with the ellipse of one "
        "standard deviation; dotted lines bridge events and corrections. "
        "The tinted area is within your warning limit.",
        axis_path.figure,
        axis_path.describe,
        pictures.path_table,
    ),
)
#: How many pictures a report has, for those who show how far it is.
PICTURES = len(_PLANS)


def report_html(
    answer: Answer,
    *,
    where: Mapping[int, str] | None = None,
    kept_aside: Iterable[tuple[str, str]] = (),
    progress: Callable[[str], None] | None = None,
) -> str:
    """Return the whole report as one HTML document.

    Parameters
    ----------
    answer
        What was worked out for one pier.
    where
        Row of the record -> the file and line it came from, for the list of what was set aside.
    kept_aside
        Rows that could not be read at import: (file, what was wrong).
    progress
        Told the title of each picture before it is drawn.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    drawn = [_picture(plan, answer, progress) for plan in _PLANS]
    return environment.get_template("report.html.j2").render(
        mark=Markup(MARK),
        light=Markup(colour_variables(palette.LIGHT)),
        dark=Markup(colour_variables(palette.DARK)),
        pictures=[(picture, Markup(picture.wide), Markup(picture.phone)) for picture in drawn],
        kept_aside=_kept_aside_table(kept_aside),
        set_aside=instrument.set_aside_table(answer, where),
        **_said(answer),
    )


def _said(answer: Answer) -> dict[str, object]:
    """Return all words and tables of the report, by the names that the template knows."""
    return {
        "version": __version__,
        "title": words.title(answer),
        "span": words.span(answer),
        "moved": answer.advice.verdict.moved,
        "verdict_heading": _verdict_heading(answer),
        "verdict": phrases.harmless(answer.advice.verdict.sentence),
        "actions": [words.action_words(action) for action in answer.advice.actions],
        "cautions": answer.advice.cautions,
        "now": axis.now_table(answer),
        "as_of": words.as_of(answer),
        "matters": axis.matters_table(answer),
        "matter_sentences": [matter.sentence for matter in answer.advice.matters],
        "events": causes.events_table(answer),
        "corrections": causes.corrections_table(answer),
        "seasonal": axis.seasonal_words(answer.history),
        "lasting": axis.lasting_words(answer.history),
        "winters": causes.winters_table(answer),
        "apart": causes.apart_table(answer),
        "constants": instrument.constants_table(answer),
        "scales": instrument.scales_table(answer),
        "warnings": all_warnings(answer),
        "defaults": answer.defaults_used,
    }


def _verdict_heading(answer: Answer) -> str:
    if answer.advice.verdict.moved:
        return "something has moved"
    return "nothing can be said yet" if axis.latest_row(answer.history) is None else "no movement found"


def _picture(plan: _Plan, answer: Answer, progress: Callable[[str], None] | None) -> Picture:
    if progress:
        progress(plan.title)
    told = plan.describe(answer)
    wide = inline_svg(plan.draw(answer, width_in=WIDE_IN), f"{plan.key}-w", plan.title, told)
    phone = inline_svg(plan.draw(answer, width_in=PHONE_IN), f"{plan.key}-p", plan.title, told)
    return Picture(plan.key, plan.title, _caption(plan, answer), wide, phone, plan.table(answer))


def _caption(plan: _Plan, answer: Answer) -> str:
    """Return the caption, with what the marks mean where there are any."""
    history = answer.history
    said = [plan.caption]
    if plan.draw is lean_history.figure and lean_history.level_times(answer):
        said.append("Short strokes at the foot are level readings.")
    if plan.draw in (axis_history.figure, lean_history.figure) and (history.events or history.corrections):
        said.append(_MARKS)
    return " ".join(said)


def _kept_aside_table(kept_aside: Iterable[tuple[str, str]]) -> Table:
    rows = tuple((phrases.harmless(file), phrases.harmless(wrong)) for file, wrong in kept_aside)
    return Table("Rows that could not be read", ("file", "what was wrong"), rows)


def save_report(text: str, path: Path) -> None:
    """Write a report, whole or not at all; an earlier report is replaced, any other file is not.

    Raises
    ------
    drift.errors.DriftError
        If `path` is a folder, holds something that is not a report of ours, or can't be written.
    """
    check_target(path)
    unfinished = None
    try:
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", dir=path.parent, prefix=f".{path.name}.", delete=False
        ) as file:
            unfinished = Path(file.name)
            file.write(text)
        # a temporary file is for its owner only; a report is as open as any file made here
        umask = os.umask(0)
        os.umask(umask)
        unfinished.chmod(0o666 & ~umask)
        unfinished.replace(path)
    except OSError as error:
        if unfinished is not None:
            unfinished.unlink(missing_ok=True)
        raise DriftError(_cannot(path, error.strerror or str(error), _ELSEWHERE)) from error


def check_target(path: Path) -> None:
    """Refuse a place where no report can be written, before any work is done for it.

    Raises
    ------
    drift.errors.DriftError
        As for `save_report`.
    """
    if path.is_dir():
        raise DriftError(_cannot(path, "that is a folder", f"Name a file, as in {path / 'report.html'}."))
    if not path.parent.is_dir():
        raise DriftError(
            _cannot(path, f"there is no folder {path.parent}", "Make it first, or name another.")
        )
    if not os.access(path.parent, os.W_OK):
        raise DriftError(_cannot(path, f"the folder {path.parent} is not open for writing", _ELSEWHERE))
    if path.exists() and not _is_report(path):
        wrong = "there is a file of that name which is not a report of this program"
        raise DriftError(_cannot(path, wrong, "Name another file with -o, or move that one away."))


def _is_report(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            head = file.read(_MARK_WITHIN)
    except OSError as error:
        raise DriftError(_cannot(path, error.strerror or str(error), _ELSEWHERE)) from error
    return not head or MARK.encode() in head


def _cannot(path: Path, wrong: str, remedy: str) -> str:
    return f"the report can't be written to {path}: {wrong}.  {remedy}"
