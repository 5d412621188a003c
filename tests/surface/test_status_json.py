"""`drift status --json`: every key of the contract, its type, and null for what is not known."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from invented_analysis import empty, invented, night, us
from invented_forecast import invented_forecast

from drift.codes import (
    AxisBound,
    ForcingKind,
    Mover,
    OwnMovement,
    Place,
    Reference,
    ReferenceFinding,
    WouldTell,
)
from drift.render.advice_words import matter_name
from drift.render.phrases import number
from drift.render.status_json import as_mapping
from drift.types import (
    HISTORY_COLUMNS,
    DailySwing,
    LevelDrift,
    Measure,
    ReferenceMoved,
    References,
    Rival,
    SensorSeries,
    SensorStep,
    Settling,
    ZeroCreep,
)

TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")
PARTS = ["pier", "mount_az", "mount_alt", "zero", "nothing"]
SIZES = ["tilt_north", "tilt_east", "mount_az", "mount_alt"]
#: Half of the last decimal that is kept.
ROUNDING = 5e-5


def a_number(value: object) -> bool:
    return isinstance(value, float)


def a_number_or_null(value: object) -> bool:
    return value is None or a_number(value)


def a_text(value: object) -> bool:
    return isinstance(value, str)


def a_time(value: object) -> bool:
    return isinstance(value, str) and TIME.fullmatch(value) is not None


def truth(value: object) -> bool:
    return isinstance(value, bool)


def count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def one_of(*allowed: object):
    return lambda value: value in allowed


def listed(inner):
    return lambda value: isinstance(value, list) and all(inner(each) for each in value)


def shaped(shape):
    """Return a check that a mapping has exactly these keys, in this order, each as it should be."""

    def check(value):
        assert list(value) == list(shape)
        for key, inner in shape.items():
            assert inner(value[key]), (key, value[key])
        return True

    return check


def or_null(inner):
    return lambda value: value is None or inner(value)


SEPARABLE = shaped({"answer": one_of("yes", "partly", "no"), "because": a_text, "would_settle_it": a_text})
NIGHT = shaped(
    {
        "time_utc": a_time,
        "sources": listed(one_of("pointing", "sweep", "run", "typed")),
        "solves_used": count,
        "solves_set_aside": count,
        "az_error": a_number_or_null,
        "az_error_sd": a_number_or_null,
        "alt_error": a_number_or_null,
        "alt_error_sd": a_number_or_null,
        "zero": a_number_or_null,
        "zero_sd": a_number_or_null,
    }
)
HISTORY = shaped(
    {
        "time_utc": a_time,
        "tilt_north": a_number_or_null,
        "tilt_north_sd": a_number_or_null,
        "tilt_east": a_number_or_null,
        "tilt_east_sd": a_number_or_null,
        "plate_north": a_number_or_null,
        "plate_north_sd": a_number_or_null,
        "plate_east": a_number_or_null,
        "plate_east_sd": a_number_or_null,
        "mount_az": a_number_or_null,
        "mount_az_sd": a_number_or_null,
        "mount_alt": a_number_or_null,
        "mount_alt_sd": a_number_or_null,
    }
)
COMPONENTS = shaped(
    {
        "seasonal": or_null(
            shaped(
                {
                    "peak_to_trough": a_number_or_null,
                    "peak_to_trough_sd": a_number_or_null,
                    "toward_bearing_deg": a_number_or_null,
                    "peak_day_of_year": or_null(count),
                }
            )
        ),
        "winters": listed(
            shaped(
                {
                    "winter": a_text,
                    "swing": a_number_or_null,
                    "swing_sd": a_number_or_null,
                    "left_behind": a_number_or_null,
                    "left_behind_sd": a_number_or_null,
                }
            )
        ),
        "lasting": or_null(
            shaped(
                {
                    "arcsec_per_year": a_number_or_null,
                    "arcsec_per_year_sd": a_number_or_null,
                    "toward_bearing_deg": a_number_or_null,
                }
            )
        ),
    }
)
EVENT = shaped(
    {
        "after_utc": a_time,
        "before_utc": a_time,
        "what": one_of("pier", "mount_az", "mount_alt", "zero", "undetermined"),
        "provisional": truth,
        "only_sensor": truth,
        "recorded": truth,
        "probability": shaped(dict.fromkeys(PARTS, a_number)),
        "size": shaped(dict.fromkeys(SIZES, a_number_or_null)),
        "size_sd": shaped(dict.fromkeys(SIZES, a_number_or_null)),
        "afterwards": or_null(shaped(dict.fromkeys(SIZES, a_number_or_null))),
        "afterwards_sd": or_null(shaped(dict.fromkeys(SIZES, a_number_or_null))),
    }
)
ZERO = shaped(
    {
        "from_utc": a_time,
        "to_utc": a_time,
        "creep_arcsec_per_year": a_number,
        "creep_arcsec_per_year_sd": a_number,
        "warmth_arcsec_per_c": a_number_or_null,
        "warmth_arcsec_per_c_sd": a_number_or_null,
    }
)
DRIFTS = ("creep_north_arcsec_per_year", "creep_east_arcsec_per_year")
WARMTHS = ("warmth_north_arcsec_per_c", "warmth_east_arcsec_per_c")
SHARES = ("share_shown_north", "share_shown_east")
SENSOR = shaped(
    {
        "place": one_of("pier", "plate", "mount"),
        "number": count,
        "from_utc": a_time,
        "to_utc": a_time,
        "readings": count,
        "days": count,
        "put_aside": count,
        "stuck": count,
        "daily_swing": a_number,
        "daily_swing_sd": a_number,
        "daily_swing_toward_bearing_deg": a_number,
        "daily_swing_furthest_solar_hour": a_number,
        "daily_swing_least": a_number,
        "daily_swing_most": a_number,
        "warmth_north_arcsec_per_c": a_number_or_null,
        "warmth_north_arcsec_per_c_sd": a_number_or_null,
        "warmth_east_arcsec_per_c": a_number_or_null,
        "warmth_east_arcsec_per_c_sd": a_number_or_null,
        "steps": listed(
            shaped(
                {
                    "after_utc": a_time,
                    "before_utc": a_time,
                    "north": a_number,
                    "east": a_number,
                    "followed": one_of(True, False, None),
                    "of_sensor": one_of(True, False),
                }
            )
        ),
        "resolution": a_number,
        "day_sd": a_number,
        "clock_hours": a_number_or_null,
    }
)
LEVEL = shaped(
    {"place": one_of("pier", "plate", "mount"), "sensor": a_number_or_null}
    | {f"{name}{sd}": a_number_or_null for name in (*DRIFTS, *WARMTHS, *SHARES) for sd in ("", "_sd")}
)
RIVAL = shaped(
    {
        "kind": one_of("steady", "warmth"),
        "moving": listed(one_of("pier", "mount", "reference")),
        "probability": a_number,
        "tilt_north": a_number,
        "tilt_east": a_number,
    }
)
REFERENCES = shaped(
    {
        "hour_angle_zero": or_null(ZERO),
        "hour_angle_zeros": listed(ZERO),
        "levels": listed(LEVEL),
        "moved": listed(lambda one: one["code"] == "reference_moved"),
        "rivals": listed(RIVAL),
    }
)
CORRECTION = shaped(
    {
        "time_utc": a_time,
        "kind": a_text,
        "asked": a_number_or_null,
        "found": a_number_or_null,
        "found_sd": a_number_or_null,
        "held": or_null(truth),
        "held_probability": or_null(lambda value: a_number(value) and 0.0 <= value <= 1.0),
        "misrecorded": or_null(one_of("date", "sign", "twice", "never")),
        "misrecorded_probability": or_null(lambda value: a_number(value) and 0.75 <= value <= 1.0),
    }
)
#: What a notice has beside its sentence.
TOLD = {
    "code": a_text,
    "severity": one_of("info", "warning"),
    "values": lambda value: isinstance(value, dict),
}
NOTICE = shaped({**TOLD, "text": a_text})
ACTION = shaped(
    {
        "do": one_of(
            "nothing",
            "wait",
            "measure",
            "tighten",
            "turn_azimuth",
            "turn_altitude",
            "shim",
            "nuts",
            "call_for_help",
        ),
        "sentence": a_text,
        **TOLD,
        "amount_arcmin": a_number_or_null,
        "turns": a_number_or_null,
        "bolts": listed(
            shaped(
                {
                    "bearing_deg": a_number,
                    "thickness_mm": a_number_or_null,
                    "nut_turns": a_number_or_null,
                }
            )
        ),
        "until_utc": or_null(a_time),
    }
)
PLACE = or_null(
    shaped(
        {
            "where": a_text,
            "allowed_arcmin": a_number_or_null,
            "effect": a_number,
            "unit": one_of("pixels", "percent", "arcmin"),
        }
    )
)
MATTER = shaped(
    {
        "name": a_text,
        "code": one_of(*AxisBound),
        "allowed_arcmin": a_number_or_null,
        "now_arcmin": a_number_or_null,
        "now_sd_arcmin": a_number_or_null,
        "margin_arcmin": a_number_or_null,
        "binding": truth,
        "worst": PLACE,
        "usual": PLACE,
        "sentence": a_text,
    }
)
POLES = shaped(
    {
        "true_arcmin": a_number,
        "true_sd_arcmin": a_number,
        "refracted_arcmin": a_number,
        "refracted_sd_arcmin": a_number,
        "lift_arcsec": a_number,
        "lift_sd_arcsec": a_number,
        "aimed_at": one_of("true", "refracted"),
        "suits": one_of("true", "refracted", "either"),
        "sentence": a_text,
    }
)
YEAR_AIM = shaped(
    {
        "aim": one_of("year", "typical", "tonight"),
        "leave_az_error": a_number,
        "leave_az_error_sd": a_number,
        "leave_alt_error": a_number,
        "leave_alt_error_sd": a_number,
        "as_aimed_arcmin": a_number,
        "as_aimed_sd_arcmin": a_number,
        "dead_on_arcmin": a_number,
        "as_it_is_arcmin": a_number,
        "gain": a_number,
        "from_utc": a_time,
        "until_utc": a_time,
        "sentence": a_text,
    }
)
BANDS = {f"{name}{end}": a_number for name in ("az_error", "alt_error") for end in ("", "_low", "_high")}
TILT_BANDS = {
    f"{name}{end}": a_number for name in ("tilt_north", "tilt_east") for end in ("", "_low", "_high")
}
DAY = or_null(shaped({"time_utc": a_time, "first_utc": a_time, "last_utc": a_time, "share": a_number}))
OUTLOOK = shaped(
    {
        "from_utc": a_time,
        "rests_on": a_text,
        "rests_on_notice": or_null(NOTICE),
        "season_sure": truth,
        "forcing_odds": lambda value: all(a_text(k) and a_number(v) for k, v in value.items()),
        "moved_last_year": lambda value: all(a_text(k) and a_number(v) for k, v in value.items()),
        "months": listed(
            shaped({"month": a_text, "time_utc": a_time, **BANDS, **TILT_BANDS, "chance_beyond": a_number})
        ),
        "swing": a_number_or_null,
        "furthest": DAY,
        "back": DAY,
        "tolerance": a_number,
        "tolerance_of": a_text,
        "chance_left_alone": a_number,
        "chance_set_now": a_number,
        "realign_by_utc": or_null(a_time),
        "likely_beyond_utc": or_null(a_time),
        "settling": or_null(
            shaped(
                {
                    f"{what}_{way}{sd}": a_number
                    for what in ("left", "year")
                    for way in ("north", "east")
                    for sd in ("", "_sd")
                }
            )
        ),
    }
)
#: How a value stands now against its limit [arcsec].
NOW = {
    "value": a_number,
    "sd": a_number,
    "limit": a_number_or_null,
    "standing": one_of("within", "close", "beyond", "unknown"),
    "time_utc": a_time,
}
STATUS = shaped(
    {
        "format": one_of("drift-status"),
        "version": lambda value: value == 2 and count(value),
        "site": shaped(
            {
                "name": or_null(a_text),
                "latitude_deg": a_number,
                "longitude_deg": a_number,
                "elevation_m": a_number,
                "position": one_of("exact", "rounded"),
            }
        ),
        "headline": lambda value: len(value) == 2 and all(map(a_text, value)),
        "now": shaped(
            {
                "standing": one_of("within", "close", "beyond", "unknown"),
                "is_old": lambda value: isinstance(value, bool),
                "last_night_utc": or_null(a_time),
                "last_reading_utc": or_null(a_time),
                "now_utc": or_null(a_time),  # none where nobody said when it is
                "axis": or_null(shaped({**NOW, "limit_of": a_text})),
                "tilt": or_null(shaped({**NOW, "toward_bearing_deg": a_number_or_null})),
                "year_ago": or_null(
                    shaped(
                        {
                            "time_utc": a_time,
                            "size": a_number,
                            "sd": a_number,
                            "toward_bearing_deg": a_number_or_null,
                        }
                    )
                ),
            }
        ),
        "nights": listed(NIGHT),
        "history": listed(HISTORY),
        "separable": shaped(
            {"east_tilt_from_mount_azimuth": SEPARABLE, "north_tilt_from_mount_altitude": SEPARABLE}
        ),
        "components": COMPONENTS,
        "events": listed(EVENT),
        "corrections": listed(CORRECTION),
        "verdict": shaped(
            {
                "moved": truth,
                "part": one_of("pier", "mount", "both", "undetermined", "none"),
                "sentence": a_text,
                **TOLD,
                "clauses": listed(NOTICE),
                "seen_once": listed(NOTICE),
            }
        ),
        "actions": listed(ACTION),
        "cautions": listed(a_text),
        "caution_notices": listed(NOTICE),
        "defaults_used": listed(a_text),
        "default_notices": listed(NOTICE),
        # beyond the contract
        "axis_now": shaped(
            {
                "az_error": a_number_or_null,
                "az_error_sd": a_number_or_null,
                "alt_error": a_number_or_null,
                "alt_error_sd": a_number_or_null,
            }
        ),
        "references": or_null(REFERENCES),
        "sensors": listed(SENSOR),
        "set_aside": listed(
            shaped({"kind": a_text, "row": count, "time_utc": a_time, "code": a_text, "reason": a_text})
        ),
        "notices": listed(NOTICE),
        "warnings": listed(a_text),
        "matters": listed(MATTER),
        "poles": or_null(POLES),
        "year_aim": or_null(YEAR_AIM),
        "outlook": or_null(OUTLOOK),
    }
)


@pytest.fixture(scope="module")
def analysis():
    return invented()


@pytest.fixture(scope="module")
def status(analysis):
    return json.loads(json.dumps(as_mapping(analysis), allow_nan=False))


def test_has_exactly_the_keys_of_the_contract(status):
    assert STATUS(status)
    assert min(map(len, (status["nights"], status["history"], status["events"], status["corrections"]))) > 1


@pytest.mark.parametrize("one", [empty(), invented(-33.9, 60, 21), invented(47.3, 1)])
def test_keeps_its_shape_when_parts_are_missing(one):
    assert STATUS(json.loads(json.dumps(as_mapping(one), allow_nan=False)))


def test_what_is_to_come_has_the_promised_form(analysis):
    two = np.array([3.0, -4.0])
    settling = Settling(left=two, left_sd=np.ones(2), year=two, year_sd=np.ones(2))
    ahead = invented_forecast(30.0, -20.0, 80.0, (120.0, 150.0), settling=settling)
    one = replace(
        analysis, history=replace(analysis.history, forecast=ahead, forcing_odds={ForcingKind.CALENDAR: 1.0})
    )
    status = json.loads(json.dumps(as_mapping(one), allow_nan=False))
    assert STATUS(status)
    assert [month["month"] for month in status["outlook"]["months"]][:4] == [
        "2024-10",
        "2024-11",
        "2024-12",
        "2025-01",
    ]
    assert status["outlook"]["settling"]["left_east"] == -4.0


def test_the_checks_can_fail(status):
    with pytest.raises(AssertionError):
        STATUS({**status, "extra": 1})
    with pytest.raises(AssertionError):
        STATUS({**status, "events": [{**status["events"][0], "what": "gremlins"}]})


def test_numbers_are_those_of_the_analysis(analysis, status):
    assert status["nights"][7]["az_error"] == pytest.approx(
        analysis.nights.nights[7].estimate[0], abs=ROUNDING
    )
    assert status["nights"][7]["alt_error_sd"] == pytest.approx(np.sqrt(25.0 + 4.0), abs=ROUNDING)
    for k, name in enumerate(HISTORY_COLUMNS):
        told = [row[name] for row in status["history"]]
        np.testing.assert_allclose(told, analysis.history.change[:, k], atol=ROUNDING)
        told = [row[f"{name}_sd"] for row in status["history"]]
        np.testing.assert_allclose(told, analysis.history.sd[:, k], atol=ROUNDING)


def test_the_start_of_the_history_is_0_with_sd_0(status):
    start = status["history"][0]
    assert {start[name] for name in HISTORY_COLUMNS} == {0.0}
    assert {start[f"{name}_sd"] for name in HISTORY_COLUMNS} == {0.0}


def test_times_are_utc_to_the_second(status):
    assert status["nights"][0]["time_utc"] == "2021-10-03T21:00:00Z"
    half_past = replace(invented(47.3, 1).nights.nights[0], time_us=us(2024, 2, 29, 23) + 3_599_700_000)
    nights = replace(invented(47.3, 1).nights, nights=(half_past,))
    (only,) = as_mapping(replace(invented(47.3, 1), nights=nights))["nights"]
    assert only["time_utc"] == "2024-03-01T00:00:00Z"


def test_what_is_not_known_is_null_never_0():
    unknown = night(us(2024, 1, 1), 12.0, np.nan)
    nights = replace(invented(47.3, 1).nights, nights=(unknown,))
    (row,) = as_mapping(replace(invented(47.3, 1), nights=nights))["nights"]
    assert (row["az_error"], row["alt_error"], row["zero"]) == (12.0, None, None)
    assert row["az_error_sd"] > 0
    assert (row["alt_error_sd"], row["zero_sd"]) == (None, None)


def test_an_analysis_without_an_axis_is_null_throughout():
    status = as_mapping(empty())
    assert set(status["axis_now"].values()) == {None}
    assert {status["history"][0][name] for name in HISTORY_COLUMNS} == {None}
    assert {status["history"][0][f"{name}_sd"] for name in HISTORY_COLUMNS} == {None}
    assert status["components"] == {"seasonal": None, "winters": [], "lasting": None}


@pytest.mark.parametrize(
    ("value", "told"),
    [(None, None), (np.nan, None), (np.inf, None), (-0.0, 0.0), (np.float64(1.23456), 1.2346), (3, 3.0)],
)
def test_numbers_are_plain(value, told):
    assert number(value) == told
    assert number(value) is None or str(number(value)) == str(told)


def test_probabilities_sum_to_1(status):
    for event in status["events"]:
        assert sum(event["probability"].values()) == pytest.approx(1.0, abs=1e-12)


def test_the_same_analysis_gives_the_same_text(analysis):
    assert json.dumps(as_mapping(analysis)) == json.dumps(as_mapping(invented()))


def test_each_warning_is_said_once(analysis, status):
    assert len(status["warnings"]) == 3
    twice = replace(analysis, notices=(*analysis.notices, *analysis.nights.notices))
    assert sorted(as_mapping(twice)["warnings"]) == sorted(status["warnings"])


def test_where_to_aim_and_what_it_does_have_the_promised_form():
    """With a real advice on an invented history: all three keys are filled."""
    from dataclasses import replace

    from advice_world import history, nights, site, yearly

    from drift.advice.steps import advise

    past = history(axis_now=(60.0, 300.0), **yearly(alt=140.0))
    made = advise(site(), nights(), past)
    known = replace(invented(), advice=made)
    data = json.loads(json.dumps(as_mapping(known), allow_nan=False))
    assert STATUS(data)
    assert data["poles"] is not None and data["year_aim"]["gain"] > 0.4
    assert [matter["name"] for matter in data["matters"]] == [matter_name(m) for m in made.matters]
    assert [matter["code"] for matter in data["matters"]] == [m.effect for m in made.matters]
    assert data["matters"][0]["margin_arcmin"] == pytest.approx(
        data["matters"][0]["allowed_arcmin"] - data["matters"][0]["now_arcmin"], abs=1e-3
    )


def test_a_tilt_sensor_is_told_with_its_swing_and_its_steps():
    """Toward north 12" from least to most, one sudden change of 5" east within ten minutes."""
    start, end = us(2024, 1, 1), us(2024, 9, 1)
    sensor = SensorSeries(
        place=Place.PIER,
        number=1,
        from_us=start,
        to_us=end,
        readings=35_000,
        days=244,
        swing=DailySwing(
            peak_to_trough=Measure(value=12.0, sd=0.1),
            toward_bearing_deg=0.0,
            furthest_solar_hour=14.0,
            least=11.0,
            most=13.0,
        ),
        warmth_north=Measure(value=0.1, sd=0.02),
        warmth_east=None,
        steps=(SensorStep(after_us=start, before_us=start + 600_000_000, north=0.0, east=5.0),),
        put_aside=3,
        stuck=0,
        resolution=0.1,
        day_sd=0.2,
        clock_hours=None,
        day_us=np.array([start, end]),
    )
    one = invented(47.3, 1)
    (told,) = as_mapping(replace(one, history=replace(one.history, sensors=(sensor,))))["sensors"]
    assert SENSOR(told)
    assert (told["daily_swing"], told["daily_swing_sd"]) == (12.0, 0.1)
    assert told["steps"][0]["before_utc"] == "2024-01-01T00:10:00Z"


def test_references_are_told_with_their_units_and_sds():
    """A zero creeps 45 +- 2 arcsec a year, a level of 1.4 +- 0.2 a degree north, and who else it may be."""
    moved = ReferenceMoved(
        code=ReferenceFinding.MOVED,
        reference=Reference.LEVEL,
        place=Place.PIER,
        kind=OwnMovement.WARMTH,
        north=Measure(value=1.4, sd=0.2),
        east=Measure(value=0.8, sd=0.1),
        probability=0.99,
        over_record_arcsec=52.0,
        would_tell=WouldTell.SOLVE_BEFORE_SYNC,
    )
    level = LevelDrift(
        place=Place.PIER,
        creep_north=Measure(value=0.1, sd=0.4),
        creep_east=Measure(value=-0.2, sd=0.4),
        warmth_north=moved.north,
        warmth_east=moved.east,
        shows_north=Measure(value=0.72, sd=0.04),
        shows_east=Measure(value=0.69, sd=0.05),
    )
    zero = ZeroCreep(
        from_us=us(2024, 1, 1), to_us=us(2024, 9, 1), creep=Measure(value=45.0, sd=2.0), warmth=None
    )
    rival = Rival(
        kind=OwnMovement.STEADY,
        moving=(Mover.MOUNT, Mover.REFERENCE),
        probability=0.4,
        tilt_north=0.0,
        tilt_east=-30.0,
    )
    references = References(zeros=(zero,), levels=(level,), moved=(moved,), rivals=(rival,))
    one = invented(47.3, 1)
    told = as_mapping(replace(one, history=replace(one.history, references=references)))["references"]
    assert REFERENCES(told)
    assert told["hour_angle_zero"]["creep_arcsec_per_year"] == 45.0
    assert told["hour_angle_zero"]["warmth_arcsec_per_c"] is None
    assert told["levels"][0]["warmth_north_arcsec_per_c"] == 1.4
    assert (told["levels"][0]["share_shown_north"], told["levels"][0]["share_shown_east_sd"]) == (0.72, 0.05)
    assert told["moved"][0]["north_arcsec_per_c"] == 1.4
    assert told["moved"][0]["east_arcsec_per_c_sd"] == 0.1
    assert told["rivals"][0]["moving"] == ["mount", "reference"]
    assert as_mapping(one)["references"] is None


def test_a_position_is_rounded_to_a_town_unless_it_is_asked_for():
    given = invented(47.3, 1)
    at = {"latitude_deg": 47.3456, "longitude_deg": -92.4123, "elevation_m": 431.0}
    place = given.site.site.model_copy(update=at)
    one = replace(given, site=given.site.model_copy(update={"site": place}))
    told = as_mapping(one)
    # to 0.1 degrees and 50 m
    rounded = {"latitude_deg": 47.3, "longitude_deg": -92.4, "elevation_m": 450.0, "position": "rounded"}
    assert told["site"].items() >= rounded.items()
    assert "47.3456" not in json.dumps(told)
    assert as_mapping(one, exact_positions=True)["site"].items() >= {**at, "position": "exact"}.items()
