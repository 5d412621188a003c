"""A notice in words: the one place where a code becomes a sentence.

Each room's sentences are in a file (`night_words.py`, `history_words.py`, ...), as one mapping
``SENTENCES`` from code to a function of the notice's values; this file only finds the right one.
"""

from __future__ import annotations

import importlib
import math
from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import Any

from drift.notices import Code, Notice

#: The values of a notice.
Values = Mapping[str, Any]
#: Writes the sentence of one code from the notice's values.
Writer = Callable[[Values], str]
#: The class of codes -> the file of its sentences.
_FILES: dict[str, str] = {
    "IngestCode": "import_words",
    "ImageCode": "import_words",
    "MappingCode": "column_words",
    "RecordCode": "import_words",
    "AdviceCode": "advice_words",
    "GroundCode": "ground_words",
    "HistoryCode": "history_words",
    "NightCode": "night_words",
    "SiteCode": "ground_words",
    "SkyCode": "night_words",
    "TogetherCode": "together_words",
    "TonightCode": "tonight_words",
    "WatchCode": "watch_words",
}


def sentence(notice: Notice) -> str:
    """Return the sentence of a notice."""
    return _writer(notice.code)(notice.values)


def as_data(notice: Notice) -> dict[str, Any]:
    """Return a notice as ``--json`` gives it: code, severity, values and text."""
    return {
        "code": str(notice.code),
        "severity": str(notice.severity),
        "values": {name: _plain(value) for name, value in notice.values.items()},
        "text": sentence(notice),
    }


def _plain(value: Any) -> Any:
    """Return a value as JSON has it; a number that isn't known is None."""
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    if isinstance(value, StrEnum):
        return str(value)
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _writer(code: Code) -> Writer:
    file = importlib.import_module(f"drift.render.{_FILES[type(code).__name__]}")
    writer: Writer = file.SENTENCES[code]
    return writer
