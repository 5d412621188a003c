"""Past forecasts scored on an invented pier: nothing later is seen, and what came suddenly is taken out."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from drift.analysis import work_out
from drift.codes import CauseKind
from drift.demo.files import make, site_values
from drift.demo.scenario import family
from drift.forecast.outlook import _happened, cuts, hindcasts, known_by
from drift.quantities import DAY_US
from drift.readings import as_readings
from drift.site.file import pier_from_mapping

#: A forecast of a pier that swings by some 50 arcsec is off by no more than this: 3 to 12 on ten piers.
OFF_AT_MOST = 25.0


@pytest.fixture(scope="module")
def pier():
    scenario = family("heave", 71, years=2.5, nights_a_year=40.0, latitude_deg=48.0, heave=50.0)
    world = make(scenario)
    site = pier_from_mapping({**site_values(scenario), "store": {"url": "sqlite://"}})
    readings = world.readings()
    return site, readings, work_out(site, readings)


def test_a_winter_is_hidden_from_the_end_of_summer_on(pier):
    site, _, analysis = pier
    found = cuts(analysis, False, site.site.longitude_deg)
    assert [name for _, name in found] == ["2022-23", "2023-24"]
    assert {str(np.datetime64(time, "us").astype("datetime64[M]"))[-2:] for time, _ in found} <= {"08", "09"}


def test_the_last_winter_is_scored_and_nothing_later_is_seen(pier):
    site, readings, analysis = pier
    (first,) = hindcasts(site, readings, analysis, work_out, most=1)
    assert first.winter == "2023-24"
    assert 5 <= first.nights <= 40
    assert 0.0 < first.rms < OFF_AT_MOST
    assert 0.0 <= first.inside <= 1.0
    later = {kind: table.copy() for kind, table in readings.tables.items()}
    hot = later["weather"]["day"] >= first.cut_us // DAY_US
    assert hot.sum() > 100
    for column in ("t_min_c", "t_max_c"):
        later["weather"].loc[hot, column] += 25.0
    (again,) = hindcasts(site, as_readings(later), analysis, work_out, most=1)
    assert again == first


def test_known_by_a_time_is_what_was_read_before(pier):
    _, readings, _ = pier
    cut = int(readings["solves"]["time_us"].median())
    then = known_by(readings, cut)
    assert then["solves"]["time_us"].max() < cut <= readings["solves"]["time_us"].max()
    assert (then["weather"]["day"].max() + 1) * DAY_US <= cut


def test_corrections_after_the_day_are_taken_out_of_what_happened(pier):
    _, _, analysis = pier
    cut, until = cuts(analysis, False, 0.0)[-1][0], 2**62
    times, plain, _ = _happened(analysis, cut, until)
    history = analysis.history
    knob = np.zeros_like(history.change)
    knob[history.time_us >= times[len(times) // 2], 4] = 300.0
    cause = replace(history.causes[0], kind=CauseKind.CORRECTION, change=knob)
    turned = replace(analysis, history=replace(history, causes=(*history.causes, cause)))
    moved = plain - _happened(turned, cut, until)[1]
    assert moved[0] == pytest.approx([0.0, 0.0])
    assert moved[-1] == pytest.approx([300.0, 0.0])


def test_a_short_record_is_not_scored(pier):
    site, readings, _ = pier
    start = int(readings["solves"]["time_us"].min())
    short = known_by(readings, start + 150 * DAY_US)
    assert isinstance(short["weather"], pd.DataFrame)
    assert hindcasts(site, short, work_out(site, short), work_out) == ()
