"""`drift guide`: every topic is there, short, wrapped, and what it tells one to type is a command."""

import ast
import json
import re
import shlex
from importlib.resources import files
from pathlib import Path
from xml.etree import ElementTree

import click
import pytest

import drift
from drift.cli.main import COMMANDS, cli, main
from drift.cli.status import NAMES
from drift.errors import DriftError
from drift.importer.importing import import_files
from drift.render.guide import GLOSSARY, TOPICS, Form, blocks, guide_page, guide_picture, guide_text

#: A page of a terminal manual; the glossary is a list to look things up in.
PAGE_LINES = 60
SAMPLES = Path(drift.__file__).parent.parent / "sample_logs"
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


def test_items_after_what_is_below_one_are_items_again():
    marks = [one.mark for one in blocks("correction") if one.form is Form.ITEM]
    assert marks == ["1.", "2.", "3."]
    assert "\n2. Take a night of solves" in guide_text("correction")


def test_every_file_of_the_guide_is_a_topic_and_the_other_way_round():
    names = [path.name for path in files("drift").joinpath("guide").iterdir()]
    there = {name.removesuffix(".md") for name in names if name.endswith(".md")}
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
        words = words[: words.index("-o")] if "-o" in words else words
        assert {word for word in words if word.islower()} <= set(TOPICS), f"{topic}: {typed}"


def test_the_guide_itself_is_a_command():
    assert "guide" in COMMANDS


def test_pictures_stand_on_the_page_with_words_and_in_its_colours_and_not_in_a_terminal():
    there = {path.name.removesuffix(".svg") for path in files("drift").joinpath("guide").iterdir()}
    shown = {one.mark: one.text for topic in TOPICS for one in blocks(topic) if one.form is Form.PICTURE}
    assert set(shown) == {name for name in there if "." not in name} and len(shown) == 7
    for name, caption in shown.items():
        svg = str(guide_picture(name))
        whole = ElementTree.fromstring(svg)
        assert whole.find("{*}title") is not None and whole.find("{*}desc").text and len(caption) > 40
        assert "var(--c-" in svg and not re.search(r"<script|href=\"http|#[0-9a-f]{6}", svg), name
        assert len(svg) < 60_000
        assert caption not in " ".join(guide_text(name, 1000).split()) if name in TOPICS else True


@pytest.mark.parametrize("topic", TOPICS)
def test_the_page_has_all_that_the_terminal_has(topic):
    def texts(block):
        return [block.text, *(text for inner in block.inner for text in texts(inner))]

    there = [text for block in guide_page(topic) for text in texts(block) if text]
    assert sorted(there) == sorted(block.text for block in blocks(topic)[1:])


@pytest.fixture
def beside_the_demo(tmp_path, monkeypatch):
    """The folder of a notebook: beside it lies a demo with its record, here the smaller one."""
    folder = tmp_path / "drift-demo"
    folder.mkdir()
    (folder / "pier.toml").write_text((SAMPLES / "south" / "pier.toml").read_text())
    site = drift.read_site(folder / "pier.toml")
    with drift.open_record(site) as record:
        list(import_files(record, sorted((SAMPLES / "south").glob("*.csv"))))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_worked_notebook_is_written_and_runs_on_the_demo(beside_the_demo, capsys):
    code, printed = said(capsys, "notebook", "-o", "pier.ipynb")
    assert (code, printed.out) == (0, "Wrote pier.ipynb.\n")
    code, printed = said(capsys, "notebook", "-o", "pier.ipynb")
    assert code == 2 and "there is a file pier.ipynb already" in printed.err
    assert said(capsys, "winter", "-o", "winter.ipynb")[0] == 2
    whole = json.loads((beside_the_demo / "pier.ipynb").read_text())
    assert (whole["nbformat"], {cell["cell_type"] for cell in whole["cells"]}) == (4, {"markdown", "code"})
    names, shown = {}, []
    for cell in whole["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == [] and cell["execution_count"] is None
            tree = ast.parse("".join(cell["source"]))
            last = ast.Expression(tree.body.pop().value) if isinstance(tree.body[-1], ast.Expr) else None
            exec(compile(tree, "cell", "exec"), names)  # as a notebook does it
            if last is not None:
                shown.append(eval(compile(last, "cell", "eval"), names))
    assert len(shown) == 11
    assert "Tres Sauces" in repr(shown[0]) and "<table>" in shown[0]._repr_html_()
    assert "<svg" in shown[3]._repr_svg_() and shown[5]["az_error"] == "arcsec"
    assert names["tilt"].unit == "arcsec" and shown[7].unit == "arcmin"
