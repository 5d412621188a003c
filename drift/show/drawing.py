"""Pictures as they stand on a page: which there are, drawn with their words and their numbers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drift.show.catalogue import Picture, pictures_of
from drift.show.figures.canvas import PHONE_IN, WIDE_IN
from drift.show.inline_svg import inline_svg
from drift.show.tables.table import Table

if TYPE_CHECKING:
    from markupsafe import Markup

    from drift.answer import Answer

#: The latest events that are drawn close up on a page; all are in the table.
EVENTS_DRAWN = 8
#: A picture higher than this many times its width gets a sheet of paper for itself.
_TALL = 0.75


@dataclass(frozen=True)
class Drawn:
    """One picture on a page, drawn wide and for a phone, its caption, and its numbers as a table."""

    key: str
    title: str
    caption: str
    wide: Markup  # <svg>; the same as `phone` where it is drawn narrow only
    phone: Markup
    table: Table
    narrow: bool = False
    tall: bool = False  # so high that it fills a sheet of paper

    @property
    def kind(self) -> str:
        """The first word of its key: "event", "causes", ..."""
        return self.key.partition("-")[0]


def pictures_to_draw(answer: Answer) -> tuple[list[Picture], list[tuple[str, str]]]:
    """Return the pictures that have something to show, and title and reason of those that have nothing.

    Of many events the latest are drawn.
    """
    shown, left_out = [], []
    for picture in pictures_of(answer):
        lacking = picture.lacking(answer)
        if not lacking:
            shown.append(picture)
        elif (picture.title, lacking) not in left_out:
            left_out.append((picture.title, lacking))
    events = [picture for picture in shown if picture.is_event]
    earlier = events[: max(0, len(events) - EVENTS_DRAWN)]
    if earlier:
        told = f"of {len(events)} events the latest {EVENTS_DRAWN} are drawn; all are in the table of events."
        left_out.append(("Earlier events", told[0].upper() + told[1:]))
    return [picture for picture in shown if picture not in earlier], left_out


def side_by_side(drawn: Sequence[Drawn]) -> list[list[Drawn]]:
    """Group pictures for a page: those drawn narrow that follow one another stand side by side."""
    groups: list[list[Drawn]] = []
    for each in drawn:
        if groups and each.narrow and groups[-1][-1].narrow and each.kind == groups[-1][-1].kind:
            groups[-1].append(each)
        else:
            groups.append([each])
    return groups


def drawn_picture(
    picture: Picture,
    answer: Answer,
    progress: Callable[[str], None] | None = None,
    small: tuple[str, bool] | None = None,
    large: tuple[str, bool] | None = None,
) -> Drawn:
    """Draw one picture for a page, with its words and its numbers.

    Parameters
    ----------
    picture
        From `drift.show.catalogue`.
    answer
        What was worked out for one pier.
    progress
        Told the title before it is drawn.
    small, large
        From `small_svg` and `large_svg`, where they were drawn already.
    """
    from markupsafe import Markup

    if progress:
        progress(picture.title)
    phone, tall = small or small_svg(picture, answer)
    wide, tall = (phone, tall) if picture.narrow else large or large_svg(picture, answer)
    return Drawn(
        picture.name,
        picture.title,
        picture.caption(answer),
        Markup(wide),
        Markup(phone),
        picture.table(answer),
        picture.narrow,
        tall,
    )


def small_svg(picture: Picture, answer: Answer) -> tuple[str, bool]:
    """Draw one picture for a phone; return the SVG, and whether it is tall."""
    return _svg(picture, answer, "p", PHONE_IN)


def large_svg(picture: Picture, answer: Answer) -> tuple[str, bool]:
    """Draw one picture for a wide page; return the SVG, and whether it is tall."""
    return _svg(picture, answer, "w", WIDE_IN)


def _svg(picture: Picture, answer: Answer, size: str, width_in: float) -> tuple[str, bool]:
    drawn = picture.figure(answer, width_in=width_in)
    tall = drawn.get_figheight() > _TALL * width_in
    return inline_svg(drawn, f"{picture.name}-{size}", picture.title, picture.describe(answer)), tall
