"""The report: pictures and words in one HTML file that opens offline."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from drift._version import __version__
from drift.quantities import DAY_US
from drift.render import phrases, status
from drift.render.advice_words import clause_sentences, matter_sentence, matters_lead
from drift.render.catalogue import FIRST
from drift.render.drawing import (
    Drawn,
    Kind,
    captioned_once,
    check_file_target,
    colour_variables,
    drawn_picture,
    large_svg,
    pictures_to_draw,
    save,
    side_by_side,
)
from drift.render.figures import canvas
from drift.render.headline import headline
from drift.render.import_words import row_words
from drift.render.notices import sentence
from drift.render.outlook import brief_sentences, heading
from drift.render.status_json import all_defaults, all_warnings
from drift.render.tables import axis, causes, instrument
from drift.render.tables.axis import Table

if TYPE_CHECKING:
    from jinja2 import Environment

    from drift.record.record import Record
    from drift.render.catalogue import Picture
    from drift.render.drawing import SecondPen
    from drift.types import Analysis


#: Marks a report as one of ours, so that it may be overwritten.
MARK = '<meta name="generator" content="drift report">'
_KIND = Kind("report", "report.html", MARK.encode(), 2000)


def html_templates(*folders: Path) -> Environment:
    """Return what makes HTML of the templates in some folders, and of this room's: all text is escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader([*folders, Path(__file__).parent / "templates"]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def report_html(
    analysis: Analysis,
    *,
    where: Mapping[int, str] | None = None,
    kept_aside: Iterable[tuple[str, str]] = (),
    waiting: Sequence[str] = (),
    progress: Callable[[str], None] | None = None,
    pen: SecondPen | None = None,
) -> str:
    """Return the whole report as one HTML document.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    where
        Row of the record -> the file and line it came from, for the list of what was set aside.
    kept_aside
        Rows that could not be read at import: (file, what was wrong).
    waiting
        Unacknowledged warnings of ``drift check``, as sentences.
    progress
        Told the title of each picture before it is drawn.
    pen
        Draws the small pictures meanwhile; None to draw all here.
    """
    from markupsafe import Markup

    shown, left_out = pictures_to_draw(analysis, for_report=True)
    drawn = captioned_once(_all_drawn(shown, analysis, progress, pen))
    return (
        html_templates()
        .get_template("report.html.j2")
        .render(
            mark=Markup(MARK),
            light=Markup(colour_variables(canvas.LIGHT)),
            dark=Markup(colour_variables(canvas.DARK)),
            strip=next((one for one in drawn if one.key == FIRST), None),
            pictures=side_by_side([one for one in drawn if one.key != FIRST]),
            left_out=left_out,
            kept_aside=_set_aside_table(kept_aside),
            set_aside=instrument.set_aside_table(analysis, where),
            waiting=[phrases.harmless(one) for one in waiting],
            waiting_heading=status.waiting_heading(waiting),
            **said(analysis),
        )
    )


def _all_drawn(
    shown: list[Picture], analysis: Analysis, progress: Callable[[str], None] | None, pen: SecondPen | None
) -> list[Drawn]:
    """Draw the pictures; where there is a second pen, the small ones are its work."""
    if pen is None:
        return [drawn_picture(picture, analysis, progress) for picture in shown]
    pen.ask(analysis, [picture.name for picture in shown])
    large = {picture.name: large_svg(picture, analysis) for picture in shown if not picture.narrow}
    small = pen.drawn()
    return [
        drawn_picture(picture, analysis, progress, small.get(picture.name), large.get(picture.name))
        for picture in shown
    ]


def report_of_record(analysis: Analysis, record: Record, pen: SecondPen | None = None) -> str:
    """Return the report of an analysis, with file and line of rows that were set aside."""
    places = record.where([aside.row_id for aside in analysis.nights.set_aside])
    where = {
        row: f"{file}, line {line}" if file else f"recorded by hand, {line}"
        for row, (file, line, _) in places.items()
    }
    kept_aside = [(row.file, row_words(row)) for row in record.set_aside_rows()]
    waiting = status.waiting_of(analysis, record.last_acknowledged(), record.latest_import_us())
    return report_html(analysis, where=where, kept_aside=kept_aside, waiting=waiting, pen=pen)


def said(analysis: Analysis) -> dict[str, object]:
    """Return all words and tables of the report, by the names that the template knows."""
    return {
        "version": __version__,
        "title": status.title(analysis),
        "span": status.span(analysis),
        "headline": headline(analysis),
        "moved": analysis.advice.verdict.stands,
        "verdict_heading": _verdict_heading(analysis),
        **_verdict(analysis),
        "done": [phrases.harmless(sentence(one.notice)) for one in analysis.advice.done],
        "actions": status.step_sentences(analysis),
        "cautions": [sentence(one) for one in analysis.advice.cautions],
        "now": axis.now_table(analysis),
        "as_of": status.as_of(analysis),
        "matters_lead": matters_lead(analysis.advice.matters),
        "matter_sentences": [phrases.harmless(matter_sentence(one)) for one in analysis.advice.matters],
        "events": causes.events_table(analysis),
        "corrections": causes.corrections_table(analysis),
        "winters": causes.winters_table(analysis),
        "apart": causes.apart_table(analysis),
        "constants": instrument.constants_table(analysis),
        "scales": instrument.scales_table(analysis),
        "warnings": all_warnings(analysis),
        "defaults": all_defaults(analysis),
        "aims": status.aim_sentences(analysis),
        "coming_year": brief_sentences(analysis),
        "coming_heading": heading(analysis),
        "ground_notes": () if analysis.ground is None else [sentence(one) for one in analysis.ground.notices],
    }


def _verdict(analysis: Analysis) -> dict[str, object]:
    """Return the verdict: its head, and each thing that moved as a sentence of its own."""
    verdict = analysis.advice.verdict
    parts = [phrases.harmless(clause) for clause in clause_sentences(verdict)]
    head = f"{phrases.harmless(sentence(verdict.notice)).rstrip('.')}."
    return {"verdict": head, "history_head": head, "moved_parts": parts}


def _verdict_heading(analysis: Analysis) -> str:
    if analysis.advice.verdict.moved:
        return "something has moved" if analysis.advice.verdict.stands else "what moved was put right"
    if axis.latest_row(analysis.history) is None:
        return "nothing can be said yet"
    times = analysis.history.time_us
    return "no movement found" if int(times[-1]) - int(times[0]) >= DAY_US else "no movement can be told yet"


def _set_aside_table(kept_aside: Iterable[tuple[str, str]]) -> Table:
    rows = tuple((phrases.harmless(file), phrases.harmless(wrong)) for file, wrong in kept_aside)
    return Table("Rows that could not be read", ("file", "what was wrong"), rows)


def save_report(text: str, path: Path) -> None:
    """Write a report, whole or not at all; an earlier report is replaced, any other file is not.

    Raises
    ------
    drift.errors.DriftError
        If `path` is a folder, holds something that is not a report of ours, or can't be written.
    """
    save(text.encode(), path, _KIND)


def check_report_target(path: Path) -> None:
    """Refuse a path where no report can be written, before any work is done.

    Raises
    ------
    drift.errors.DriftError
        As for `save_report`.
    """
    check_file_target(path, _KIND)
