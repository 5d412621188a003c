"""`drift piers`: the list in one line each, the nightly job of all, and what kills leave behind."""

import json
import os
import random
import shutil
import signal
import threading
import time
from pathlib import Path

import pytest
from page_world import NIGHTS, SITE, alignment_log, pier_folder
from record_world import PATIENCE_S, run
from server_world import new_database, running_server
from sqlalchemy import create_engine

from drift.api import open_record, pier_line, read_site
from drift.piers.listing import listed_piers
from drift.piers.running import Task, run_here
from drift.render.piers import as_mapping

FOLDERS = '[logs]\nfolders = ["in"]\n'


def waiting_logs(folder, seed):
    """Make a pier whose logs wait in its folder; they are old enough to be complete."""
    (folder / "in").mkdir(parents=True)
    (folder / "pier.toml").write_text(f"{SITE}{FOLDERS}")
    log = alignment_log(folder / "in" / "alignments.csv", seed)
    os.utime(log, (time.time() - 3600.0,) * 2)


@pytest.fixture
def club(tmp_path):
    for seed, name in enumerate(("a", "b", "c")):
        waiting_logs(tmp_path / "club" / name, seed)
    return tmp_path / "club"


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory):
    """Return a folder with a pier that moved, one without readings, and a broken one."""
    folder = tmp_path_factory.mktemp("looked at")
    for name, filled in (("moved", True), ("new", False)):
        (folder / name).mkdir()
        pier_folder(folder / name, filled)
    (folder / "broken").mkdir()
    (folder / "broken" / "pier.toml").write_text("[site\n")
    return folder


def test_status_is_a_line_for_each_and_its_exit_code_tells_whether_something_waits(looked_at, capsys):
    assert run("piers", "status", looked_at) == 1
    printed = capsys.readouterr()
    lines = printed.out.splitlines()
    assert [line.split()[1] for line in lines[1:3]] == ["moved", "broken"] and "new" in lines[3]
    assert all(len(line) <= 80 for line in lines)
    assert "3 piers: 1 has moved, 1 can't be looked at and 1 has no readings yet." in printed.err
    assert run("acknowledge", "--pier", looked_at / "moved" / "pier.toml") == 0
    assert run("piers", "status", looked_at) == 2  # nothing waits, but one can't be looked at


def test_status_as_data_is_that_of_each_pier_alone(looked_at, capsys):
    run("piers", "status", looked_at, "--json", "--workers", "1")
    data = json.loads(capsys.readouterr().out)
    assert (data["format"], data["version"], data["common"]) == ("drift-piers", 1, [])
    by_name = {one["name"]: one for one in data["piers"]}
    assert "line 1, column 6" in by_name["broken"]["trouble"]
    alone = as_mapping([pier_line(looked_at / "moved" / "pier.toml", "moved")], looked_at)["piers"][0]
    assert {**by_name["moved"], "now_utc": ""} == {**alone, "now_utc": ""}


def test_usage_errors(looked_at, capsys):
    assert run("piers", "status", looked_at, "--exact-positions") == 2
    assert run("piers", "nightly", looked_at, "--scheduler", "tcp://x:1", "--workers", "2") == 2
    assert run("piers", "status", looked_at / "nowhere") == 2
    assert "no list of piers" in capsys.readouterr().err


def test_nightly_takes_in_what_waits_once_and_says_what_needs_care(club, capsys):
    (club / "b" / "pier.toml").write_text(f'{SITE}[logs]\nfolders = ["in", "gone"]\n')
    (club / "piers.toml").write_text('files = ["*/pier.toml"]\nweather = ["air"]\n')
    assert run("piers", "nightly", club) == 1  # each was knocked
    first = capsys.readouterr()
    assert first.out.count("Shared weather: the folder") == 1 and "air that weather" in first.out
    assert "Winters lent" not in first.out
    assert f"{3 * NIGHTS} rows came in at 3 piers." in first.err
    assert "b: the folder" in first.out and "gone" in first.out
    assert run("piers", "nightly", club, "--json") == 1
    data = json.loads(capsys.readouterr().out)
    assert data["format"] == "drift-piers-nightly"
    assert data["weather"] == {"folders_missing": 1, "files_waiting": []} and data["lent"] == []
    assert [one["nightly"]["rows_taken_in"] for one in data["piers"]] == [0, 0, 0]
    assert {one["name"]: one["nightly"]["needs_care"] for one in data["piers"]} == {
        "a": False,
        "b": True,
        "c": False,
    }


def test_the_lines_for_a_scheduler_name_the_whole_list(club, capsys):
    assert run("piers", "nightly", club, "--schedule", "cron") == 0
    line = capsys.readouterr().out.splitlines()[-1]
    assert line.endswith(f"piers nightly --quiet {club}") and "--pier" not in line


def children():
    """Return the processes that work on piers for this one."""
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            if parent == os.getpid() and b"drift.workers" in (entry / "cmdline").read_bytes():
                found.append(int(entry.name))
        except (OSError, ValueError):
            continue
    return found


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc to find the children")
def test_kills_at_random_lose_and_double_nothing(club, tmp_path):
    shutil.copytree(club, tmp_path / "quiet")
    chance, over, kills = random.Random(17), threading.Event(), []

    def kill_some():
        while not over.wait(chance.uniform(0.3, 2.5)) and len(kills) < 5:
            now = children()
            if now:
                kills.append(chance.choice(now))
                os.kill(kills[-1], signal.SIGKILL)

    killer = threading.Thread(target=kill_some)
    killer.start()
    task = Task("drift.nightly:nightly_of_listed", {"send": False}, tries=8, limit_s=PATIENCE_S)
    done = run_here(task, listed_piers(club), 2)
    over.set()
    killer.join()
    quiet = run_here(task, listed_piers(tmp_path / "quiet"), 2)
    assert kills and sum(one.tries for one in done) > len(done)
    assert [one.failure for one in (*done, *quiet)] == [None] * 6
    for name in ("a", "b", "c"):
        states = []
        for place in (club, tmp_path / "quiet"):
            with open_record(read_site(place / name / "pier.toml")) as record:
                states.append(record.state().readings_id)
                assert len(record.readings()["alignments"]) == NIGHTS
        assert states[0] == states[1]


def test_piers_of_one_database_on_a_server_outlive_lost_connections(tmp_path):
    with running_server() as server:
        url = new_database(server, "club")
        for seed, name in enumerate(("a", "b")):
            waiting_logs(tmp_path / name, seed)
            store = f'[store]\nurl = "{url}"\npier = "{name}"\n'
            (tmp_path / name / "pier.toml").write_text(f"{SITE}{FOLDERS}{store}")
        over, cut = threading.Event(), []

        def cut_connections():
            """End what other programs have open, as a restart of the server or a bad cable would."""
            engine = create_engine(url, isolation_level="AUTOCOMMIT")
            with engine.connect() as connection:
                while not over.wait(0.3) and len(cut) < 6:
                    ended = connection.exec_driver_sql(
                        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                        "WHERE datname = 'club' AND pid <> pg_backend_pid()"
                    )
                    cut.extend(ended.fetchall())
            engine.dispose()

        cutter = threading.Thread(target=cut_connections)
        cutter.start()
        task = Task("drift.nightly:nightly_of_listed", {"send": False}, tries=20)
        done = run_here(task, listed_piers(tmp_path), 2)
        over.set()
        cutter.join()
        assert cut and [one.failure for one in done] == [None, None]
        for name in ("a", "b"):
            with open_record(read_site(tmp_path / name / "pier.toml")) as record:
                assert len(record.readings()["alignments"]) == NIGHTS


def test_a_page_of_a_wrong_list_does_not_start(looked_at, tmp_path, capsys):
    (tmp_path / "piers.toml").write_text("files = [3]\n")
    assert run("serve", tmp_path, "--port", "0") == 2
    assert "line 1, column 10" in capsys.readouterr().err
    assert run("serve", looked_at, "--pier", looked_at / "moved" / "pier.toml") == 2
    assert "not both" in capsys.readouterr().err
    assert run("serve", tmp_path / "nowhere") == 2
