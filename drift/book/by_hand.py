"""What is recorded by hand, as the row of a log that it amounts to."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import replace

from drift.errors import LogFileError
from drift.logs.kinds import BY_KIND
from drift.logs.layout import Circumstances
from drift.logs.read import read_bytes
from drift.logs.result import LogRead

NAME = "recorded by hand"


def read_by_hand(
    kind: str, rows: Sequence[Mapping[str, str]], around: Circumstances, first_line: int
) -> LogRead:
    """Read rows given as column -> text through the same reader and checks as a file of that kind.

    Raises
    ------
    drift.errors.LogFileError
        If any value can't be used: by hand it is put right at once instead of set aside.
    """
    header = list(dict.fromkeys([*BY_KIND[kind].columns, *(name for row in rows for name in row)]))
    text = io.StringIO()
    writer = csv.DictWriter(text, header, lineterminator="\n")
    writer.writeheader()
    writer.writerows([{name: " ".join(value.split()) for name, value in row.items()} for row in rows])
    log = read_bytes(text.getvalue().encode(), NAME, around)
    for bad in (*log.set_aside, *log.left_out):
        raise LogFileError(f"not recorded: {bad.column} = {bad.value!r} {_sentence(bad.reason)}")
    # One digest for all such rows, so that they form one file whose lines are numbered on.
    return replace(log, digest=NAME, lines=log.lines - log.lines[0] + first_line)


def _sentence(reason: str) -> str:
    return reason if reason.endswith(("?", ".")) else f"{reason}."
