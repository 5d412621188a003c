"""A second process that draws the small pictures while this one draws the large ones.

The child is started while the analysis is still being worked out: by then it has what it needs.  Whatever
goes wrong with it, the pictures are drawn here.
"""

from __future__ import annotations

import gc
import threading
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from drift.workers import Worker, can_start

if TYPE_CHECKING:
    from drift.types import Analysis


#: From so many solves on, a child is worth its start (which takes as long as some twenty small pictures).
MANY_SOLVES = 20_000
#: A small picture: its name, and its SVG with whether it is tall.
Small = dict[str, tuple[str, bool]]
_DRAW, _WARM = "drift.render.second_pen:draw", "drift.render.second_pen:warm"


def second_pen(solves: int) -> SecondPen | None:
    """Start a child where that is worth it; None where it isn't, or where there is one core only."""
    if solves < MANY_SOLVES or not can_start():
        return None
    try:
        return SecondPen(Worker.start(_DRAW, _WARM))
    except OSError:
        return None


class SecondPen:
    """A child that draws small pictures once it is asked.

    Parameters
    ----------
    child
        A worker whose task is `draw`.
    """

    def __init__(self, child: Worker) -> None:
        self._child = child
        self._drawn: Small = {}
        self._talk: threading.Thread | None = None

    def ask(self, analysis: Analysis, names: Sequence[str]) -> None:
        """Let it draw pictures of an analysis by their names; returns at once."""

        def talk() -> None:
            self._drawn.update(self._child.work(analysis, list(names)))

        self._talk = threading.Thread(target=talk, daemon=True)
        self._talk.start()

    def drawn(self) -> Small:
        """Wait for the pictures; those that it could not draw are not there."""
        if self._talk is None:
            return {}
        self._talk.join()
        return dict(self._drawn)

    def put_down(self) -> None:
        """Let go of the child, whatever it is doing."""
        self._child.stop()
        if self._talk is not None:
            self._talk.join()

    @property
    def is_down(self) -> bool:
        """Whether the child is gone."""
        return self._child.has_ended


def warm() -> None:
    """Load in the child what drawing needs; it takes a while, and there is time before it is asked."""
    gc.disable()  # it answers once and leaves
    import matplotlib.figure  # noqa: F401

    import drift.analysis  # noqa: F401  what an analysis is made of


def draw(analysis: Analysis, names: Sequence[str]) -> Iterator[tuple[str, tuple[str, bool]]]:
    """Draw small pictures in the child, each with its name."""
    from drift.render.catalogue import pictures_of
    from drift.render.drawing import small_svg

    for picture in pictures_of(analysis):
        if picture.name in names:
            yield picture.name, small_svg(picture, analysis)
