"""Ready lines for cron, systemd and Windows: what a scheduler makes of them is what was meant."""

from __future__ import annotations

import configparser
import json
import os
import shutil
import subprocess
import sys

import pytest
from record_world import PATIENCE_S, SITE_TEXT, run, site_file

from drift.cli.check import NIGHTLY, lines_for, system_here

#: A program that prints its arguments.
SHOW = [sys.executable, "-c", "import json, sys; print(json.dumps(sys.argv[1:]))"]
#: A path with all that a shell, cron, systemd or Windows could trip over.
PIER = '/home/me/hill pier/50% of "$HOME" & more/pier.toml'


def test_a_cron_line_runs_what_was_meant():
    *remarks, line = lines_for("cron", SHOW, PIER).splitlines()
    assert all(remark.startswith("#") for remark in remarks)
    when, command = line.split(" * * * ", 1)
    assert [int(part) for part in when.split()] == [20, 12]
    assert command.count("%") == command.count(r"\%")
    # crontab(5): a % that is not escaped ends the line; cron itself takes the backslash away
    said = subprocess.run(
        ["/bin/sh", "-c", command.replace(r"\%", "%")], capture_output=True, text=True, check=True
    )
    assert json.loads(said.stdout) == ["check", "--pier", PIER]


def units(text):
    """Return the two unit files, each as its sections."""
    whole = [part for part in text.split("# ~/.config/systemd/user/") if part.strip()]
    out = {}
    for part in whole:
        name, _, body = part.partition("\n")
        unit = configparser.RawConfigParser(comment_prefixes=("#",), strict=True)
        unit.optionxform = str
        unit.read_string(body)
        out[name] = unit
    return out


def test_systemd_units_run_what_was_meant():
    found = units(lines_for("systemd", ["/usr/bin/drift"], PIER))
    service, timer = found["drift-check.service"], found["drift-check.timer"]
    assert service["Service"]["Type"] == "oneshot"
    assert service["Service"]["SuccessExitStatus"] == "1"
    # systemd.service(5): "" around words, \" inside; %% and $$ stand for one sign
    assert service["Service"]["ExecStart"] == (
        '"/usr/bin/drift" "check" "--pier" "/home/me/hill pier/50%% of \\"$$HOME\\" & more/pier.toml"'
    )
    assert timer["Timer"]["OnCalendar"] == "*-*-* 12:20:00"
    assert timer["Install"]["WantedBy"] == "timers.target"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="there is no systemd here")
def test_systemd_takes_the_units(tmp_path):
    for name, unit in units(lines_for("systemd", ["/bin/true"], PIER)).items():
        with (tmp_path / name).open("w") as file:
            unit.write(file, space_around_delimiters=False)
    said = subprocess.run(
        ["systemd-analyze", "verify", "--user", *map(str, tmp_path.iterdir())],
        capture_output=True, text=True, check=False, env={**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)},
    )  # fmt: skip
    assert (said.returncode, said.stderr) == (0, "")


def windows_words(line):
    """Take a command line apart as a C program on Windows does: 2n backslashes before a quote are n."""
    words, word, quoted, slashes, begun = [], "", False, 0, False
    for sign in line:
        if sign == "\\":
            slashes += 1
            continue
        if sign == '"':
            word += "\\" * (slashes // 2)
            if slashes % 2:
                word += '"'
            else:
                quoted, begun = not quoted, True
        else:
            word += "\\" * slashes
            if sign == " " and not quoted:
                if word or begun:
                    words.append(word)
                word, begun = "", False
            else:
                word += sign
        slashes = 0
    word += "\\" * slashes
    return [*words, word] if word or begun else words


def test_a_windows_task_runs_what_was_meant():
    program, pier = r"C:\Program Files\drift\drift.exe", r"D:\Hill pier\pier.toml"
    *remarks, line = lines_for("windows", [program], pier).splitlines()
    assert all(remark.startswith("rem ") for remark in remarks)
    words = windows_words(line)
    assert words[:8] == ["schtasks", "/Create", "/TN", "drift check", "/SC", "DAILY", "/ST", "12:20"]
    assert words[8] == "/TR"
    assert windows_words(words[9]) == [program, "check", "--pier", pier]


def test_the_nightly_job_has_lines_of_its_own():
    line = lines_for("cron", SHOW, PIER, NIGHTLY).splitlines()[-1]
    when, command = line.split(" * * * ", 1)
    assert [int(part) for part in when.split()] == [20, 8]
    said = subprocess.run(
        ["/bin/sh", "-c", command.replace(r"\%", "%")], capture_output=True, text=True, check=True
    )
    assert json.loads(said.stdout) == ["nightly", "--quiet", "--pier", PIER]
    found = units(lines_for("systemd", ["/usr/bin/drift"], PIER, NIGHTLY))
    assert found["drift-nightly.service"]["Service"]["SuccessExitStatus"] == "1 3"
    assert found["drift-nightly.timer"]["Timer"]["OnCalendar"] == "*-*-* 08:20:00"
    task = windows_words(lines_for("windows", ["drift.exe"], "pier.toml", NIGHTLY).splitlines()[-1])
    assert windows_words(task[9]) == ["drift.exe", "nightly", "--quiet", "--pier", "pier.toml"]


def test_without_a_name_the_lines_are_those_of_this_machine(tmp_path, capsys):
    pier = site_file(tmp_path)
    assert run("nightly", "--schedule", "--pier", pier) == 0
    unnamed = capsys.readouterr().out
    assert run("nightly", "--schedule", system_here(), "--pier", pier) == 0
    assert capsys.readouterr().out == unnamed != ""


@pytest.mark.parametrize("command", ["check", "nightly"])
@pytest.mark.parametrize("system", ["cron", "systemd", "windows"])
def test_the_command_prints_them_with_whole_paths_and_needs_no_record(
    tmp_path, capsys, system, command, monkeypatch
):
    site_file(tmp_path)
    monkeypatch.chdir(tmp_path)
    assert run(command, "--schedule", system) == 0
    said = capsys.readouterr()
    assert str(tmp_path / "pier.toml") in said.out and said.err == ""
    assert not (tmp_path / "drift-book.sqlite").exists()


def test_the_line_for_cron_really_checks(tmp_path, capsys):
    log = site_file(tmp_path, SITE_TEXT)
    assert run("check", "--pier", log, "--schedule", "cron") == 0
    command = capsys.readouterr().out.splitlines()[-1].split(" * * * ", 1)[1]
    done = subprocess.run(
        ["/bin/sh", "-c", command], capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert "nothing to answer from" in done.stderr, "a record without readings can't be answered from"


def test_another_scheduler_is_refused(capsys, tmp_path):
    assert run("check", "--pier", site_file(tmp_path), "--schedule", "launchd") == 2
    assert "cron" in capsys.readouterr().err
