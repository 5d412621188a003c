"""A notice in words: the one place where a code becomes a sentence.

Each room's sentences stand in a file of their own (`night_words`, `history_words`, ...), as one mapping
``SENTENCES`` from code to a function of the notice's values; this file only finds the right one.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from typing import Any

from drift.notices import Code, Notice

#: What writes the sentence of one code from the notice's values.
Writer = Callable[[Mapping[str, Any]], str]
#: The class of codes -> the file of its sentences.
_FILES: dict[str, str] = {
    "IngestCode": "import_words",
    "ImageCode": "import_words",
    "RecordCode": "import_words",
}


def sentence(notice: Notice) -> str:
    """Return the sentence of a notice."""
    return _writer(notice.code)(notice.values)


def as_data(notice: Notice) -> dict[str, Any]:
    """Return a notice as ``--json`` gives it: code, severity, values and text."""
    return {
        "code": str(notice.code),
        "severity": str(notice.severity),
        "values": dict(notice.values),
        "text": sentence(notice),
    }


def _writer(code: Code) -> Writer:
    file = importlib.import_module(f"drift.render.{_FILES[type(code).__name__]}")
    writer: Writer = file.SENTENCES[code]
    return writer
