"""How a table with other columns than ours is read: by a stored mapping, or as proposed and agreed to."""

from __future__ import annotations

from collections.abc import Callable
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field, replace
from pathlib import Path

from drift.errors import LogFileError, NotSettled
from drift.ingest.fits_mapping import SECTION as IMAGES
from drift.ingest.guess import all_questions, propose
from drift.ingest.mapping import Mapping, MappingFile, Proposal, Question
from drift.ingest.row_check import Circumstances
from drift.ingest.text import RawTable
from drift.ingest.translate import Plan, by_day, finish, gather, is_by_the_hour
from drift.ingest.trial import sample_of
from drift.ingest.values import Ready
from drift.notices import IngestCode, Notice, info

# ---- A proposal as it is shown: what becomes of each column, and sample rows.


ROWS_SHOWN = 3


@dataclass(frozen=True)
class PreviewRow:
    """A sample row as it would be read.

    `values` are by our columns: texts, numbers in its unit, a time [us since 1970 UTC] or a date [days
    since 1970]; None where there is none.
    """

    raw: str
    values: MappingOf[str, str | int | float | None]
    no_such_time: bool = False  # the site's clock never showed it, or showed it twice


@dataclass(frozen=True)
class Preview:
    """Sample rows of a table as they would be read, and the columns that are not used."""

    rows: tuple[PreviewRow, ...]
    unused: tuple[str, ...]


def preview_of(table: RawTable, mapping: Mapping, around: Circumstances) -> Preview:
    """Read the first rows of a table by a mapping, for people to see."""
    sample = sample_of(table)
    plan = Plan.of(mapping, sample.headings, sample.decimal)
    gathered = gather([sample.rows], plan)
    refused = finish(gathered.columns, mapping, around)
    if is_by_the_hour(mapping):
        gathered, _ = by_day(gathered, mapping, around)
    rows = []
    for at in range(min(ROWS_SHOWN, len(gathered.raws))):
        values = {name: _value(ready, at) for name, ready in gathered.columns.items()}
        rows.append(PreviewRow(gathered.raws[at], values, any(some[at] for _, some in refused)))
    used = {name.lower() for source in mapping.columns.values() for name in source.columns}
    unused = tuple(name for name in table.header if name and name.lower() not in used)
    return Preview(tuple(rows), unused)


def _value(ready: Ready, at: int) -> str | int | float | None:
    if isinstance(ready.values, list):
        return ready.values[at] or None
    if ready.bad[at] or ready.blank[at]:
        return None
    number: int | float = ready.values[at].item()
    return number


# ---- Settling how a table is read.


#: The question whether a file that was read differently before is to be read like this now, and its answers.
READING, REPLACE, FORMER = "reading", "replace", "former"
#: The question whether files beside another site file are of this pier, and its answers.
OTHER_PIER, TAKE, LEAVE = "other_pier", "take", "leave"
#: Number of impossible answers after which a file is refused.
_PATIENCE = 3
#: Asks a question about a table; returns the answer.
AskPerson = Callable[[RawTable, Question], str]
#: Shows a proposal with sample rows; returns the name to keep it under, "" when it is not agreed to.
Agree = Callable[[RawTable, Proposal, Preview, str], str]


@dataclass
class Settler:
    """Settles how each file of an import is read.

    Parameters
    ----------
    kept
        The stored mappings; new ones are added.
    answers
        Answers given beforehand, by the question's key.
    wanted
        The name of the mapping to use, or to keep a new one under; "" for any.
    ask, agree
        How a person is asked; None where nobody can be asked: then an open question, or a proposal that
        nobody agreed to, refuses the file.
    """

    kept: MappingFile
    answers: dict[str, str] = field(default_factory=dict)
    wanted: str = ""
    ask: AskPerson | None = None
    agree: Agree | None = None

    def claims(self, table: RawTable) -> bool:
        """Tell whether an answer or a named mapping applies also to tables with our own columns.

        A mapping stored for such a header is used only when it is named: another log with the same columns
        needs none.
        """
        return bool(self.wanted in self.kept.mappings or self._to_tables)

    def __call__(self, table: RawTable, around: Circumstances) -> tuple[Mapping, Notice]:
        """Return how a table is read, and why so.

        Raises
        ------
        drift.errors.LogFileError
            If that can't be decided, or was not agreed to.
        """
        name = self._name_of(table)
        if name:
            why = info(IngestCode.MAPPING_KEPT, mapping=name, file=self.kept.path.name)
            return self.kept.mappings[name], why
        proposal = self._proposal(table, around)
        mapping = proposal.mapping
        assert mapping is not None
        suggested = self.kept.free_name(self.wanted or Path(table.name).stem)
        name = self._agreed(table, proposal, preview_of(table, mapping, around), suggested)
        self.kept, name = self.kept.keep(name, mapping)
        return mapping, info(IngestCode.MAPPING_AGREED, mapping=name, file=self.kept.path.name)

    @property
    def _to_tables(self) -> dict[str, str]:
        """Return the answers that are about how a table is read."""
        apart = (READING, OTHER_PIER, IMAGES)
        return {key: value for key, value in self.answers.items() if key.partition(".")[0] not in apart}

    def _name_of(self, table: RawTable) -> str:
        """Return the name of the stored mapping for a table, "" for none."""
        if self.wanted in self.kept.mappings:
            return self.wanted
        names = [] if self.wanted else self.kept.for_header(table.header)
        if len(names) > 1 and not self._to_tables:
            raise LogFileError(
                f"{table.name}: {self.kept.path} has several mappings for this header "
                f"({', '.join(names)}): choose one with --mapping NAME."
            )
        return names[0] if len(names) == 1 and not self._to_tables else ""

    def _proposal(self, table: RawTable, around: Circumstances) -> Proposal:
        answers = self._to_tables
        asked: Question | None = None
        wrong = 0
        while True:
            try:
                proposal = propose(table, around, answers)
            except LogFileError as error:
                wrong += 1
                if self.ask is None or asked is None or wrong > _PATIENCE:
                    raise
                answers[asked.key] = self.ask(table, replace(asked, trouble=str(error)))
                continue
            if proposal.question is None:
                return proposal
            asked = proposal.question
            if not asked.choices and not asked.free:
                raise LogFileError(f"{table.name}: none of its columns can be its {asked.key}.")
            if self.ask is None:
                raise NotSettled(table.name, tuple(all_questions(table, around, answers)))
            answers[asked.key] = self.ask(table, asked)

    def _agreed(self, table: RawTable, proposal: Proposal, preview: Preview, name: str) -> str:
        if self.agree is None:
            raise NotSettled(table.name, proposal=proposal, preview=preview)
        kept_as = self.agree(table, proposal, preview, name)
        if not kept_as:
            raise LogFileError(
                f"{table.name}: not imported, because the proposed way to read it was not agreed to.  "
                "--answer KEY=VALUE changes a part of it."
            )
        return self.kept.free_name(kept_as)
