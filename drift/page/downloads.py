"""What can be taken away: the report, the data, each picture."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from drift.errors import DriftError
from drift.page.desk import Desk
from drift.page.drawings import DRAWING
from drift.show.catalogue import picture_named
from drift.show.figure_file import FORMATS, save_figure
from drift.show.frames import FRAMES, frame_of
from drift.show.report import report_of_record
from drift.show.status_json import as_mapping

if TYPE_CHECKING:
    import pandas as pd

_TYPES = {
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".pdf": "application/pdf",
    ".csv": "text/csv; charset=utf-8",
}
#: A cell that begins so is taken for a formula by spreadsheets.
_FORMULA = ("=", "@", "+", "-", "\t", "\r")


def listing(desk: Desk, request: Request) -> HTMLResponse:
    """List what can be taken away."""
    _, standing, fresh = desk.answer()
    assert standing.drawings is not None
    return desk.show(
        request,
        "download",
        fresh=fresh,
        frames=list(FRAMES),
        shown=standing.drawings.shown,
        formats=[ending[1:] for ending in FORMATS],
    )


def report(desk: Desk, request: Request) -> Response:
    """Give the report as one file."""
    answer, _, _ = desk.answer()
    with DRAWING:
        text = report_of_record(answer, desk.pier()[1])
    return _file(text.encode(), "report.html", "text/html; charset=utf-8")


def status(desk: Desk, request: Request) -> Response:
    """Give the answer as JSON."""
    answer, _, _ = desk.answer()
    text = json.dumps(as_mapping(answer), indent=1, allow_nan=False)
    return _file(text.encode(), "status.json", "application/json")


def table(desk: Desk, request: Request) -> Response:
    """Give one table of the answer as CSV."""
    answer, _, _ = desk.answer()
    name = request.path_params["name"]
    text = _without_formulas(frame_of(answer, name)).to_csv(index=False)
    return _file(text.encode(), f"{name}.csv", _TYPES[".csv"])


def picture(desk: Desk, request: Request) -> Response:
    """Give one picture, or the numbers behind it."""
    answer, _, _ = desk.answer()
    one = picture_named(answer, request.path_params["name"])
    ending = f".{request.path_params['ending']}"
    if ending not in FORMATS:
        raise DriftError(f"there is no format {ending[1:]!r}; there are {', '.join(FORMATS)}.")
    with tempfile.TemporaryDirectory() as folder, DRAWING:
        path = Path(folder) / f"picture{ending}"
        save_figure(one, answer, path)
        data = path.read_bytes()
    return _file(data, f"{one.name}{ending}", _TYPES[ending])


def _file(data: bytes, name: str, kind: str) -> Response:
    return Response(
        data, media_type=kind, headers={"Content-Disposition": f'attachment; filename="drift-{name}"'}
    )


def _without_formulas(frame: pd.DataFrame) -> pd.DataFrame:
    for column in frame.columns:
        if frame[column].dtype == object or str(frame[column].dtype).startswith(("str", "string")):
            frame[column] = [
                f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell
                for cell in frame[column]
            ]
    return frame
