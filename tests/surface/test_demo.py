"""`drift demo` from end to end, the sample logs through import, and what a demo may write over."""

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import click
import numpy as np
import pytest
from click.testing import CliRunner

from drift.cli.main import cli
from drift.demo.files import make
from drift.demo.samples import SOUTH, clear_folder
from drift.demo.scenario import InventedStep, Scenario
from drift.demo.truth import compare_events, compare_history, compare_nights, event_lines, table_lines
from drift.errors import DriftError

SAMPLE_LOGS = Path(__file__).parents[2] / "sample_logs"
NUMBER = re.compile(r"\d+(?:\.\d+)?")
TWO_SD_SHARE = 0.8  # of differences within two stated sds; 0.95 when they hold, nights are not independent


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The smaller demo, made once: its folder and what was printed."""
    folder = tmp_path_factory.mktemp("demo") / "tour"
    result = CliRunner().invoke(cli, ["demo", str(folder), "--south"], catch_exceptions=False)
    return folder, result


def test_the_demo_does_the_whole_job(demo):
    folder, result = demo
    assert result.exit_code == 0
    assert {path.name for path in folder.iterdir()} >= {"pier.toml", "truth.json", "report.html", "logs"}
    for title in (
        "The logs",
        "The site file",
        "The record",
        "The answer",
        "The report",
        "The truth",
        "Look at",
    ):
        assert title in result.stderr
    assert "WHAT TO DO" in result.stdout
    assert "answer minus truth" in result.stdout
    assert str(folder / "report.html") in result.stderr


def test_the_demo_finds_the_slip_and_its_stated_uncertainties_hold(demo):
    _, result = demo
    lines = result.stdout.splitlines()
    (slip,) = (line for line in lines if line.startswith("2025-09-01  the mount's altitude by -95"))
    assert "not written down: found -9" in slip
    table = [line for line in lines if line.endswith("%") and ("each night" in line or "since" in line)]
    assert len(table) == 6
    for line in table:
        assert float(line.split()[-1].rstrip("%")) / 100 >= TWO_SD_SHARE, line


def test_the_readme_shows_what_the_demo_says(tmp_path, monkeypatch):
    """Word for word; a number may differ in its last digit, which another computer may round another way."""
    head = "Birch Hollow: axis and pier, "
    readme = (SAMPLE_LOGS.parent / "README.md").read_text(encoding="utf-8")
    shown = readme.split(f"```\n{head}", 1)[1].split("```", 1)[0]
    five_days_on = int(datetime(2026, 7, 20, 6, tzinfo=UTC).timestamp()) * 1_000_000
    for clock in ("drift.record.engine.now_us", "drift.record.quick.now_us"):
        monkeypatch.setattr(clock, lambda: five_days_on)
    result = CliRunner().invoke(cli, ["demo", str(tmp_path / "tour")], catch_exceptions=False)
    said = result.stdout.split(head, 1)[1]
    wanted, got = NUMBER.split(" ".join(shown.split())), NUMBER.split(" ".join(said.split()))
    assert got[: len(wanted) - 1] == wanted[:-1]
    numbers = [NUMBER.findall(" ".join(text.split())) for text in (shown, said)]
    for old, new in zip(*numbers, strict=False):
        decimals = len(old.partition(".")[2])
        assert float(new) == pytest.approx(float(old), abs=1.5 * 10.0**-decimals), (old, new)


def test_a_demo_is_made_anew_over_an_earlier_one_and_leaves_other_files(demo):
    folder, _ = demo
    (folder / "my notes.txt").write_text("mine", encoding="utf-8")
    clear_folder(folder)
    assert [path.name for path in folder.rglob("*") if path.is_file()] == ["my notes.txt"]


def test_a_folder_with_anything_else_is_left_alone(tmp_path):
    (tmp_path / "photo.fits").write_text("not ours", encoding="utf-8")
    result = CliRunner().invoke(cli, ["demo", str(tmp_path)])
    assert isinstance(result.exception, DriftError)
    assert str(tmp_path) in str(result.exception)
    assert "drift demo my-demo" in str(result.exception)
    assert [path.name for path in tmp_path.iterdir()] == ["photo.fits"]


def test_a_truth_of_something_else_is_no_demo(tmp_path):
    (tmp_path / "truth.json").write_text('{"format": "another"}', encoding="utf-8")
    with pytest.raises(DriftError, match="not empty"):
        clear_folder(tmp_path)
    (tmp_path / "truth.json").write_bytes(b"\xff\x00")
    with pytest.raises(DriftError, match="not empty"):
        clear_folder(tmp_path)


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(DriftError, match="is a file"):
        clear_folder(tmp_path / "file")


def test_an_empty_folder_may_be_used(tmp_path):
    clear_folder(tmp_path)
    clear_folder(tmp_path / "new")
    assert list(tmp_path.iterdir()) == []


def imported(tmp_path: Path, *arguments: str) -> dict:
    pier = tmp_path / "pier.toml"
    pier.write_bytes((SAMPLE_LOGS / "pier.toml").read_bytes())
    result = CliRunner().invoke(
        cli, ["import", *arguments, "--pier", str(pier), "--json"], catch_exceptions=False
    )
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_import_sets_aside_just_the_unusable_rows_and_passes_the_other_pier_over(tmp_path):
    said = imported(tmp_path, str(SAMPLE_LOGS))
    truth = json.loads((SAMPLE_LOGS / "truth.json").read_text(encoding="utf-8"))
    aside = {(Path(file["file"]).name, row["line"]) for file in said["files"] for row in file["set_aside"]}
    assert aside == {(bad["file"], bad["line"]) for bad in truth["bad_rows"]}
    assert {Path(file["file"]).parent for file in said["files"]} == {SAMPLE_LOGS}
    assert {file["kind"] for file in said["files"]} == {
        "solves",
        "sweeps",
        "runs",
        "alignments",
        "levels",
        "weather",
        "corrections",
    }
    assert str(SAMPLE_LOGS / "south") in said["passed_over"]


def test_a_site_file_of_its_own_does_not_hide_the_logs_beside_it(tmp_path):
    from drift.importer.importing import find_logs

    inner = tmp_path / "mine"
    inner.mkdir()
    (inner / "pier.toml").write_text("", encoding="utf-8")
    (inner / "solves.csv").write_text("", encoding="utf-8")
    assert find_logs([tmp_path], inner / "pier.toml").logs == (inner / "solves.csv",)
    assert find_logs([inner]).logs == (inner / "solves.csv",)
    other = find_logs([tmp_path], tmp_path / "pier.toml")
    assert (other.logs, other.others) == ((), (inner,))


def answered(world, off_arcsec: float, sd_arcsec: float):
    """An answer that is off by a known amount everywhere."""
    motion, pointing = world.motion, world.truth.nights["pointing"]
    nights = [
        SimpleNamespace(
            has_axis=True,
            sources=("pointing",),
            time_us=int(time_us),
            estimate=np.array([az + off_arcsec, alt + off_arcsec, np.nan]),
            covariance=np.eye(3) * sd_arcsec**2,
        )
        for time_us, az, alt in zip(pointing.time_us, pointing.az_error, pointing.alt_error, strict=True)
    ]
    setting = motion.setting(pointing.time_us)
    states = (setting.tilt_north, setting.tilt_east, setting.plate_north, setting.plate_east)
    true = np.stack([*states, setting.kappa, setting.alpha], axis=-1)
    sd = np.full(true.shape, sd_arcsec)
    sd[0] = 0.0
    history = SimpleNamespace(
        time_us=pointing.time_us,
        change=true - true[0] + np.where(sd > 0, off_arcsec, 0.0),
        sd=sd,
        events=(
            SimpleNamespace(
                after_us=int(motion.step_times_us[0]) - 5,
                before_us=int(motion.step_times_us[0]) + 5,
                what="mount_az",
                size={"mount_az": 77.0},
                size_sd={"mount_az": 2.0},
            ),
        ),
    )
    return SimpleNamespace(nights=SimpleNamespace(nights=nights), history=history)


@pytest.fixture(scope="module")
def world():
    steps = (InventedStep(80.2, mount_az=80.0), InventedStep(150.2, tilt_east=-50.0))
    return make(Scenario(seed=4, years=0.6, nights_a_year=60, steps=steps))


def test_the_comparison_tells_how_far_off_an_analysis_is(world):
    analysis = answered(world, off_arcsec=3.0, sd_arcsec=1.0)
    rows = (*compare_nights(world.motion, analysis), *compare_history(world.motion, analysis))
    assert len(rows) == 6
    for row in rows:
        assert row.largest == pytest.approx(3.0)
        assert row.typical == pytest.approx(3.0 * 1.4826)
        assert (row.largest_sd, row.within_2_sd) == (1.0, 0.0)
    text = "\n".join(table_lines(rows))
    assert '+3.0" (sd 1.0")' in text


def test_the_comparison_tells_found_from_missed_steps(world):
    compared = compare_events(world.motion, answered(world, 0.0, 1.0))
    assert [(event.part, event.called) for event in compared] == [("mount_az", "mount_az"), ("tilt_east", "")]
    found, missed = event_lines(compared)
    assert 'by +80", not written down: found +77" ± 2"' in found
    assert missed.endswith("not found")


def test_a_step_that_was_seen_but_not_named_is_not_called_missed(world):
    analysis = answered(world, 0.0, 1.0)
    analysis.history.events[0].what = "undetermined"
    compared = compare_events(world.motion, analysis)
    assert [event.called for event in compared] == ["undetermined", ""]
    assert next(event_lines(compared)).endswith("found, but what it was is left open")


def test_the_demo_stands_in_the_help():
    command = cli.get_command(click.Context(cli), "demo")
    assert command is not None
    text = CliRunner().invoke(cli, ["demo", "--help"]).output
    assert "--south" in text
    assert SOUTH.scenario.name not in text


def test_a_json_document_of_settings_in_a_folder_is_passed_over(tmp_path):
    folder = tmp_path / "logs"
    folder.mkdir()
    (folder / "camera.json").write_text('{"cooler": {"on": true}, "filters": ["L", "R"]}', encoding="utf-8")
    (folder / "alignments.csv").write_bytes((SAMPLE_LOGS / "alignments.csv").read_bytes())
    said = imported(tmp_path, str(folder))
    assert [Path(one["file"]).name for one in said["files"]] == ["alignments.csv"]
    assert str(folder / "camera.json") in said["passed_over"]
