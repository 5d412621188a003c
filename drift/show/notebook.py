"""How an answer shows itself in a notebook: a short table, and pictures."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

from drift.show import phrases, words
from drift.show.catalogue import picture_named
from drift.show.tables import axis

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from drift.answer import Answer

_CELL = "border: 0; text-align: left; vertical-align: top"


def short_rows(answer: Answer) -> list[tuple[str, str]]:
    """Return verdict, what to do, and where things stand, as pairs."""
    advice = answer.advice
    do = "; ".join(words.action_words(action) for action in advice.actions)
    said = [("Verdict", phrases.harmless(advice.verdict.sentence)), ("What to do", do)]
    return [*said, *((what, how) for what, how in axis.now_table(answer).rows)]


def short_text(answer: Answer) -> str:
    """Return the short table as plain text."""
    rows = short_rows(answer)
    width = max(len(what) for what, _ in rows)
    return "\n".join([words.title(answer), *(f"{what:<{width}}  {how}".rstrip() for what, how in rows)])


def short_html(answer: Answer) -> str:
    """Return the short table as HTML, everything in it escaped."""
    rows = "".join(
        f'<tr><th scope="row" style="{_CELL}">{escape(what)}</th><td style="{_CELL}">{escape(how)}</td></tr>'
        for what, how in short_rows(answer)
    )
    return f"<table><caption>{escape(words.title(answer))}</caption><tbody>{rows}</tbody></table>"


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
