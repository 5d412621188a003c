"""The whole answer for one pier, as everything that shows it takes it in."""

from __future__ import annotations

from dataclasses import dataclass

from drift.advice.result import Advice
from drift.ground.under_pier import UnderPier
from drift.history.result import History
from drift.night.result import Nights
from drift.pierfile import PierFile


@dataclass(frozen=True)
class Answer:
    """Site, nights, history and advice of one pier at one time."""

    site: PierFile
    nights: Nights
    history: History
    advice: Advice
    defaults_used: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    ground: UnderPier | None = None  # None without a weather log, or where nobody asked for it
