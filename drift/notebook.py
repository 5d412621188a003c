"""What the results of numerical rooms show of themselves in a notebook: a short table, and pictures.

Everything that makes words or draws is imported when it is asked for, so that the numbers stay free of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from drift.site.file import PierFile


class ShowsItself:
    """A result that stands as a short table in a notebook, and draws itself."""

    __slots__ = ()

    def plot(self, site: PierFile, name: str = "", ax: Any = None, **look: Any) -> Figure:
        """Draw one picture from this result alone.

        Parameters
        ----------
        site
            The site: without it nobody knows which side of the pole is east, or where the bolts are.
        name
            As for `drift.types.Analysis.plot`; "" for "axis" of nights and "tilt" of a history.
        ax, **look
            As for `drift.types.Analysis.plot`.

        Raises
        ------
        drift.errors.DriftError
            If there is no picture of that name, or it needs more than this result holds; says what.
        """
        from drift.render.notebook import plot_result

        return plot_result(self, site, name, ax, **look)

    def __repr__(self) -> str:
        from drift.render.notebook import result_text

        return result_text(self)

    def _repr_html_(self) -> str:
        from drift.render.notebook import result_html

        return result_html(self)
