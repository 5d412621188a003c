"""`drift guide`: every topic is there, short, wrapped, and what it tells one to type is a command."""

import re
import shlex
from importlib.resources import files

import click
import pytest

from drift.cli.main import COMMANDS, cli, main
from drift.cli.status import NAMES
from drift.errors import DriftError
from drift.render.guide import GLOSSARY, TOPICS, Form, blocks, guide_text

#: A page of a terminal manual; the glossary is a list to look things up in.
PAGE_LINES = 60
TYPED = re.compile(r"`(drift [^`]*)`")


def said(capsys, *arguments):
    with pytest.raises(SystemExit) as left:
        main(["guide", *arguments])
    return left.value.code, capsys.readouterr()


@pytest.mark.parametrize("topic", TOPICS)
def test_each_topic_is_under_a_page_and_no_wider_than_asked(topic, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    code, printed = said(capsys, topic)
    lines = printed.out.splitlines()
    assert code == 0 and lines[0].isupper() and len(lines) <= 1.4 * PAGE_LINES
    flowing = [line for line in lines if "drift record" not in line and "drift init" not in line]
    assert max(map(len, flowing)) <= 60
    assert len(guide_text(topic, 80).splitlines()) <= PAGE_LINES or topic == "words"


def test_every_file_of_the_guide_is_a_topic_and_the_other_way_round():
    there = {path.name.removesuffix(".md") for path in files("drift").joinpath("guide").iterdir()}
    assert there == set(TOPICS) - {"words"}


def test_topics_are_listed_and_a_wrong_one_is_answered_with_them(capsys):
    code, printed = said(capsys)
    assert code == 0 and all(f"  {topic} " in printed.out for topic in TOPICS)
    code, printed = said(capsys, "frost")
    assert code == 2 and "its topics are first-night, solves" in printed.err
    with pytest.raises(DriftError):
        blocks("../secret")


def test_a_word_has_one_entry_with_its_meaning():
    lines = [block.text for block in blocks("words") if block.form is Form.ITEM]
    assert len(lines) == len(GLOSSARY) and all(": " in line for line in lines)
    assert not any("lean" in line or "driver" in line for line in lines)


def commands_named():
    for topic in TOPICS:
        for block in blocks(topic):
            typed = block.text.splitlines() if block.form is Form.TYPED else TYPED.findall(block.text)
            yield from ((topic, one) for one in typed if one.startswith("drift "))


@pytest.mark.parametrize(("topic", "typed"), sorted(set(commands_named())))
def test_what_it_tells_one_to_type_is_a_command_with_such_options(topic, typed):
    words = shlex.split(typed)[1:]
    command, context = cli, click.Context(cli)
    while isinstance(command, click.Group) and words and not words[0].startswith("-"):
        name = words.pop(0)
        command = command.get_command(context, name)
        assert command is not None, f"{topic}: {typed}"
    options = {flag for option in command.params for flag in option.opts}
    given = [word for word in words if word.startswith("--")]
    assert set(given) <= options, f"{topic}: {typed}"
    if typed.startswith("drift status"):
        assert set(words) - set(given) <= set(NAMES), f"{topic}: {typed}"
    if typed.startswith("drift guide"):
        assert {word for word in words if word.islower()} <= set(TOPICS), f"{topic}: {typed}"


def test_the_guide_itself_is_a_command():
    assert "guide" in COMMANDS
