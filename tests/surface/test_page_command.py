"""`drift serve`: where it listens, what it says, and what it refuses."""

import os
import signal
import socket
import subprocess
import sys
import urllib.request

import pytest
from record_world import PATIENCE_S, outside, run

CODE = "import sys; from drift.cli.main import main; main(sys.argv[1:])"


def begun(site_path, *arguments, **variables):
    said = outside(CODE, "serve", "--port", "0", "--pier", site_path, *arguments)
    environment = {**os.environ, **variables}
    return subprocess.Popen(said, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment)


@pytest.mark.skipif(sys.platform == "win32", reason="no such signal there")
def test_it_says_its_address_answers_there_and_stops_quietly(site_path):
    with begun(site_path) as program:
        address = program.stdout.readline().strip()
        assert address.startswith("http://127.0.0.1:")
        with urllib.request.urlopen(f"{address}corrections") as analysis:
            assert "Corrections" in analysis.read().decode()
        program.send_signal(signal.SIGINT)
        _, told = program.communicate(timeout=PATIENCE_S)
    assert program.returncode == 0
    assert "Traceback" not in told
    assert "password" not in told


def test_on_another_address_it_says_why_and_makes_a_password(site_path):
    with begun(site_path, "--host", "0.0.0.0", DRIFT_PAGE_PASSWORD="") as program:
        address = program.stdout.readline().strip()
        port = address.rstrip("/").rpartition(":")[2]
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/record") as analysis:
            assert analysis.url.endswith("/login")
        program.terminate()
        _, told = program.communicate(timeout=PATIENCE_S)
    assert "Other machines can reach this address" in told
    assert "The password for this start: " in told


def test_a_password_that_was_set_is_never_printed(site_path):
    with begun(site_path, "--host", "0.0.0.0", DRIFT_PAGE_PASSWORD="a long enough one") as program:
        first = program.stdout.readline()
        program.terminate()
        rest, told = program.communicate(timeout=PATIENCE_S)
    assert "a long enough one" not in first + rest + told
    assert "The password for this start" not in told


def test_a_port_in_use_is_said_in_words(site_path, capsys):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert run("serve", "--port", str(port), "--pier", site_path) == 2
    said = capsys.readouterr().err
    assert str(port) in said
    assert f"port {port} of 127.0.0.1 is in use already" in said
    assert "choose another port, such as --port" in said
    assert said.count("127.0.0.1") == 1, "one sentence, without the system's own"


def test_a_short_password_is_refused(site_path, capsys, monkeypatch):
    monkeypatch.setenv("DRIFT_PAGE_PASSWORD", "short")
    assert run("serve", "--host", "0.0.0.0", "--port", "0", "--pier", site_path) == 2
    assert "DRIFT_PAGE_PASSWORD" in capsys.readouterr().err


def test_help_is_quick_and_loads_no_server():
    code = "import sys; from drift.cli.main import main\n"
    code += "try: main(['serve', '--help'])\n"
    code += "except SystemExit: print(sorted({'uvicorn', 'starlette', 'numpy', 'jinja2'} & set(sys.modules)))"
    told = subprocess.run(outside(code), capture_output=True, text=True, check=True).stdout
    assert told.splitlines()[-1] == "[]"
