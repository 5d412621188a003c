"""What came of a file's import, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drift.book.importing import FileImported


def counts_words(one: FileImported) -> str:
    """Return how many rows of a file went in, and what came of the others."""
    counts = [counted(one.went_in, "row went in", "rows went in")]
    if one.already_there:
        counts.append(counted(one.already_there, "was there already", "were there already"))
    if one.twice_in_file:
        counts.append(counted(one.twice_in_file, "stood in the file twice", "stood in the file twice"))
    if one.set_aside:
        counts.append(counted(len(one.set_aside), "was set aside", "were set aside"))
    return ", ".join(counts)


def left_out_words(one: FileImported) -> str:
    """Return how many values were left out of rows that went in; "" for none."""
    if not one.left_out:
        return ""
    return f"{counted(len(one.left_out), 'value was', 'values were')} left out of rows that went in"


def counted(number: int, one: str, many: str) -> str:
    """Return a number with its noun and verb."""
    return f"{number:,} {one if number == 1 else many}"
