"""Whatever bytes a file holds, an import answers in words; the record holds all of its rows or none."""

from __future__ import annotations

import faulthandler
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from record_world import SITE_TEXT

from drift.importer.importing import FileImported, FileRefused, import_files
from drift.ingest.mapping import MappingFile
from drift.ingest.settle import Settler
from drift.notices import RecordCode
from drift.readings import READING_COLUMNS
from drift.record.record import Record
from drift.record.schema import IN_USE
from drift.render.notices import sentence
from drift.site.file import load_pier

QUIRKS = Path(__file__).parents[2] / "sample_logs" / "quirks"
SEEDS = sorted(
    path for path in QUIRKS.iterdir() if path.suffix in (".csv", ".tsv", ".ecsv", ".vot", ".jsonl", ".txt")
)
FITS = QUIRKS / "fits-table-in-tt.fits"
#: A file of this size takes milliseconds; after so long the stack is printed and the process ends.
HANGS_AFTER_S = 120


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("any")
    (made / "pier.toml").write_text(SITE_TEXT)
    return made


@pytest.fixture(scope="module")
def record(folder: Path) -> Iterator[Record]:
    with Record.open(load_pier(folder / "pier.toml")) as record:
        yield record


@contextmanager
def no_hang() -> Iterator[None]:
    faulthandler.dump_traceback_later(HANGS_AFTER_S, exit=True)
    try:
        yield
    finally:
        faulthandler.cancel_dump_traceback_later()


def rows_in_use(folder: Path) -> int:
    """Count the rows by way of the database itself; rows that another reading replaced are kept, not used."""
    with closing(sqlite3.connect(folder / "drift-book.sqlite")) as database:
        return sum(
            database.execute(f"SELECT count(*) FROM {kind} WHERE status = ?", (IN_USE,)).fetchone()[0]
            for kind in READING_COLUMNS
        )


def rows_replaced(one: FileImported) -> int:
    """Count the rows that an import says it put others in the place of."""
    again = sum(note.values["rows"] for note in one.remarks if note.code is RecordCode.READ_OTHERWISE)
    return int(again) + sum(note.code is RecordCode.ROW_COMPLETED for note in one.remarks)


def check(record: Record, folder: Path, name: str, data: bytes) -> None:
    """Import bytes as a file, and see that the rows in use changed as was told and in no other way."""
    path = folder / name
    path.write_bytes(data)
    (folder / "logs.toml").unlink(missing_ok=True)
    settle = Settler(
        MappingFile.beside(folder / "pier.toml"),
        {},
        ask=lambda table, question: question.choices[0].answer,
        agree=lambda table, proposal, preview, wanted: wanted,
    )
    before = rows_in_use(folder)
    with no_hang():
        outcomes = list(import_files(record, [path], settle=settle))
    assert len(outcomes) == 1
    (one,) = outcomes
    if isinstance(one, FileRefused):
        assert str(one.error).strip()
        assert rows_in_use(folder) == before
    else:
        assert isinstance(one, FileImported)
        assert rows_in_use(folder) == before + one.went_in - rows_replaced(one)
        said = [one.why, *one.remarks, *(row.reason for row in (*one.set_aside, *one.left_out))]
        assert all(sentence(notice).strip() for notice in said)


SETTINGS = settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@SETTINGS
@given(
    data=st.binary(max_size=400),
    name=st.sampled_from(["a.csv", "a.txt", "a.ecsv", "a.vot", "a.jsonl", "a.fits"]),
)
def test_any_bytes(record: Record, folder: Path, data: bytes, name: str) -> None:
    check(record, folder, name, data)


@SETTINGS
@given(text=st.text(alphabet=',;\t|"\n\r#:. 0123456789-+TZhmsdeRADcountime°\0\ufeffé', max_size=300))
def test_any_text_of_table_signs(record: Record, folder: Path, text: str) -> None:
    check(record, folder, "b.csv", text.encode("utf-8"))


@st.composite
def damaged(draw: st.DrawFn) -> tuple[str, bytes]:
    """Return a file that was good, with pieces cut out, put in, doubled or overwritten."""
    path = draw(st.sampled_from([*SEEDS, FITS]))
    data = path.read_bytes()
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(data)))
        end = min(len(data), start + draw(st.integers(0, 60)))
        piece = draw(
            st.one_of(
                st.binary(max_size=8),
                st.just(data[start:end] * 2),
                st.sampled_from([b"", b'"', b"\n", b"NaN", b"1e999", b"\0"]),
            )
        )
        data = data[:start] + piece + data[end:]
    return path.name, data


@settings(parent=SETTINGS, max_examples=120)
@given(file=damaged())
def test_any_damage(record: Record, folder: Path, file: tuple[str, bytes]) -> None:
    check(record, folder, *file)
