"""Text -> rows: what counts as a row, and on which line it stood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from drift.errors import LogFileError
from drift.ingest.delimited import open_bytes
from drift.ingest.text import TextRows, decode
from drift.notices import IngestCode, Notice, info


@dataclass
class Records:
    """All rows of a text at once."""

    header: tuple[str, ...]
    header_line: int
    columns: list[list[str]]
    lines: np.ndarray
    raws: list[str]
    surplus: dict[int, int]
    remarks: tuple[Notice, ...]


def split(text: str) -> Records:
    table = open_bytes(text.encode(), "log.csv")
    columns: list[list[str]] = [[] for _ in table.headings]
    lines, raws, surplus = [], [], {}
    for part in table.parts:
        surplus.update({len(raws) + at: count for at, count in part.surplus.items()})
        lines += part.lines.tolist()
        raws += part.raws
        for column, cells in zip(columns, part.cells, strict=True):
            column += cells
    return Records(table.header, table.header_line, columns, np.array(lines), raws, surplus, table.remarks)


def test_rows_and_lines() -> None:
    records = split("a,b\n1,2\n3,4\n")
    assert records.header == ("a", "b")
    assert records.columns == [["1", "3"], ["2", "4"]]
    assert records.lines.tolist() == [2, 3]
    assert records.raws == ["1,2", "3,4"]


def test_blank_lines_and_rows_of_commas_count_as_lines_but_not_as_rows() -> None:
    records = split("\n\na,b\n\n1,2\n,,\n \t\n3,4")
    assert records.header_line == 3
    assert records.lines.tolist() == [5, 8]


def test_quoted_fields_with_line_ends_keep_the_count() -> None:
    records = split('a,b\n1,"two\nlines"\n\n3,"say ""no"", twice"\n5,6\n')
    assert records.columns[1] == ["two\nlines", 'say "no", twice', "6"]
    assert records.lines.tolist() == [2, 5, 6]
    assert records.raws[0] == '1,"two\nlines"'


def test_a_quote_inside_a_field_is_plain_text() -> None:
    assert split('a,b\n1,a 12" weight\n').columns[1] == ['a 12" weight']


def test_a_quote_never_closed_refuses_the_file_and_names_its_line() -> None:
    with pytest.raises(LogFileError, match=r"log\.csv, line 3: .*never closed"):
        split('a,b\n1,2\n3,"open\n5,6\n')


def test_trailing_commas_are_nothing() -> None:
    records = split("a,b,,\n1,2,,\n3,4\n5,6,,,\n")
    assert records.columns[:2] == [["1", "3", "5"], ["2", "4", "6"]]
    assert not records.surplus


def test_a_row_with_too_many_cells_is_marked() -> None:
    assert split("a,b\n1,2,3\n4,5\n").surplus == {0: 3}


def test_a_short_row_is_filled_with_blanks() -> None:
    assert split("a,b\n1\n").columns == [["1"], [""]]


def test_comments_are_skipped_and_told() -> None:
    for text in ("# made by x\na,b\n1,2\n# pause\n3,4\n", '# made by x\na,b\n1,"2"\n# pause\n3,4\n'):
        records = split(text)
        assert records.lines.tolist() == [3, 5]
        assert records.remarks == (info(IngestCode.COMMENTS_SKIPPED, lines=2),)


def test_the_quick_split_and_the_parser_of_quotes_agree() -> None:
    rows = [f" {number} ,{number * 1.5}, x{number}" for number in range(50)]
    plain = split("\n".join(["a,b,c", *rows]))
    quoted = split("\n".join(['a,b,"c"', *rows]))
    assert plain.columns == quoted.columns
    assert plain.lines.tolist() == quoted.lines.tolist()
    assert plain.raws == quoted.raws


@pytest.mark.parametrize("sign", [";", "\t"])
def test_other_separators_are_read_and_told(sign: str) -> None:
    records = split(f"a{sign}b\n1{sign}2\n")
    assert records.columns == [["1"], ["2"]]
    assert records.remarks == (info(IngestCode.DELIMITER, delimiter=sign),)


@pytest.mark.parametrize("text", ["a,b\n", "a,b", "a,b\n\n,\n", 'a,"b"\n'])
def test_a_header_alone_has_no_rows(text: str) -> None:
    records = split(text)
    assert records.columns == [[], []]
    assert records.raws == []


def test_comments_alone_are_refused() -> None:
    with pytest.raises(LogFileError, match="no header and no rows"):
        split("# nothing yet\n\n")


@pytest.mark.parametrize(
    ("data", "remarks"),
    [
        (b"a,b\r\n1,\xc3\xa9\r\n", 0),
        (b"\xef\xbb\xbfa,b\n1,\xc3\xa9\n", 0),
        (b"a,b\r1,\xc3\xa9\r", 0),
        ("a,b\n1,é\n".encode("utf-16"), 1),
        ("a,b\n1,é\n".encode("latin-1"), 1),
    ],
)
def test_every_way_to_store_the_same_text(data: bytes, remarks: int) -> None:
    decoded = decode(data, "log.csv")
    records = split(decoded.text)
    assert records.header == ("a", "b")
    assert records.columns == [["1"], ["é"]]
    assert len(decoded.remarks) == remarks


def test_latin_text_is_told_with_its_line() -> None:
    (remark,) = decode("a,b\n1,é\n".encode("latin-1"), "log.csv").remarks
    assert remark == info(IngestCode.READ_AS_WESTERN, line=2)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is empty"),
        (b" \n\r\n", "is empty"),
        (b"PK\x03\x04rest", "archive within another"),
        (b"SIMPLE  =                    T", "FITS image"),
        (bytes(range(256)) * 4, "binary file"),
        (b"\xff\xfea", "UTF-16"),
    ],
)
def test_what_is_no_text_is_refused(data: bytes, says: str) -> None:
    with pytest.raises(LogFileError, match=says):
        decode(data, "log.csv")


def test_a_quote_in_a_table_of_blanks_with_comments_is_a_character() -> None:
    """A quote and a # in a blank-separated text once ended the import with a traceback."""
    lines = ['# made by "an old script', "utc ra dec", "2024-02-21T02:30:46Z 85.5 42.4", ""]
    rows = TextRows(lines, 2, 3, " ", "blanks.txt", quotes=True, comments=True)
    assert rows.comment_lines() == 1
    assert [part.raws for part in rows] == [["2024-02-21T02:30:46Z 85.5 42.4"]]
