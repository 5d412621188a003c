"""The whole answer for one pier, as everything that shows it takes it in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from drift.advice.result import Advice
from drift.ground.under_pier import UnderPier
from drift.history.result import History
from drift.night.result import Nights
from drift.pierfile import PierFile

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Answer:
    """Site, nights, history and advice of one pier at one time.

    In a notebook it shows itself as a short table, draws itself with `plot` and
    gives its numbers as pandas tables with `frame`.
    """

    site: PierFile
    nights: Nights
    history: History
    advice: Advice
    defaults_used: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    ground: UnderPier | None = None  # None without a weather log, or where nobody asked for it
    now_us: int | None = None  # of when it was wanted; None for the latest reading
    arrived_us: int | None = None  # when readings last came in, where that is known

    def plot(self, name: str = "axis", ax: Any = None, **look: Any) -> Figure:
        """Draw one picture.

        Parameters
        ----------
        name
            "axis", "lean", "seasons", "pier", "path", "ground", "causes-azimuth", "causes-altitude",
            "event-1" and so on, "corrections" or "nights".
        ax
            Matplotlib Axes to draw in, as many as the picture has panels; None for a new figure.
        **look
            ``width_in``, the width of a new figure [inches].

        Raises
        ------
        drift.errors.DriftError
            If there is no picture of that name; names those there are.
        """
        from drift.show.notebook import plot

        return plot(self, name, ax, **look)

    def frame(self, name: str = "nights") -> pd.DataFrame:
        """Return one table as a pandas DataFrame; angles in arcsec, times in UTC.

        Parameters
        ----------
        name
            "nights", "history", "causes", "left_over", "events", "corrections", "winters", "actions" or
            "set_aside".

        Raises
        ------
        drift.errors.DriftError
            If there is no table of that name; names those there are.
        """
        from drift.show.frames import frame_of

        return frame_of(self, name)

    def __repr__(self) -> str:
        from drift.show.notebook import short_text

        return short_text(self)

    def _repr_html_(self) -> str:
        from drift.show.notebook import short_html

        return short_html(self)
