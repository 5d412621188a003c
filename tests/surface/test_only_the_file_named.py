"""No reader opens anything but the file named; one file's trouble never keeps the others out."""

from __future__ import annotations

import os
import socket
import sys
import urllib.request
from pathlib import Path

import pytest
from record_world import SOLVES_HEADER, run, site_file, solve_rows, write_log

from drift.importer import importing

Capture = pytest.CaptureFixture[str]
VOTABLE = """<?xml version="1.0"?>{doctype}
<VOTABLE version="1.3" xmlns="http://www.ivoa.net/xml/VOTable/v1.3"><RESOURCE><TABLE>
<FIELD name="time_utc" datatype="char" arraysize="*"/><FIELD name="ra_deg" datatype="double"/>
<DATA><BINARY><{stream} encoding="base64" href="{href}"/></BINARY></DATA>
</TABLE></RESOURCE></VOTABLE>
"""


@pytest.fixture
def no_ways_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let whatever opens a connection or an address fail the test."""

    def opened(*where: object, **named: object) -> None:
        raise AssertionError(f"opened {where}")

    monkeypatch.setattr(socket.socket, "connect", opened)
    monkeypatch.setattr(urllib.request, "urlopen", opened)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
@pytest.mark.parametrize("stream", ["STREAM", "stream"])
@pytest.mark.parametrize(
    "href", ["http://127.0.0.1:9/rows", "ftp://127.0.0.1/x", "file:///dev/zero", "&#104;ttp://x"]
)
def test_a_votable_whose_rows_lie_elsewhere_is_refused_unopened(
    href: str, stream: str, encoding: str, tmp_path: Path, capsys: Capture, no_ways_out: None
) -> None:
    path = tmp_path / "rows.vot"
    text = VOTABLE.format(href=href, stream=stream, doctype="").replace("?>", f' encoding="{encoding}"?>')
    path.write_bytes(text.encode(encoding))
    assert run("import", path, "--pier", site_file(tmp_path)) == 2
    said = " ".join(capsys.readouterr().err.split())
    if encoding == "utf-8":  # in UTF-16 it is text that begins like no VOTable, and is no table either
        assert "(STREAM href), which is not opened" in said


def test_a_votable_with_entities_of_its_own_is_refused(
    tmp_path: Path, capsys: Capture, no_ways_out: None
) -> None:
    path = tmp_path / "rows.vot"
    path.write_text(
        VOTABLE.format(
            href="", stream="STREAM", doctype='<!DOCTYPE VOTABLE [<!ENTITY a SYSTEM "file:///dev/zero">]>'
        )
    )
    assert run("import", path, "--pier", site_file(tmp_path)) == 2
    assert "declares an XML entity, 'a'" in " ".join(capsys.readouterr().err.split())


# ---- one file's trouble


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names there are always text")
def test_a_file_name_that_is_no_utf8_is_shown_and_its_rows_go_in(tmp_path: Path, capsys: Capture) -> None:
    folder = tmp_path / "logs"
    folder.mkdir()
    write_log(Path(os.fsdecode(os.fsencode(folder) + b"/night-\xe9.csv")), SOLVES_HEADER, solve_rows(3))
    write_log(folder / "other.csv", SOLVES_HEADER, solve_rows(4, first="2024-04-01T02:00:00"))
    assert run("import", folder, "--pier", site_file(tmp_path)) == 0
    said = capsys.readouterr().out
    assert "night-\\xe9.csv" in said
    assert "7 rows went in from 2 files" in said
    assert run("import", folder, "--pier", tmp_path / "pier.toml", "--json") == 0
    assert '"went_in": 0' in capsys.readouterr().out


def test_a_lone_surrogate_in_json_is_text_like_any_other(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "a.jsonl"
    line = (
        '{"time_utc": "2024-03-01T22:00:00Z", "kind": "tighten", "note": "all \\ud83d well", "\\ud800": 1}\n'
    )
    path.write_text(line)
    assert run("import", path, "--pier", site_file(tmp_path)) == 0
    assert "1 row went in" in capsys.readouterr().out


def test_half_a_character_in_a_row_of_a_json_document_sets_nothing_else_aside(
    tmp_path: Path, capsys: Capture
) -> None:
    path = tmp_path / "a.json"
    path.write_text(
        '{"log": [{"time_utc": "2024-03-01T22:00:00Z", "kind": "tighten", "note": "good"},'
        ' {"time_utc": "no time", "kind": "tighten", "note": "half \\ud83d"}]}'
    )
    assert run("import", path, "--pier", site_file(tmp_path)) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "1 row went in" in said
    assert "1 was set aside" in said
    assert run("import", "--set-aside", "--pier", tmp_path / "pier.toml") == 0


def test_a_name_of_three_thousand_signs_is_shortened(tmp_path: Path, capsys: Capture) -> None:
    path = write_log(
        tmp_path / "a.csv", f"{SOLVES_HEADER},{'x' * 3000}", [f"{row},1" for row in solve_rows(3)]
    )
    assert run("import", path, "--pier", site_file(tmp_path)) == 0
    assert len(capsys.readouterr().out) < 1000
    path = write_log(tmp_path / "b.csv", f"when,{'x' * 3000}", ["1,2"])
    assert run("import", path, "--pier", tmp_path / "pier.toml") == 2
    assert len(capsys.readouterr().err) < 2000


def test_a_fault_over_one_file_lets_the_others_in(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = write_log(tmp_path / "good.csv", SOLVES_HEADER, solve_rows(3))
    bad = write_log(tmp_path / "bad.csv", SOLVES_HEADER, solve_rows(3))
    read = importing.read_log

    def reading(path: Path, *rest: object) -> object:
        if path.name == "bad.csv":
            raise RecursionError("too deep")
        return read(path, *rest)

    monkeypatch.setattr(importing, "read_log", reading)
    assert run("import", bad, good, "--pier", site_file(tmp_path)) == 2
    told = capsys.readouterr()
    assert "3 rows went in from 1 file" in told.out
    assert "bad.csv could not be read (RecursionError: too deep)" in " ".join(told.err.split())
