"""The command `drift report`: where it writes, and what it leaves alone."""

from __future__ import annotations

from pathlib import Path

import pytest
from invented_analysis import invented

from drift.cli.main import main
from drift.render.report import MARK


@pytest.fixture
def folder(tmp_path: Path, monkeypatch) -> Path:
    """Return the present folder, with a site file; an invented answer stands for the work."""
    (tmp_path / "pier.toml").write_text(
        "[site]\nlatitude_deg = 47.3\nlongitude_deg = 15.5\nelevation_m = 410\n"
    )
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("drift.api.analyse_readings", lambda *_: invented(47.3, 5))
    return tmp_path


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return left.value.code, out, err


def test_writes_report_html_here_and_says_so_on_stderr(folder, capsys):
    code, out, err = run(capsys, "report")
    assert (code, out) == (0, "")
    assert err.startswith("Wrote report.html (")
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert page.rstrip().endswith("</html>")
    assert (folder / "report.html").stat().st_mode & 0o044  # others may read it, as any file made here


def test_writes_over_its_own_report_and_nothing_else(folder, capsys):
    (folder / "mine.html").write_text(f"<html>{MARK} last week's")
    assert run(capsys, "report", "-o", "mine.html")[0] == 0
    assert "last week's" not in (folder / "mine.html").read_text(encoding="utf-8")
    (folder / "thesis.html").write_text("years of work")
    code, _, err = run(capsys, "report", "-o", "thesis.html")
    assert code == 2
    assert "thesis.html" in err
    assert "not a report of this program" in err
    assert (folder / "thesis.html").read_text() == "years of work"


@pytest.mark.parametrize(
    ("target", "said"), [(".", "that is a folder"), ("nowhere/report.html", "there is no folder nowhere")]
)
def test_a_place_that_cannot_be_written_is_refused_before_the_work(folder, capsys, monkeypatch, target, said):
    monkeypatch.setattr("drift.api.analyse_readings", lambda *_: pytest.fail("worked for nothing"))
    code, out, err = run(capsys, "report", "-o", target)
    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err


def test_the_list_of_what_was_set_aside_names_file_and_line(folder, capsys):
    log = folder / "levels.csv"
    log.write_text("time_utc,tilt_north_arcsec,tilt_east_arcsec\nnot a time,1,2\n2024-01-01T00:00:00Z,3,4\n")
    run(capsys, "import", log)
    assert run(capsys, "report")[0] == 0
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "levels.csv" in page
    assert "not a time" in page
