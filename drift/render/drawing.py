"""Pictures as they stand on a page: as SVG in the page's colours, with words and numbers."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from drift.render.catalogue import Picture, pictures_of
from drift.render.figures.canvas import LIGHT, PHONE_IN, WIDE_IN
from drift.render.tables.axis import Table

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.figure import Figure

    from drift.types import Analysis


# ---- A picture as SVG inside a page: in the page's own colours, with words for those who can't see it.


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
        Drawn in the light colours of `drift.render.figures.canvas`.
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


# ---- Pictures as they stand on a page: which there are, drawn with their words and their numbers.


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


def pictures_to_draw(analysis: Analysis) -> tuple[list[Picture], list[tuple[str, str]]]:
    """Return the pictures that have something to show, and title and reason of those that have nothing.

    Of many events the latest are drawn.
    """
    shown, left_out = [], []
    for picture in pictures_of(analysis):
        lacking = picture.lacking(analysis)
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
    analysis: Analysis,
    progress: Callable[[str], None] | None = None,
    small: tuple[str, bool] | None = None,
    large: tuple[str, bool] | None = None,
) -> Drawn:
    """Draw one picture for a page, with its words and its numbers.

    Parameters
    ----------
    picture
        From `drift.render.catalogue`.
    analysis
        What was worked out for one pier.
    progress
        Told the title before it is drawn.
    small, large
        From `small_svg` and `large_svg`, where they were drawn already.
    """
    from markupsafe import Markup

    if progress:
        progress(picture.title)
    phone, tall = small or small_svg(picture, analysis)
    wide, tall = (phone, tall) if picture.narrow else large or large_svg(picture, analysis)
    return Drawn(
        picture.name,
        picture.title,
        picture.caption(analysis),
        Markup(wide),
        Markup(phone),
        picture.table(analysis),
        picture.narrow,
        tall,
    )


def small_svg(picture: Picture, analysis: Analysis) -> tuple[str, bool]:
    """Draw one picture for a phone; return the SVG, and whether it is tall."""
    return _svg(picture, analysis, "p", PHONE_IN)


def large_svg(picture: Picture, analysis: Analysis) -> tuple[str, bool]:
    """Draw one picture for a wide page; return the SVG, and whether it is tall."""
    return _svg(picture, analysis, "w", WIDE_IN)


def _svg(picture: Picture, analysis: Analysis, size: str, width_in: float) -> tuple[str, bool]:
    drawn = picture.figure(analysis, width_in=width_in)
    tall = drawn.get_figheight() > _TALL * width_in
    return inline_svg(drawn, f"{picture.name}-{size}", picture.title, picture.describe(analysis)), tall
