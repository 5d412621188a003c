"""What is kept of old nights: the answer is the same with it, and only new nights are done."""

import numpy as np
from exact_mount import Case, make

import drift.analysis as pipeline
import drift.night.directions as directions_module
import drift.night.outliers as search_module
from drift.analysis import work_out
from drift.cache import pack
from drift.demo.files import make as make_world
from drift.demo.scenario import family
from drift.night.estimate import estimate_nights
from drift.night.prepared import split_nights
from drift.readings import Readings, as_readings
from drift.site.file import pier_from_mapping
from drift.types import History, Nights


class Shelf:
    """A store in memory that counts."""

    def __init__(self):
        self.pieces, self.put_count = {}, 0

    def get(self, keys):
        return {key: self.pieces[key] for key in keys if key in self.pieces}

    def put(self, pieces):
        self.pieces |= pieces
        self.put_count += len(pieces)


def world():
    scenario = family("quiet", 4, years=1.0, nights_a_year=60.0, wrong_solve_chance=0.03)
    made = make_world(scenario)
    site = {
        "site": {
            "latitude_deg": scenario.latitude_deg,
            "longitude_deg": scenario.longitude_deg,
            "elevation_m": scenario.elevation_m,
        },
        "mount": {"hour_angle_zero": "kept"},
    }
    return pier_from_mapping(site), made.readings()


def test_the_analysis_is_the_same_bit_for_bit_with_and_without_what_was_kept():
    site, readings = world()
    shelf = Shelf()
    without, first, again = (
        work_out(site, readings),
        work_out(site, readings, shelf),
        work_out(site, readings, shelf),
    )
    for other in (first, again):
        for a, b in zip(without.nights.nights, other.nights.nights, strict=True):
            assert np.array_equal(a.estimate, b.estimate, equal_nan=True)
            assert np.array_equal(a.covariance, b.covariance, equal_nan=True)
        assert np.array_equal(without.history.change, other.history.change)
    assert without.notices == again.notices


def test_a_night_added_does_the_sky_of_that_night_only(monkeypatch):
    site, readings = world()
    solves = readings["solves"]
    last = solves["time_us"] >= solves["time_us"].max() - 40_000_000_000
    shelf = Shelf()
    work_out(site, as_readings({"solves": solves[~last].reset_index(drop=True)}), shelf)
    seen, plain = [], directions_module.observed

    def counted(latitude, longitude, elevation, time_us, *rest):
        seen.append(len(time_us))
        return plain(latitude, longitude, elevation, time_us, *rest)

    monkeypatch.setattr(directions_module, "observed", counted)
    work_out(site, readings, shelf)
    assert seen == [int(last.sum())]


def test_a_night_looked_at_closely_is_not_looked_at_again(monkeypatch):
    made = make(Case(51, nights=40, wrong=0.03))
    split = split_nights(0.0, made.readings["corrections"])
    shelf, looked, plain = Shelf(), [], search_module.explain

    def counted(problem):
        looked.append(problem)
        return plain(problem)

    monkeypatch.setattr(search_module, "explain", counted)
    for _ in range(2):
        estimate_nights(np.radians(46.0), split, made.readings, made.directions, "kept", shelf)
    first = len(looked)
    assert first > 0
    estimate_nights(np.radians(46.0), split, made.readings, made.directions, "kept", shelf)
    assert len(looked) == first


def counted_work(monkeypatch):
    made, plain = [], pipeline._work

    def counted(*given):
        made.append(given)
        return plain(*given)

    monkeypatch.setattr(pipeline, "_work", counted)
    return made


def test_the_same_readings_are_not_worked_out_again(monkeypatch):
    site, readings = world()
    known, shelf = Readings(readings.tables, "of the test"), Shelf()
    made = counted_work(monkeypatch)
    first, again = work_out(site, known, shelf), work_out(site, known, shelf)
    assert len(made) == 1
    assert pack(first.history, History) == pack(again.history, History)
    assert pack(first.nights, Nights) == pack(again.nights, Nights)
    assert (first.advice, first.notices) == (again.advice, again.notices)
    assert first.defaults_used == again.defaults_used


def test_another_site_file_other_rows_or_spoilt_bytes_are_worked_out(monkeypatch):
    site, readings = world()
    tables, shelf = readings.tables, Shelf()
    made = counted_work(monkeypatch)
    work_out(site, Readings(tables, "of the test"), shelf)
    other = site.model_copy(update={"mount": site.mount.model_copy(update={"hour_angle_zero": "unknown"})})
    work_out(other, Readings(tables, "of the test"), shelf)
    moved = {**tables, "solves": tables["solves"].assign(row_id=tables["solves"]["row_id"] + 1)}
    work_out(site, Readings(moved, "of the test"), shelf)
    assert len(made) == 3
    name, _, _ = shelf.pieces[pipeline.WORKED].partition(b"\n")
    shelf.pieces[pipeline.WORKED] = name + b"\nnothing that was packed"
    work_out(site, Readings(moved, "of the test"), shelf)
    assert len(made) == 4


def test_readings_that_do_not_say_what_they_are_are_worked_out_each_time(monkeypatch):
    site, readings = world()
    made, shelf = counted_work(monkeypatch), Shelf()
    for _ in range(2):
        work_out(site, Readings(readings.tables), shelf)
    assert len(made) == 2
