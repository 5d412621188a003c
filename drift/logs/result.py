"""What reading a log file gives."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from drift.logs.layout import Columns


@dataclass(frozen=True)
class RowSetAside:
    """A row that can't be used, or a value left out of a row that is kept, and why."""

    file: str
    line: int
    column: str  # "" when it concerns the row as a whole
    value: str
    reason: str
    kind: str
    row_kept: bool = False
    raw: str = field(default="", repr=False)

    @property
    def image(self) -> str:
        """The name of the image that it is a row of, "" for a row of a text: an image's row ends with it."""
        name = self.raw.rpartition(",")[2].strip('"')
        return name if name and self.reason.startswith((f"{name} ", f"{name}: ")) else ""

    def words(self) -> str:
        """Say where it stood, the value and the reason in one line."""
        what = f"{self.column} = {self.value!r} " if self.column else ""
        if self.image:
            reason = self.reason.removeprefix(self.image).removeprefix(":").lstrip()
            return f"image {self.image}: {what}{reason}"
        return f"line {self.line}: {what}{self.reason}"


@dataclass(frozen=True)
class LogRead:
    """One log file, read: its good rows with where they came from, and what was set aside."""

    name: str  # the file as it was given
    path: str  # the whole path, or "" for what was recorded by hand
    digest: str  # of the file's bytes
    kind: str
    title: str
    why: str  # why this kind of log was chosen
    header: str
    columns: Columns = field(repr=False)
    lines: npt.NDArray[np.int64] = field(repr=False)
    raws: list[str] = field(repr=False)
    set_aside: tuple[RowSetAside, ...] = field(repr=False)
    left_out: tuple[RowSetAside, ...] = field(repr=False)
    remarks: tuple[str, ...] = ()
