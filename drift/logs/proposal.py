"""What is proposed for a table with columns of its own: a mapping with reasons, or a question."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass

from drift.logs.mapping import Mapping

#: Answers to questions, by the question's key.
Answers = MappingOf[str, str]
#: An answer that begins so is a value for all rows, instead of a column.
VALUE = "value:"
#: The answer that takes no column.
NONE = "none"


@dataclass(frozen=True)
class Choice:
    """One possible answer, and what it means."""

    answer: str
    words: str = ""


@dataclass(frozen=True)
class Question:
    """Something that can't be decided from the file."""

    key: str
    words: str
    choices: tuple[Choice, ...]
    free: bool = False  # other answers are possible as well

    def line(self) -> str:
        """Return the question with its choices on one line."""
        told = " | ".join(f"{one.answer} ({one.words})" if one.words else one.answer for one in self.choices)
        return f"{self.key}: {self.words}  Choices: {told}{' | ...' if self.free else ''}"


@dataclass(frozen=True)
class Reason:
    """One thing that was decided, and why."""

    what: str
    decided: str
    because: str


@dataclass(frozen=True)
class Proposal:
    """A mapping with the reasons for each part of it, or the first question on the way to one."""

    mapping: Mapping | None
    reasons: tuple[Reason, ...]
    question: Question | None = None


class Ask(Exception):
    """Carries a question out of the middle of a guess."""

    def __init__(self, question: Question) -> None:
        super().__init__(question.key)
        self.question = question


@dataclass
class Decisions:
    """Collects reasons, and gives the answers that were given so far."""

    answers: Answers
    reasons: list[Reason]
    asked: set[str]

    def told(self, what: str, decided: str, because: str) -> str:
        """Note a decision and return it."""
        self.reasons.append(Reason(what, decided, because))
        return decided

    def answer(self, key: str) -> str:
        """Return what was answered to a key, "" for nothing yet."""
        self.asked.add(key)
        return self.answers.get(key, "")

    def ask(self, question: Question) -> str:
        """Return the answer to a question.

        Raises
        ------
        Ask
            If it has not been answered yet.
        """
        answer = self.answer(question.key)
        if answer:
            known = {choice.answer.lower(): choice.answer for choice in question.choices}
            if answer.lower() in known:
                return self.told(question.key, known[answer.lower()], "as answered")
            if question.free:
                return self.told(question.key, answer, "as answered")
        raise Ask(question)
