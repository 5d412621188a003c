"""Every file of sample_logs/quirks, imported as its README says, gives the numbers that stand there."""

from __future__ import annotations

import json
import shlex
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest
from record_world import run

QUIRKS = Path(__file__).parents[2] / "sample_logs" / "quirks"
NOT_LOGS = {"README.md", "pier.toml"}
LEAST = 15


@dataclass(frozen=True)
class Quirk:
    """One row of the README's table."""

    file: str
    shows: str
    options: tuple[str, ...]
    code: int
    kind: str
    went_in: int
    aside: int
    left_out: int
    says: str


def quirks() -> list[Quirk]:
    text = (QUIRKS / "README.md").read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if line.startswith("|")][2:]
    cells = [
        [cell.strip().replace("\0", "|") for cell in row.strip("|").replace(r"\|", "\0").split("|")]
        for row in rows
    ]
    return [
        Quirk(
            one[0],
            one[1],
            tuple(shlex.split(one[2].strip("`"))),
            int(one[3]),
            one[4],
            *map(int, one[5:8]),
            one[8],
        )
        for one in cells
    ]


@pytest.mark.parametrize("quirk", quirks(), ids=lambda one: one.file)
def test_a_quirk(quirk: Quirk, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "quirks"
    folder.mkdir()
    shutil.copy(QUIRKS / "pier.toml", folder)
    source = QUIRKS / quirk.file
    (shutil.copytree if source.is_dir() else shutil.copy)(source, folder / quirk.file)
    command = ("import", folder / quirk.file, "--pier", folder / "pier.toml", *quirk.options)
    code = run(*command, "--json")
    told = capsys.readouterr()
    assert code == quirk.code
    said = json.loads(told.out)
    assert {file["kind"] for file in said["files"]} == ({quirk.kind} if quirk.kind else set())
    assert said["went_in"] == quirk.went_in
    assert said["set_aside"] == quirk.aside
    assert sum(len(file["left_out"]) for file in said["files"]) == quirk.left_out
    assert " ".join(quirk.says.split()) in " ".join((told.err + everything(said)).split())
    if code == 0:
        second_time(quirk, command, capsys)


def everything(said: dict) -> str:
    """Return all that the answer says of its files, in the words that people are shown."""
    rows = [row for file in said["files"] for row in file["set_aside"] + file["left_out"]]
    told = [f"{row['image'] or ''} {row['column']} = {row['value']!r} {row['reason']}" for row in rows]
    told += [f"{row['image']} {row['reason']}" for row in rows if row["image"]]
    remarks = [remark for file in said["files"] for remark in (file["why"], *file["remarks"])]
    return " ".join([*told, *remarks])


def second_time(quirk: Quirk, command: tuple, capsys: pytest.CaptureFixture[str]) -> None:
    """Import again without any option: nothing is asked and nothing comes twice."""
    assert run(*command[:4], "--json") == 0
    said = json.loads(capsys.readouterr().out)
    assert said["went_in"] == 0
    assert said["already_there"] == quirk.went_in


def test_every_file_has_its_row_and_every_row_its_file() -> None:
    files = {path.name for path in QUIRKS.iterdir()} - NOT_LOGS
    names = [quirk.file for quirk in quirks()]
    assert sorted(names) == sorted(files)
    assert len(names) >= LEAST
    assert all(quirk.shows for quirk in quirks())
