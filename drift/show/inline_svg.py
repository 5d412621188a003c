"""A picture as SVG inside a page: in the page's own colours, with words for those who can't see it."""

from __future__ import annotations

import io
import re
from html import escape
from typing import TYPE_CHECKING

from drift.show.figures.palette import LIGHT

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_COLOURS = {value.lower(): name for name, value in LIGHT.items()}
_HEX = re.compile(r"#[0-9a-fA-F]{6}\b")
#: Before these stands an id.  Plain replacing is far quicker than one pattern for all of them.
_BEFORE_ID = (' id="', 'xlink:href="#', "url(#")
_UNSEEN = re.compile(r"<!--.*?-->|<style.*?</style>|<metadata>.*?</metadata>", re.DOTALL)
_FAR_DECIMALS = re.compile(r"(?<=\.\d\d)\d+")
_TAG = re.compile(r"<[^>]*>")
_FONT = re.compile(r"font-family: [^;\"]*;? ?")
_VIEW_BOX = re.compile(r'viewBox="([^"]+)"')


def inline_svg(figure: Figure, key: str, title: str, description: str) -> str:
    """Return `figure` as an ``<svg>`` element to put into an HTML page.

    Parameters
    ----------
    figure
        Drawn in the light colours of `drift.show.figures.palette`.
    key
        Put before every id in the picture, so that ids stay unique on a page with several.
    title, description
        Its name and what it shows, for those who can't see it; escaped here.

    Returns
    -------
    str
        Text stays text; every colour of the palette is a variable ``--c-<name>`` of the page.
    """
    import matplotlib

    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": key}):
        svg = _drawn_once(figure)
    body = _HEX.sub(_as_variable, _compact(svg[_end_of_tag(svg) : svg.rindex("</svg>")]))
    for before in _BEFORE_ID:
        body = body.replace(before, f"{before}{key}-")
    return (
        f'<svg class="picture" viewBox="{_view_box(svg)}" role="img" '
        f'aria-labelledby="{key}-title {key}-desc" xmlns="http://www.w3.org/2000/svg" '
        'xmlns:xlink="http://www.w3.org/1999/xlink">'
        f'<title id="{key}-title">{escape(title)}</title><desc id="{key}-desc">{escape(description)}</desc>'
        f"{body}</svg>"
    )


def _drawn_once(figure: Figure) -> str:
    """Return the picture as matplotlib writes it; `savefig` would draw it twice to find its size."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    drawn, canvas, shown = io.StringIO(), figure.canvas, figure.patch.get_visible()
    try:
        figure.patch.set_visible(False)
        none = dict.fromkeys(("Creator", "Date", "Format", "Type"))
        FigureCanvasSVG(figure).print_svg(drawn, metadata=none)
    finally:
        figure.patch.set_visible(shown)
        figure.set_canvas(canvas)
    return drawn.getvalue()


def colour_variables(colours: dict[str, str]) -> str:
    """Return CSS declarations of the palette: ``--c-ink: #1c2126; ...``."""
    return " ".join(f"--c-{name}: {value};" for name, value in colours.items())


def _as_variable(found: re.Match[str]) -> str:
    name = _COLOURS.get(found.group().lower())
    return found.group() if name is None else f"var(--c-{name})"


def _end_of_tag(svg: str) -> int:
    found = re.search(r"<svg\b[^>]*>", svg)
    if found is None:
        raise ValueError("matplotlib wrote no <svg> element")
    return found.end()


def _view_box(svg: str) -> str:
    found = _VIEW_BOX.search(svg)
    if found is None:
        raise ValueError("matplotlib wrote an <svg> element without a viewBox")
    return found.group(1)


def _compact(body: str) -> str:
    """Leave out what the page itself says or nobody sees: comments, white space, far decimals, the font."""
    body = _UNSEEN.sub("", body).replace(" \n", " ").replace("\n", " ")
    body = re.sub(r">\s+<", "><", body).strip()
    return _TAG.sub(lambda tag: _FONT.sub("", _FAR_DECIMALS.sub("", tag.group())), body)
