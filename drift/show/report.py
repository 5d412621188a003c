"""The report: pictures and words in one HTML file that opens offline."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from drift._version import __version__
from drift.quantities import DAY_US
from drift.show import phrases, saving, words
from drift.show.drawing import Drawn, drawn_picture, large_svg, pictures_to_draw, side_by_side
from drift.show.figures import palette
from drift.show.inline_svg import colour_variables
from drift.show.outlook_words import brief_sentences, heading
from drift.show.status_json import all_warnings
from drift.show.tables import axis, causes, instrument
from drift.show.tables.table import Table

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.book.store import Book
    from drift.show.catalogue import Picture
    from drift.show.second_pen import SecondPen

#: By this a report is known as one of ours, so that it may be written over.
MARK = '<meta name="generator" content="drift report">'
_KIND = saving.Kind("report", "report.html", MARK.encode(), 2000)
#: From so many things that moved on, they are listed below what to do, and the verdict is one short sentence.
_MANY_CLAUSES = 2


def report_html(
    answer: Answer,
    *,
    where: Mapping[int, str] | None = None,
    kept_aside: Iterable[tuple[str, str]] = (),
    progress: Callable[[str], None] | None = None,
    pen: SecondPen | None = None,
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
    pen
        Draws the small pictures meanwhile; None to draw all here.
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
    shown, left_out = pictures_to_draw(answer)
    drawn = _all_drawn(shown, answer, progress, pen)
    return environment.get_template("report.html.j2").render(
        mark=Markup(MARK),
        light=Markup(colour_variables(palette.LIGHT)),
        dark=Markup(colour_variables(palette.DARK)),
        pictures=side_by_side(drawn),
        left_out=left_out,
        kept_aside=_kept_aside_table(kept_aside),
        set_aside=instrument.set_aside_table(answer, where),
        **said(answer),
    )


def _all_drawn(
    shown: list[Picture], answer: Answer, progress: Callable[[str], None] | None, pen: SecondPen | None
) -> list[Drawn]:
    """Draw the pictures; where there is a second pen, the small ones are its work."""
    if pen is None:
        return [drawn_picture(picture, answer, progress) for picture in shown]
    pen.ask(answer, [picture.name for picture in shown])
    large = {picture.name: large_svg(picture, answer) for picture in shown if not picture.narrow}
    small = pen.drawn()
    return [
        drawn_picture(picture, answer, progress, small.get(picture.name), large.get(picture.name))
        for picture in shown
    ]


def report_of_record(answer: Answer, book: Book, pen: SecondPen | None = None) -> str:
    """Return the report of an answer, with the places in the record of what was set aside."""
    places = book.where([aside.row_id for aside in answer.nights.set_aside])
    where = {
        row: f"{file}, line {line}" if file else f"recorded by hand, {line}"
        for row, (file, line, _) in places.items()
    }
    kept_aside = [(row.file, row.words()) for row in book.set_aside_rows()]
    return report_html(answer, where=where, kept_aside=kept_aside, pen=pen)


def said(answer: Answer) -> dict[str, object]:
    """Return all words and tables of the report, by the names that the template knows."""
    return {
        "version": __version__,
        "title": words.title(answer),
        "span": words.span(answer),
        "moved": answer.advice.verdict.stands,
        "verdict_heading": _verdict_heading(answer),
        **_verdict(answer),
        "done": [phrases.harmless(one.sentence) for one in answer.advice.done],
        "actions": [words.action_words(action) for action in answer.advice.actions],
        "cautions": answer.advice.cautions,
        "now": axis.now_table(answer),
        "as_of": words.as_of(answer),
        "matters": axis.matters_table(answer),
        "matter_sentences": [phrases.harmless(matter.sentence) for matter in answer.advice.matters],
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
        "aims": words.aim_sentences(answer),
        "coming_year": brief_sentences(answer),
        "coming_heading": heading(answer),
        "ground_notes": () if answer.ground is None else answer.ground.notes,
    }


def _verdict(answer: Answer) -> dict[str, object]:
    """Return the verdict: one sentence; where much has moved, a short one first and the rest as a list."""
    verdict = answer.advice.verdict
    if len(verdict.clauses) < _MANY_CLAUSES:
        return {"verdict": phrases.harmless(verdict.sentence), "moved_parts": []}
    parts = [phrases.harmless(f"{clause[:1].upper()}{clause[1:]}.") for clause in verdict.clauses]
    return {"verdict": phrases.harmless(f"{verdict.head}."), "moved_parts": parts}


def _verdict_heading(answer: Answer) -> str:
    if answer.advice.verdict.moved:
        return "something has moved" if answer.advice.verdict.stands else "what moved was put right"
    if axis.latest_row(answer.history) is None:
        return "nothing can be said yet"
    times = answer.history.time_us
    return "no movement found" if int(times[-1]) - int(times[0]) >= DAY_US else "no movement can be told yet"


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
    saving.save(text.encode(), path, _KIND)


def check_target(path: Path) -> None:
    """Refuse a place where no report can be written, before any work is done for it.

    Raises
    ------
    drift.errors.DriftError
        As for `save_report`.
    """
    saving.check_target(path, _KIND)
