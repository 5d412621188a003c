"""How a table with columns of its own is to be read: as kept under a name, or as proposed and agreed to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from drift.errors import LogFileError
from drift.ingest.cells import Circumstances
from drift.ingest.fits_mapping import SECTION as IMAGES
from drift.ingest.guess import all_questions, propose
from drift.ingest.kinds import BY_KIND
from drift.ingest.mapping import Mapping, Proposal, Question
from drift.ingest.mapping_file import MappingFile
from drift.ingest.text import RawTable
from drift.ingest.translate import Plan, by_day, finish, gather, is_by_the_hour
from drift.ingest.trial import sample_of
from drift.ingest.values import Ready
from drift.notices import IngestCode, Notice, info

# ---- A proposal shown to people: what becomes of each column, and three sample rows.


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
    refused = finish(gathered.columns, mapping, around)
    if is_by_the_hour(mapping):
        gathered, _ = by_day(gathered, mapping, around)
    rows = []
    for at in range(min(ROWS_SHOWN, len(gathered.raws))):
        rows.append({name: _shown(name, ready, at) for name, ready in gathered.columns.items()})
        for _, some in refused:
            if some[at]:
                rows[-1]["time_utc"] = "none: the clock did not show it, or showed it twice"
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


# ---- How a table with columns of its own is to be read: as kept under a name, or as proposed and agreed
# to.


#: The question whether a file that was read otherwise before is to be read so now, and its answers.
READING, REPLACE, FORMER = "reading", "replace", "former"
#: The question whether files that lie with another site file are of this pier, and its answers.
OTHER_PIER, TAKE, LEAVE = "other_pier", "take", "leave"
#: After so many answers that can't be, a file is refused.
_PATIENCE = 3
#: Asked a question about a table; returns the answer.
AskPerson = Callable[[RawTable, Question], str]
#: Shown a proposal with sample rows; returns the name to keep it under, "" when it is not agreed to.
Agree = Callable[[RawTable, Proposal, Preview, str], str]


@dataclass
class Settler:
    """Settles how each file of an import is read.

    Parameters
    ----------
    kept
        The mappings kept so far; new ones are added.
    answers
        Answers given beforehand, by the question's key.
    wanted
        The name of the mapping to use, or to keep a new one under; "" for any.
    ask, agree
        How a person is asked; None where nobody is there: then questions refuse the file, and so does a
        proposal that nobody agreed to.
    """

    kept: MappingFile
    answers: dict[str, str] = field(default_factory=dict)
    wanted: str = ""
    ask: AskPerson | None = None
    agree: Agree | None = None

    def claims(self, table: RawTable) -> bool:
        """Tell whether something was said that has a say also for the contract's own columns.

        A mapping that was kept for such a header is used when it is named only: another log with the same
        columns needs none.
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
        """Return the answers without those that are not about how a table is read."""
        return {
            key: value
            for key, value in self.answers.items()
            if key not in (READING, OTHER_PIER) and not key.startswith(f"{IMAGES}.")
        }

    def _name_of(self, table: RawTable) -> str:
        """Return the name of the kept mapping that a table is read by, "" for none."""
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
                again = replace(asked, words=f"{error}.  {asked.words}")
                answers[asked.key] = self.ask(table, again)
                continue
            if proposal.question is None:
                return proposal
            asked = proposal.question
            if self.ask is None:
                raise LogFileError(_questions_words(table, all_questions(table, around, answers)))
            answers[asked.key] = self.ask(table, asked)

    def _agreed(self, table: RawTable, proposal: Proposal, preview: Preview, name: str) -> str:
        if self.agree is None:
            raise LogFileError(
                f"{table.name}: its columns are not those of a known log, but could be read so:\n"
                f"{preview.words(proposal)}\n"
                "Add --yes to read it so and to keep this under a name, or --answer KEY=VALUE to change it."
            )
        kept_as = self.agree(table, proposal, preview, name)
        if not kept_as:
            raise LogFileError(
                f"{table.name}: not imported, because the proposed way to read it was not agreed to.  "
                "--answer KEY=VALUE changes a part of it."
            )
        return self.kept.free_name(kept_as)


def _questions_words(table: RawTable, questions: list[Question]) -> str:
    count = "one thing" if len(questions) == 1 else f"{len(questions)} things"
    lines = "\n".join(f"  {question.line()}" for question in questions)
    return (
        f"{table.name}: {count} can't be decided from the file:\n{lines}\n"
        "Say it with --answer KEY=CHOICE (one --answer each), or import the file at a terminal, where it is "
        "asked."
    )
