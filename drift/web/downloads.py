"""What can be taken away: the report, the data, each picture."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from drift.errors import DriftError
from drift.render.catalogue import picture_named
from drift.render.figure_file import FORMATS, save_figure
from drift.render.notebook import FRAMES, frame_of
from drift.render.report import report_of_record
from drift.render.status_json import as_mapping
from drift.web.current import PageState
from drift.web.pictures import DRAWING

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


def listing(page_state: PageState, request: Request) -> HTMLResponse:
    """List what can be taken away."""
    _, current, fresh = page_state.analysis()
    assert current.drawings is not None
    return page_state.show(
        request,
        "download",
        fresh=fresh,
        frames=list(FRAMES),
        shown=current.drawings.shown,
        formats=[ending[1:] for ending in FORMATS],
    )


def report(page_state: PageState, request: Request) -> Response:
    """Give the report as one file."""
    analysis, _, _ = page_state.analysis()
    with DRAWING:
        text = report_of_record(analysis, page_state.pier()[1])
    return _file(text.encode(), "report.html", "text/html; charset=utf-8")


def status(page_state: PageState, request: Request) -> Response:
    """Give the answer as JSON."""
    analysis, _, _ = page_state.analysis()
    text = json.dumps(as_mapping(analysis), indent=1, allow_nan=False)
    return _file(text.encode(), "status.json", "application/json")


def table(page_state: PageState, request: Request) -> Response:
    """Give one table of the answer as CSV."""
    analysis, _, _ = page_state.analysis()
    name = request.path_params["name"]
    text = _without_formulas(frame_of(analysis, name)).to_csv(index=False)
    return _file(text.encode(), f"{name}.csv", _TYPES[".csv"])


def picture(page_state: PageState, request: Request) -> Response:
    """Give one picture, or the numbers behind it."""
    analysis, _, _ = page_state.analysis()
    one = picture_named(analysis, request.path_params["name"])
    ending = f".{request.path_params['ending']}"
    if ending not in FORMATS:
        raise DriftError(f"there is no format {ending[1:]!r}; there are {', '.join(FORMATS)}.")
    with tempfile.TemporaryDirectory() as folder, DRAWING:
        path = Path(folder) / f"picture{ending}"
        save_figure(one, analysis, path)
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
