"""`drift advise`: the steps, one recorded as done by its id, and nothing counted twice."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from record_world import run

SITE = """
[site]
latitude_deg = 46.0
longitude_deg = 20.0
elevation_m = 100.0
[mount]
azimuth_knob_arcmin_per_turn = 40.0
[warn]
axis_arcmin = 2.0
"""
#: The axis is off by this in azimuth [arcmin]; a night scatters by a fifteenth of it.
OFF, SCATTER = 6.0, 0.1
FIRST = datetime(2023, 1, 5, 22, tzinfo=UTC)
NIGHTS = 60  # a week apart: over a year


def nights_log(folder: Path, name: str, first: int, last: int, az: float) -> Path:
    scatter = np.random.default_rng(5).normal(0.0, SCATTER, (200, 2))
    lines = ["time_utc,az_error_arcmin,alt_error_arcmin,sigma_arcmin"]
    for k in range(first, last):
        when = f"{FIRST + timedelta(days=7 * k):%Y-%m-%dT%H:%M:%SZ}"
        lines.append(f"{when},{az + scatter[k, 0]:.3f},{scatter[k, 1]:.3f},{SCATTER}")
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def day_after(night: int) -> str:
    return f"{FIRST + timedelta(days=7 * night, hours=14):%Y-%m-%dT%H:%M:%SZ}"


@pytest.fixture
def pier(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    path = tmp_path / "pier.toml"
    path.write_text(SITE)
    assert run("import", nights_log(tmp_path, "nights.csv", 0, NIGHTS, OFF), "--pier", path) == 0
    capsys.readouterr()
    return path


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    code = run(*arguments)
    told = capsys.readouterr()
    return code, told.out, told.err


def ids(capsys: pytest.CaptureFixture[str], pier: Path) -> list[str]:
    steps = json.loads(said(capsys, "advise", "--json", "--pier", pier)[1])["steps"]
    return [one["step"] for one in steps if one["step"]]


def corrections(pier: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    lines = said(capsys, "record", "list", "--pier", pier)[1].splitlines()
    return [line for line in lines if "recorded by hand" in line]


def test_a_step_is_shown_with_its_id_and_recorded_once(pier, capsys):
    code, out, err = said(capsys, "advise", "--pier", pier)
    assert (code, err) == (0, "")
    assert "\n\n1. Take a night first" in out
    assert re.search(
        r"2. Turn the azimuth knob so that the axis goes west \(anticlockwise .*\) by (5.9|6.0)", out
    )
    assert "--done" not in out, "by a night so old nothing is turned"
    step = ids(capsys, pier)[0]
    assert "Take care:" in out

    code, out, _ = said(capsys, "advise", "--done", step, "--time", day_after(NIGHTS - 1), "--pier", pier)
    assert code == 0 and re.search(r"Recorded at \S+: azimuth -(5\.9\d?|6|6\.0\d) arcmin", out)
    (row,) = corrections(pier, capsys)
    assert f"as advised ({step})" in row

    code, _, err = said(capsys, "advise", "--done", step, "--pier", pier)
    assert code == 2 and f"the step {step} is recorded already: row" in err
    assert len(corrections(pier, capsys)) == 1


def test_what_is_done_is_not_advised_again_before_a_night_has_seen_it(pier, capsys):
    step = ids(capsys, pier)[0]
    said(capsys, "advise", "--done", step, "--time", day_after(NIGHTS - 1), "--pier", pier)
    for command in ("advise", "status"):
        out = " ".join(said(capsys, command, "--pier", pier)[1].split())
        assert "Measure on the next clear night: the azimuth was turned on 2024-02-23" in out
        assert "Turn the azimuth" not in out
    after = nights_log(pier.parent, "after.csv", NIGHTS, NIGHTS + 3, 0.2)
    run("import", after, "--pier", pier)
    capsys.readouterr()
    out = said(capsys, "advise", "--pier", pier)[1]
    assert "Measure on the next clear night" not in out and "Turn the azimuth" not in out
    told = re.search(r"azimuth correction of 2024-02-23: (.*); it held \((9\d|over 99)", out)[1]
    assert re.fullmatch(r"asked 5.9\d' west, found 5.\d+' ± 0.\d+' west", told)
    known = " ".join(out.split())
    assert re.search(r"By 1 past correction, the azimuth knob moves the axis as .* within \d+ %", known)


def test_the_steps_of_one_night_can_all_be_recorded_in_any_order(pier, capsys):
    log = pier.parent / "both.csv"
    run("undo", "1", "--pier", pier)
    rows = nights_log(pier.parent, "azimuth.csv", 0, NIGHTS, OFF).read_text().splitlines()
    cells = [row.split(",") for row in rows[1:]]
    high = [f"{when},{az},{float(alt) + 5.0:.3f},{sd}" for when, az, alt, sd in cells]
    log.write_text("\n".join([rows[0], *high, ""]))
    run("import", log, "--pier", pier)
    capsys.readouterr()
    codes = ids(capsys, pier)
    assert len(codes) == 2
    for number, code in enumerate(reversed(codes)):
        when = day_after(NIGHTS - 1 + number)
        assert said(capsys, "advise", "--done", code, "--time", when, "--pier", pier)[0] == 0
        out = said(capsys, "advise", "--pier", pier)[1]
        assert re.search(rf"Done on 2024-0\S+: the a\w+ was turned \w+ by \S+'.  \(step {code}\)", out)
        assert ids(capsys, pier) == list(reversed(codes))[number + 1 :]
    done = json.loads(said(capsys, "advise", "--json", "--pier", pier)[1])["done"]
    assert [one["step"] for one in done] == list(reversed(codes))
    assert "Done on 2024-0" in said(capsys, "status", "--pier", pier)[1]


def test_a_new_night_makes_an_old_id_useless(pier, capsys):
    step = ids(capsys, pier)[0]
    run("import", nights_log(pier.parent, "more.csv", NIGHTS, NIGHTS + 1, OFF), "--pier", pier)
    capsys.readouterr()
    code, _, err = said(capsys, "advise", "--done", step, "--pier", pier)
    assert code == 2 and f"the step {step} is not to be done any more: those now are" in err
    assert corrections(pier, capsys) == []


def test_a_withdrawn_step_can_be_done_after_all(pier, capsys):
    step = ids(capsys, pier)[0]
    when = ("--time", day_after(NIGHTS - 1))
    said(capsys, "advise", "--done", step, *when, "--pier", pier)
    number = corrections(pier, capsys)[0].split()[0]
    run("record", "withdraw", number, "--pier", pier)
    capsys.readouterr()
    assert said(capsys, "advise", "--done", step, *when, "--pier", pier)[0] == 0
    assert len(corrections(pier, capsys)) == 1


def later(monkeypatch, days: float, nights: int = NIGHTS) -> None:
    """Let it be so many days after the last night, of a record that was kept up until then."""
    then = FIRST + timedelta(days=7 * (nights - 1) + days)
    for clock in ("drift.record.engine.now_us", "drift.record.quick.now_us"):
        monkeypatch.setattr(clock, lambda: int(then.timestamp() * 1e6))


def test_every_command_says_that_the_last_night_is_too_old(pier, capsys, monkeypatch):
    later(monkeypatch, 100.0)
    monkeypatch.setattr(
        "drift.record.record.Record.latest_import_us", lambda record: int(FIRST.timestamp() * 1e6)
    )
    old = "Measure: the last night that shows the axis is 100 days old (2024-02-22)"
    assert f"\n\n{old}" in said(capsys, "advise", "--pier", pier)[1]
    assert old in " ".join(said(capsys, "status", "--pier", pier)[1].split())
    (action,) = json.loads(said(capsys, "status", "--json", "--pier", pier)[1])["actions"]
    assert action["sentence"].startswith(old)
    report = pier.parent / "report.html"
    said(capsys, "report", "-o", report, "--pier", pier)
    assert old in report.read_text(encoding="utf-8")


def test_logs_of_years_ago_are_advised_on_as_of_their_end(pier, capsys):
    out = said(capsys, "advise", "--pier", pier)[1]
    assert "\n\n1. Take a night first, then ask again: the last one, of 2024-02-22, is too old" in out
    assert "2. Turn the azimuth" in out


def test_a_step_from_old_logs_can_still_be_recorded_when_they_have_grown_too_old(pier, capsys, monkeypatch):
    arrived = FIRST + timedelta(days=7 * (NIGHTS - 1) + 400)
    monkeypatch.setattr(
        "drift.record.record.Record.latest_import_us", lambda record: int(arrived.timestamp() * 1e6)
    )
    later(monkeypatch, 401.0)
    step = ids(capsys, pier)[0]
    later(monkeypatch, 462.0)  # 62 days after they came in they are too old to turn anything by
    assert "--done" not in said(capsys, "advise", "--pier", pier)[1]
    code, out, _ = said(capsys, "advise", "--done", step, "--pier", pier)
    assert code == 0 and ": azimuth -" in out


def test_a_step_advised_some_days_ago_can_still_be_recorded(tmp_path, capsys, monkeypatch):
    pier, log = tmp_path / "pier.toml", tmp_path / "swinging.csv"
    pier.write_text(SITE)
    weeks, scatter = 156, np.random.default_rng(6).normal(0.0, SCATTER, (156, 2))
    swing = 4.0 * np.cos(2.0 * np.pi * 7.0 * np.arange(weeks) / 365.25)
    rows = [
        f"{FIRST + timedelta(days=7 * k):%Y-%m-%dT%H:%M:%SZ},{15.0 + swing[k] + dx:.3f},{dy:.3f},{SCATTER}"
        for k, (dx, dy) in enumerate(scatter)
    ]
    log.write_text("\n".join(["time_utc,az_error_arcmin,alt_error_arcmin,sigma_arcmin", *rows, ""]))
    run("import", log, "--pier", pier)
    capsys.readouterr()
    monkeypatch.setattr("drift.record.record.Record.latest_import_us", lambda record: None)
    codes = []
    for days in (1.0, 40.0):
        later(monkeypatch, days, weeks)
        out = said(capsys, "advise", "--pier", pier)[1]
        codes.append(re.search(r"--done (\w+)", out)[1])
    assert codes[0] != codes[1], "the year ahead begins later, and ends elsewhere"
    code, out, _ = said(capsys, "advise", "--done", codes[0], "--pier", pier)
    assert code == 0 and ": azimuth -1" in out
    code, _, err = said(capsys, "advise", "--done", codes[1], "--pier", pier)
    assert code == 2 and "no step can be recorded now" in err, "the azimuth was turned already"


def test_steps_as_json(pier, capsys):
    code, out, _ = said(capsys, "advise", "--json", "--pier", pier)
    data = json.loads(out)
    assert (code, data["format"], data["version"]) == (0, "drift-advise", 2)
    night, step = data["steps"]
    assert night["do"] == "measure" and data["done"] == []
    assert (step["do"], step["code"], step["severity"]) == ("turn_azimuth", "advice.turn", "info")
    assert night["step"] is None and re.fullmatch(r"s\d+", step["step"])
    (row,) = step["record"]
    assert float(row["amount_arcmin"]) == step["amount_arcmin"]
    assert float(row["turns"]) == step["turns"] == pytest.approx(step["amount_arcmin"] / 40.0, abs=0.01)
    assert {knob["knob"]: knob["corrections_seen"] for knob in data["knobs"]} == {"azimuth": 0, "altitude": 0}


def test_a_pier_that_needs_nothing_has_no_step_to_record(tmp_path, capsys):
    path = tmp_path / "pier.toml"
    path.write_text(SITE)
    run("import", nights_log(tmp_path, "nights.csv", 0, 20, 0.2), "--pier", path)
    capsys.readouterr()
    out = said(capsys, "advise", "--pier", path)[1]
    assert "\n\nBy the last night nothing needed doing" in out and "--done" not in out
    code, _, err = said(capsys, "advise", "--done", "abcdef", "--pier", path)
    assert code == 2 and "no step can be recorded now" in err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--done", ""), "there is no step ''"),
        (("--time", "2024-01-01T00:00Z"), "go with --done"),
        (("--note", "x"), "go with --done"),
    ],
)
def test_wrong_use(pier, capsys, arguments, says):
    code, out, err = said(capsys, "advise", *arguments, "--pier", pier)
    assert (code, out) == (2, "") and says in err


def test_an_empty_record_cannot_be_advised_on(tmp_path, capsys):
    path = tmp_path / "pier.toml"
    path.write_text(SITE)
    code, out, err = said(capsys, "advise", "--pier", path)
    assert (code, out) == (2, "") and "nothing to answer from" in err


def test_a_step_keeps_its_id_and_what_was_edited_stays_done(pier, capsys):
    first, again = (ids(capsys, pier)[0] for _ in range(2))
    assert first == again
    said(capsys, "advise", "--done", first, "--time", day_after(NIGHTS - 1), "--pier", pier)
    number = corrections(pier, capsys)[0].split()[0]
    later = day_after(NIGHTS + 1)
    assert said(capsys, "record", "edit", number, "--time", later, "--pier", pier)[0] == 0
    out = said(capsys, "advise", "--pier", pier)[1]
    assert re.search(rf"Done on 2024-0\S+: the azimuth was turned .*\(step {first}\)", out)


def test_the_wording_of_a_note_makes_no_step_done(pier, capsys):
    step = ids(capsys, pier)[0]
    when = ("--time", day_after(NIGHTS - 1), "--note", f"as advised ({step})")
    assert said(capsys, "record", "azimuth", "-6.0", *when, "--pier", pier)[0] == 0
    data = json.loads(said(capsys, "advise", "--json", "--pier", pier)[1])
    assert data["done"] == []
    # and what somebody words otherwise stays what it is
    number = corrections(pier, capsys)[0].split()[0]
    run("record", "withdraw", number, "--pier", pier)
    said(capsys, "advise", "--done", step, *when[:2], "--note", "with the long spanner", "--pier", pier)
    data = json.loads(said(capsys, "advise", "--json", "--pier", pier)[1])
    assert [one["step"] for one in data["done"]] == [step]


def test_what_an_older_version_recorded_by_its_note_is_still_done(pier, capsys):
    when = ("--time", day_after(NIGHTS - 1), "--note", "as advised (3fa2c1)")
    assert said(capsys, "record", "azimuth", "-6.0", *when, "--pier", pier)[0] == 0
    with closing(sqlite3.connect(pier.parent / "drift-book.sqlite")) as connection, connection:
        connection.execute("DROP TABLE advised_done")
        connection.execute("DROP TABLE advised_steps")
        connection.execute("DELETE FROM migrations WHERE name LIKE '0007%'")
    out = said(capsys, "advise", "--pier", pier)[1]
    assert re.search(r"Done on 2024-0\S+: the azimuth was turned west by 6'\.  \(step s1\)", out)
