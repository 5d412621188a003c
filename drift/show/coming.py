"""The outlook of an answer: from today on where the pier is watched, else as of the end of the record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drift.advice.outlook import outlook_of

if TYPE_CHECKING:
    from drift.advice.outlook import Outlook
    from drift.answer import Answer


def coming_of(answer: Answer) -> Outlook | None:
    """Return what is to come; None where the history has no forecast, or none that reaches to today."""
    return outlook_of(answer.site, answer.nights, answer.history, answer.now_us, answer.arrived_us)
