"""How results show themselves in a notebook: by what is registered here, so that they know no drawing.

A result asks `showing()`, and never the drawing room: that is registered by `drift.api`, which stands above
both and is imported with the package.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from drift.errors import DriftError


class Showing(Protocol):
    """What can show results: short tables as text and HTML, pictures, pandas tables."""

    def short_text(self, result: Any) -> str:
        """Return a short table as plain text."""

    def short_html(self, result: Any) -> str:
        """Return the short table as HTML, everything in it escaped."""

    def plot(self, analysis: Any, name: str, ax: Any = None, **look: Any) -> Any:
        """Draw a picture of an analysis."""

    def plot_result(self, result: Any, site: Any, name: str, ax: Any = None, **look: Any) -> Any:
        """Draw a picture from nights or a history alone."""

    def frame_of(self, analysis: Any, name: str) -> Any:
        """Return one table of an analysis."""

    def qtable_of(self, analysis: Any, name: str) -> Any:
        """Return one table of an analysis with units."""


_registered: list[Callable[[], Showing]] = []


def register(showing: Callable[[], Showing]) -> None:
    """Register what returns the drawing room; it is called when a result is to be shown, and not before."""
    _registered[:] = [showing]


def showing() -> Showing:
    """Return what shows results.

    Raises
    ------
    drift.errors.DriftError
        If nothing is registered.
    """
    if not _registered:
        raise DriftError("nothing is registered that shows results: `import drift` does it.")
    return _registered[0]()


class ShowsItself:
    """A result that stands as a short table in a notebook."""

    __slots__ = ()

    def __repr__(self) -> str:
        return showing().short_text(self)

    __str__ = __repr__

    def _repr_html_(self) -> str:
        return showing().short_html(self)


class DrawsItself(ShowsItself):
    """A part of an analysis that draws itself when it is told the site."""

    __slots__ = ()

    def plot(self, site: Any, name: str = "", ax: Any = None, **look: Any) -> Any:
        """Draw one picture from this result alone.

        Parameters
        ----------
        site
            The site (`drift.site.file.PierFile`): without it nobody knows which side of the pole is east, or
            where the bolts are.
        name
            As for `drift.types.Analysis.plot`; "" for "axis" of nights and "tilt" of a history.
        ax, **look
            As for `drift.types.Analysis.plot`.

        Returns
        -------
        matplotlib.figure.Figure

        Raises
        ------
        drift.errors.DriftError
            If there is no picture of that name, or it needs more than this result holds; says what.
        """
        return showing().plot_result(self, site, name, ax, **look)
