"""`drift check` tells each address once: real servers on this machine, killed in between, and dead ones."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from loopback import HOST, free_port, loopback_only, mail_server, web_hook
from record_world import PATIENCE_S, outside, run
from test_check import BUMP, SITE, nights_log

#: `drift check` in a process of its own that dies at a given moment: before or after the message left.
CHECK = """
import os, sys
from drift import notify as post
moment, pier = sys.argv[1:]
send = post.send

def sends(*message):
    if moment == "before":
        os._exit(9)
    came = send(*message)
    if moment == "after":
        os._exit(9)
    return came

post.deliver.__defaults__ = (sends,)
from drift.cli.main import main
main(["check", "--pier", pier])
"""


@pytest.fixture(autouse=True)
def _nothing_further(monkeypatch):
    with loopback_only(monkeypatch):
        yield


def pier_with(folder: Path, *addresses: str) -> Path:
    listed = ", ".join(f'"{address}"' for address in addresses)
    path = folder / "pier.toml"
    path.write_text(SITE.replace("[site]", '[site]\nname = "Hill pier"') + f"notify = [{listed}]\n")
    return path


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    """The record of a pier that was bumped, made once."""
    folder = tmp_path_factory.mktemp("bumped")
    pier_with(folder)
    run("import", nights_log(folder, "all.csv", 0, BUMP + 5), "--pier", folder / "pier.toml")
    run("status", "--json", "--pier", folder / "pier.toml")
    return folder / "drift-book.sqlite"


@pytest.fixture
def bumped(record, tmp_path):
    """A folder of its own with that record."""
    shutil.copy(record, tmp_path)
    pier_with(tmp_path)
    return tmp_path


def check(folder: Path, *options: str) -> int:
    return run("check", "--pier", folder / "pier.toml", *options)


def hook_at(port: int) -> str:
    return f"http://{HOST}:{port}/tokens/s3cr3t"


def test_each_address_gets_one_message_and_none_twice(bumped, capsys):
    with mail_server() as (mail, port), web_hook() as hook:
        mail_to = f"mailto://{HOST}:{port}/?from=pier@example.org&to=me@example.org"
        pier_with(bumped, mail_to, hook_at(hook.port))
        for _ in range(3):
            assert check(bumped) == 1
        assert (len(mail.taken), len(hook.taken)) == (1, 1)
        told = hook.taken[0]
        assert told["title"] == "drift: Hill pier: something has moved"
        assert "azimuth turned by" in told["message"] and "drift acknowledge" in told["message"]
        assert f"Message {hook.numbers[0]}." in told["message"]
        assert "Hill pier" in str(mail.taken[0]["Subject"])

        run("import", nights_log(bumped, "more.csv", BUMP + 5, BUMP + 8), "--pier", bumped / "pier.toml")
        assert check(bumped) == 1
        run("acknowledge", "--pier", bumped / "pier.toml")
        assert check(bumped) == 0
        assert (len(mail.taken), len(hook.taken)) == (1, 1), "more nights of the same are no news"
    assert "s3cr3t" not in "".join(capsys.readouterr())


def test_a_quiet_pier_sends_nothing(tmp_path):
    with web_hook() as hook:
        pier_with(tmp_path, hook_at(hook.port))
        log = nights_log(tmp_path, "quiet.csv", 0, BUMP + 5, bump=False)
        run("import", log, "--pier", tmp_path / "pier.toml")
        assert check(tmp_path) == 0
        assert hook.taken == []


def test_a_dead_server_is_reported_and_its_warning_kept(bumped, capsys):
    port = free_port()
    with web_hook() as alive:
        pier_with(bumped, hook_at(port), hook_at(alive.port))
        for _ in range(2):
            assert check(bumped) == 1
            said = capsys.readouterr()
            assert "could not be sent to address 1 of [warn] notify (http://...)" in said.err
            assert "could not be reached" in said.err and "will be sent by the next `drift check`" in said.err
            assert "azimuth turned by" in said.out
            assert "s3cr3t" not in said.err + said.out
        assert len(alive.taken) == 1, "one that is dead must not keep the others from being told"
        with web_hook(port) as back:
            assert check(bumped) == 1
            assert "could not be sent" not in capsys.readouterr().err
            assert check(bumped) == 1
            assert len(back.taken) == 1
        assert len(alive.taken) == 1


def test_what_could_not_be_sent_is_not_sent_after_an_acknowledgement(bumped, capsys):
    port = free_port()
    pier_with(bumped, hook_at(port))
    assert check(bumped) == 1
    run("acknowledge", "--pier", bumped / "pier.toml")
    assert "Not sent any more, because it is acknowledged: a message." in capsys.readouterr().out
    with web_hook(port) as back:
        assert check(bumped) == 0
        assert back.taken == []
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize(("moment", "arrived"), [("after", 1), ("before", 0)])
def test_killed_between_sending_and_noting_none_comes_twice_and_none_is_forgotten(
    bumped, capsys, moment, arrived
):
    environment = {name: value for name, value in os.environ.items() if not name.lower().endswith("_proxy")}
    with web_hook() as hook:
        pier = pier_with(bumped, hook_at(hook.port))
        killed = subprocess.run(
            outside(CHECK, moment, pier),
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            env=environment,
            check=False,
        )
        assert killed.returncode == 9, killed.stderr
        assert "azimuth turned by" in killed.stdout, "what is new is printed before anything is sent"
        assert len(hook.taken) == arrived
        for _ in range(2):
            assert check(bumped) == 1
            said = capsys.readouterr()
            assert "may not have arrived" in said.err and "drift acknowledge" in said.err
            assert "azimuth turned by" in said.out
        assert len(hook.taken) == arrived
        run("acknowledge", "--pier", pier)
        capsys.readouterr()
        assert check(bumped) == 0
        assert capsys.readouterr().err == ""
        assert len(hook.taken) == arrived


def test_the_message_that_was_killed_holds_up_no_later_one(bumped):
    with web_hook() as hook:
        pier = pier_with(bumped, hook_at(hook.port))
        subprocess.run(outside(CHECK, "before", pier), capture_output=True, timeout=PATIENCE_S, check=False)
        # the mount is bumped back: another event
        rows = nights_log(bumped, "back.csv", BUMP + 5, BUMP + 15, bump=False)
        run("import", rows, "--pier", pier)
        assert check(bumped) == 1
        assert len(hook.taken) == 1
        assert "between 2023-06-22 and 2023-06-29" in hook.taken[0]["message"]


def test_a_server_that_took_it_but_never_answered_is_not_asked_again(bumped, capsys):
    with web_hook() as hook:
        hook.status = 0
        pier_with(bumped, hook_at(hook.port))
        assert check(bumped) == 1
        assert "may or may not have arrived and is not sent again" in capsys.readouterr().err
        hook.status = 200
        assert check(bumped) == 1
        assert len(hook.taken) == 1
        assert "may not have arrived" in capsys.readouterr().err


def test_an_address_added_later_is_told_what_is_not_acknowledged(bumped):
    with web_hook() as first, web_hook() as second:
        pier_with(bumped, hook_at(first.port))
        check(bumped)
        pier_with(bumped, hook_at(first.port), hook_at(second.port))
        check(bumped)
        assert (len(first.taken), len(second.taken)) == (1, 1)


def test_no_send_lets_it_wait(bumped):
    with web_hook() as hook:
        pier_with(bumped, hook_at(hook.port))
        assert check(bumped, "--no-send") == 1
        assert hook.taken == []
        assert check(bumped) == 1
        assert len(hook.taken) == 1


def test_a_secret_comes_from_the_environment_and_is_never_said(bumped, capsys, monkeypatch):
    with web_hook() as hook:
        pier_with(bumped, f"json://${{PIER_USER}}:${{PIER_PASSWORD}}@{HOST}:{hook.port}/")
        assert check(bumped) == 1
        said = capsys.readouterr()
        assert "environment variable PIER_USER is not set" in said.err
        monkeypatch.setenv("PIER_USER", "me")
        monkeypatch.setenv("PIER_PASSWORD", "hunter2/@")
        hook.status = 403
        assert check(bumped) == 1
        said = capsys.readouterr()
        assert "refused it (status 403)" in said.err
        assert "hunter2" not in said.err + said.out
        hook.status = 200
        assert check(bumped) == 1
        assert len(hook.taken) == 2, "one that was refused, and one that was taken"
    assert b"hunter2" not in (bumped / "drift-book.sqlite").read_bytes()


def test_an_address_that_cannot_be_is_reported_and_its_warning_kept(bumped, capsys):
    pier_with(bumped, "nonsense://user:hunter2@x")
    assert check(bumped) == 1
    said = capsys.readouterr().err
    assert "no way of sending knows such an address" in said and "hunter2" not in said


def test_trying_the_addresses(bumped, capsys):
    with web_hook() as hook:
        pier_with(bumped, hook_at(hook.port))
        assert check(bumped, "--try-addresses") == 0
        assert [one["title"] for one in hook.taken] == ["drift: Hill pier: a trial"]
        pier_with(bumped, hook_at(hook.port), hook_at(free_port()))
        capsys.readouterr()
        assert check(bumped, "--try-addresses") == 2
        said = capsys.readouterr()
        assert "went to address 1" in said.out and "could not be sent to address 2" in said.err
    pier_with(bumped)
    assert check(bumped, "--try-addresses") == 2
    assert "names no address" in capsys.readouterr().err


def test_two_checks_at_once_send_one_message(bumped):
    with web_hook() as hook:
        pier = pier_with(bumped, hook_at(hook.port))
        both = [
            subprocess.Popen(
                outside(CHECK, "never", pier), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
            for _ in range(2)
        ]
        assert [one.wait(timeout=PATIENCE_S) for one in both] == [1, 1]
        assert len(hook.taken) == 1
