"""`drift imports aside`: rows set aside are listed, exported, mended, put back and dismissed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from record_world import SOLVES_HEADER, run, site_file, solve_rows, write_log

from drift.record.record import Record
from drift.site.file import load_pier

WEATHER = "date;t_min_c;t_max_c;remark"


@pytest.fixture
def pier(tmp_path: Path) -> Path:
    return site_file(tmp_path)


@pytest.fixture
def logs(pier: Path) -> tuple[Path, Path]:
    """Two logs, each with bad rows, imported."""
    rows = solve_rows(5)
    solves = write_log(
        pier.parent / "solves.csv",
        SOLVES_HEADER,
        [
            *rows[:3],
            rows[3].replace("2024", "2O24"),
            rows[4] + ",one,too many",
            rows[2].replace("955.0", "9550"),
        ],
    )
    weather = write_log(
        pier.parent / "weather.csv",
        WEATHER,
        ['2024-01-01;5;1;"a; b"', "2024-01-02;-4;1;", "2024-01-03;-5;x;"],
    )
    assert run("import", solves, weather, "--pier", pier) == 0
    return solves, weather


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> str:
    assert run(*arguments) == 0
    return capsys.readouterr().out


def listed(pier: Path) -> list[tuple[str, int]]:
    with Record.open(load_pier(pier)) as record:
        return [(Path(one.row.file).name, one.row.line) for one in record.asides()]


def test_the_list(pier: Path, logs: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    lines = said(capsys, "aside", "list", "--pier", pier).splitlines()
    assert len(lines) == 4
    assert f"{logs[0]}, line 5: time_utc = '2O24" in lines[0]
    data = json.loads(said(capsys, "aside", "list", "--json", "--pier", pier))
    assert [row["line"] for row in data["rows"]] == [5, 6, 2, 4]
    assert [int(line.split()[0]) for line in lines] == [row["number"] for row in data["rows"]]


def test_nothing_set_aside(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "Nothing is set aside." in said(capsys, "aside", "list", "--pier", pier)
    assert "Nothing is set aside." in said(capsys, "aside", "export", pier.parent / "mend", "--pier", pier)


def test_rows_are_exported_mended_and_put_back(
    pier: Path, logs: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    mend = pier.parent / "mend"
    assert "2 rows to mend" in said(capsys, "aside", "export", mend, "--pier", pier)
    solves, weather = mend / "solves-to-mend.csv", mend / "weather-to-mend.csv"
    assert solves.read_text().startswith(f"aside_number,{SOLVES_HEADER}\n# ")
    assert "too many" in solves.read_text()
    solves.write_text(solves.read_text().replace("2O24", "2024").replace(",one,too many", ""))
    weather.write_text(weather.read_text().replace(";5;1;", ";-5;1;"))
    text = said(capsys, "aside", "put-back", solves, weather, "--pier", pier)
    assert f"{solves}: 2 rows put back (import 2)" in text
    assert f"{weather}: 1 row put back (import 3)" in text
    assert "not put back: line" in text and "t_max_c = 'x'" in text
    assert listed(pier) == [("weather.csv", 4)]
    with Record.open(load_pier(pier)) as record:
        readings = record.readings()
        origins = record.origins(readings["solves"]["row_id"])
        assert readings["weather"]["t_min_c"].tolist() == [-5.0, -4.0]
    assert len(readings["solves"]) == 5
    mended = {one.mends.line: one for one in origins.values() if one.mends is not None}
    assert sorted(mended) == [5, 6]
    assert mended[5].file == str(solves)
    assert mended[5].raw == solve_rows(5)[3]
    assert mended[5].mends is not None and mended[5].mends.value.startswith("2O24")


def test_what_was_mended_is_not_told_again_until_that_is_undone(
    pier: Path, logs: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    mend = pier.parent / "mend"
    assert run("aside", "export", mend, "--pier", pier) == 0
    path = mend / "solves-to-mend.csv"
    path.write_text(path.read_text().replace("2O24", "2024"))
    capsys.readouterr()
    assert "1 row put back (import 2)" in said(capsys, "aside", "put-back", path, "--pier", pier)
    text = said(capsys, "import", logs[0], "--pier", pier)
    assert "1 was set aside" in text
    assert "1 row that was set aside earlier has been mended or dismissed since" in text
    assert "1 row put back" not in said(capsys, "aside", "put-back", path, "--pier", pier)  # not on the list
    assert run("undo", "2", "--pier", pier) == 0
    assert ("solves.csv", 5) in listed(pier)
    assert run("undo", "3", "--pier", pier) == 0
    assert ("solves.csv", 5) not in listed(pier)


def test_a_value_left_out_is_mended(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    row = solve_rows(1)[0].replace("955.0", "9550")
    log = write_log(pier.parent / "solves.csv", SOLVES_HEADER, [row])
    assert run("import", log, "--pier", pier) == 0
    assert run("aside", "export", pier.parent / "mend", "--pier", pier) == 0
    path = pier.parent / "mend" / "solves-to-mend.csv"
    assert run("aside", "put-back", path, "--pier", pier) == 0
    assert "pressure_hpa = '9550'" in capsys.readouterr().out  # still not good
    path.write_text(path.read_text().replace(",9550", ",955"))
    assert run("aside", "put-back", path, "--pier", pier) == 0
    assert listed(pier) == []
    with Record.open(load_pier(pier)) as record:
        assert record.readings()["solves"]["pressure_hpa"].tolist() == [955.0]


def test_only_some_numbers(pier: Path, logs: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    with Record.open(load_pier(pier)) as record:
        number = record.asides()[0].number
    capsys.readouterr()
    assert "1 row to mend" in said(
        capsys, "aside", "export", pier.parent / "mend", str(number), "--pier", pier
    )
    assert [path.name for path in (pier.parent / "mend").iterdir()] == ["solves-to-mend.csv"]
    assert run("aside", "export", pier.parent / "mend", str(number), "--pier", pier) == 2
    assert "is there already" in capsys.readouterr().err
    assert run("aside", "export", pier.parent / "other", "99", "--pier", pier) == 2
    assert "no row set aside has the number 99" in capsys.readouterr().err


def test_a_dismissed_row_is_not_told_again(
    pier: Path, logs: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    with Record.open(load_pier(pier)) as record:
        numbers = [str(one.number) for one in record.asides()]
    capsys.readouterr()
    text = said(capsys, "aside", "dismiss", *numbers[:2], "--reason", "a test frame", "--pier", pier)
    assert "2 rows dismissed." in text
    assert listed(pier) == [("weather.csv", 2), ("weather.csv", 4)]
    text = said(capsys, "import", logs[0], "--pier", pier)
    assert "set aside," not in text
    assert listed(pier) == [("weather.csv", 2), ("weather.csv", 4)]
    assert run("aside", "dismiss", numbers[0], "--pier", pier) == 2
    assert f"no row set aside has the number {numbers[0]}" in capsys.readouterr().err


def test_what_is_no_file_to_mend_is_refused(
    pier: Path, logs: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("aside", "put-back", logs[0], "--pier", pier) == 2
    assert "does not begin with the column aside_number" in capsys.readouterr().err
    mend = pier.parent / "mend"
    assert run("aside", "export", mend, "--pier", pier) == 0
    path = mend / "solves-to-mend.csv"
    assert run("import", path, "--pier", pier) == 2
    assert "`drift imports aside put-back" in capsys.readouterr().err
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines[:2], "x" + lines[2], *lines[3:]]) + "\n")
    assert run("aside", "put-back", path, "--pier", pier) == 2
    assert "aside_number is 'x" in capsys.readouterr().err


def test_another_row_than_was_exported_is_not_put_back(
    pier: Path, logs: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_log(pier.parent / "mine.csv", f"aside_number,{SOLVES_HEADER}", [f"77,{solve_rows(9)[8]}"])
    capsys.readouterr()
    text = said(capsys, "aside", "put-back", path, "--pier", pier)
    assert "0 rows put back" in text
    assert "number 77 is not on the list" in text


def test_rows_of_a_mapped_log_are_mended_in_their_own_spelling(
    pier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Day first, decimal commas, semicolons: what was agreed to for the log holds for the mended file."""
    rows = ["13.01.2024;-5,5;1,0", "14.01.2024;-4,5;Eis", "15.01.2024;-6,0;0,5", "16.01.2024;-7,5;-1,5"]
    log = write_log(pier.parent / "wetter.csv", "Tag;T min (°C);T max (°C)", rows)
    assert run("import", log, "--yes", "--pier", pier) == 0
    assert listed(pier) == [("wetter.csv", 3)]
    mend = pier.parent / "mend"
    assert run("aside", "export", mend, "--pier", pier) == 0
    path = mend / "wetter-to-mend.csv"
    assert "Tag;T min (°C);T max (°C)" in path.read_text(encoding="utf-8")
    path.write_text(path.read_text(encoding="utf-8").replace("4,5;Eis", "4,5;2,5"), encoding="utf-8")
    capsys.readouterr()
    assert "1 row put back" in said(capsys, "aside", "put-back", path, "--pier", pier)
    assert listed(pier) == []
    with Record.open(load_pier(pier)) as record:
        weather = record.readings()["weather"]
        origins = record.origins(weather["row_id"])
    assert weather["t_max_c"].tolist() == [1.0, 2.5, 0.5, -1.5]
    assert [one.raw for one in origins.values() if one.mends] == ["14.01.2024;-4,5;2,5"]


def test_rows_of_another_form_are_mended_in_their_file(
    pier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = pier.parent / "weather.jsonl"
    log.write_text(
        '{"date": "2024-01-01", "t_min_c": 5, "t_max_c": 1}\n'
        '{"date": "2024-01-02", "t_min_c": 0, "t_max_c": 1}\n'
    )
    assert run("import", log, "--yes", "--pier", pier) == 0
    assert len(listed(pier)) == 1
    capsys.readouterr()
    assert run("aside", "export", pier.parent / "mend", "--pier", pier) == 0
    assert "mend the file itself and import it again" in capsys.readouterr().err


def test_putting_back_again_after_a_kill_says_that_it_was_done(
    pier: Path, logs: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """What a kill between the record's commit and the message leaves: all is done, and nobody was told."""
    said(capsys, "aside", "export", pier.parent / "mend", "--pier", pier)
    mended = pier.parent / "mend" / "solves-to-mend.csv"
    mended.write_text(mended.read_text().replace("2O24", "2024"))
    said(capsys, "aside", "put-back", mended, "--pier", pier)
    text = said(capsys, "aside", "put-back", mended, "--pier", pier)
    assert "0 rows put back" in text
    assert "1 row was put back before, by this very file; nothing is missing" in text
    mended.write_text(mended.read_text().replace(".5,958.0", ".7,958.0"))
    text = said(capsys, "aside", "put-back", mended, "--pier", pier)
    assert "put back before" not in text  # another row than the one that was


def test_no_spreadsheet_runs_what_stands_in_a_row_to_mend(
    pier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row = f'{solve_rows(1)[0].replace("2024", "2O24")},"=HYPERLINK(""x"", 1)",-5,-12:30:00'
    log = write_log(pier.parent / "a.csv", f"{SOLVES_HEADER},remark,number,angle", [row])
    said(capsys, "import", log, "--pier", pier)
    said(capsys, "aside", "export", pier.parent / "mend", "--pier", pier)
    mended = pier.parent / "mend" / "a-to-mend.csv"
    text = mended.read_text()
    assert "\"'=HYPERLINK" in text
    assert ",-5,-12:30:00" in text
    mended.write_text(text.replace("2O24", "2024"))
    assert "1 row put back" in said(capsys, "aside", "put-back", mended, "--pier", pier)
    with Record.open(load_pier(pier)) as record:
        (_, _, raw) = record.where([1])[1]
    assert "'" not in raw
    assert "=HYPERLINK" in raw
