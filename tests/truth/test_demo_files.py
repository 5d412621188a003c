"""The invented world as files: the same bytes again, and the files say what the truth says."""

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from drift.demo.files import DECIMALS, FILES, World, log_texts, make, world_texts
from drift.demo.instrument import Overhead
from drift.demo.samples import NORTH, SAMPLES, SOUTH, samples_files
from drift.demo.scenario import InventedCorrection, Scenario
from drift.site.file import load_pier

SAMPLE_LOGS = Path(__file__).parents[2] / "sample_logs"
LARGEST_BYTES = 2_000_000  # agreed for the whole folder
MAKE_ANEW = "make the sample logs anew with `python -m drift.demo`"


@pytest.fixture(scope="module")
def files() -> dict[str, str]:
    return samples_files()


@pytest.fixture(scope="module")
def world() -> World:
    kinds = ((("pointing",), 3.0), (("sweep", "run"), 1.0), (("typed",), 1.0))
    return make(
        Scenario(
            seed=9,
            years=0.8,
            nights_a_year=50,
            night_kinds=kinds,
            level_every_days=20.0,
            mount_az0=200.0,
            corrections=(InventedCorrection(150.2, note='turned it, "a little"'),),
            zero="synced",
            before_sync_logged=True,
            session_logged=True,
        )
    )


def test_sample_logs_come_out_of_their_seeds_bit_for_bit(files):
    kept = {
        path.relative_to(SAMPLE_LOGS).as_posix(): path.read_bytes()
        for path in SAMPLE_LOGS.rglob("*")
        if path.suffix in (".csv", ".json", ".md", ".toml")  # not a record that somebody made there
        and "quirks" not in path.parts  # written by hand
    }
    assert sorted(kept) == sorted(files), MAKE_ANEW
    for name, text in files.items():
        assert kept[name] == text.encode("utf-8"), f"{name}: {MAKE_ANEW}"


def test_sample_logs_are_small_and_hold_every_kind_of_log(files):
    assert sum(len(text.encode("utf-8")) for text in files.values()) < LARGEST_BYTES
    assert set(FILES.values()) <= set(files)


def test_the_main_sample_shows_four_winters_a_slip_and_one_correction(files):
    truth = json.loads(files["truth.json"])
    assert [event["recorded"] for event in truth["events"]] == [False, True]
    assert truth["events"][0]["mount_az"] == 118.0
    pointing = truth["nights"]["pointing"]
    times = np.array(pointing["time_us"])
    winters = [f"{year}-01-15" for year in (2023, 2024, 2025, 2026)]
    for moment in winters:
        assert times.min() < np.datetime64(moment, "us").astype(np.int64) < times.max()
    assert truth["wrong_solves"] / sum(pointing["readings"]) == pytest.approx(0.01, abs=0.006)


@pytest.mark.parametrize("sample", SAMPLES, ids=["north", "south"])
def test_the_site_file_is_valid_and_the_scenarios(sample, files, tmp_path):
    path = tmp_path / "pier.toml"
    path.write_text(files[f"{sample.folder}/pier.toml".lstrip("/")], encoding="utf-8")
    site = load_pier(path)
    assert (site.site.latitude_deg, site.site.longitude_deg, site.site.elevation_m) == sample.scenario.site
    assert site.mount.hour_angle_zero == sample.scenario.zero
    assert site.horizon.altitude_deg == sample.scenario.horizon


def as_table(text: str) -> pd.DataFrame:
    return pd.read_csv(io.StringIO(text), keep_default_na=False, dtype=str)


def test_what_is_written_is_what_the_tables_hold(world):
    texts, _ = log_texts(world)
    for kind, name in FILES.items():
        written, table = as_table(texts[name]), world.readings()[kind].reset_index(drop=True)
        assert len(written) == len(table) > 0
        for column in table.columns.difference(["row_id", "time_us", "day", "before_sync"]):
            if column not in written:
                assert table[column].isna().all() or (table[column] == "").all()
            elif column in DECIMALS:
                numbers = pd.to_numeric(written[column].replace("", "nan")).to_numpy(dtype=float)
                np.testing.assert_array_equal(numbers, table[column].to_numpy(dtype=float), err_msg=column)
            else:
                assert written[column].tolist() == table[column].tolist()
        if "time_us" in table:
            times = pd.to_datetime(written["time_utc"], utc=True).dt.tz_localize(None).to_numpy()
            np.testing.assert_array_equal(
                times.astype("datetime64[us]").astype(np.int64), table["time_us"].to_numpy()
            )


def test_before_sync_is_written_as_true_and_false(world):
    flags = as_table(log_texts(world)[0]["solves.csv"])["before_sync"]
    assert set(flags) == {"true", "false"}


def test_truth_in_the_file_is_the_truth(world):
    said = json.loads(world_texts(world)["truth.json"])
    for kind, nights in world.truth.nights.items():
        for column in ("time_us", "az_error", "alt_error", "tilt_north", "mount_az"):
            np.testing.assert_allclose(said["nights"][kind][column], getattr(nights, column), atol=0.006)
    assert said["nights"]["sweep"]["zero"][0] is None


def test_unusable_rows_are_where_the_truth_says(files):
    listed = json.loads(files["truth.json"])["bad_rows"]
    assert len(listed) == 9
    whats = {}
    for bad in listed:
        lines = files[bad["file"]].splitlines()
        (row,) = csv.DictReader(io.StringIO(lines[0] + "\n" + lines[bad["line"] - 1]))
        whats[bad["what"]] = row
    assert not whats["time without a zone"]["time_utc"].endswith("Z")
    assert whats["right ascension is NaN"]["ra_deg"] == "NaN"
    assert whats["dated 1970"]["time_utc"].startswith("1970")
    assert float(whats["declination out of range"]["dec_deg"]) > 90.0
    assert float(whats["below the horizon"]["dec_deg"]) < -(90.0 - NORTH.scenario.latitude_deg)
    far = whats["45 degrees from the mount's place"]
    assert abs(float(far["dec_deg"]) - float(far["mount_dec_deg"])) == pytest.approx(45.0, abs=1.0)
    moment = np.array([np.datetime64(far["time_utc"].rstrip("Z"), "us").astype(np.int64)])
    overhead = Overhead(NORTH.scenario.site, moment, np.array([0.0]), np.array([990.0]))
    seen = overhead.enu_of(*(np.radians([float(far[name])]) for name in ("ra_deg", "dec_deg")))
    assert seen[0, 2] > 0.2  # well up, so that the mount's place is the only thing wrong
    assert whats["unknown kind"]["kind"] == "fiddled"
    assert float(whats["lowest temperature above the highest"]["t_min_c"]) > float(
        whats["lowest temperature above the highest"]["t_max_c"]
    )


def test_bad_rows_stand_beside_all_good_ones():
    scenario = replace(SOUTH.scenario, years=0.5)
    good, _ = log_texts(make(scenario))
    bad, listed = log_texts(make(replace(scenario, bad_rows=True)))
    for name, text in bad.items():
        drop = {row.line for row in listed if row.file == name}
        kept = [line for number, line in enumerate(text.splitlines(), 1) if number not in drop]
        assert kept == good[name].splitlines()


def test_a_world_writes_itself(world, tmp_path):
    paths = world.write(tmp_path / "new" / "folder")
    assert {path.name for path in paths} == {*FILES.values(), "pier.toml", "truth.json"}
    assert all(path.is_file() for path in paths)


def test_the_wall_hides_its_part_of_the_sky(files):
    # The house in the east reaches 47 degrees between bearings 60 and 108.
    solves = as_table(files["solves.csv"])
    listed = {
        bad["line"] for bad in json.loads(files["truth.json"])["bad_rows"] if bad["file"] == "solves.csv"
    }
    solves = solves[[number + 2 not in listed for number in solves.index]]
    moments = np.array([np.datetime64(t.rstrip("Z"), "us").astype(np.int64) for t in solves["time_utc"]])
    air = (solves["temp_c"].to_numpy(dtype=float), solves["pressure_hpa"].to_numpy(dtype=float))
    places = (np.radians(solves[name].to_numpy(dtype=float)) for name in ("ra_deg", "dec_deg"))
    enu = Overhead(NORTH.scenario.site, moments, *air).enu_of(*places)
    bearing = np.degrees(np.arctan2(enu[:, 0], enu[:, 1])) % 360.0
    altitude = np.degrees(np.arcsin(enu[:, 2]))
    east = (bearing > 61.0) & (bearing < 107.0)
    assert east.sum() > 50
    assert altitude[east].min() > 47.0 - 0.6  # wrong solves may land half a degree lower
    assert altitude[~east].min() < 30.0
