"""What a guess about a table rests on."""

from __future__ import annotations

from dataclasses import dataclass, field

from drift.logs.layout import Circumstances
from drift.logs.proposal import Decisions
from drift.logs.sample import Sample
from drift.logs.table import RawTable


@dataclass(frozen=True)
class Known:
    """A table, a sample of it, the site, and what was answered and decided so far."""

    table: RawTable
    sample: Sample
    around: Circumstances
    decisions: Decisions
    slips: dict[str, str] = field(default_factory=dict)  # contract column -> its name with a slip

    @property
    def is_own(self) -> bool:
        """Whether the columns are the contract's own but for slips in their names."""
        return bool(self.slips)

    def example(self, at: int) -> str:
        """Return a cell of a column as an example, in words."""
        given = self.sample.given(at)
        return f"such as {given[0]}" if given else "blank"
