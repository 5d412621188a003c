"""The order in which piers want looking at, and how a line is written: in words and as data."""

import json
import random
from dataclasses import replace
from pathlib import Path

import pytest

from drift.api import make_site
from drift.codes import Do, NewsKind, Standing, TaskFailure, Urgency
from drift.notices import WatchCode, warning
from drift.piers.line import PierLine, PierNight, Waiting, by_urgency, failed_line, pier_line_of
from drift.piers.listing import Listed
from drift.piers.running import Done
from drift.quantities import DAY_US
from drift.render.encode import place_rounded
from drift.render.piers import (
    as_mapping,
    cells_of,
    failure_words,
    nights_mapping,
    shared_care_words,
    shown_lines,
    summary,
)
from drift.types import Action
from drift.watch.coming import Item, News
from drift.watch.limits import Against, NowState
from drift.watch.nightly import FileWaiting, FileWaits, NightlyResult, SharedFolders

NOW_US = 20_000 * DAY_US + DAY_US // 2


def against(value, limit, standing=Standing.WITHIN, sd=1.0):
    return Against(value=value, sd=sd, limit=limit, standing=standing, time_us=NOW_US)


def line(name, urgency=Urgency.QUIET, axis=60.0, tilt=30.0, **more):
    values = {
        "site_path": f"/home/someone/piers/{name}/pier.toml",
        "now_us": NOW_US,
        "latitude_deg": 47.3456,
        "longitude_deg": 0.0,
        "axis": against(axis, 120.0),
        "tilt": against(tilt, 60.0),
        "last_night_us": NOW_US - 3 * DAY_US,
        "last_reading_us": NOW_US - DAY_US,
        **more,
    }
    return PierLine(name=name, urgency=urgency, **values)


def news(kind, alarm=True, seen_once=False):
    return Waiting(kind=kind, code="watch.x", time_us=NOW_US, alarm=alarm, seen_once=seen_once)


def test_the_most_urgent_comes_first_then_the_nearest_to_its_limit_then_the_name():
    # shares of a limit by hand: b 90/120 = 0.75; c and d 48/60 = 0.8; a is quiet with 0.5; e has work
    lines = [
        line("e", tilt=0.0, do=(Do.SHIM,)),
        line("a"),
        line("d", Urgency.NOTICE, tilt=48.0),
        line("c", Urgency.NOTICE, tilt=48.0),
        line("b", Urgency.NOTICE, axis=90.0),
        line("z", Urgency.MOVED),
        failed_line("y", "y/pier.toml", "no such file", NOW_US),
    ]
    random.Random(1).shuffle(lines)
    assert [one.name for one in by_urgency(lines)] == ["z", "y", "c", "d", "b", "e", "a"]


def test_every_urgency_has_its_place():
    lines = [line(str(one), one) for one in Urgency]
    assert [one.urgency for one in by_urgency(reversed(lines))] == list(Urgency)
    assert summary(lines).count(" 1 ") == len(Urgency)


@pytest.mark.parametrize("width", [80, 60, 40])
def test_lines_fit_the_width_whatever_stands_in_them(width):
    long = "a pier with a name that is longer than any column has room for"
    lines = by_urgency(
        [
            line(long, Urgency.MOVED, axis=7200.0, waiting=(news(NewsKind.AXIS_LIMIT),) * 4, do=tuple(Do)),
            line("ok", tilt=59.7),
            failed_line("bad", "bad/pier.toml", "a reason \n of two lines " * 20, NOW_US),
        ]
    )
    shown = shown_lines(lines, width)
    assert len(shown) == 1 + len(lines)
    assert all(len(one.text) <= width and "\n" not in one.text for one in shown)
    assert [one.urgency for one in shown[1:]] == [Urgency.MOVED, Urgency.FAILED, Urgency.QUIET]


def test_the_cells_of_a_line():
    moved = (news(NewsKind.TILT_LIMIT), news(NewsKind.SOON, alarm=False))
    cells = cells_of(
        line(
            "west",
            Urgency.MOVED,
            axis=84.0,
            tilt=57.0,
            waiting=moved,
            do=(Do.TIGHTEN, Do.TURN_AZIMUTH, Do.TURN_ALTITUDE),
        )
    )
    # 84" ± 1" are 1.40' ± 0.017', 120" are 2'
    assert (cells.mark, cells.axis, cells.tilt, cells.age) == (
        "!",
        "1.40 ± 0.02 of 2'",
        '57 ± 1 of 60"',
        "3 d",
    )
    assert cells.waits == "tilt past its limit +1; tighten, ..."
    near = replace(line("near"), tilt=against(58.0, 60.0, Standing.CLOSE, sd=3.0), do=(Do.NOTHING,))
    assert cells_of(near).tilt == '~58 ± 3 of 60"' and cells_of(near).waits == ""
    # from ten arcminutes on value, sd and limit are in arcminutes: 630" = 10.5'
    wide = replace(line("wide"), tilt=against(630.0, 1200.0, sd=36.0))
    assert cells_of(wide).tilt == "10.5 ± 0.6 of 20'"
    both = replace(line("both"), do=(Do.TURN_AZIMUTH, Do.TURN_ALTITUDE))
    assert cells_of(both).waits == "turn both knobs"


def test_positions_are_rounded_to_a_town_unless_asked_for():
    data = as_mapping([line("west")], Path("/home/someone/piers"))
    (one,) = data["piers"]
    assert (one["latitude_deg"], one["longitude_deg"]) == (47.3, 0.0)
    assert one["site_file"] == "west/pier.toml"
    assert "someone" not in json.dumps(data) and data["positions"] == "rounded"
    exact = as_mapping([line("west")], exact_positions=True)
    assert exact["piers"][0]["latitude_deg"] == 47.3456 and exact["positions"] == "exact"


def test_rounding_reaches_every_depth_and_leaves_the_rest():
    document = {
        "a": [{"site_latitude_deg": -33.87, "elevation_m": 1234, "sd": 0.1234}],
        "longitude_deg": None,
    }
    assert place_rounded(document) == {
        "a": [{"site_latitude_deg": -33.9, "elevation_m": 1250.0, "sd": 0.1234}],
        "longitude_deg": None,
    }


def test_the_data_of_a_line_is_plain_and_complete():
    data = as_mapping(
        [
            line("west", Urgency.MOVED, waiting=(news(NewsKind.EVENT),), do=(Do.MEASURE,)),
            failed_line("y", "y/pier.toml", "no such file", NOW_US),
        ]
    )
    json.dumps(data, allow_nan=False)
    west, failed = data["piers"]
    assert west.keys() == failed.keys()
    assert (west["urgency"], west["waits"], west["night_age_days"], west["do"]) == (
        "moved",
        True,
        3,
        ["measure"],
    )
    assert west["waiting"][0]["kind"] == "event" and west["trouble"] is None
    assert (failed["urgency"], failed["waits"], failed["trouble"]) == ("failed", False, "no such file")


def test_a_file_that_piers_share_is_told_once_and_where_a_question_about_it_is_open():
    def night(name, *waiting):
        shared = SharedFolders(waiting=waiting, missing=("/x/gone",))
        result = NightlyResult(site_file="", name=name, now_us=NOW_US, shared=shared)
        return PierNight(line=line(name), result=result)

    solves = FileWaiting(file="/x/solves.csv", why=FileWaits.NOT_WEATHER)
    station = FileWaiting(file="/x/station.csv", why=FileWaits.QUESTION, questions=("column.t_min_c",))
    young = FileWaiting(file="/x/young.csv", why=FileWaits.GROWING)
    nights = [night("a", solves, station, young), night("b", solves), night("c", solves, station)]
    nights.append(PierNight(line=line("lost"), result=None))
    gone, no_weather, question = shared_care_words(nights)
    assert "/x/gone" in gone and "solves.csv is no weather log" in no_weather
    assert "station.csv: how it is to be read is open at a and c;" in question
    weather = nights_mapping(nights)["weather"]
    whys = {"solves.csv": "not_weather", "station.csv": "question", "young.csv": "growing"}
    assert weather["files_waiting"] == [{"file": name, "why": why} for name, why in whys.items()]
    assert weather["folders_missing"] == 1


@pytest.mark.parametrize("failure", list(TaskFailure))
def test_every_failure_has_its_words(failure):
    said = failure_words(failed(failure))
    assert len(said) > 20
    assert ("someone" in said) == (failure is TaskFailure.UNFORESEEN or failure is TaskFailure.OTHER_PROGRAM)


def test_the_list_reads_as_it_was_approved(approved):
    lines = [line(str(urgency), urgency) for urgency in Urgency if urgency is not Urgency.FAILED]
    lines += [line(f"news {kind}", Urgency.MOVED, waiting=(news(kind),) * 2) for kind in NewsKind]
    lines += [line(f"do {do}", do=(do,)) for do in Do]
    lines += [
        line("once", Urgency.SEEN_ONCE, waiting=(news(NewsKind.EVENT, seen_once=True),)),
        line("nothing known", Urgency.UNKNOWN, axis=1.0, last_night_us=None),
        failed_line("broken", "/x/broken/pier.toml", failure_words(failed(TaskFailure.REFUSED)), NOW_US),
    ]
    words = [one.text for one in shown_lines(by_urgency(lines))]
    words += ["", summary(lines), ""]
    words += [f"{failure}: {failure_words(failed(failure))}" for failure in TaskFailure]
    approved("piers", "\n".join(words) + "\n")


def failed(failure):
    place = Path("/home/someone/piers/broken/pier.toml")
    return Done(pier=Listed("broken", place), failure=failure, trouble=f"{place}, line 1: because", tries=3)


WITHIN = against(1.0, 60.0)
CLOSE = against(59.0, 60.0, Standing.CLOSE)
BEYOND = against(90.0, 60.0, Standing.BEYOND)


def item(kind):
    return Item(kind=kind, time_us=NOW_US, notice=warning(WatchCode.SEEN_ONCE))


@pytest.mark.parametrize(
    ("tilt", "found", "do", "urgency"),
    [
        (WITHIN, {"new": (item(NewsKind.EVENT),)}, (), Urgency.MOVED),
        (BEYOND, {"notices": (item(NewsKind.SOON),)}, (), Urgency.BEYOND),
        (CLOSE, {"provisional": (item(NewsKind.EVENT),)}, (), Urgency.SEEN_ONCE),
        (CLOSE, {"notices": (item(NewsKind.OLD),)}, (), Urgency.NOTICE),
        (WITHIN, {}, (Do.CALL_FOR_HELP,), Urgency.NOTICE),
        (CLOSE, {}, (), Urgency.CLOSE),
        (None, {}, (), Urgency.UNKNOWN),
        (WITHIN, {}, (Do.SHIM,), Urgency.QUIET),
    ],
)
def test_how_urgent_a_pier_is(tilt, found, do, urgency):
    state = NowState(
        axis=None,
        tilt=tilt,
        year_ago=None,
        last_night_us=NOW_US,
        last_reading_us=NOW_US,
        now_us=NOW_US,
        actions=tuple(Action(do=one, notice=warning(WatchCode.SEEN_ONCE)) for one in do),
    )
    news = News(**{"new": (), "provisional": (), **found})
    made = pier_line_of("west", make_site(47.3, -92.4, 410), state, news, NOW_US)
    assert (made.urgency, made.waits, made.do) == (urgency, urgency is Urgency.MOVED, do)
    assert len(made.waiting) == len(found)
    assert all(one.alarm == (urgency is Urgency.MOVED) for one in made.waiting)
