"""`drift check` and `drift acknowledge` through the commands alone, on typed alignment errors."""

import json
import re
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from drift.cli.main import main

SITE = """
[site]
latitude_deg = 46.0
longitude_deg = 20.0
elevation_m = 100.0
[warn]
axis_arcmin = 10.0
"""
NIGHTS, BUMP = 30, 20
#: Forty times the scatter of a night: nobody can miss it.
BUMP_ARCMIN = 4.0
SCATTER_ARCMIN = 0.1


@pytest.fixture
def pier(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pier.toml").write_text(SITE, encoding="utf-8")
    return tmp_path


@pytest.fixture
def drift(capsys):
    def run(*arguments):
        with pytest.raises(SystemExit) as left:
            main([str(argument) for argument in arguments])
        said = capsys.readouterr()
        return left.value.code, said.out, said.err

    return run


def nights_log(folder, name, first, last, bump=True):
    """Write weekly typed alignment errors, with the azimuth stepping at night `BUMP`."""
    scatter = np.random.default_rng(11).normal(0.0, SCATTER_ARCMIN, (NIGHTS + 20, 2))
    lines = ["time_utc,az_error_arcmin,alt_error_arcmin,sigma_arcmin"]
    for k in range(first, last):
        time = datetime(2023, 1, 5, 22, tzinfo=UTC) + timedelta(days=7 * k)
        az = 1.0 + scatter[k, 0] + (BUMP_ARCMIN if bump and k >= BUMP else 0.0)
        lines.append(f"{time:%Y-%m-%dT%H:%M:%SZ},{az:.3f},{-0.5 + scatter[k, 1]:.3f},{SCATTER_ARCMIN}")
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_quiet_pier_prints_nothing(pier, drift):
    assert drift("import", nights_log(pier, "quiet.csv", 0, NIGHTS, bump=False))[0] == 0
    assert drift("check") == (0, "", "")
    code, out, _ = drift("check", "--json")
    data = json.loads(out)
    assert (code, data["format"], data["moved"], data["new"]) == (0, "drift-check", False, [])


def test_a_bump_is_told_until_it_is_acknowledged(pier, drift):
    drift("import", nights_log(pier, "before.csv", 0, BUMP))
    assert drift("check")[0] == 0

    drift("import", nights_log(pier, "first.csv", BUMP, BUMP + 1))
    code, out, _ = drift("check")
    assert (code, "one night only" in out) == (0, True)

    drift("import", nights_log(pier, "later.csv", BUMP + 1, BUMP + 5))
    code, out, err = drift("check")
    assert code == 1
    stepped = float(re.search(r'azimuth turned by ([\d.]+)" ±', out)[1]) / 60.0
    # three nights of 0.1' on each side: 0.08', and four of these
    assert stepped == pytest.approx(BUMP_ARCMIN, abs=0.33)
    assert "between 2023-05-18 and 2023-05-25" in out
    assert "drift acknowledge" in err
    assert drift("check")[0] == 1, "it stays until it is acknowledged"

    code, out, _ = drift("acknowledge", "--note", "the dog")
    assert (code, out.count("Acknowledged:")) == (0, 1)
    assert drift("check") == (0, "", "")
    assert drift("acknowledge")[1] == "Acknowledged; nothing was new.\n"

    code, out, _ = drift("check", "--json")
    data = json.loads(out)
    assert (code, data["moved"]) == (0, False)
    assert data["acknowledged_utc"] is not None
    drift("import", nights_log(pier, "more.csv", BUMP + 5, NIGHTS))
    assert drift("check") == (0, "", ""), "more nights of the same are no news"


@pytest.mark.parametrize("command", ["check", "acknowledge"])
def test_an_empty_record_cannot_be_answered(pier, drift, command):
    code, out, err = drift(command)
    assert (code, out) == (2, "")
    assert "nothing to answer from" in err
    assert "Traceback" not in err


@pytest.mark.parametrize("command", ["check", "acknowledge"])
def test_no_site_file_and_wrong_use_leave_with_2(tmp_path, monkeypatch, drift, command):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("DRIFT_PIER", raising=False)
    assert drift(command)[0] == 2
    assert drift(command, "--pier", tmp_path / "none.toml")[0] == 2
    assert drift(command, "--nonsense")[0] == 2


@pytest.mark.parametrize("command", ["check", "acknowledge"])
def test_help_names_the_rule(drift, command):
    code, out, _ = drift(command, "--help")
    assert code == 0
    assert "second night" in " ".join(out.split())


def test_a_record_that_fell_silent_is_told_until_acknowledged_but_is_no_movement(pier, drift, capsys):
    from drift.api import analyse_readings, open_record, read_site
    from drift.cli.check import check
    from drift.record.engine import now_us
    from drift.watch.changes import state_text

    drift("import", nights_log(pier, "quiet.csv", 0, NIGHTS, bump=False))
    later_us = now_us() + 60 * 86_400_000_000
    site = read_site(pier / "pier.toml")
    with open_record(site) as record:
        assert check(site, record, now_us=now_us() + 20 * 86_400_000_000) is False
        assert capsys.readouterr().out == ""
        for _ in range(2):
            assert check(site, record, now_us=later_us) is False
            assert "Nothing has been measured since 2023-07-27" in capsys.readouterr().out
        assert check(site, record, as_json=True, now_us=later_us) is False
        (notice,) = json.loads(capsys.readouterr().out)["notices"]
        assert notice["kind"] == "old"

        analysis = analyse_readings(site, record.readings(), record)
        record.acknowledge("winter", state_text(analysis, None, later_us, record.latest_import_us()))
        assert check(site, record, now_us=later_us) is False
        assert capsys.readouterr().out == ""


def test_status_shows_what_check_warns_of_until_it_is_acknowledged(pier, drift):
    drift("import", nights_log(pier, "all.csv", 0, BUMP + 5))
    warned = drift("check")[1].split()
    said = drift("status")[1]
    assert "WAITING" in said
    assert " ".join(warned) in " ".join(said.split())
    assert "`drift acknowledge` marks it as seen" in " ".join(said.split())
    drift("acknowledge")
    assert "WAITING" not in drift("status")[1]


def test_few_nights_are_told_and_are_no_movement(pier, drift):
    drift("import", nights_log(pier, "few.csv", 0, 2, bump=False))
    code, out, _ = drift("check")
    assert (code, "two nights only that show the axis" in out) == (0, True)
    assert "Acknowledged: The record holds two nights only" in drift("acknowledge")[1]
    assert drift("check") == (0, "", "")


def test_a_correction_that_was_never_made_leaves_with_1_until_acknowledged(pier, drift):
    drift("import", nights_log(pier, "before.csv", 0, BUMP, bump=False))
    drift("record", "azimuth", "4", "--time", "2023-05-20T12:00Z")
    drift("import", nights_log(pier, "after.csv", BUMP, BUMP + 5, bump=False))
    code, out, _ = drift("check")
    assert code == 1
    said = "The azimuth correction of 2023-05-20 looks written down wrongly, it may never have been made"
    assert said in out and "asked 4.00' east, found" in out
    (item,) = json.loads(drift("check", "--json")[1])["new"]
    assert item["kind"] == "correction" and item["held_probability"] < 0.05
    assert (item["misrecorded"], item["misrecorded_probability"] > 0.75) == ("never", True)
    again = drift("record", "azimuth", "4", "--time", "2023-05-21T12:00Z")[1]
    assert "looks written down wrongly" in again, "said at once where nights after it are in the record"
    drift("record", "withdraw", "2")
    drift("acknowledge")
    assert drift("check")[0] == 0


def test_a_correction_that_held_is_no_news(pier, drift):
    drift("import", nights_log(pier, "before.csv", 0, BUMP))
    drift("record", "azimuth", str(BUMP_ARCMIN), "--time", "2023-05-20T12:00Z")
    drift("import", nights_log(pier, "after.csv", BUMP, BUMP + 5))
    assert drift("check") == (0, "", "")


def test_what_was_acknowledged_and_cannot_be_read_leaves_with_2(pier, drift):
    from drift.api import open_record, read_site

    drift("import", nights_log(pier, "quiet.csv", 0, NIGHTS, bump=False))
    with open_record(read_site(pier / "pier.toml")) as record:
        record.acknowledge("", "{}")
    code, out, err = drift("check")
    assert (code, out) == (2, "") and "drift acknowledge" in err
    assert drift("acknowledge")[0] == 0
    assert drift("check") == (0, "", "")
