"""A proposal shown to people: what becomes of each column, and three sample rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.logs.kinds import BY_KIND
from drift.logs.layout import Circumstances
from drift.logs.mapping import Mapping
from drift.logs.proposal import Proposal
from drift.logs.ready import Ready
from drift.logs.sample import sample_of
from drift.logs.table import RawTable
from drift.logs.translate import Plan, finish, gather

ROWS_SHOWN = 3


@dataclass(frozen=True)
class Preview:
    """Sample rows: their text, and the contract's columns as they would be read."""

    raws: tuple[str, ...]
    rows: tuple[dict[str, str], ...]
    title: str
    unused: tuple[str, ...]

    def words(self, proposal: Proposal) -> str:
        """Return the proposal with its reasons and sample rows, for people."""
        mapping = proposal.mapping
        assert mapping is not None
        lines = [f"  read as {self.title}"]
        for column, source in mapping.columns.items():
            lines.append(f"  {column:<18} from {_from(source.columns, source.value)}{_how(proposal, column)}")
        told = {"places", "mount_places"}
        lines += [
            f"  {one.what:<18} {one.decided}: {one.because}"
            for one in proposal.reasons
            if one.what.startswith("time.") or one.what in told or one.decided == "none"
        ]
        if self.unused:
            lines.append(f"  not used: {', '.join(self.unused)}")
        for raw, row in zip(self.raws, self.rows, strict=True):
            lines.append(f"  for example  {' '.join(raw.split())}")
            lines.append(f"           ->  {', '.join(f'{name} {value}' for name, value in row.items())}")
        return "\n".join(lines)


def _from(columns: tuple[str, ...], value: str) -> str:
    return " + ".join(columns) if columns else f"{value!r} for all rows"


def _how(proposal: Proposal, column: str) -> str:
    parts = []
    for one in proposal.reasons:
        if one.what in (f"{column}.unit", f"{column}.means"):
            parts.append(f"{one.decided}: {one.because}")
    return f"; {'; '.join(parts)}" if parts else ""


def preview_of(table: RawTable, mapping: Mapping, around: Circumstances) -> Preview:
    """Read the first rows of a table by a mapping, as people are shown them."""
    sample = sample_of(table)
    plan = Plan.of(mapping, sample.headings, sample.decimal)
    gathered = gather([sample.rows], plan)
    refused = finish(gathered.columns, mapping)
    rows = []
    for at in range(min(ROWS_SHOWN, len(gathered.raws))):
        rows.append({name: _shown(name, ready, at) for name, ready in gathered.columns.items()})
        for reason, some in refused.values():
            if some[at]:
                rows[-1]["time_utc"] = f"none, because it {reason}"
    used = {name.lower() for source in mapping.columns.values() for name in source.columns}
    unused = tuple(name for name in table.header if name and name.lower() not in used)
    raws = tuple(gathered.raws[: len(rows)])
    return Preview(raws, tuple(rows), BY_KIND[mapping.kind].title, unused)


def _shown(name: str, ready: Ready, at: int) -> str:
    if isinstance(ready.values, list):
        return ready.values[at] or "-"
    if ready.bad[at] or ready.blank[at]:
        return "-"
    if name == "time_utc":
        return f"{np.datetime64(int(ready.values[at]), 'us').astype('datetime64[ms]')}Z"
    if name == "date":
        return str(np.datetime64(int(ready.values[at]), "D"))
    return f"{float(ready.values[at]):.6f}".rstrip("0").rstrip(".")
