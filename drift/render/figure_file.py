"""One picture as a file: PNG, SVG or PDF, on a light or a dark ground."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from drift.errors import DriftError
from drift.render import report
from drift.render.figures.canvas import PHONE_IN, WIDE_IN, dark_ground

if TYPE_CHECKING:
    from drift.render.catalogue import Picture
    from drift.types import Analysis


#: Ending of the file -> format; the tables behind the pictures go into CSV.
FORMATS = {".png": "png", ".svg": "svg", ".pdf": "pdf", ".csv": "csv"}
#: By this a picture is known as one of ours, so that it may be written over.
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
    """Refuse a place where no picture can be written, before any work is done for it.

    Raises
    ------
    drift.errors.DriftError
        If the ending is none of `FORMATS`, or as for `drift.render.report.check_file_target`.
    """
    report.check_file_target(path, _kind(path))


def save_figure(picture: Picture, analysis: Analysis, path: Path, look: Look | None = None) -> None:
    """Draw a picture into a file, or write the numbers behind it as CSV.

    Parameters
    ----------
    picture
        From `drift.render.catalogue`.
    analysis
        What was worked out for one pier.
    path
        Its ending says the format.  A picture of ours is written over, any other file is not.
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
    report.save(data, path, kind)


def _kind(path: Path) -> report.Kind:
    if path.suffix.lower() not in FORMATS:
        endings = ", ".join(FORMATS)
        raise DriftError(
            f"the file name {path.name!r} ends in {path.suffix or 'nothing'!r}, which tells no format.  "
            f"End it in one of {endings}, as in -o {path.with_suffix('.png').name}."
        )
    mark = _TABLE_MARK if path.suffix.lower() == ".csv" else _CREATOR
    return report.Kind("picture", f"picture{path.suffix}", mark.encode(), _LARGEST)


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
    told = picture.describe(analysis)
    if extension == "png":
        return {"Software": _CREATOR, "Title": picture.title, "Description": told}
    if extension == "svg":
        return {"Creator": _CREATOR, "Title": picture.title, "Description": told, "Date": None}
    return {"Creator": _CREATOR, "Title": picture.title, "Subject": told, "CreationDate": None}


def _table(picture: Picture, analysis: Analysis) -> bytes:
    table = picture.table(analysis)
    written = io.StringIO()
    written.write(f"{_TABLE_MARK}{table.title}\n")
    if table.note:
        written.write(f"# {table.note}\n")
    writer = csv.writer(written, lineterminator="\n")
    writer.writerow(table.headings)
    writer.writerows([_no_formula(cell) for cell in row] for row in table.rows)
    return written.getvalue().encode()


def _no_formula(cell: str) -> str:
    """Keep a spreadsheet from taking somebody's note for a formula."""
    return f"'{cell}" if cell[:1] in ("=", "@", "+") else cell
