"""The guide that travels along: short texts by topic, and the glossary of this product's words.

The texts stand in `drift/guide`, one a topic, as plain Markdown: a title, paragraphs, lists and typed lines.
The command and the page show the same ones, offline.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from importlib.resources import files

from drift.errors import DriftError

#: In the order in which a reader needs them; each but the last is a file of `drift/guide`.
TOPICS = {
    "first-night": "Your first night",
    "solves": "Which solves to take",
    "tonight": "Tonight at the pier",
    "level": "A level, end for end, and its warmth",
    "strip": "Reading the strip",
    "correction": "After a correction",
    "winter": "Winter",
    "cant-tell": 'When the answer is "can\'t be told"',
    "safety": "Safety",
    "words": "The words used here",
}
#: The words of this product, each with one meaning everywhere: screens, page, report, mail, documents.
GLOSSARY = {
    "axis": "the line about which the mount turns; its error is its angle from the pole, or as azimuth "
    "(east, west) and altitude (too high, too low) of its raised end",
    "arcsecond, arcminute": "written \" and '; 60 arcseconds are an arcminute, 60 arcminutes a degree",
    "±": "one standard deviation: two times in three the truth lies within it, 19 times in 20 within twice",
    "pier": "all that stands below the mount: concrete, footing, ground",
    "tilt": "how far the pier's top has tipped since the start, and toward where",
    "mount": "what turns on the pier; it moves on it by its two knobs, or slips",
    "knob": "what turns the mount in azimuth, or raises and lowers it in altitude",
    "plate": "what the mount stands on, with its bolts, shims and levelling nuts",
    "limit": "from which error or tilt on you want to be warned; [warn] in pier.toml",
    "start": "the earliest night with a usable axis; what has changed counts from there",
    "night": "from noon to noon by the sun, named after the evening on which it began",
    "correction": "something done on purpose and written down: a turn, a shim, bolts tightened",
    "step": "a sudden change that nobody wrote down",
    "slip": "a step of the mount on the pier",
    "season": "what comes and goes with the year",
    "lasting": "what does not come back",
    "settlement": "the ground under the footing giving way, most at first",
    "swing": "how far the season moves the pier from one end to the other",
    "hour-angle zero": "what the mount calls zero hours; kept from session to session, or set by a sync",
    "sync": "telling the mount which star it points at; it moves the hour-angle zero",
    "sweep": "solves at one clamped declination and several hour angles",
    "unguided run": "one star left alone, whose drift shows the axis",
    "tube side": "east or west of the pier, where the tube is",
    "set aside": "kept in the record and not used, with the reason",
    "record": "the store of all readings and corrections; nothing is ever lost from it",
    "outlook": "what is to come over a year, with odds",
}
_LIST = re.compile(r"(?P<mark>-|\d+\.) +(?P<text>.*)")


class Form(StrEnum):
    """What a block of a text is."""

    TITLE = "title"
    PARAGRAPH = "paragraph"
    ITEM = "item"
    TYPED = "typed"  # what one would type, line by line


@dataclass(frozen=True)
class Block:
    """A block: its form, its text, and of an item the mark before it; lines of what is typed are kept."""

    form: Form
    text: str
    mark: str = ""
    below: bool = False  # whether it belongs to the item before it


def blocks(topic: str) -> list[Block]:
    """Return the blocks of a topic.

    Raises
    ------
    drift.errors.DriftError
        If there is no such topic; names those there are.
    """
    if topic not in TOPICS:
        raise DriftError(f"the guide has no topic {topic!r}; its topics are {', '.join(TOPICS)}.")
    if topic == "words":
        title = Block(Form.TITLE, TOPICS[topic])
        return [title, *(Block(Form.ITEM, f"{word}: {means}.", "-") for word, means in GLOSSARY.items())]
    text = files("drift").joinpath("guide", f"{topic}.md").read_text(encoding="utf-8")
    return list(_blocks(text))


def _blocks(text: str) -> Iterator[Block]:
    after_item = False
    for part in re.split(r"\n{2,}", text.strip("\n")):
        if part.startswith("# "):
            yield Block(Form.TITLE, part[2:])
        elif all(line.startswith("    ") for line in part.splitlines()):
            yield Block(Form.TYPED, textwrap.dedent(part), below=after_item)
        elif _LIST.match(part):
            yield from _items(part)
            after_item = True
        else:
            after_item = part.startswith(" ")
            yield Block(Form.PARAGRAPH, _flowing(part), below=after_item)


def _items(part: str) -> Iterator[Block]:
    for item in re.split(r"\n(?=(?:-|\d+\.) )", part):
        found = _LIST.match(" ".join(item.split()))
        assert found is not None
        yield Block(Form.ITEM, _flowing(found["text"]), found["mark"])


def _flowing(text: str) -> str:
    return re.sub(r"\*([^*]+)\*", r"\1", " ".join(text.split()))


def guide_text(topic: str, width: int = 80) -> str:
    """Return a topic as plain text of at most `width` columns."""
    lines: list[str] = []
    for at, block in enumerate(found := blocks(topic)):
        if at and not (block.form is Form.ITEM and found[at - 1].form is Form.ITEM):
            lines.append("")
        lines += _lines(block, width)
    return "\n".join(lines) + "\n"


def _lines(block: Block, width: int) -> list[str]:
    room = "   " if block.below else ""
    if block.form is Form.TITLE:
        return [block.text.upper()]
    if block.form is Form.TYPED:
        return [f"{room}   {line}" for line in block.text.splitlines()]
    first = f"{block.mark:>2} " if block.form is Form.ITEM else room
    return textwrap.wrap(
        block.text, width, initial_indent=first, subsequent_indent=" " * len(first), break_on_hyphens=False
    )


def topics_text() -> str:
    """Return the topics, a line each."""
    wide = max(map(len, TOPICS))
    return "".join(f"  {name:<{wide}}  {title}\n" for name, title in TOPICS.items())
