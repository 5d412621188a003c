"""Files as programs and people leave them: padded titles, wrapped headers, JSON, free text, packed, "
"workbooks."""

import gzip
import io
import json
import zipfile
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from drift.errors import LogFileError
from drift.ingest import formats
from drift.ingest.delimited import cells_of, open_bytes
from drift.ingest.formats import open_table
from drift.ingest.guess import propose
from drift.ingest.read import read_bytes
from drift.ingest.row_check import Circumstances
from drift.ingest.units import Unit, UnitName
from drift.notices import IngestCode

NOW_US = int(np.datetime64("2026-06-01T00:00:00", "us").astype(np.int64))
HERE = Circumstances(47.3, -92.4, 410.0, NOW_US, "America/Chicago")
HEADER = "time_utc,az_error_arcmin,alt_error_arcmin"
ROWS = [f"2024-03-{day:02d}T22:00:00Z,1.{day},-0.5" for day in range(1, 9)]
TEXT = "\n".join([HEADER, *ROWS, ""])
OBJECTS = [dict(zip(HEADER.split(","), row.split(","), strict=True)) for row in ROWS]


def header_of(text: str) -> tuple[str, ...]:
    return open_bytes(text.encode(), "log.csv").header


def written(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def numbers(path: Path) -> list[str]:
    table = open_table(path)
    at = table.header.index("az_error_arcmin")
    return [str(cell) for part in table.parts for cell in part.cells[at]]


WANTED = [row.split(",")[1] for row in ROWS]


# ---- headers


def test_titles_padded_by_a_spreadsheet_are_passed_over() -> None:
    text = "My pier,,,\nAll of 2024,,,\n,,,\nTime (UTC),Az (arcmin),Alt (arcmin),Note\n"
    text += "2024-03-01 22:00:00,1.5,2,ok\n2024-03-02 22:00:00,1.5,2,\n"
    assert header_of(text) == ("Time (UTC)", "Az (arcmin)", "Alt (arcmin)", "Note")


def test_names_of_groups_over_merged_cells_are_joined_with_those_below() -> None:
    text = ",Solved,,Mount,\nTime,RA,Dec,RA,Dec\n" + "2024-03-01 22:00:00,10.5,20,10.6,20.1\n" * 3
    assert header_of(text) == ("Time", "Solved RA", "Solved Dec", "Mount RA", "Mount Dec")


def test_a_header_that_goes_on_in_a_second_row_is_joined() -> None:
    text = (
        "Time,Solved,Solved,Mount,Mount\nUTC,RA,Dec,RA,Dec\n" + "2024-03-01 22:00:00,10.5,20,10.6,20.1\n" * 3
    )
    assert header_of(text) == ("Time UTC", "Solved RA", "Solved Dec", "Mount RA", "Mount Dec")


def test_a_refusal_quotes_the_first_row() -> None:
    with pytest.raises(LogFileError, match="its first row: 5, red"):
        propose(open_bytes(b"size,colour\n5,red\n6,blue\n", "log.csv"), HERE, {})


# ---- JSON


@pytest.mark.parametrize("indent", [None, 2])
@pytest.mark.parametrize(
    "whole",
    [
        OBJECTS,
        {"version": 1, "log": {"entries": OBJECTS}},
        {name: [one[name] for one in OBJECTS] for name in HEADER.split(",")},
        [HEADER.split(","), *(row.split(",") for row in ROWS)],
    ],
    ids=["list", "within", "columns", "lists"],
)
def test_json_of_any_build(whole: object, indent: int | None, tmp_path: Path) -> None:
    assert numbers(written(tmp_path, "a.json", json.dumps(whole, indent=indent).encode())) == WANTED


def test_json_lines_still_are_lines(tmp_path: Path) -> None:
    text = "\n".join(json.dumps(one) for one in OBJECTS)
    table = open_table(written(tmp_path, "a.jsonl", text.encode()))
    assert [part.lines.tolist() for part in table.parts] == [list(range(1, 9))]


def test_two_lists_are_not_chosen_between(tmp_path: Path) -> None:
    path = written(tmp_path, "a.json", json.dumps({"a": OBJECTS, "b": OBJECTS}).encode())
    with pytest.raises(LogFileError, match=r"2 lists of objects \('a', 'b'\)"):
        open_table(path)


# ---- free text


def test_a_line_of_free_text() -> None:
    line = (
        "2024-03-02 21:14:05 Solved RA=08h44m13.5s Dec=+47d02m49s, mount RA: 131.504 Dec: 46.949 (pier=east)"
    )
    assert cells_of(line) == {
        "time": "2024-03-02 21:14:05",
        "Solved RA": "08h44m13.5s",
        "Solved Dec": "+47d02m49s",
        "mount RA": "131.504",
        "mount Dec": "46.949",
        "mount pier": "east",
    }


def test_a_log_in_free_text_is_a_table(tmp_path: Path) -> None:
    lines = ["session begins", "2024-03-02 21:00:00 camera cooled to -10"]
    lines += [
        f"[2024-03-02T21:{at:02d}:05Z] Solved RA={120.5 + at} deg Dec={40 + at} deg mount RA={121 + at} "
        f"Dec={40 + at}.1"
        for at in range(10, 22)
    ]
    table = open_table(written(tmp_path, "night.log", "\n".join(lines).encode()))
    assert [one.values["lines"] for one in table.remarks] == [2]
    mapping = propose(table, HERE, {"mount_places": "of date"}).mapping
    assert mapping is not None
    assert mapping.columns["mount_dec_deg"].columns == ("mount Dec",)
    assert mapping.columns["ra_deg"].unit == Unit(UnitName.DEGREES)


# ---- packed


def test_gzip_and_a_zip_archive_with_one_table(tmp_path: Path) -> None:
    assert numbers(written(tmp_path, "a.csv.gz", gzip.compress(TEXT.encode()))) == WANTED
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        archive.writestr("logs/a.csv", TEXT)
        archive.writestr("__MACOSX/logs/._a.csv", "x")
    assert numbers(written(tmp_path, "a.csv.zip", whole.getvalue())) == WANTED


def test_an_archive_with_several_is_to_be_unpacked(tmp_path: Path) -> None:
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        for name in "ab":
            archive.writestr(f"{name}.csv", TEXT)
    with pytest.raises(LogFileError, match=r"2 files in it \(a.csv, b.csv\): unpack it"):
        open_table(written(tmp_path, "a.zip", whole.getvalue()))


@pytest.mark.parametrize("cut", [3, 20, -9])
def test_a_broken_packing_is_told(cut: int, tmp_path: Path) -> None:
    with pytest.raises(LogFileError, match="can't be unpacked|is empty"):
        open_table(written(tmp_path, "a.csv.gz", gzip.compress(TEXT.encode())[:cut]))


def test_an_archive_whose_table_of_contents_is_cut_is_told(tmp_path: Path) -> None:
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        archive.writestr("a.csv", TEXT)
    data = bytearray(whole.getvalue())
    end = data.rindex(b"PK\x05\x06")
    data[end + 12 : end + 16] = b"\xff\xff\x00\x00"  # a directory longer than the file
    for broken in (bytes(data), bytes(data[: end - 9] + data[end:])):
        with pytest.raises(LogFileError, match="can't be unpacked"):
            open_table(written(tmp_path, "a.zip", broken))


def test_what_grows_without_end_is_not_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(formats, "_MOST_BYTES", 1 << 20)
    with pytest.raises(LogFileError, match="it is no log"):
        open_table(written(tmp_path, "a.csv.gz", gzip.compress(b"0" * (3 << 20))))


def test_a_parquet_file_is_called_so(tmp_path: Path) -> None:
    with pytest.raises(LogFileError, match="a Parquet file; save the table as CSV"):
        open_table(written(tmp_path, "a.parquet", b"PAR1" + bytes(100)))


# ---- a workbook


def workbook(path: Path, sheets: int = 1) -> Path:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for at in range(sheets):
        sheet = book.active if at == 0 else book.create_sheet(f"other {at}")
        sheet.append(["My pier"])
        sheet.append(["Time (UTC)", "Az (arcmin)", "Alt (arcmin)"])
        for day in range(1, 9):
            sheet.append([datetime(2024, 3, day, 22, 0, 5), 1.5 + day, -2])
    book.save(path)
    return path


def test_the_sheet_of_a_workbook(tmp_path: Path) -> None:
    table = open_table(workbook(tmp_path / "a.xlsx"))
    assert table.header == ("Time (UTC)", "Az (arcmin)", "Alt (arcmin)")
    assert table.remarks[0].code is IngestCode.SHEET_READ
    (part,) = table.parts
    assert part.lines.tolist() == list(range(3, 11))
    assert part.cells[0][0] == "2024-03-01 22:00:05"
    assert part.cells[1][0] == "2.5"
    assert part.cells[2][0] == "-2"


def test_several_sheets_with_rows_are_not_chosen_between(tmp_path: Path) -> None:
    with pytest.raises(LogFileError, match="2 sheets with rows"):
        open_table(workbook(tmp_path / "a.xlsx", 2))


# ---- sides


def solves(sides: list[str]) -> bytes:
    lines = ["time_utc,ra_deg,dec_deg,tube_side"]
    # sidereal time there and then is about 98 degrees: the first half stands in the west, the others in the
    # east
    lines += [
        f"2024-03-01T02:00:00Z,{(40 if at < 8 else 150) + at},45,{side}" for at, side in enumerate(sides)
    ]
    return "\n".join([*lines, ""]).encode()


@pytest.mark.parametrize(
    ("east", "west"), [("pierEast", "pierWest"), ("0", "1"), ("E", "W"), ("East", "WEST")]
)
def test_sides_in_the_words_of_programs_under_our_own_header(east: str, west: str) -> None:
    log = read_bytes(solves([east] * 8 + [west] * 8), "log.csv", HERE)
    assert log.columns["tube_side"] == ["east"] * 8 + ["west"] * 8
    assert IngestCode.SIDES_OPPOSITE not in [one.code for one in log.remarks]


def test_sides_that_mean_where_the_tube_looks_are_remarked_on() -> None:
    log = read_bytes(solves(["pierWest"] * 8 + ["pierEast"] * 8), "log.csv", HERE)
    assert IngestCode.SIDES_OPPOSITE in [one.code for one in log.remarks]


# ---- work and words are bounded by size


@pytest.mark.parametrize(
    "data",
    [
        json.dumps({f"key{at}": at for at in range(40_000)}).encode(),
        b",".join(b"0.5" for _ in range(100_000)),
        b" ".join(b"word%d" % at for at in range(100_000)),
        b"[" * 100_000,
        b"2024-03-02 21:14:05 " + b"RA=1 " * 50_000,
        (b"a" * 3000 + b" ") * 300,
    ],
    ids=["keys", "numbers", "words", "brackets", "pairs", "long names"],
)
def test_a_file_of_one_line_is_refused_in_a_few_words(data: bytes, tmp_path: Path) -> None:
    path = written(tmp_path, "log", data)
    with pytest.raises(LogFileError) as caught:
        propose(open_table(path), HERE, {})
    assert len(str(caught.value)) < 3_000


def test_headings_are_taken_apart_once_however_many_there_are(monkeypatch: pytest.MonkeyPatch) -> None:
    from drift.ingest import names

    taken = []
    words_of = names.words_of
    monkeypatch.setattr(names, "words_of", lambda heading: taken.append(heading.name) or words_of(heading))
    many = [f"some name {at}" for at in range(1_000)]
    rows = [f"2024-03-01 22:{at:02d}:00,{at}.5,{at}.25," + ",".join("1" * 1_000) for at in range(10)]
    text = "\n".join([",".join(["Time (UTC)", "RA (deg)", "Dec (deg)", *many]), *rows, ""])
    names.words_of_all.cache_clear()
    assert propose(open_bytes(text.encode(), "log.csv"), HERE, {}).mapping is not None
    assert len(taken) <= 1_003
