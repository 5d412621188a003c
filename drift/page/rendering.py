"""Templates into pages, and the style sheet from the report's and the page's own."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import drift.show
from drift._version import __version__
from drift.show.figures import palette
from drift.show.inline_svg import colour_variables

if TYPE_CHECKING:
    from jinja2 import Environment

_HERE = Path(__file__).parent
_SHOW = Path(drift.show.__file__).parent / "templates"
#: What stands in the bar at the head of every page: address, words.
PLACES = (
    ("/", "Now"),
    ("/pictures", "Pictures"),
    ("/seasons", "Seasons"),
    ("/nights", "Nights"),
    ("/events", "Events"),
    ("/corrections", "Corrections"),
    ("/import", "Import"),
    ("/warnings", "Warnings"),
    ("/download", "Download"),
)


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader([_HERE / "templates", _SHOW]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page(template: str, **values: Any) -> str:
    """Return a page; every value is escaped."""
    known = {"version": __version__, "places": PLACES, **values}
    return _environment().get_template(f"{template}.html.j2").render(known)


@cache
def style_sheet() -> str:
    """Return the style sheet: colours for light and dark, then the report's, then the page's own."""
    return "\n".join(
        [
            f":root {{ color-scheme: light dark; {colour_variables(palette.LIGHT)} }}",
            f"@media (prefers-color-scheme: dark) {{ :root {{ {colour_variables(palette.DARK)} }} }}",
            (_SHOW / "report.css").read_text(encoding="utf-8"),
            (_HERE / "static" / "page.css").read_text(encoding="utf-8"),
        ]
    )


@cache
def script() -> str:
    """Return the page's only script."""
    return (_HERE / "static" / "page.js").read_text(encoding="utf-8")
