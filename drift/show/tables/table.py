"""A table of text: what every table of the words and of the report is made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from markupsafe import Markup

#: Stands between cells while all of them are escaped at once; no text holds it.
_BETWEEN = "\x00"


@dataclass(frozen=True)
class Table:
    """A title, column headings and rows of text; `numeric` names the columns set to the right."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    note: str = ""

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.headings):
                raise ValueError(f"table {self.title!r}: row {row!r} has not {len(self.headings)} cells")

    def rows_html(self, labelled: bool = False) -> Markup:
        """Return the rows as HTML, every cell escaped, each with its heading beside it where wanted.

        A template's loop takes many times as long, and a picture of ten years has thousands of rows.
        """
        from markupsafe import Markup, escape

        heads = [f' data-label="{escape(heading)}"' if labelled else "" for heading in self.headings]
        right = ' class="n"'
        opened = [f"<td{right * (at in self.numeric)}{head}>" for at, head in enumerate(heads)]
        text = _BETWEEN.join(_BETWEEN.join(cell.replace(_BETWEEN, "") for cell in row) for row in self.rows)
        cells = iter(str(escape(text)).split(_BETWEEN))
        rows = ("".join([f"{tag}{next(cells)}</td>" for tag in opened]) for _ in self.rows)
        return Markup("".join([f"<tr>{row}</tr>\n" for row in rows]))
