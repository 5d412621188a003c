"""Found sweeps and runs from the file to the answer: told at import, in the status and at the origin."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from record_world import run

QUIRKS = Path(__file__).parents[2] / "sample_logs" / "quirks"
#: The axis that found-sweep.csv, found-run.csv and labels-on-solves.csv were made with [arcsec].
AZ_ERROR, ALT_ERROR = 185.0, -140.0
WITHIN_SD = 4.0


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(QUIRKS, tmp_path / "pier")
    return tmp_path / "pier"


def said(capsys: pytest.CaptureFixture[str], folder: Path, *arguments: str) -> str:
    assert run(*arguments, "--pier", folder / "pier.toml") == 0
    return capsys.readouterr().out


def import_log(capsys: pytest.CaptureFixture[str], folder: Path, name: str) -> str:
    assert run("import", folder / name, "--pier", folder / "pier.toml") == 0
    return " ".join(capsys.readouterr().out.split())


def night_of(capsys: pytest.CaptureFixture[str], folder: Path) -> dict:
    (night,) = json.loads(said(capsys, folder, "status", "--json"))["nights"]
    return night


@pytest.mark.parametrize(
    ("name", "source", "used"), [("found-sweep.csv", "sweep", 8), ("labels-on-solves.csv", "sweep", 6)]
)
def test_a_sweep_gives_the_axis_it_was_made_with(
    folder: Path, capsys: pytest.CaptureFixture[str], name: str, source: str, used: int
) -> None:
    import_log(capsys, folder, name)
    night = night_of(capsys, folder)
    assert (night["sources"], night["solves_used"]) == ([source], used)
    assert abs(night["az_error"] - AZ_ERROR) < WITHIN_SD * night["az_error_sd"]
    assert abs(night["alt_error"] - ALT_ERROR) < WITHIN_SD * night["alt_error_sd"]


def test_a_found_sweep_is_told_everywhere(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = import_log(capsys, folder, "found-sweep.csv")
    assert "8 of them form a sweep, found without a label: 8 fields in a row over 88 degrees" in text
    status = " ".join(said(capsys, folder, "status", "--full").split())
    assert "A sweep was found from 2024-02-21 03:05 UTC to 03:18 UTC" in status
    assert 'label its solves "none" in a column sweep' in status
    lines = said(capsys, folder, "origin", "last").splitlines()
    assert any("lines 2 to 6, 8 to 10: used as part of a sweep or run (import 1)" in line for line in lines)
    assert any("line 7: not used" in line and "a wrong solve?" in line for line in lines)
    assert any("lines 11 to 12: not used" in line for line in lines)


def test_a_found_run_holds_half_of_the_axis(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import_log(capsys, folder, "found-run.csv")
    night = night_of(capsys, folder)
    assert (night["sources"], night["solves_used"]) == (["run"], 40)
    assert "unguided run of 36 minutes" in " ".join(said(capsys, folder, "origin", "last").split())
    import_log(capsys, folder, "found-sweep.csv")
    nights = json.loads(said(capsys, folder, "status", "--json"))["nights"]
    assert [one["sources"] for one in nights] == [["sweep"], ["run"]]


def test_a_guided_site_finds_no_run_and_says_what_would(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pier = folder / "pier.toml"
    pier.write_text(pier.read_text().replace("guided = false", "guided = true"))
    text = import_log(capsys, folder, "found-run.csv")
    assert "set guided = false in [optics] of the site file" in text
    assert run("status", "--pier", pier) == 2
    assert "40 solves can't be used" in " ".join(capsys.readouterr().err.split())


def test_the_same_solves_with_labels_later_count_once(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import_log(capsys, folder, "found-sweep.csv")
    before = night_of(capsys, folder)
    lines = (folder / "found-sweep.csv").read_text().splitlines()
    labelled = [f"{lines[0]},sweep", *(f"{line},mine" for line in lines[1:10])]
    (folder / "labelled.csv").write_text("\n".join(labelled) + "\n")
    assert "9 rows went in" in import_log(capsys, folder, "labelled.csv")
    after = night_of(capsys, folder)
    assert after["solves_used"] + after["solves_set_aside"] == 9  # the label keeps the wrong one in
    assert abs(after["az_error"] - before["az_error"]) < WITHIN_SD * before["az_error_sd"]
    assert "A sweep was found" not in said(capsys, folder, "status", "--full")
