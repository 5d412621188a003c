"""Sweeps and runs found among solves without the mount's coordinates: all of them, no others, once each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from drift.api import analyse_readings
from drift.errors import NothingToAnalyse
from drift.ingest.kinds import found_notice
from drift.night.prepared import with_sets
from drift.night.sets import RUN, SWEEP, SetsFound, find_in
from drift.notices import NightCode, warning
from drift.readings import READING_COLUMNS, Readings, as_readings
from drift.render.notices import sentence
from drift.site.file import PierFile, pier_from_mapping

SAMPLES = Path(__file__).parents[2] / "sample_logs"
SITE = {"site": {"latitude_deg": 52.4, "longitude_deg": 83.1, "elevation_m": 215.0}}
WHERE = (52.4, 83.1, 215.0)
#: Nights of the sample logs that are looked at: enough for every case, quick to work out.
NIGHTS = 12
#: A found set is the same sightings as the labelled one, up to rounding of the arithmetic [arcsec].
SAME_ARCSEC = 1e-6
#: A run's movement is taken from places of 6 decimals of a degree, 0.0018 arcsec each [arcsec].
ROUNDED_ARCSEC = 0.1


def site_of(**optics: object) -> PierFile:
    return pier_from_mapping({**SITE, "optics": optics} if optics else SITE)


def sample(name: str) -> pd.DataFrame:
    table = pd.read_csv(SAMPLES / f"{name}.csv")
    when = pd.to_datetime(table.pop("time_utc"), format="ISO8601", utc=True).dt.tz_localize(None)
    table.insert(0, "time_us", when.astype("datetime64[us]").astype(np.int64))
    return table


def solves_of(places: pd.DataFrame) -> pd.DataFrame:
    """Return places as solves without the mount's coordinates."""
    rows = {
        name: places.get(name, "" if sort == "text" else np.nan)
        for name, sort in READING_COLUMNS["solves"].items()
    }
    table = pd.DataFrame(rows, index=places.index)
    return table.assign(row_id=np.arange(1, len(table) + 1)).reset_index(drop=True)


def sweeps() -> pd.DataFrame:
    table = sample("sweeps")
    nights = table["sweep"].str[:10].unique()[:NIGHTS]
    return table[table["sweep"].str[:10].isin(nights)].reset_index(drop=True)


def labelled(table: pd.DataFrame, kind: str) -> pd.DataFrame:
    names = list(READING_COLUMNS[kind])
    return table.assign(row_id=np.arange(1, len(table) + 1))[names]


def find(table: pd.DataFrame, guided: bool = True, modelled: bool = False) -> SetsFound:
    solves = solves_of(table)
    columns = [solves[name].to_numpy() for name in ("time_us", "ra_deg", "dec_deg")]
    pa_deg = solves["pa_deg"].to_numpy(dtype=float)
    return find_in(WHERE, *columns, [str(one) for one in solves["tube_side"]], pa_deg, guided, modelled)


def test_every_sweep_is_found_and_nothing_else_is_taken_for_one() -> None:
    """Of all 140 labelled sweeps of the sample logs, and of pointing solves without the mount's places."""
    table = sample("sweeps")
    finding = find(table)
    assert {one.kind for one in finding.sets} == {SWEEP}
    labels = [table["sweep"].iloc[one.rows].unique().tolist() for one in finding.sets]
    assert sorted(label for one in labels for label in one) == sorted(table["sweep"].unique())
    assert all(len(one) == 1 for one in labels)
    assert all(why.code is NightCode.NOT_ON_SWEEP for why in finding.left.values())
    solves = sample("solves")[["time_us", "ra_deg", "dec_deg"]].dropna()
    possible = solves["ra_deg"].between(0.0, 360.0, inclusive="left") & solves["dec_deg"].between(-90.0, 90.0)
    assert find(solves[possible]).sets == ()


def test_the_order_of_rows_does_not_matter() -> None:
    table = sweeps()
    shuffled = table.sample(frac=1.0, random_state=3)
    one, other = find(table), find(shuffled)
    assert [set(shuffled.index[found.rows]) for found in other.sets] == [
        set(found.rows) for found in one.sets
    ]


def test_found_sweeps_give_the_nights_that_labelled_ones_give() -> None:
    table = sweeps()
    wrong = list(find(table).left)
    table = table.drop(index=wrong).reset_index(drop=True)
    by_label = analyse_readings(site_of(), as_readings({"sweeps": labelled(table, "sweeps")}))
    found = analyse_readings(site_of(), as_readings({"solves": solves_of(table.drop(columns="sweep"))}))
    assert len(found.nights.nights) == len(by_label.nights.nights) >= NIGHTS // 2
    for one, other in zip(found.nights.nights, by_label.nights.nights, strict=True):
        assert one.sources == ("sweep",)
        assert one.estimate[:2] == pytest.approx(other.estimate[:2], abs=SAME_ARCSEC, nan_ok=True)
        assert one.covariance[:2, :2] == pytest.approx(other.covariance[:2, :2], rel=SAME_ARCSEC, nan_ok=True)
    told = [one for one in found.notices if one.code is NightCode.SWEEP_FOUND]
    assert len(told) == table["sweep"].nunique()
    assert sentence(told[0]).startswith("A sweep was found")
    assert "the declination axis stood still" in sentence(told[0])


def test_a_label_has_the_last_word() -> None:
    table = sweeps().iloc[:14]
    assert table["sweep"].nunique() == 2
    named = solves_of(table)  # the column `sweep` comes along
    prepared = with_sets(WHERE, True, False, as_readings({"solves": named}))
    assert prepared.notices == ()
    assert set(prepared.readings["sweeps"]["sweep"]) == set(table["sweep"])
    refused = named.assign(sweep=["None"] * 7 + [""] * 7)
    prepared = with_sets(WHERE, True, False, as_readings({"solves": refused}))
    assert len(prepared.readings["sweeps"]) == 7
    assert [one.row_id for one in prepared.left_out] == [1, 2, 3, 4, 5, 6, 7]
    assert prepared.left_out[0].reason.code is NightCode.LABELLED_NONE
    moved = named.assign(sweep="mine", dec_deg=named["dec_deg"] + np.linspace(0.0, 9.0, 14))
    prepared = with_sets(WHERE, True, False, as_readings({"solves": moved}))
    assert set(prepared.readings["sweeps"]["sweep"]) == {"mine"}


def test_no_solve_counts_twice() -> None:
    """The same solves bare, in a labelled sweep and as pointing solves: they count once, as labelled."""
    table = sweeps().iloc[:7]
    bare = solves_of(table.drop(columns="sweep"))
    pointing = bare.assign(
        mount_ra_deg=bare["ra_deg"], mount_dec_deg=bare["dec_deg"], row_id=bare["row_id"] + 50
    )
    sets = labelled(table, "sweeps").assign(row_id=np.arange(101, 108))
    tables = {"solves": pd.concat([bare, pointing], ignore_index=True), "sweeps": sets}
    prepared = with_sets(WHERE, True, False, as_readings(tables))
    assert len(prepared.readings["solves"]) == 0
    assert prepared.readings["sweeps"]["row_id"].tolist() == sets["row_id"].tolist()
    assert len(prepared.left_out) == 14
    prepared = with_sets(WHERE, True, False, as_readings({"solves": tables["solves"]}))
    assert prepared.readings["solves"]["row_id"].tolist() == pointing["row_id"].tolist()
    assert len(prepared.readings["sweeps"]) == 0
    assert {one.row_id for one in prepared.left_out} == set(bare["row_id"])
    assert prepared.left_out[0].reason.code is NightCode.IN_RECORD_TWICE


def test_readings_without_such_solves_are_left_as_they_are() -> None:
    readings = as_readings({"sweeps": labelled(sweeps(), "sweeps")})
    assert with_sets(WHERE, True, False, readings).readings is readings


def test_a_mount_re_centred_on_a_catalogue_declination_is_no_sweep() -> None:
    """Fields of one declination J2000: precession moves them over date, and the axis followed."""
    time_us = sweeps()["time_us"].iloc[0] + np.arange(8) * 120_000_000
    ra = 30.0 + np.arange(8) * -12.0
    noise = np.random.default_rng(5).normal(0.0, 10.0 / 3600.0, 8)
    finding = find(pd.DataFrame({"time_us": time_us, "ra_deg": ra % 360.0, "dec_deg": 40.0 + noise}))
    assert finding.sets == ()
    assert all(why.code is NightCode.RECENTRED for why in finding.left.values())


@pytest.mark.parametrize(
    ("keep", "fields", "says"),
    [
        (slice(0, 4), 4, "4 fields at one declination in a row"),
        (slice(0, 1), 1, "1 field at one declination"),
    ],
)
def test_too_little_is_no_sweep(keep: slice, fields: int, says: str) -> None:
    finding = find(sweeps().iloc[:7].iloc[keep])
    assert finding.sets == ()
    assert finding.left[0] == warning(NightCode.TOO_FEW_FIELDS, fields=fields, needed_fields=5)
    assert says in sentence(finding.left[0])


def test_a_mount_with_its_own_model_has_no_still_axis() -> None:
    finding = find(sweeps().iloc[:7], modelled=True)
    assert finding.sets == ()
    assert finding.left[0].code is NightCode.MOUNT_MOVES_AXES


def test_a_meridian_flip_ends_a_sweep() -> None:
    table = sweeps().iloc[:7].assign(tube_side=["east"] * 3 + ["west"] * 4)
    assert find(table).sets == ()
    table = sweeps().iloc[:7].assign(pa_deg=[10.0] * 3 + [190.0] * 4)
    assert find(table).sets == ()


def runs() -> pd.DataFrame:
    table = sample("runs")
    return table[table["run"].isin(table["run"].unique()[:NIGHTS])].reset_index(drop=True)


def as_places(table: pd.DataFrame) -> pd.DataFrame:
    """Return where the middle of the field stood: it moved the other way than the star."""
    d_ra = table["ra_offset_arcsec"] / 3600.0 / np.cos(np.radians(table["dec_deg"]))
    return pd.DataFrame(
        {
            "time_us": table["time_us"],
            "ra_deg": (table["ra_deg"] - d_ra) % 360.0,
            "dec_deg": table["dec_deg"] - table["dec_offset_arcsec"] / 3600.0,
        }
    )


def test_a_field_followed_for_long_is_a_run_when_the_site_file_says_unguided() -> None:
    table = runs()
    places = as_places(table)
    assert find(places).sets == ()
    assert find(places).left[0].code is NightCode.RUN_IF_UNGUIDED
    finding = find(places, guided=False)
    assert {one.kind for one in finding.sets} == {RUN}
    found = [table["run"].iloc[one.rows].unique().tolist() for one in finding.sets]
    assert [label for one in found for label in one] == table["run"].unique().tolist()


def test_found_runs_give_the_nights_that_labelled_ones_give() -> None:
    table = runs()
    by_label = analyse_readings(site_of(guided=False), as_readings({"runs": labelled(table, "runs")}))
    found = analyse_readings(site_of(guided=False), as_readings({"solves": solves_of(as_places(table))}))
    assert len(found.nights.nights) == len(by_label.nights.nights)
    for one, other in zip(found.nights.nights, by_label.nights.nights, strict=True):
        assert one.sources == ("run",)
        sd = np.sqrt(np.diagonal(other.covariance)[:2])
        assert np.all(np.abs(one.working[:2] - other.working[:2]) < ROUNDED_ARCSEC * sd)


def test_the_movement_of_a_found_run_is_against_the_mount() -> None:
    table = runs()
    table = table[table["run"] == table["run"].iloc[0]]
    solves = solves_of(as_places(table))
    made = with_sets(WHERE, False, False, as_readings({"solves": solves})).readings["runs"]
    first = table["dec_offset_arcsec"].iloc[0]
    assert made["dec_offset_arcsec"].to_numpy() == pytest.approx(
        (table["dec_offset_arcsec"] - first).to_numpy(), abs=ROUNDED_ARCSEC
    )


def test_a_dithered_field_is_no_run() -> None:
    places = as_places(runs().iloc[:50])
    rng = np.random.default_rng(9)
    dithered = places.assign(dec_deg=places["dec_deg"] + rng.uniform(-20.0, 20.0, len(places)) / 3600.0)
    finding = find(dithered, guided=False)
    assert finding.sets == ()
    assert any(why.code is NightCode.RUN_NOT_SMOOTH for why in finding.left.values())


def test_when_nothing_is_found_the_refusal_says_why() -> None:
    with pytest.raises(
        NothingToAnalyse, match="without the mount's coordinates; 3 fields at one declination"
    ):
        analyse_readings(
            site_of(), as_readings({"solves": solves_of(sweeps().iloc[:3].drop(columns="sweep"))})
        )


def test_words() -> None:
    table = sweeps().iloc[:9]
    said = sentence(found_notice(find(table), 9))
    assert said.startswith("9 solves come without the mount's coordinates; 7 of them form a sweep, found")
    assert "2 can't be used by themselves, for instance because: 2 fields at one declination" in said


def test_readings_keep_their_name() -> None:
    made = Readings(as_readings({"solves": solves_of(sweeps())}).tables, "name")
    assert with_sets(WHERE, True, False, made).readings.readings_id == "name"
