"""Every error of the package.

An error means that there is no answer.  A warning is a sentence: an answer with
reduced trust; it travels with the result and is shown wherever that is.
A message says what was wrong, the value, where it stood and what to do.
"""

from __future__ import annotations

from typing import Any


class DriftError(Exception):
    """Something prevents an answer; the message is one paragraph for people."""


class SiteFileError(DriftError):
    """The site file can't be used: names the key, the value, what is allowed and the line."""


class PierListError(DriftError):
    """The list of several piers can't be used: names the file, line, column, the value and what to do."""


class ClusterError(DriftError):
    """The cluster that is to work on several piers can't be used."""


class LogFileError(DriftError):
    """A log file can't be read at all and is refused whole."""


class NoTable(LogFileError):
    """A whole document is no table: it holds none, or several, whose names are `lists`."""

    def __init__(self, text: str, lists: tuple[str, ...] = ()) -> None:
        self.lists = lists
        super().__init__(text)


class KindRefused(LogFileError):
    """A log is of another kind, `kind`, than those that are taken in from where it lies."""

    def __init__(self, text: str, kind: str) -> None:
        self.kind = kind
        super().__init__(text)


class RowRefused(LogFileError):
    """A row written down by hand can't be used.

    `row` is a `drift.readings.RowSetAside`, of which `drift.render.import_words.refused_words` makes the
    sentence for people; the text of the error names the code of the reason.
    """

    def __init__(self, row: Any) -> None:
        self.row = row
        super().__init__(f"not recorded: {row.column} = {row.value!r} ({row.reason.code})")


class NotSettled(LogFileError):
    """How a table is to be read is open: a question that nobody answered, or a proposal nobody agreed to.

    `drift.render.column_words.not_settled_words` makes the paragraph for people; the text of the error names
    what is open by its keys.

    Attributes
    ----------
    name
        What the log is called.
    questions
        Each a `drift.ingest.mapping.Question`; none where a proposal waits.
    proposal, preview
        The `drift.ingest.mapping.Proposal` and its `drift.ingest.settle.Preview`, None for questions.
    of_images
        Whether it is about headers of images.
    """

    def __init__(
        self,
        name: str,
        questions: tuple[Any, ...] = (),
        proposal: Any = None,
        preview: Any = None,
        of_images: bool = False,
    ) -> None:
        self.name, self.questions, self.of_images = name, questions, of_images
        self.proposal, self.preview = proposal, preview
        keys = ", ".join(str(one.key) for one in questions) or "its mapping"
        super().__init__(f"{name}: {keys} not settled")


class Doubtful(LogFileError):
    """What was written down is unlike what the record holds, and goes in only when it is sure.

    `notices` say why; `drift.render.import_words.error_words` makes the sentence of them.
    """

    def __init__(self, notices: tuple[Any, ...]) -> None:
        self.notices = notices
        super().__init__(f"not recorded: {', '.join(one.code for one in notices)}")


class RecordError(DriftError):
    """The record can't be opened, read or written (locked, read-only, full disk, wrong site)."""


class NothingToAnalyse(DriftError):
    """The record holds no reading from which an axis or a tilt could be worked out.

    `unusable` holds a `drift.notices.Notice` for each solve that is there and can't be used, `notices` what
    is to be said of all of them.
    """

    def __init__(self, text: str, unusable: tuple[Any, ...] = (), notices: tuple[Any, ...] = ()) -> None:
        super().__init__(text)
        self.unusable, self.notices = unusable, notices


class PlateError(DriftError):
    """The bolts of a plate can't give an answer: too few, in a line, or heights that don't belong to them.

    `trouble` is a `drift.codes.PlateTrouble`, and `values` are the numbers that belong to it.
    """

    def __init__(self, text: str, trouble: str = "no_plane", **values: Any) -> None:
        super().__init__(text)
        self.trouble, self.values = trouble, values


class RowsSetAside(UserWarning):
    """Rows of a table, or some of their values, could not be used.

    `rows` holds a `drift.readings.RowSetAside` for each, with its reason.
    """

    def __init__(self, rows: tuple[Any, ...], words: str) -> None:
        self.rows = rows
        super().__init__(words)


class AlreadyRunning(DriftError):
    """Another run of the same job is at work on the same pier, and has not ended in time."""


class NotifyError(DriftError):
    """A warning can't be sent to an address: names what is missing, never a secret."""
