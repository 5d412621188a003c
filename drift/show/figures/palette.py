"""The colours of pictures and pages, on a light and on a dark ground.

The colours of causes are those of Okabe and Ito [1]_, which stay apart for the
common kinds of colour blindness; the ramp for time is cut from cividis [2]_,
whose lightness rises evenly, so that it also reads in grey print.  Nothing is
told by colour alone: lines differ in dash or stand in panels of their own, and
marks carry numbers.

Each colour has a name.  A picture is drawn in the light colours; where it is
put into a page, each of them is replaced by the page's variable of that name,
so that one picture serves a light page, a dark page and paper.

References
----------
.. [1] M. Okabe and K. Ito, "Color Universal Design", 2002/2008 (from memory).
.. [2] J. R. Nunez, C. R. Anderton, R. S. Renslow, PLOS ONE 13(7), e0199239, 2018 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

#: Name -> colour on a light ground.
LIGHT = {
    "ground": "#fdfdfb",
    "ink": "#1c2126",
    "soft": "#565f68",
    "grid": "#d9dcdf",
    "axis": "#3d4650",
    "pier": "#0072b2",
    "mount": "#d55e00",
    "zero": "#c06a98",
    "unsure": "#343b43",
    "allowed": "#009e73",
    "time0": "#948e77",
    "time1": "#7f7e78",
    "time2": "#6c6e72",
    "time3": "#595e6e",
    "time4": "#444f6c",
    "time5": "#2b406d",
    "time6": "#003170",
    "time7": "#00224e",
}
#: The same names on a dark ground.
DARK = {
    "ground": "#14181c",
    "ink": "#e8ebee",
    "soft": "#a3adb7",
    "grid": "#333b43",
    "axis": "#c3cad1",
    "pier": "#56b4e9",
    "mount": "#f0953f",
    "zero": "#c86fa2",
    "unsure": "#dde2e7",
    "allowed": "#2fb98f",
    "time0": "#61656f",
    "time1": "#717274",
    "time2": "#848279",
    "time3": "#9a9376",
    "time4": "#b0a571",
    "time5": "#c7b767",
    "time6": "#e0cb56",
    "time7": "#f9e03a",
}
#: From the earliest to the latest: the latest stands out most on either ground.
TIME_RAMP = tuple(f"time{k}" for k in range(8))


_GROUND: ContextVar[dict[str, str]] = ContextVar("ground of pictures", default=LIGHT)


@contextmanager
def dark_ground(dark: bool = True) -> Iterator[None]:
    """Draw in the dark colours for as long as the block lasts; in the light ones where `dark` is false."""
    before = _GROUND.set(DARK if dark else LIGHT)
    try:
        yield
    finally:
        _GROUND.reset(before)


def colour(name: str) -> str:
    """Return the colour called `name`: on a light ground, or on a dark one inside `dark_ground`."""
    return _GROUND.get()[name]


def event_colour(what: str) -> str:
    """Return the colour of an event, by what moved."""
    names = {"pier": "pier", "mount_az": "mount", "mount_alt": "mount", "zero": "zero"}
    return colour(names.get(what, "unsure"))


def ramp(k: int, count: int) -> str:
    """Return the colour of the `k`-th of `count` things in time order."""
    if count <= 1:
        return colour(TIME_RAMP[-1])
    return colour(TIME_RAMP[round(k * (len(TIME_RAMP) - 1) / (count - 1))])
