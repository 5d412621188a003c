"""Pictures for a page, as SVG in its colours, or as files; two processes draw in parallel."""

from __future__ import annotations

import csv
import gc
import io
import os
import re
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from drift.errors import DriftError
from drift.ingest.text import spreadsheet_cell
from drift.render.catalogue import Picture, pictures_of
from drift.render.figures.canvas import LIGHT, PHONE_IN, WIDE_IN, dark_ground
from drift.render.tables.axis import Table
from drift.site.text import write_whole
from drift.workers import Worker, can_start

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.figure import Figure

    from drift.types import Analysis


# ---- A picture as SVG inside a page, in the page's colours.


_COLOURS = {value.lower(): name for name, value in LIGHT.items()}
_HEX = re.compile(r"#[0-9a-fA-F]{6}\b")
#: Text before an id.  Plain replacing is far quicker than one pattern for all of them.
_BEFORE_ID = (' id="', 'xlink:href="#', "url(#")
_UNSEEN = re.compile(r"<!--.*?-->|<style.*?</style>|<metadata>.*?</metadata>", re.DOTALL)
_FAR_DECIMALS = re.compile(r"(?<=\.\d\d)\d+")
_PLACES = re.compile(r' d="[^"]*"')
_NEAR_DECIMAL, _WHOLE = re.compile(r"(?<=\.\d)\d+"), re.compile(r"\.0(?=[\s\"])")
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
    """Remove what the page provides or nobody sees: comments, white space, excess decimals, the font."""
    body = _UNSEEN.sub("", body).replace(" \n", " ").replace("\n", " ")
    body = re.sub(r">\s+<", "><", body).strip()
    body = _TAG.sub(lambda tag: _FONT.sub("", _FAR_DECIMALS.sub("", tag.group())), body)
    # in a picture several hundred points wide nobody sees a tenth of a point
    return _PLACES.sub(lambda places: _WHOLE.sub("", _NEAR_DECIMAL.sub("", places.group())), body)


# ---- The pictures of a page, with their words and numbers.


#: Number of latest events drawn close up on a page; all are in the table.
EVENTS_DRAWN = 8
#: A picture higher than this many times its width gets its own sheet of paper.
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


def pictures_to_draw(
    analysis: Analysis, *, for_report: bool = False
) -> tuple[list[Picture], list[tuple[str, str]]]:
    """Return the pictures that have something to show, and title and reason of the others.

    Of many events the latest are drawn; a report has no picture that is drawn on request only.
    """
    shown, left_out = [], []
    for picture in pictures_of(analysis):
        if for_report and not picture.in_report:
            continue
        lacking = picture.lacking(analysis)
        if not lacking:
            shown.append(picture)
        elif (picture.title, lacking) not in left_out:
            left_out.append((picture.title, lacking))
    events = [picture for picture in shown if picture.is_event]
    earlier = events[: max(0, len(events) - EVENTS_DRAWN)]
    if earlier:
        note = f"of {len(events)} events the latest {EVENTS_DRAWN} are drawn; all are in the table of events."
        left_out.append(("Earlier events", note[0].upper() + note[1:]))
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


def captioned_once(pictures: Sequence[Drawn]) -> list[Drawn]:
    """Return pictures of one page, a caption that an earlier one has left out, as with steps close up."""
    said: set[str] = set()
    out = []
    for one in pictures:
        out.append(replace(one, caption="") if one.caption in said else one)
        said.add(one.caption)
    return out


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


# ---- Files are written whole or not at all, and only over an earlier one of ours.


_ELSEWHERE = "Name a file elsewhere with -o."


@dataclass(frozen=True)
class Kind:
    """A kind of file: its name in messages, an example, and the mark by which one of ours is known."""

    name: str  # "report"
    example: str  # "report.html"
    mark: bytes
    within: int  # the mark is within so many bytes


def check_file_target(path: Path, kind: Kind) -> None:
    """Refuse a path where no file of the kind can be written, before any work is done.

    Raises
    ------
    drift.errors.DriftError
        If `path` is a folder, holds something that is not ours, or can't be written.
    """
    if path.is_dir():
        raise DriftError(
            _cannot(path, kind, "that is a folder", f"Name a file, as in {path / kind.example}.")
        )
    if not path.parent.is_dir():
        raise DriftError(
            _cannot(path, kind, f"there is no folder {path.parent}", "Make it first, or name another.")
        )
    if not os.access(path.parent, os.W_OK):
        raise DriftError(_cannot(path, kind, f"the folder {path.parent} is not open for writing", _ELSEWHERE))
    if path.exists() and not _is_ours(path, kind):
        wrong = f"there is a file of that name which is not a {kind.name} of this program"
        raise DriftError(_cannot(path, kind, wrong, "Name another file with -o, or move that one away."))


def save(data: bytes, path: Path, kind: Kind) -> None:
    """Write a file, whole or not at all; an earlier one of the kind is replaced, any other file is not.

    Raises
    ------
    drift.errors.DriftError
        As for `check_file_target`, or when the system refuses.
    """
    check_file_target(path, kind)
    try:
        write_whole(path, data, mode=0o666, replace=True)
    except OSError as error:
        raise DriftError(_cannot(path, kind, error.strerror or str(error), _ELSEWHERE)) from error


def _is_ours(path: Path, kind: Kind) -> bool:
    try:
        with path.open("rb") as file:
            head = file.read(kind.within)
    except OSError as error:
        raise DriftError(_cannot(path, kind, error.strerror or str(error), _ELSEWHERE)) from error
    return not head or kind.mark in head


def _cannot(path: Path, kind: Kind, wrong: str, remedy: str) -> str:
    return f"the {kind.name} can't be written to {path}: {wrong}.  {remedy}"


# ---- One picture as a file: PNG, SVG or PDF, on a light or a dark ground.


#: Ending of the file -> format; the tables behind the pictures go into CSV.
FORMATS = {".png": "png", ".svg": "svg", ".pdf": "pdf", ".csv": "csv"}
#: Marks a picture as one of ours, so that it may be overwritten.
_CREATOR = "drift figure"
_TABLE_MARK = "# drift figure: "
#: A picture's mark may stand at the end of the file; none is larger than this [bytes].
_LARGEST = 50_000_000
_DOTS_PER_INCH = 200


@dataclass(frozen=True)
class Look:
    """How a picture is drawn into a file."""

    narrow: bool = False  # laid out for a phone
    dark: bool = False


def check_figure_target(path: Path) -> None:
    """Refuse a path where no picture can be written, before any work is done.

    Raises
    ------
    drift.errors.DriftError
        If the ending is none of `FORMATS`, or as for `check_file_target`.
    """
    check_file_target(path, _kind(path))


def save_figure(picture: Picture, analysis: Analysis, path: Path, look: Look | None = None) -> None:
    """Draw a picture into a file, or write the numbers behind it as CSV.

    Parameters
    ----------
    picture
        From `drift.render.catalogue`.
    analysis
        What was worked out for one pier.
    path
        Its ending says the format.  A picture of ours is overwritten, any other file is not.
    look
        How it is drawn; wide and on a light ground when not given.

    Raises
    ------
    drift.errors.DriftError
        If the picture has nothing to show, says why; or as for `check_figure_target`.
    """
    kind = _kind(path)
    lacking = picture.lacking(analysis)
    if lacking:
        raise DriftError(f"the picture {picture.name!r} has nothing to show: {lacking}")
    data = (
        _table(picture, analysis) if path.suffix.lower() == ".csv" else _drawn(picture, analysis, path, look)
    )
    save(data, path, kind)


def picture_png(picture: Picture, analysis: Analysis) -> bytes:
    """Return a picture that has something to show as a PNG file, as `save_figure` draws it."""
    return _drawn(picture, analysis, Path(f"{picture.name}.png"), None)


def _kind(path: Path) -> Kind:
    if path.suffix.lower() not in FORMATS:
        endings = ", ".join(FORMATS)
        raise DriftError(
            f"the file name {path.name!r} ends in {path.suffix or 'nothing'!r}, which tells no format.  "
            f"End it in one of {endings}, as in -o {path.with_suffix('.png').name}."
        )
    mark = _TABLE_MARK if path.suffix.lower() == ".csv" else _CREATOR
    return Kind("picture", f"picture{path.suffix}", mark.encode(), _LARGEST)


def _drawn(picture: Picture, analysis: Analysis, path: Path, look: Look | None) -> bytes:
    import matplotlib

    look = look or Look()
    extension = FORMATS[path.suffix.lower()]
    narrow = look.narrow or picture.narrow
    written = io.BytesIO()
    with dark_ground(look.dark), matplotlib.rc_context({"svg.hashsalt": picture.name, "pdf.fonttype": 42}):
        drawn = picture.figure(analysis, width_in=PHONE_IN if narrow else WIDE_IN)
        drawn.savefig(
            written, format=extension, dpi=_DOTS_PER_INCH, metadata=_metadata(extension, picture, analysis)
        )
    return written.getvalue()


def _metadata(extension: str, picture: Picture, analysis: Analysis) -> dict[str, str | None]:
    """Return the mark, the title and the words of a picture under the names that each format has for them."""
    description = picture.describe(analysis)
    if extension == "png":
        return {"Software": _CREATOR, "Title": picture.title, "Description": description}
    if extension == "svg":
        return {"Creator": _CREATOR, "Title": picture.title, "Description": description, "Date": None}
    return {"Creator": _CREATOR, "Title": picture.title, "Subject": description, "CreationDate": None}


def _table(picture: Picture, analysis: Analysis) -> bytes:
    table = picture.table(analysis)
    written = io.StringIO()
    written.write(f"{_TABLE_MARK}{table.title}\n")
    if table.note:
        written.write(f"# {table.note}\n")
    writer = csv.writer(written, lineterminator="\n")
    writer.writerow(table.headings)
    writer.writerows([spreadsheet_cell(cell) for cell in row] for row in table.rows)
    return written.getvalue().encode()


# ---- A second process that draws the small pictures while this one draws the large ones.
#
# The child is started while the analysis is still being worked out, and is ready by then.  Whatever goes
# wrong with it, the pictures are drawn here.


#: Number of solves from which a child pays off: the answer then takes longer than starting it does.
MANY_SOLVES = 3_000
#: A small picture: its name, and its SVG with whether it is tall.
Small = dict[str, tuple[str, bool]]
_DRAW, _WARM = "drift.render.drawing:draw", "drift.render.drawing:warm"


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
        """Start drawing pictures of an analysis by their names; returns at once."""

        def talk() -> None:
            self._drawn.update(self._child.work(analysis, list(names)))

        self._talk = threading.Thread(target=talk, daemon=True)
        self._talk.start()

    def drawn(self) -> Small:
        """Wait for the pictures; those that it could not draw are missing."""
        if self._talk is None:
            return {}
        self._talk.join()
        return dict(self._drawn)

    def put_down(self) -> None:
        """End the child, whatever it is doing."""
        self._child.stop()
        if self._talk is not None:
            self._talk.join()

    @property
    def is_down(self) -> bool:
        """Whether the child is gone."""
        return self._child.has_ended


def warm() -> None:
    """Load in the child what drawing needs; it takes a while, but there is time before it is asked."""
    gc.disable()  # it runs once and ends
    import matplotlib.figure  # noqa: F401

    import drift.analysis  # noqa: F401  what an analysis is made of


def draw(analysis: Analysis, names: Sequence[str]) -> Iterator[tuple[str, tuple[str, bool]]]:
    """Draw small pictures in the child, each with its name."""
    from drift.render.catalogue import pictures_of

    for picture in pictures_of(analysis):
        if picture.name in names:
            yield picture.name, small_svg(picture, analysis)
