"""`drift nightly`: logs come in, warnings and digests go out, each once, whatever goes wrong on the way."""

from __future__ import annotations

import json
import os
import pickle
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from filelock import FileLock
from loopback import HOST, free_port, loopback_only, mail_server, web_hook
from record_world import run
from test_check import BUMP, SITE, nights_log

from drift.api import open_record, read_site
from drift.codes import Standing
from drift.errors import AlreadyRunning
from drift.importer.folders import SETTLED_S
from drift.nightly import run_nightly
from drift.record.record import Record
from drift.render.nightly_words import digest_html, digest_text, digest_title, result_lines
from drift.watch.coming import News
from drift.watch.nightly import Digest, DigestState, FileTaken, FileWaiting, FileWaits, NightlyResult

#: A Thursday, three days after the last of the first eight weekly nights.
NOW = datetime(2023, 3, 2, 9, tzinfo=UTC)
HEAD = "time_utc,az_error_arcmin,alt_error_arcmin,sigma_arcmin\n"


@pytest.fixture(autouse=True)
def _nothing_further(monkeypatch):
    with loopback_only(monkeypatch):
        yield


def us(when: datetime) -> int:
    return int(when.timestamp() * 1e6)


def pier_in(folder: Path, digest: str = "", *addresses: str) -> Path:
    (folder / "logs").mkdir(exist_ok=True)
    listed = ", ".join(f'"{address}"' for address in addresses)
    every = f'digest = "{digest}"\n' if digest else ""
    path = folder / "pier.toml"
    site = SITE.replace("[site]", '[site]\nname = "Hill pier"')
    path.write_text(f'{site}notify = [{listed}]\n{every}[logs]\nfolders = ["logs"]\n')
    return path


def long_ago(path: Path) -> Path:
    """Let a file look as if nobody had written to it for an hour."""
    hour_ago = time.time() - 3600.0
    os.utime(path, (hour_ago, hour_ago))
    return path


@pytest.fixture
def quiet(tmp_path):
    """A pier with eight steady nights in its folder."""
    pier_in(tmp_path)
    long_ago(nights_log(tmp_path / "logs", "first.csv", 0, 8, bump=False))
    return tmp_path


def nightly(folder: Path, when: datetime = NOW, **wanted) -> NightlyResult:
    return run_nightly(folder / "pier.toml", now_us=us(when), **wanted)


# ---- Files: each once, and none blocks another.


def test_what_is_new_comes_in_once_and_files_that_wait_hold_nothing_up(quiet):
    logs = quiet / "logs"
    long_ago(logs / "first.csv").rename(logs / "a.csv")
    doubtful = logs / "doubtful.csv"
    doubtful.write_text("when,az_error_arcmin,alt_error_arcmin\n03/04/2023 22:00,1.0,-0.5\n")
    (logs / "letter.csv").write_text("Dear reader,\nthis is no table at all.\n")
    (logs / "half.csv").write_text(f"{HEAD}2023-03-01T22:00:00Z,1.0,-0.5,0.1\n2023-03-01T23:0")
    for name in ("doubtful.csv", "letter.csv"):
        long_ago(logs / name)
    result = nightly(quiet)
    assert [(Path(one.file).name, one.went_in) for one in result.taken] == [("a.csv", 8)]
    assert {Path(one.file).name: one.why for one in result.waiting} == {
        "doubtful.csv": FileWaits.QUESTION,
        "letter.csv": FileWaits.UNREADABLE,
        "half.csv": FileWaits.GROWING,
    }
    assert result.lines and result.exit_code == 3 and not result.news.moved

    (logs / "half.csv").write_text(
        f"{HEAD}2023-03-01T22:00:00Z,1.0,-0.5,0.1\n2023-03-01T23:00:00Z,1,-0.5,0.1\n"
    )
    long_ago(logs / "half.csv")
    doubtful.unlink()
    (logs / "letter.csv").unlink()
    again = nightly(quiet)
    assert [(Path(one.file).name, one.went_in) for one in again.taken] == [("half.csv", 2)]
    assert again.exit_code == 0
    assert nightly(quiet).taken == ()


def test_a_file_that_has_just_come_whole_is_waited_for(quiet):
    (quiet / "logs" / "new.csv").write_text(f"{HEAD}2023-03-01T22:00:00Z,1.0,-0.5,0.1\n")
    began = time.monotonic()
    result = nightly(quiet)
    assert sum(one.went_in for one in result.taken) == 9 and result.waiting == ()
    assert time.monotonic() - began < SETTLED_S


def test_what_was_undone_stays_out(quiet):
    nightly(quiet)
    assert run("undo", "1", "--pier", quiet / "pier.toml") == 0
    result = nightly(quiet)
    assert result.taken == () and result.nothing and result.exit_code == 2


def test_a_folder_that_is_not_there_is_told(quiet):
    pier = quiet / "pier.toml"
    pier.write_text(pier.read_text().replace('["logs"]', '["logs", "gone"]'))
    result = nightly(quiet)
    assert [Path(one).name for one in result.missing] == ["gone"] and result.exit_code == 3
    assert sum(one.went_in for one in result.taken) == 8


def test_a_record_that_can_not_be_written_is_told_and_read(quiet, monkeypatch):
    nightly(quiet)
    long_ago(nights_log(quiet / "logs", "more.csv", 8, 9, bump=False))
    monkeypatch.setattr(Record, "read_only", property(lambda record: True))
    result = nightly(quiet)
    assert result.taken == () and result.lines and result.exit_code == 3
    assert "can't be written, so that nothing was taken in" in result.troubles[0]


def test_two_runs_at_once_take_in_and_send_once(quiet):
    with web_hook() as hook:
        pier_in(quiet, "weekly", f"http://{HOST}:{hook.port}/a")
        with ThreadPoolExecutor(2) as pool:
            results = list(pool.map(lambda _: nightly(quiet), range(2)))
        assert sum(file.went_in for one in results for file in one.taken) == 8
        assert len(hook.taken) == 1
    lock = FileLock(quiet / ".pier.toml.nightly.lock")
    with lock, pytest.raises(AlreadyRunning, match="another `drift nightly` has been at work"):
        nightly(quiet, patience_s=0.0)


# ---- Digests.


def test_a_digest_by_mail_has_headline_and_picture_and_comes_once_a_week(quiet):
    with mail_server() as (mail, port):
        pier_in(quiet, "weekly", f"mailto://{HOST}:{port}/?from=pier@example.org&to=me@example.org")
        result = nightly(quiet)
        assert (result.sent, result.digest) == (1, DigestState.SENT)
        assert nightly(quiet, NOW + timedelta(days=2)).digest == DigestState.NOT_DUE
        assert len(mail.taken) == 1
        (message,) = mail.taken
        parts = {part.get_content_type(): part for part in message.walk()}
        picture = parts["image/png"]
        assert picture.get_payload(decode=True).startswith(b"\x89PNG\r\n")
        assert picture["Content-Disposition"].startswith("inline")
        page = parts["text/html"].get_payload(decode=True).decode()
        assert f"cid:{picture['Content-ID'][1:-1]}" in page and result.lines[0] in page.replace("&#39;", "'")
        assert result.lines[0] in parts["text/plain"].get_payload(decode=True).decode()
        assert nightly(quiet, NOW + timedelta(days=7)).digest == DigestState.SENT
        assert "No night since the last digest." in str(mail.taken[1])


def test_a_digest_that_failed_is_tried_again_as_of_then_and_only_by_the_nightly_run(quiet, capsys):
    port = free_port()
    pier_in(quiet, "monthly", f"http://{HOST}:{port}/a")
    result = nightly(quiet)
    assert result.digest == DigestState.WAITS and result.exit_code == 3
    (trouble,) = result.troubles
    assert "A digest could not be sent to address 1" in trouble and "`drift nightly`" in trouble
    with web_hook(port) as hook:
        run("check", "--pier", quiet / "pier.toml")
        run("acknowledge", "--pier", quiet / "pier.toml")
        assert hook.taken == []
        again = nightly(quiet, NOW + timedelta(days=40))
        assert (again.digest, again.troubles) == (DigestState.SENT, ())
        assert len(hook.taken) == 1 and again.lines[1] in hook.taken[0]["message"]
        assert nightly(quiet, NOW + timedelta(days=41)).digest == DigestState.NOT_DUE
        assert nightly(quiet, datetime(2023, 5, 1, 9, tzinfo=UTC)).digest == DigestState.SENT
    assert len(hook.taken) == 2


def test_after_each_night_one_for_each_new_night(quiet):
    with web_hook() as hook:
        pier_in(quiet, "after each night", f"http://{HOST}:{hook.port}/a")
        assert nightly(quiet).digest == DigestState.SENT
        assert nightly(quiet, NOW + timedelta(days=5)).digest == DigestState.NOT_DUE
        long_ago(nights_log(quiet / "logs", "more.csv", 8, 9, bump=False))
        assert nightly(quiet, NOW + timedelta(days=6)).digest == DigestState.SENT
        assert "New since the last digest: 1 night, the last on 2023-03-02." in hook.taken[1]["message"]


def test_a_digest_beside_a_warning_only_names_it(tmp_path):
    with web_hook() as hook:
        pier_in(tmp_path, "weekly", f"http://{HOST}:{hook.port}/a")
        long_ago(nights_log(tmp_path / "logs", "all.csv", 0, BUMP + 5))
        result = nightly(tmp_path, datetime(2023, 6, 23, 9, tzinfo=UTC))
        assert result.exit_code == 1 and result.sent == 2
        warned, digest = (one["message"] for one in hook.taken)
        assert "azimuth turned by" in warned and "azimuth turned by" not in digest
        assert "In a mail of its own today: something has moved." in digest
        nightly(tmp_path, datetime(2023, 6, 30, 9, tzinfo=UTC))
        assert "azimuth turned by" in hook.taken[-1]["message"], "it waits, and was not sent just now"


def test_a_digest_without_the_word_is_not_sent(quiet):
    with web_hook() as hook:
        pier_in(quiet, "", f"http://{HOST}:{hook.port}/a")
        assert nightly(quiet).digest == DigestState.NOT_WANTED
        assert hook.taken == []


# ---- Report, JSON, screen.


def test_the_report_is_written_and_a_foreign_file_is_left(quiet):
    pier = quiet / "pier.toml"
    pier.write_text(pier.read_text() + '[nightly]\nreport = "morning.html"\n')
    assert nightly(quiet).report == quiet / "morning.html"
    assert "drift report" in (quiet / "morning.html").read_text()
    (quiet / "letter.html").write_text("a letter of mine")
    result = nightly(quiet, report=quiet / "letter.html")
    assert result.report is None and result.exit_code == 3 and "letter.html" in result.troubles[0]
    assert (quiet / "letter.html").read_text() == "a letter of mine"


def test_the_command_prints_json_and_takes_the_exit_code(quiet, capsys):
    assert run("nightly", "--json", "--pier", quiet / "pier.toml") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["format"], told["exit_code"], told["digest"]) == ("drift-nightly", 0, "not_wanted")
    assert [one["went_in"] for one in told["taken"]] == [8]
    assert run("nightly", "--quiet", "--pier", quiet / "pier.toml") == 0
    said = capsys.readouterr()
    assert "Nothing new" not in said.out


def test_a_result_travels_between_processes(quiet):
    result = nightly(quiet)
    assert pickle.loads(pickle.dumps(result)) == result


def test_the_record_alone_keeps_digests_apart(quiet):
    """Two machines on one record share no lock."""
    with web_hook() as hook:
        pier_in(quiet, "weekly", f"http://{HOST}:{hook.port}/a")
        nightly(quiet)
        with open_record(read_site(quiet / "pier.toml")) as record:
            (message,) = record.messages()
            assert message.is_digest and message.state == "sent"


NIGHT = Digest(
    name="Hill <pier>",
    every="weekly",
    now_us=us(NOW),
    moved=False,
    standing=Standing.CLOSE,
    lines=("Axis 1.9' ± 0.2' off (at limit 2'); pier tilt 31\" (limit 60\").", "As of last night: wait."),
    nights=(date(2023, 2, 20), date(2023, 3, 1)),
    is_first=False,
    waits=("The axis will likely pass its warning limit of 2' by 2023-03-20.",),
    mailed=("a limit will be passed soon",),
    files=("odd.csv can't be read; `drift import` says why.",),
    picture="Pier and mount from 2022-10-01 to 2023-03-01 on one scale, against the limits.",
)
RESULT = NightlyResult(
    site_file="/home/me/pier.toml",
    name="Hill pier",
    now_us=us(NOW),
    taken=(
        FileTaken(file="logs/a.csv", kind="solves", went_in=1200, already_there=3, set_aside=1, left_out=0),
    ),
    waiting=(
        FileWaiting(file="logs/odd.csv", why=FileWaits.QUESTION, questions=("time.zone",)),
        FileWaiting(file="logs/half.csv", why=FileWaits.GROWING),
    ),
    missing=("/home/me/gone",),
    lines=NIGHT.lines,
    news=News(new=(), provisional=()),
    sent=2,
    digest=DigestState.SENT,
    troubles=("A warning could not be sent to address 1 of [warn] notify (mailto://...): no server.",),
    report=Path("report.html"),
)


def test_the_wording(approved):
    calm = replace(
        NIGHT, waits=(), mailed=(), files=(), nights=(), standing=Standing.WITHIN, every="after each night"
    )
    screens = [
        "\n".join(text for text, _ in result_lines(RESULT)),
        "\n".join(text for text, _ in result_lines(RESULT, quiet=True)),
        *(f"{digest_title(one)}\n\n{digest_text(one, 'a1b2c3')}" for one in (NIGHT, calm)),
        digest_html(NIGHT, "a1b2c3", "strip.png"),
    ]
    approved("nightly", "\n\n------\n\n".join(screens))
