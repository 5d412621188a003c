"""The command `drift figure`: formats, where it writes, what it leaves alone, and what it says."""

from __future__ import annotations

import csv
from pathlib import Path
from xml.etree import ElementTree

import pytest
from invented_analysis import NASTY, invented
from invented_rich import rich

from drift.cli.main import main
from drift.render.figures.canvas import PHONE_IN, WIDE_IN

RICH = rich()
#: First bytes of a file: PNG specification (W3C, 2003) section 5.2; ISO 32000-1 section 7.5.2 (from memory).
BEGINS = {"png": b"\x89PNG\r\n\x1a\n", "pdf": b"%PDF-", "svg": b"<?xml"}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch) -> Path:
    """Return the present folder, with a site file; an invented answer stands for the work."""
    (tmp_path / "pier.toml").write_text(
        "[site]\nlatitude_deg = 47.3\nlongitude_deg = 15.5\nelevation_m = 410\n"
    )
    monkeypatch.chdir(tmp_path)
    stands_for(monkeypatch, RICH)
    return tmp_path


def stands_for(monkeypatch, analysis) -> None:
    monkeypatch.setattr("drift.api.analyse_readings", lambda *_: analysis)
    monkeypatch.setattr("drift.api.with_ground", lambda analysis, *_: analysis)


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return left.value.code, out, err


def test_an_empty_record_lists_every_picture_with_why_it_cannot_be_drawn(folder, capsys, monkeypatch):
    monkeypatch.undo()
    monkeypatch.chdir(folder)
    code, out, err = run(capsys, "figure")
    lines = out.splitlines()
    assert code == 0
    assert {"strip", "axis", "tilt", "seasons", "ground", "outlook", "nights"} <= {
        line.split()[0] for line in lines
    }
    assert all("(not yet: " in line for line in lines)
    assert "nothing to answer from yet" in err


@pytest.mark.parametrize("ending", BEGINS)
def test_writes_each_format_and_over_its_own_picture(folder, capsys, ending):
    for _ in range(2):
        code, out, err = run(capsys, "figure", "corrections", "-o", f"asked.{ending}")
        assert (code, out) == (0, "")
        assert err.startswith(f"Wrote asked.{ending} (")
    assert (folder / f"asked.{ending}").read_bytes().startswith(BEGINS[ending])
    assert [p.name for p in folder.iterdir() if p.name.startswith(".")] == []


def test_the_name_is_the_file_when_none_is_given(folder, capsys):
    assert run(capsys, "figure", "event-1")[0] == 0
    assert (folder / "event-1.png").exists()


def test_a_picture_carries_its_words_and_its_width(folder, capsys):
    run(capsys, "figure", "corrections", "-o", "wide.svg")
    run(capsys, "figure", "corrections", "-o", "phone.svg", "--phone")
    for name, width in (("wide", WIDE_IN), ("phone", PHONE_IN)):
        root = ElementTree.parse(folder / f"{name}.svg").getroot()
        assert float(root.get("width").removesuffix("pt")) == pytest.approx(width * 72)
        assert "Corrections, asked and found" in ElementTree.tostring(root, encoding="unicode")


def test_the_ground_may_be_dark(folder, capsys):
    run(capsys, "figure", "corrections", "-o", "light.svg")
    run(capsys, "figure", "corrections", "-o", "dark.svg", "--dark")
    assert "#fdfdfb" in (folder / "light.svg").read_text() and "#14181c" in (folder / "dark.svg").read_text()


def test_the_numbers_go_into_a_csv_file_and_no_note_becomes_a_formula(folder, capsys, monkeypatch):
    analysis = invented()
    history = analysis.history
    from dataclasses import replace

    first = replace(history.corrections[0], note="=1+1")
    second = replace(history.corrections[1], note=NASTY)
    changed = replace(analysis, history=replace(history, corrections=(first, second)))
    stands_for(monkeypatch, changed)
    assert run(capsys, "figure", "corrections", "-o", "asked.csv")[0] == 0
    lines = (folder / "asked.csv").read_text().splitlines()
    assert lines[0] == "# drift figure: Corrections"
    rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    assert rows[0][:3] == ["mark", "when", "what"]
    assert rows[1][-1] == "'=1+1"
    assert len(rows) == 3


@pytest.mark.parametrize("name", ["thesis.png", "thesis.csv"])
def test_another_file_is_left_alone(folder, capsys, monkeypatch, name):
    monkeypatch.setattr("drift.api.analyse_readings", lambda *_: pytest.fail("worked for nothing"))
    (folder / name).write_bytes(b"years of work")
    code, out, err = run(capsys, "figure", "axis", "-o", name)
    assert (code, out) == (2, "")
    assert "there is a file of that name which is not a picture of this program" in err
    assert (folder / name).read_bytes() == b"years of work"


@pytest.mark.parametrize(
    ("target", "said"),
    [
        ("axis.jpg", r"ends in '.jpg', which tells no format.  End it in one of .png, .svg, .pdf, .csv"),
        ("axis", "ends in 'nothing'"),
        ("nowhere/axis.png", "there is no folder nowhere"),
    ],
)
def test_a_place_that_cannot_be_written_is_refused_before_the_work(folder, capsys, monkeypatch, target, said):
    monkeypatch.setattr("drift.api.analyse_readings", lambda *_: pytest.fail("worked for nothing"))
    code, _, err = run(capsys, "figure", "axis", "-o", target)
    assert code == 2
    assert said in err
    assert err.count("\n") == 1


def test_a_name_that_is_none_is_answered_with_those_there_are(folder, capsys):
    code, _, err = run(capsys, "figure", "season")
    assert code == 2
    assert "there is no picture 'season'; did you mean 'seasons'?" in err
    assert "event-4" in err and "causes-azimuth" in err


def test_a_picture_with_nothing_to_show_says_why_and_writes_nothing(folder, capsys, monkeypatch):
    stands_for(monkeypatch, invented(47.3, 1))
    code, _, err = run(capsys, "figure", "seasons")
    assert code == 2
    assert "the picture 'seasons' has nothing to show: Winters can be laid over each other when" in err
    assert not (folder / "seasons.png").exists()


def test_without_a_name_all_are_listed(folder, capsys, monkeypatch):
    code, out, _ = run(capsys, "figure")
    assert code == 0
    assert [line.split()[0] for line in out.splitlines()][:3] == ["strip", "seasons", "outlook"]
    stands_for(monkeypatch, invented(47.3, 1))
    assert "(not yet: A movement shows from the second night on" in run(capsys, "figure")[1]
    assert "(not yet: A change of pier and mount needs two nights" in run(capsys, "figure")[1]
    code, _, err = run(capsys, "figure", "-o", "x.png")
    assert code == 2 and "name one, as in" in err
