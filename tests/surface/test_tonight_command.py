"""`drift tonight`: what it is for by what was done last, the list, JSON, target list and chart."""

from __future__ import annotations

import csv
import json
from dataclasses import replace

import numpy as np
import pytest
from invented_analysis import DAY_US, invented
from record_world import run

from drift.codes import CorrectionKind, Instead, Side
from drift.notices import TonightCode, info, warning
from drift.readings import as_readings
from drift.render.sections import Lead, sections_text
from drift.render.tonight import tonight_sections, tonight_title
from drift.render.tonight_words import SENTENCES, told
from drift.site.file import pier_from_mapping
from drift.tonight.evening import Wish, tonight_of
from drift.tonight.state import better_than_fields, known_before, purpose_of
from drift.types import CorrectionFound

SITE = """[site]
name = "Hill garden"
latitude_deg = 47.3
longitude_deg = 15.5
elevation_m = 410
timezone = "Europe/Vienna"
[horizon]
altitude_deg = [[0, 15], [100, 20], [120, 60], [300, 60], [320, 20]]
"""
AT = "2026-11-30T19:00Z"
AT_US = 1_796_065_200_000_000

# ---- The purpose, and what does more than any field.


def correction(kind, time_us, asked=60.0):
    return CorrectionFound(time_us=time_us, kind=kind, asked=asked, found=None, found_sd=None, held=None)


def with_corrections(*corrections):
    """Return an answer in which nothing moved but by these corrections."""
    analysis = invented()
    return replace(analysis, history=replace(analysis.history, corrections=corrections, events=()))


LATE = int(invented().history.time_us[-1]) + DAY_US


def test_the_purpose_follows_what_was_done_last():
    pier = invented().site
    assert purpose_of(pier, None).code == TonightCode.FIND_AXIS
    assert purpose_of(pier, with_corrections()).code == TonightCode.FIND_AXIS
    turned = with_corrections(correction(CorrectionKind.AZIMUTH, LATE))
    assert purpose_of(pier, turned).code == TonightCode.VERIFY_TURN
    seen = with_corrections(correction(CorrectionKind.AZIMUTH, LATE - 30 * DAY_US))
    assert purpose_of(pier, seen).code == TonightCode.FIND_AXIS
    anew = with_corrections(correction(CorrectionKind.SERVICE, LATE, None), *turned.history.corrections)
    assert purpose_of(pier, anew).code == TonightCode.LEARN_CONSTANTS


def test_a_movement_seen_once_is_to_be_told_apart():
    analysis = invented()
    last = int(analysis.history.time_us[-1])
    once = replace(analysis.history.events[0], before_us=last, provisional=True)
    analysis = replace(analysis, history=replace(analysis.history, events=(once,)))
    assert purpose_of(analysis.site, analysis).code == TonightCode.TELL_APART
    found = better_than_fields(analysis.site, analysis, as_readings({}), (5.0, 5.0), LATE)
    assert Instead.SECOND_NIGHT in [one.reading for one in found]


def test_what_is_known_before_allows_for_a_move_since():
    analysis = invented()
    known = known_before(analysis.site, analysis, LATE)
    assert known.axis_sd is not None
    assert np.all(known.before.axis_sd >= 60.0)
    assert known.before.solve_sd == pytest.approx(5.2)
    # the three constants that it knows count threefold, droop of 2" as of 7" before that
    assert known.before.constant_sd == pytest.approx([21.0, 30.0, 1800.0, 21.0])
    assert known_before(analysis.site, None, LATE).axis_sd is None


# ---- The command.


@pytest.fixture
def pier(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pier.toml").write_text(SITE)
    return tmp_path


def printed(capsys, *arguments, code=0):
    assert run("tonight", *arguments) == code
    return capsys.readouterr()


def test_a_list_for_a_pier_without_any_readings(pier, capsys):
    out = printed(capsys, "--at", AT).out
    assert all(len(line) <= 80 for line in out.splitlines())
    assert "no night has shown it yet" in out
    assert "toward the Sun" in out
    assert "stop here if clouds" in out
    assert "fields taken at random would leave" in " ".join(out.split())
    assert "A new list" in out
    assert "A new list" not in printed(capsys, "--at", "2026-12-20T19:00Z").out


def test_the_same_places_come_again_another_night(pier, capsys):
    first = json.loads(printed(capsys, "--at", AT, "--json").out)
    again = json.loads(printed(capsys, "--at", "2027-02-03T20:00+01:00", "--json").out)
    places = [
        [(one["azimuth_deg"], one["altitude_deg"]) for one in made["fields"]] for made in (first, again)
    ]
    assert places[0] == places[1]
    assert first["fields"][0]["ra_deg"] != again["fields"][0]["ra_deg"]


def test_json_has_what_was_promised(pier, capsys):
    made = json.loads(printed(capsys, "--at", AT, "--json").out)
    assert (made["format"], made["version"], made["at_utc"]) == ("drift-tonight", 1, "2026-11-30T19:00:00Z")
    assert made["purpose"] == "find_axis"
    assert made["axis_before"] == {"az_error_sd": None, "alt_error_sd": None}
    wanted = {
        "n", "again", "ra_deg", "dec_deg", "ra_of_date_deg", "dec_of_date_deg", "tube_side", "start_utc",
        "visible_until_utc", "azimuth_deg", "altitude_deg", "hour_angle_deg", "declination_deg",
        "az_error_sd_after", "alt_error_sd_after", "substitute",
    }  # fmt: skip
    assert set(made["fields"][0]) == wanted
    assert {one["tube_side"] for one in made["fields"]} <= {"east", "west"}
    assert {one["reading"] for one in made["instead"]} == {"level", "solve_before_sync"}
    assert any("Sun" in caution for caution in made["cautions"])
    assert made["tolerance_deg"] == 3.0


def test_target_list_and_chart(pier, capsys):
    err = printed(capsys, "--at", AT, "-o", "list").err
    assert "list.csv" in err
    assert "list.png" in err
    rows = list(csv.DictReader((pier / "list.csv").read_text().splitlines()))
    assert [row["n"] for row in rows] == [str(k + 1) for k in range(len(rows))]
    assert (pier / "list.png").read_bytes()[:4] == b"\x89PNG"
    printed(capsys, "--at", AT, "-o", "list.csv", "-o", "chart.svg", "--phone", "--dark")
    assert "Fields to solve" in (pier / "chart.svg").read_text()
    (pier / "own.csv").write_text("n,my,things\n")
    assert "not a target list of this program" in printed(capsys, "-o", "own.csv", code=2).err
    assert (pier / "own.csv").read_text() == "n,my,things\n"
    assert "tells no format" in printed(capsys, "-o", "list.txt", code=2).err


@pytest.mark.parametrize("text", ["25:00", "yesterday", "2026-11-30T21:30", "1066-10-14T09:00Z"])
def test_a_time_that_is_none_is_refused(pier, capsys, text):
    err = printed(capsys, "--at", text, code=2).err
    assert text in err


def test_a_time_of_day_is_by_the_piers_clock(pier, capsys):
    made = json.loads(printed(capsys, "--at", "23:15", "--json").out)
    assert made["at_utc"][11:16] in ("22:15", "21:15")  # winter or summer


def test_in_the_day_it_says_so(pier, capsys):
    out = " ".join(printed(capsys, "--at", "2026-06-21T12:00Z").out.split())
    assert "It isn't dark: the Sun is up" in out


# ---- How it is worded.

_T = AT_US
_SPLIT = {
    "east_sd_arcsec": 6.1,
    "north_sd_arcsec": 21.2,
    "east_sd_of_fields_arcsec": 21.2,
    "north_sd_of_fields_arcsec": 21.2,
}
NOTICES = [
    info(TonightCode.FIND_AXIS, known=True),
    info(TonightCode.FIND_AXIS, known=False),
    info(TonightCode.TELL_APART, seen_once=True),
    info(TonightCode.TELL_APART, seen_once=False),
    info(TonightCode.VERIFY_TURN, kind="azimuth", asked_arcsec=-168.0, latitude_deg=47.3, made_us=_T),
    info(TonightCode.VERIFY_TURN, kind="shim", asked_arcsec=None, latitude_deg=47.3, made_us=_T),
    info(TonightCode.LEARN_CONSTANTS, kind="service", since_us=_T, nights=1),
    info(TonightCode.LEVEL, **_SPLIT),
    info(TonightCode.LEVEL_FIRST, level_sd_arcsec=15.0),
    info(TonightCode.BEFORE_SYNC, **_SPLIT),
    info(TonightCode.BEFORE_SYNC_FIRST, synced=True),
    info(TonightCode.BEFORE_SYNC_FIRST, synced=False),
    info(TonightCode.NO_SYNC, **_SPLIT),
    warning(TonightCode.SWEEP, noticed=True),
    warning(TonightCode.SWEEP, noticed=False),
    info(TonightCode.SECOND_NIGHT, seen_us=_T),
    warning(TonightCode.NOT_DARK, sun_altitude_deg=12.3, sun_is_up=True, from_us=_T),
    warning(TonightCode.NOT_DARK, sun_altitude_deg=-5.2, sun_is_up=False, from_us=_T),
    warning(TonightCode.NEVER_DARK, sun_altitude_deg=-6.6, darkest_us=_T),
    warning(TonightCode.SUN_UP, sun_altitude_deg=8.4, darkest_us=_T),
    warning(TonightCode.SUN_NEAR, fields=1, apart_deg=30.0),
    warning(TonightCode.NO_SKY),
    warning(TonightCode.FEW_PLACES, fields=4, wanted=8),
    info(TonightCode.ONE_SIDE_ONLY, tube_side=Side.WEST),
    warning(TonightCode.MINUTES_SHORT, minutes=5.0, fields=6, needs_minutes=7.6, done=4),
    warning(TonightCode.MINUTES_SHORT, minutes=0.5, fields=6, needs_minutes=7.6, done=0),
    info(TonightCode.MADE_FOR_MINUTES, minutes=9.0, fields=7),
    info(TonightCode.SAME_FIELDS, made_us=_T),
    info(TonightCode.NEW_FIELDS),
    warning(TonightCode.NOT_KEPT),
    info(TonightCode.FLIP, after=(4,), returns=True, last=9),
    info(TonightCode.FLIP, after=(3, 5), returns=False, last=6),
    info(TonightCode.HORIZON_OPEN),
    info(TonightCode.MOUNT_ASSUMED, keys=("slew_deg_per_s", "settle_s"), slew_deg_per_s=3.0, settle_s=10.0),
    info(TonightCode.MOUNT_ASSUMED, keys=("flip_overlap_deg",), flip_overlap_deg=0.0),
    info(TonightCode.SOLVE_NEXT, fields=(3, 4, 5)),
    info(TonightCode.SOLVE_NEXT, fields=(5,)),
    info(TonightCode.SOLVE_NEXT, fields=()),
    warning(TonightCode.SOLVE_AGAIN, fields=(4,), chances=(0.98,)),
    warning(TonightCode.SOLVE_AGAIN, fields=(2, 4), chances=(0.5, 0.45)),
    warning(TonightCode.SOLVE_AGAIN, fields=(2, 4), chances=(0.9, 0.05)),
    info(TonightCode.TURN_NOW, error_arcsec=568.4, sd_arcsec=12.0, two_rounds=False),
    info(TonightCode.TURN_NOW, error_arcsec=1840.0, sd_arcsec=60.0, two_rounds=True),
    info(TonightCode.TURN_OTHER_TOO),
    info(TonightCode.VERIFY_NOW, fields=(1, 2, 3)),
    info(TonightCode.VERIFY_NOW, fields=(3,)),
    info(TonightCode.VERIFY_NOW, fields=()),
    info(TonightCode.ENOUGH, error_arcsec=41.0, sd_arcsec=9.0),
    info(TonightCode.LEAVE_IT, error_arcsec=150.0, sd_arcsec=9.0),
    info(TonightCode.NOT_SURE_OVER, error_arcsec=130.0, sd_arcsec=70.0),
    warning(TonightCode.NOT_BY_FIELDS, chance=0.7),
    warning(TonightCode.NOT_BY_FIELDS, chance=1.0),
    info(
        TonightCode.TURN_DID,
        kind="azimuth",
        asked_arcsec=-600.0,
        found_arcsec=-561.0,
        sd_arcsec=8.0,
        lost_arcsec=39.0,
        latitude_deg=47.3,
    ),
    info(
        TonightCode.TURN_DID,
        kind="altitude",
        asked_arcsec=240.0,
        found_arcsec=236.0,
        sd_arcsec=6.0,
        lost_arcsec=None,
        latitude_deg=47.3,
    ),
    info(TonightCode.INSIDE_ALREADY),
    warning(TonightCode.WRONG_SOLVES, times_us=(_T,)),
    warning(TonightCode.WRONG_SOLVES, times_us=(_T, _T + 90_000_000)),
    warning(TonightCode.ZERO_JUMPED, before_us=_T),
    info(TonightCode.BESIDE_THE_LIST, solves=2),
    warning(TonightCode.NO_MOUNT_PLACES, solves=1),
    warning(TonightCode.CLOCK_AHEAD, minutes=7.0),
    info(TonightCode.NO_HISTORY_YET),
]


def test_every_code_has_its_sentence_and_how_they_read(approved):
    from zoneinfo import ZoneInfo

    assert {one.code for one in NOTICES} == set(TonightCode) == set(SENTENCES)
    zone = ZoneInfo("Europe/Vienna")
    lines = [f"{one.code}: {told(one, zone)}" for one in NOTICES]
    made = pier_from_mapping(
        {
            "site": {"name": "Hill", "latitude_deg": 47.3, "longitude_deg": 15.5, "elevation_m": 410},
            "horizon": {"altitude_deg": [[0, 15], [100, 20], [120, 60], [300, 60], [320, 20]]},
            "mount": {"slew_deg_per_s": 4.0, "settle_s": 5.0, "solve_s": 20.0, "flip_overlap_deg": 0.0},
        }
    )
    tonight = tonight_of(made, None, as_readings({}), Wish(at_us=AT_US, minutes=15.0))
    screen = sections_text(Lead(*tonight_title(tonight)), tonight_sections(tonight))
    approved("tonight", "\n".join([*lines, "", screen]))
