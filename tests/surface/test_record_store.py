"""The record: what goes in comes out, once, in the same order whatever was done before."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from record_world import (
    LATITUDE_DEG,
    LONGITUDE_DEG,
    SITE_TEXT,
    SOLVES_HEADER,
    site_file,
    solve_rows,
    write_log,
)

from drift.errors import RecordError, RowRefused
from drift.importer.by_hand import record_rows
from drift.importer.importing import FileImported, FileRefused, import_files
from drift.notices import IngestCode, RecordCode, info
from drift.readings import READING_COLUMNS, Readings
from drift.record import schema
from drift.record.cache import ANALYSES_CACHED
from drift.record.record import Record
from drift.render.import_words import error_words
from drift.site.file import PierFile, load_pier


def open_record(folder: Path, text: str = SITE_TEXT) -> Record:
    return Record.open(load_pier(site_file(folder, text)))


def put_in(record: Record, *paths: Path) -> list[FileImported]:
    outcomes = list(import_files(record, paths))
    for one in outcomes:
        assert isinstance(one, FileImported), one
    return outcomes


def values_of(readings: Readings) -> dict[str, list[list[str]]]:
    """Return all values, to the last digit, but the row numbers, which follow the order of imports."""
    return {
        kind: readings[kind].drop(columns="row_id").astype(str).values.tolist() for kind in READING_COLUMNS
    }


def test_a_new_record_is_empty_and_complete(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        readings = record.readings()
        assert all(len(readings[kind]) == 0 for kind in READING_COLUMNS)
        assert [list(readings[kind].columns) for kind in READING_COLUMNS] == [
            list(names) for names in READING_COLUMNS.values()
        ]
        assert record.set_aside_rows() == []
        assert record.last_acknowledged() is None
        assert record.cached_analysis("x") is None
    assert (tmp_path / "drift-book.sqlite").is_file()


def test_types_of_the_tables(tmp_path: Path) -> None:
    log = write_log(tmp_path / "solves.csv", SOLVES_HEADER, solve_rows(3))
    with open_record(tmp_path) as record:
        before = record.readings()
        put_in(record, log)
        after = record.readings()
    for kind, names in READING_COLUMNS.items():
        for name, sort in names.items():
            wanted = {"int": np.int64, "float": np.float64, "text": object}[sort]
            assert before[kind][name].dtype == wanted, (kind, name)
            assert after[kind][name].dtype == wanted, (kind, name)


def test_what_went_in_comes_out(tmp_path: Path) -> None:
    rows = solve_rows(5)
    log = write_log(tmp_path / "solves.csv", SOLVES_HEADER, rows)
    with open_record(tmp_path) as record:
        (outcome,) = put_in(record, log)
        solves = record.readings()["solves"]
        where = record.where(solves["row_id"])
    assert (outcome.kind, outcome.went_in, outcome.already_there) == ("solves", 5, 0)
    for at, row in enumerate(rows):
        time, ra, dec, mount_ra, mount_dec, side, temp, pressure = row.split(",")
        one = solves.iloc[at]
        assert one["time_us"] == np.datetime64(time[:-1], "us").astype(np.int64)
        assert [one["ra_deg"], one["dec_deg"]] == [float(ra), float(dec)]
        assert [one["mount_ra_deg"], one["mount_dec_deg"]] == [float(mount_ra), float(mount_dec)]
        assert [one["tube_side"], one["session"]] == [side, ""]
        assert [one["temp_c"], one["pressure_hpa"]] == [float(temp), float(pressure)]
        assert np.isnan([one["before_sync"], one["exposure_s"], one["pa_deg"]]).all()
        assert where[one["row_id"]] == (str(log), at + 2, row)


def test_a_second_import_adds_nothing(tmp_path: Path) -> None:
    rows = [*solve_rows(20), "never,1,2,3,4,east,0,960"]
    log = write_log(tmp_path / "solves.csv", SOLVES_HEADER, rows)
    with open_record(tmp_path) as record:
        put_in(record, log)
        first, aside = record.readings(), record.set_aside_rows()
        (again,) = put_in(record, log)
        copy = write_log(tmp_path / "copy.csv", SOLVES_HEADER, rows)
        (elsewhere,) = put_in(record, copy)
        second = record.readings()
        assert record.set_aside_rows() == aside
    assert (again.went_in, again.already_there) == (0, 20)
    assert (elsewhere.went_in, elsewhere.already_there) == (0, 20)
    assert len(aside) == 1
    assert first.readings_id == second.readings_id
    assert first["solves"].equals(second["solves"])


def test_overlapping_files_in_any_order_and_in_pieces_give_the_same_readings(tmp_path: Path) -> None:
    rows = solve_rows(60)
    whole, pieces = tmp_path / "whole", tmp_path / "pieces"
    whole.mkdir()
    pieces.mkdir()
    with open_record(whole) as record:
        put_in(record, write_log(whole / "all.csv", SOLVES_HEADER, rows))
        one = record.readings()
    spans = [(40, 60), (0, 25), (20, 45)]
    with open_record(pieces) as record:
        for number, (first, last) in enumerate(spans):
            some = rows[first:last]
            random.Random(number).shuffle(some)
            put_in(record, write_log(pieces / f"{number}.csv", SOLVES_HEADER, some))
        other = record.readings()
    assert one.readings_id == other.readings_id
    assert values_of(one) == values_of(other)


def test_how_a_number_is_written_does_not_make_it_another(tmp_path: Path) -> None:
    one = write_log(tmp_path / "one.csv", "date,t_min_c,t_max_c", ["2024-01-01,-2.50,0"])
    two = write_log(tmp_path / "two.csv", "T_MAX_C,date,T_MIN_C,cloud", ["-0.0, 2024-01-01 ,-2.5,3"])
    with open_record(tmp_path) as record:
        assert [outcome.went_in for outcome in put_in(record, one, two)] == [1, 0]


def test_equal_rows_in_one_file_are_one_and_told(tmp_path: Path) -> None:
    row = solve_rows(1)
    with open_record(tmp_path) as record:
        (outcome,) = put_in(record, write_log(tmp_path / "solves.csv", SOLVES_HEADER, row * 3))
        assert len(record.readings()["solves"]) == 1
    assert (outcome.went_in, outcome.twice_in_file) == (1, 2)


@pytest.mark.parametrize("fuller_first", [True, False])
def test_an_observation_exported_twice_is_used_once_and_in_full(tmp_path: Path, fuller_first: bool) -> None:
    full = solve_rows(4)
    bare = [",".join(row.split(",")[:5]) for row in full]
    logs = [
        write_log(tmp_path / "full.csv", SOLVES_HEADER, full),
        write_log(tmp_path / "bare.csv", ",".join(SOLVES_HEADER.split(",")[:5]), bare),
    ]
    with open_record(tmp_path) as record:
        first, second = put_in(record, *(logs if fuller_first else logs[::-1]))
        solves = record.readings()["solves"]
    assert (first.went_in, second.went_in) == (4, 4)
    assert not first.remarks
    assert second.remarks[0] == info(RecordCode.SAME_READING, rows=4)
    assert len(solves) == 4
    assert solves["temp_c"].notna().all()


def test_bolts_done_at_one_time_are_not_taken_for_one(tmp_path: Path) -> None:
    rows = [f"2024-01-01T00:00:00Z,shim,{bearing},0.1" for bearing in (30, 150, 270)]
    log = write_log(tmp_path / "done.csv", "time_utc,kind,bearing_deg,thickness_mm", rows)
    with open_record(tmp_path) as record:
        (outcome,) = put_in(record, log)
        assert not outcome.remarks
        assert sorted(record.readings()["corrections"]["bearing_deg"]) == [30, 150, 270]


def test_of_two_weathers_for_a_day_one_is_used_and_it_is_told(tmp_path: Path) -> None:
    one = write_log(tmp_path / "one.csv", "date,t_min_c,t_max_c", ["2024-01-01,-3,1", "2024-01-02,-4,1"])
    two = write_log(tmp_path / "two.csv", "date,t_min_c,t_max_c,t_mean_c", ["2024-01-02,-4.5,1,-2"])
    with open_record(tmp_path) as record:
        _, outcome = put_in(record, one, two)
        assert outcome.remarks[0] == info(RecordCode.SAME_DAY, rows=1)
        assert record.readings()["weather"]["t_min_c"].tolist() == [-3.0, -4.5]


def test_row_ids_are_of_all_kinds_and_never_used_again(tmp_path: Path) -> None:
    weather = write_log(tmp_path / "w.csv", "date,t_min_c,t_max_c", ["2024-01-01,-3,1", "2024-01-02,-4,1"])
    solves = write_log(tmp_path / "s.csv", SOLVES_HEADER, solve_rows(3))
    with open_record(tmp_path) as record:
        put_in(record, weather, solves, weather)
        readings = record.readings()
        ids = [*readings["weather"]["row_id"], *readings["solves"]["row_id"]]
        assert sorted(ids) == [1, 2, 3, 4, 5]
        assert {name for name, _, _ in record.where(ids).values()} == {str(weather), str(solves)}
        assert record.where([99]) == {}


def test_rows_set_aside_are_listed_and_go_when_the_file_is_mended(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    with open_record(tmp_path) as record:
        put_in(
            record, write_log(path, "date,t_min_c,t_max_c", ["2024-01-01,5,1", "2024-01-02,-4,1", "x,1,2"])
        )
        assert [(one.file, one.line, one.column, one.value) for one in record.set_aside_rows()] == [
            (str(path), 2, "t_min_c", "5"),
            (str(path), 4, "date", "x"),
        ]
        put_in(
            record, write_log(path, "date,t_min_c,t_max_c", ["2024-01-01,-5,1", "2024-01-02,-4,1", "x,1,2"])
        )
        assert [one.line for one in record.set_aside_rows()] == [4]


def test_a_row_that_goes_in_after_all_is_no_longer_listed(tmp_path: Path) -> None:
    """The same row under another name, after the site file was mended."""
    rows = solve_rows(3)
    with open_record(tmp_path, SITE_TEXT.replace("410.0", "4100.0")) as record:
        (outcome,) = put_in(record, write_log(tmp_path / "one.csv", SOLVES_HEADER, rows))
        assert len(outcome.left_out) == 3
    wrong = [rows[0].replace("2024", "2094")]
    with open_record(tmp_path) as record:
        put_in(record, write_log(tmp_path / "two.csv", SOLVES_HEADER, wrong))
        assert [one.row_kept for one in record.set_aside_rows()] == [True, True, True, False]


def test_a_refused_file_keeps_no_other_from_going_in(tmp_path: Path) -> None:
    logs = tmp_path / "logs"
    (logs / "deep").mkdir(parents=True)
    write_log(logs / "a.csv", "when,what", ["1,2"])
    write_log(logs / "deep" / "B.CSV", SOLVES_HEADER, solve_rows(2))
    (logs / "notes.txt").write_text("x")
    (logs / ".hidden.csv").write_text("x")
    with open_record(tmp_path) as record:
        refused, imported = import_files(record, [logs])
    assert isinstance(refused, FileRefused)
    assert "a.csv" in str(refused.error)
    assert isinstance(imported, FileImported)
    assert imported.went_in == 2


def test_a_site_elsewhere_is_refused_with_both_places(tmp_path: Path) -> None:
    with open_record(tmp_path):
        pass
    near = SITE_TEXT.replace(str(LATITUDE_DEG), str(LATITUDE_DEG + 0.015))
    with open_record(tmp_path, near):
        pass
    far = SITE_TEXT.replace(str(LONGITUDE_DEG), str(-LONGITUDE_DEG))
    with pytest.raises(RecordError) as caught:
        open_record(tmp_path, far)
    said = str(caught.value)
    assert "latitude 47.3, longitude -92.4 (Test pier)" in said
    assert "longitude 92.4" in said
    assert "record of its own" in said


def test_a_site_at_the_date_line_is_one_place(tmp_path: Path) -> None:
    with open_record(tmp_path, SITE_TEXT.replace(str(LONGITUDE_DEG), "179.995")):
        pass
    with open_record(tmp_path, SITE_TEXT.replace(str(LONGITUDE_DEG), "-179.995")):
        pass


def test_acknowledgements(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        record.acknowledge("first", "{}")
        record.acknowledge("seen", '{"what": 1}')
        last = record.last_acknowledged()
    assert last is not None
    assert last[1:] == ("seen", '{"what": 1}')
    assert last[0] > 1_700_000_000_000_000


def test_kept_analyses_are_replaced_and_few(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        assert record.cache_analysis("a", "old")
        assert record.cache_analysis("a", "new")
        assert record.cached_analysis("a") == "new"
        for number in range(ANALYSES_CACHED):
            record.cache_analysis(f"k{number}", "x")
        assert record.cached_analysis("k0") == "x"
        assert record.cached_analysis("a") is None


def test_an_analysis_of_another_version_is_not_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with open_record(tmp_path) as record:
        record.cache_analysis("a", "x")
        monkeypatch.setattr("drift.record.cache.__version__", "0.0.0+another")
        assert record.cached_analysis("a") is None


def test_kept_blobs(tmp_path: Path) -> None:
    blobs = {f"night {number}": bytes([number % 256]) * number for number in range(1200)}
    with open_record(tmp_path) as record:
        assert record.cache_blobs(blobs)
        assert record.cache_blobs({"night 1": b"changed"})
        found = record.cached_blobs([*blobs, "no such night"])
    assert found == {**blobs, "night 1": b"changed"}


def test_recorded_by_hand_goes_through_the_same_checks(tmp_path: Path) -> None:
    row = {
        "time_utc": "2024-01-01T00:00:00Z",
        "kind": "azimuth",
        "amount_arcmin": "-2.83",
        "note": 'a "b", c',
    }
    with open_record(tmp_path) as record:
        assert record_rows(record, "corrections", [row]).went_in == 1
        assert record_rows(record, "corrections", [row]).went_in == 0
        assert record_rows(record, "corrections", [{**row, "kind": "zero", "amount_arcmin": ""}]).went_in == 1
        with pytest.raises(RowRefused) as refused:
            record_rows(record, "corrections", [{**row, "kind": "polish"}])
        assert refused.value.row.code is IngestCode.NOT_ONE_OF
        assert error_words(refused.value).startswith("not recorded: kind = 'polish' must be one of: azimuth")
        corrections = record.readings()["corrections"]
        where = record.where(corrections["row_id"])
    assert sorted(corrections["note"]) == ['a "b", c'] * 2
    assert sorted((name, line) for name, line, _ in where.values()) == [
        ("recorded by hand", 1),
        ("recorded by hand", 2),
    ]


def test_progress_is_told_up_to_the_end(tmp_path: Path) -> None:
    log = write_log(tmp_path / "solves.csv", SOLVES_HEADER, solve_rows(7000, step_s=30))
    told: list[tuple[str, int, int]] = []
    with open_record(tmp_path) as record:
        list(import_files(record, [log], lambda file, done, rows: told.append((file, done, rows))))
    assert len(told) > 1
    assert told[-1] == (str(log), 7000, 7000)


def test_a_record_elsewhere_by_url(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    with open_record(tmp_path, SITE_TEXT + '[store]\nurl = "sqlite:///data/other.sqlite"\n'):
        pass
    assert (tmp_path / "data" / "other.sqlite").is_file()


def test_a_record_in_memory(tmp_path: Path) -> None:
    log = write_log(tmp_path / "solves.csv", SOLVES_HEADER, solve_rows(2))
    with open_record(tmp_path, SITE_TEXT + '[store]\nurl = "sqlite://"\n') as record:
        put_in(record, log)
        assert len(record.readings()["solves"]) == 2


def test_a_site_without_a_file_needs_a_url() -> None:
    from drift.site.file import pier_from_mapping

    site: PierFile = pier_from_mapping(
        {"site": {"latitude_deg": 47.3, "longitude_deg": 8.0, "elevation_m": 400.0}}
    )
    with pytest.raises(RecordError, match=r"\[store\] url"):
        Record.open(site)


def test_content_differs_when_any_one_value_does() -> None:
    rng = np.random.default_rng(7)
    base = {
        name: ["a"] if sort == "text" else np.array([5]) if sort == "int" else rng.normal(size=1)
        for name, sort in READING_COLUMNS["solves"].items()
    }
    seen = set(schema.content_ids("solves", base))
    for name, sort in READING_COLUMNS["solves"].items():
        if name != "row_id":
            changed = ["b"] if sort == "text" else base[name] + 1
            seen.update(schema.content_ids("solves", {**base, name: changed}))
    assert len(seen) == len(READING_COLUMNS["solves"])


def test_many_contents_never_meet() -> None:
    rng = np.random.default_rng(8)
    count = 200_000
    columns = {
        name: rng.integers(0, 40, count).astype(float) if sort == "float" else np.arange(count) // 50
        for name, sort in READING_COLUMNS["weather"].items()
    }
    rows = {
        tuple(row)
        for row in zip(
            *(columns[name].tolist() for name in READING_COLUMNS["weather"] if name != "row_id"), strict=True
        )
    }
    assert len(set(schema.content_ids("weather", columns))) == len(rows)


def test_the_digest_of_a_reading_stays_what_it_was() -> None:
    """A regression: with another digest every record would take its old readings for new ones."""
    columns = {
        "time_us": np.array([1_709_330_400_000_000]),
        "kind": ["azimuth"],
        "amount_arcmin": np.array([-2.83]),
        "bearing_deg": np.array([np.nan]),
        "thickness_mm": np.array([-0.0]),
        "turns": np.array([np.nan]),
        "note": ["knob"],
        "knob_way": [""],  # younger than the records whose digests these are
    }
    (one,) = schema.content_ids("corrections", columns)
    assert one.hex() == "ca50dc8bb5140f90bb9071cd0910998e"
