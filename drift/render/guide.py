"""The built-in guide: short texts by topic, and the glossary of this product's words.

The texts stand in `drift/guide`, one a topic, as plain Markdown: a title, paragraphs, lists and typed lines.
The command and the page show the same ones, offline; the page with their pictures, which are drawn from the
demo by `tests/surface/guide_pictures.py`.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from enum import StrEnum
from importlib.resources import files
from typing import TYPE_CHECKING

from drift.errors import DriftError

if TYPE_CHECKING:
    from markupsafe import Markup

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
    "clubs": "Several piers: a club, or a host",
    "safety": "Safety",
    "notebook": "In a notebook",
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
_PICTURE = re.compile(r"!\[(?P<words>[^]]*)\]\((?P<name>[a-z-]+)\.svg\)")
_NEXT_ITEM = re.compile(r"\n(?=(?:-|\d+\.) )")
_LIST = re.compile(r"(?P<mark>-|\d+\.) +(?P<text>.*)")


class Form(StrEnum):
    """What a block of a text is."""

    TITLE = "title"
    PARAGRAPH = "paragraph"
    ITEM = "item"
    TYPED = "typed"  # what one would type, line by line
    PICTURE = "picture"  # on the page only: its mark is the name, its text the caption
    LIST = "list"  # on the page only: its items, each with what is below it


@dataclass(frozen=True)
class Block:
    """A block: its form, its text, and of an item the mark before it; lines of what is typed are kept."""

    form: Form
    text: str
    mark: str = ""
    below: bool = False  # whether it belongs to the item before it
    inner: tuple[Block, ...] = field(default=(), repr=False)  # of a list its items, of an item what is below


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
        if picture := _PICTURE.fullmatch(" ".join(part.split())):
            yield Block(Form.PICTURE, picture["words"], picture["name"])
        elif part.startswith("# "):
            yield Block(Form.TITLE, part[2:])
        elif all(line.startswith("    ") for line in part.splitlines()):
            yield Block(Form.TYPED, textwrap.dedent(part), below=after_item)
        elif _LIST.match(part):
            yield from _items(part)
            after_item = True
        else:
            said, *items = re.split(_NEXT_ITEM, part, maxsplit=1)  # what is below an item, then the next ones
            after_item = part.startswith(" ")
            yield Block(Form.PARAGRAPH, _flowing(said), below=after_item)
            for each in items:
                yield from _items(each)


def _items(part: str) -> Iterator[Block]:
    for item in re.split(_NEXT_ITEM, part):
        found = _LIST.match(" ".join(item.split()))
        assert found is not None
        yield Block(Form.ITEM, _flowing(found["text"]), found["mark"])


def _flowing(text: str) -> str:
    return re.sub(r"\*([^*]+)\*", r"\1", " ".join(text.split()))


def guide_text(topic: str, width: int = 80) -> str:
    """Return a topic as plain text of at most `width` columns."""
    lines: list[str] = []
    found = [block for block in blocks(topic) if block.form is not Form.PICTURE]
    for at, block in enumerate(found):
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


def guide_page(topic: str) -> tuple[Block, ...]:
    """Return the blocks of a topic as a page shows them: items in lists, each with what is below it.

    Raises
    ------
    drift.errors.DriftError
        If there is no such topic.
    """
    shown: list[Block] = []
    for block in blocks(topic)[1:]:
        last = shown[-1] if shown and shown[-1].form is Form.LIST else None
        if block.form is Form.ITEM:
            items = last.inner if last else ()
            whole = Block(Form.LIST, "", block.mark, inner=(*items, block))
        elif block.below and last:
            item = last.inner[-1]
            whole = replace(last, inner=(*last.inner[:-1], replace(item, inner=(*item.inner, block))))
        else:
            shown.append(block)
            continue
        shown[-1:] = [whole] if last else [*shown[-1:], whole]
    return tuple(shown)


def guide_picture(name: str) -> Markup:
    """Return a picture of the guide as SVG in the colours of the page that it stands on."""
    from markupsafe import Markup

    # it is a file of this package, and no one else's
    return Markup(files("drift").joinpath("guide", f"{name}.svg").read_text(encoding="utf-8"))


def worked_notebook() -> bytes:
    """Return the worked notebook, which runs on the demo."""
    return files("drift").joinpath("guide", "notebook.ipynb").read_bytes()


def topics_text() -> str:
    """Return the topics, a line each."""
    wide = max(map(len, TOPICS))
    return "".join(f"  {name:<{wide}}  {title}\n" for name, title in TOPICS.items())
