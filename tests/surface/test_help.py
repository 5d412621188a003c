"""Help of every command, quick to import; usage errors; --debug."""

import errno
import io
import json
import subprocess
import sys

import click
import pytest
from record_world import PATIENCE_S

from drift.cli.main import _FORMER, COMMANDS, JOBS, cli, main
from drift.cli.options import pier_option, site_of
from drift.errors import SiteFileError

#: None of these may be loaded to print a help: they are slow to load and belong to the work itself.
HEAVY = (
    "numpy", "scipy", "pandas", "astropy", "erfa", "matplotlib", "sqlalchemy", "pydantic", "jinja2", "rich"
)  # fmt: skip
ASK = """
import contextlib, io, json, sys
from drift.cli.main import main
seen = set()
for command in json.loads(sys.argv[1]):
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        try:
            main(command)
        except SystemExit as left:
            code = left.code
    print(json.dumps([code, said.getvalue(), sorted(set(sys.modules) - seen)]))
    seen |= set(sys.modules)
"""


def ask(*commands):
    """Run command lines in a fresh Python, one after the other.

    Returns of each the exit code, what it printed, and which modules it loaded that none before it had.
    """
    done = subprocess.run(
        [sys.executable, "-c", ASK, json.dumps(commands)],
        capture_output=True,
        text=True,
        check=True,
        timeout=PATIENCE_S,
    )
    return [json.loads(line) for line in done.stdout.splitlines()]


@pytest.fixture(scope="module")
def helps():
    """The help of all commands; what loads something heavy is told by the first of them that does."""
    return dict(zip(COMMANDS, ask(*([name, "--help"] for name in COMMANDS)), strict=True))


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    return left.value.code, capsys.readouterr()


def loaded(modules):
    return sorted({name.split(".")[0] for name in modules} & set(HEAVY))


def test_help_lists_every_command_and_loads_nothing_heavy():
    ((code, said, modules),) = ask(["--help"])
    assert code == 0
    for name, line in COMMANDS.items():
        assert name in said and line.split(",")[0].split(":")[0] in " ".join(said.split())
    assert loaded(modules) == []


def test_commands_stand_below_what_they_are_for_once_each(capsys):
    code, printed = run(capsys, "--help")
    assert code == 0
    at = [printed.out.index(f"{heading}:") for heading in JOBS]
    assert at == sorted(at)
    lines = printed.out.splitlines()
    for name in COMMANDS:
        assert sum(line.startswith(f"  {name} ") for line in lines) == 1, name
    assert max(map(len, lines)) <= 80


def test_former_names_work_and_are_not_listed(capsys):
    for name in _FORMER:
        code, printed = run(capsys, name, "--help")
        assert code == 0 and printed.out.startswith(f"Usage: drift {name}")
        assert name not in COMMANDS
        assert run(capsys, "imports", name, "--help")[0] == 0


def test_what_is_loaded_is_noticed():
    help_, status = ask(["--help"], ["status", "--pier", "none.toml"])
    assert loaded(help_[2]) == [] and "pydantic" in loaded(status[2])


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_that_loads_nothing_heavy(name, helps):
    code, said, modules = helps[name]
    assert code == 0
    assert said.startswith(f"Usage: drift {name}") and len(said.split("Options:")[0].split()) > 8
    assert loaded(modules) == []


def commands_below(command, path):
    yield path, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            yield from commands_below(command.get_command(context, name), f"{path} {name}")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_of_every_command_is_explained(name):
    top = cli.get_command(click.Context(cli), name)
    for path, command in commands_below(top, f"drift {name}"):
        assert command.help, f"{path} has no help"
        for option in command.params:
            if isinstance(option, click.Option):
                assert option.help, f"{path} {option.opts[0]} has no help"


@pytest.mark.parametrize("name", sorted(set(COMMANDS) - {"init", "demo", "guide", "piers"}))
def test_every_command_that_reads_a_site_file_takes_pier(name):
    top = cli.get_command(click.Context(cli), name)
    leaves = [command for _, command in commands_below(top, name) if not isinstance(command, click.Group)]
    for command in leaves:
        assert any("--pier" in option.opts for option in command.params), command.name


@pytest.mark.parametrize(
    "arguments", [["mend"], ["status", "--no-such"], ["--no-such"], ["init", "too", "much"]]
)
def test_wrong_usage_exits_2(capsys, arguments):
    code, printed = run(capsys, *arguments)
    assert code == 2 and "Usage: drift" in printed.err and printed.out == ""


def test_a_wrong_command_is_answered_with_the_right_ones(capsys):
    code, printed = run(capsys, "statu")
    assert code == 2 and "there is no command 'statu'; did you mean 'status'?" in printed.err
    assert all(name in printed.err for name in COMMANDS)


def test_a_reader_that_has_gone_is_not_taken_for_a_movement(capsys, monkeypatch):
    def gone(pier):
        raise BrokenPipeError(errno.EPIPE, "Broken pipe")

    monkeypatch.setattr("drift.site.text.find_pier", gone)
    monkeypatch.setattr(sys, "stdout", io.StringIO())  # click wraps them when a pipe has broken
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    with pytest.raises(SystemExit) as left:
        main(["check"])
    assert left.value.code == 2


def test_a_full_disk_behind_the_output_is_said_plainly(capsys, monkeypatch):
    def full(pier):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("drift.site.text.find_pier", full)
    code, printed = run(capsys, "status")
    assert code == 2 and printed.out == ""
    assert "refused to read or write (No space left on device).  Make room there" in printed.err


def test_a_refused_file_exits_2_in_one_paragraph(capsys, tmp_path):
    code, printed = run(capsys, "status", "--pier", str(tmp_path / "none.toml"))
    assert code == 2 and printed.out == ""
    assert printed.err.startswith("drift: there is no site file") and printed.err.count("\n") == 1


def test_debug_shows_the_traceback_and_still_exits_2(capsys, tmp_path):
    (tmp_path / "pier.toml").write_text("[site]\nlatitude_deg = 147\n")
    code, printed = run(capsys, "--debug", "status", "--pier", str(tmp_path / "pier.toml"))
    assert code == 2
    assert "Traceback (most recent call last)" in printed.err and "SiteFileError" in printed.err
    assert "is 147, but" in printed.err.split("drift: ")[-1]


@pytest.mark.parametrize("arguments", [["status", "--debug"], ["status", "--pier", "no.toml", "--debug"]])
def test_debug_may_stand_after_the_command(capsys, tmp_path, monkeypatch, arguments):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("DRIFT_PIER", raising=False)
    code, printed = run(capsys, *arguments)
    assert code == 2 and "Traceback (most recent call last)" in printed.err
    assert "No such option" not in printed.err


def test_after_two_dashes_debug_is_the_name_of_a_file(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pier.toml").write_text("[site]\nlatitude_deg = 47\nlongitude_deg = 4\nelevation_m = 5\n")
    code, printed = run(capsys, "import", "--", "--debug")
    assert code == 2 and "Traceback" not in printed.err and "--debug" in printed.err


def test_what_should_not_happen_is_one_paragraph_and_exits_2(capsys, monkeypatch):
    def breaks(pier):
        raise RuntimeError("broken within")

    monkeypatch.setattr("drift.site.text.find_pier", breaks)
    code, printed = run(capsys, "status")
    assert code == 2 and "RuntimeError: broken within" in printed.err and "Traceback" not in printed.err
    code, printed = run(capsys, "--debug", "status")
    assert code == 2 and "Traceback" in printed.err


def test_the_shared_option_finds_the_site_file(tmp_path, monkeypatch):
    named = tmp_path / "my.toml"
    named.write_text("[site]\nlatitude_deg = -3\nlongitude_deg = 4\nelevation_m = 5\n")

    @click.command()
    @pier_option
    def show(pier):
        return site_of(pier).site.latitude_deg

    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DRIFT_PIER", str(named))
    assert show.main([], standalone_mode=False) == -3.0
    with pytest.raises(SiteFileError, match="no site file"):
        show.main(["--pier", "none.toml"], standalone_mode=False)


def test_version(capsys):
    code, printed = run(capsys, "--version")
    assert code == 0 and printed.out.startswith("drift, version ")
