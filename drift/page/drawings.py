"""The pictures of one answer, each drawn once, with the values under the pointer."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from drift.page.pointed import values_of
from drift.show.catalogue import Picture, picture_named
from drift.show.drawing import Drawn, drawn_picture, pictures_to_draw
from drift.show.figures.canvas import is_narrow

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from drift.answer import Answer

#: matplotlib keeps its settings for the whole program: one picture is drawn at a time.
DRAWING = threading.RLock()


@dataclass(frozen=True)
class Pictured:
    """A drawn picture, and the values in it: "wide" or "phone" -> panels, ready for JSON."""

    drawn: Drawn
    values: dict[str, list[dict[str, Any]]]


class Drawings:
    """Draws the pictures of an answer when they are first asked for, and keeps them."""

    def __init__(self, answer: Answer) -> None:
        self._answer = answer
        self._kept: dict[str, Pictured] = {}
        self.shown, self.left_out = pictures_to_draw(answer)

    def named(self, name: str) -> Pictured:
        """Return a picture.

        Raises
        ------
        drift.errors.DriftError
            If there is none of that name, or it has nothing to show.
        """
        kept = self._kept.get(name)
        if kept is not None:
            return kept
        with DRAWING:
            if name not in self._kept:
                self._kept[name] = _pictured(picture_named(self._answer, name), self._answer)
            return self._kept[name]

    @property
    def ahead(self) -> int:
        """How many pictures are still to be drawn."""
        return sum(picture.name not in self._kept for picture in self.shown)

    def draw_all(self, wanted: Callable[[], bool]) -> None:
        """Draw all pictures beforehand, for as long as they are wanted."""
        for picture in self.shown:
            if not wanted():
                return
            self.named(picture.name)


def _pictured(picture: Picture, answer: Answer) -> Pictured:
    figures: dict[str, Figure] = {}

    def remembered(answer: Answer, ax: Any = None, *, width_in: float, **look: Any) -> Figure:
        drawn = picture.figure(answer, ax, width_in=width_in, **look)
        figures["phone" if is_narrow(width_in) else "wide"] = drawn
        return drawn

    drawn = drawn_picture(replace(picture, figure=remembered), answer)
    return Pictured(drawn, {size: values_of(figure, answer) for size, figure in figures.items()})
