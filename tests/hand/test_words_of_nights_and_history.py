"""What is said of sky, nights and history: every code has a sentence, and how each is worded."""

from __future__ import annotations

import pytest

from drift.cache import pack, unpack
from drift.codes import LevelSlip, OwnMovement, Part, PointingUse, Reference, ReferenceFinding, WouldTell
from drift.history.references import reference_notices
from drift.notices import (
    HistoryCode,
    NightCode,
    Notice,
    SkyCode,
    as_value,
    from_value,
    info,
    notice_of,
    text_of,
    warning,
)
from drift.render.notices import as_data, sentence
from drift.render.tables.causes import size_words
from drift.types import Event, Measure, ReferenceMoved, References

NOV_US = 1_700_000_000_000_000  # 2023-11-14 22:13:20 UTC
DAY_US = 86_400_000_000
ALTERED = {"az_apart_arcsec": -41.6, "alt_apart_arcsec": 12.2, "pairs": 5}
EARTH = {"ut1_s": 0.45, "pole_arcsec": 0.4}
CIRCLE = info(NightCode.ON_ONE_CIRCLE, fields=7, turned_deg=63.4, scatter_arcsec=4.2)
UNGUIDED = info(NightCode.ONE_FIELD_UNGUIDED, solves=50, minutes=49.0)
TIMES = {"from_us": NOV_US, "until_us": NOV_US + 1_800_000_000}
CORRECTION = {"kind": "azimuth", "time_us": NOV_US}
SCATTER = {"scatter_arcsec": 61.2, "scatter_as_taken_arcsec": 3.4}
JUMP = {
    "after_us": NOV_US,
    "before_us": NOV_US + DAY_US,
    "non_perpendicularity_arcsec": 0.4,
    "side_offset_arcsec": 2.0,
    "log_odds": 80.0,
}
CLOCK = {"first_us": NOV_US, "last_us": NOV_US + 30 * DAY_US}
ZERO_MOVED = {
    "reference": "hour_angle_zero",
    "place": None,
    "kind": "steady",
    "north": None,
    "north_sd": None,
    "east": -45.2,
    "east_sd": 3.1,
    "probability": 0.97,
}
LEVEL_MOVED = {
    "reference": "level",
    "place": "pier",
    "kind": "warmth",
    "north": 1.51,
    "north_sd": 0.12,
    "east": -0.4,
    "east_sd": 0.2,
    "probability": 0.995,
}
SENSOR = {"place": "pier", "number": 1}
SWINGS = {
    **SENSOR,
    "swing_arcsec": 6.04,
    "swing_sd_arcsec": 0.12,
    "toward_bearing_deg": 143.0,
    "furthest_solar_hour": 14.25,
    "warmth_north": -0.44,
    "warmth_north_sd": 0.02,
    "warmth_east": 0.01,
    "warmth_east_sd": 0.02,
}
NO_SWING = {**SWINGS, "swing_arcsec": 0.1, "warmth_north": None, "warmth_east": None}
FOLDED = {**SENSOR, "readings": 52_560, "days": 366, "day_sd_arcsec": 0.42}
RIVALS = {
    "references": ("hour_angle_zero", "level"),
    "moving": (("mount",), ("pier", "reference"), ()),
    "probability": (0.62, 0.3, 0.08),
    "tilt_north_arcsec": (0.2, -6.4, 3.0),
    "tilt_east_arcsec": (0.3, 12.2, 0.0),
}
NOTICES = [
    warning(SkyCode.TEMPERATURE_NOT_BELIEVED, rows=3, low_c=-90.0, high_c=60.0, first_c=281.0),
    warning(SkyCode.PRESSURE_NOT_BELIEVED, rows=1, low_hpa=400.0, high_hpa=1100.0, first_hpa=96.5),
    warning(SkyCode.PRESSURE_OF_SEA_LEVEL, middle_hpa=1015.0, usual_hpa=846.0, elevation_m=1500.0),
    info(SkyCode.TEMPERATURE_STANDARD, rows=8, of_rows=90),
    info(SkyCode.PRESSURE_STANDARD, rows=8, of_rows=90),
    info(SkyCode.TEMPERATURE_OF_DAY, rows=8, of_rows=90),
    info(SkyCode.WEATHER_DAYS_FILLED, days=1, of_days=1500),
    info(SkyCode.WEATHER_DAYS_FILLED, days=1200, of_days=1500),
    warning(SkyCode.BEFORE_EARTH_TABLE, begins_date="1973-01-02", earliest_date="1971-05-01", **EARTH),
    *(
        warning(
            SkyCode.AFTER_EARTH_TABLE,
            ends_date="2027-01-01",
            latest_date="2028-01-01",
            days_later=days,
            leap_date=leap,
            **EARTH,
        )
        for days, leap in ((1, None), (365, "2027-06-28"), (1461, None))
    ),
    warning(SkyCode.LEAP_SECONDS_ENDED, leap_date="2027-06-28"),
    warning(NightCode.TUBE_SIDE_GUESSED, solves=12),
    warning(NightCode.TUBE_SIDE_LEFT_OUT, solves=12),
    *(warning(NightCode.REPORTS_ALTERED_BY_SWEEPS, use=use, **ALTERED) for use in PointingUse),
    warning(NightCode.REPORTS_ALTERED_BY_SITE_FILE, use="left_out"),
    warning(NightCode.REPORTS_LOOK_ALTERED, use="changes_only", chance=0.93),
    warning(NightCode.AXIS_RESTS_ON_RAW_REPORTS, chance=0.21),
    info(NightCode.AXIS_BY_FEW_SWEEPS, nights=1),
    info(NightCode.AXIS_BY_FEW_SWEEPS, nights=2),
    *(warning(NightCode.MOUNT_PLACES_J2000, airless=airless, **SCATTER) for airless in (False, True)),
    warning(NightCode.MOUNT_PLACES_WITHOUT_AIR, **SCATTER),
    *(
        warning(NightCode.MOUNT_PLACES_CHANGED, from_us=a, until_us=b, j2000=j, airless=not j, log_odds=90.0)
        for a, b, j in ((NOV_US, None, True), (None, NOV_US, False), (NOV_US, NOV_US + 9 * DAY_US, True))
    ),
    warning(
        NightCode.MOUNT_PLACES_CHANGED, from_us=NOV_US, until_us=None, j2000=True, airless=True, log_odds=90.0
    ),
    *(
        warning(NightCode.INSTRUMENT_CHANGED, **JUMP, tube_droop_arcsec=droop, cone_error_arcsec=cone)
        for droop, cone in ((51.2, 1.0), (3.0, -540.0), (-24.0, 92.0))
    ),
    warning(NightCode.TUBE_SIDES_REVERSED, **JUMP),
    *(
        warning(NightCode.CLOCK_OFF_BY_HOURS, hours=hours, nights=nights, log_odds=40.0, **CLOCK)
        for hours, nights in ((1, 1), (-1, 12), (2, 12))
    ),
    warning(NightCode.IN_DAYLIGHT, nights=12, of_nights=80),
    warning(NightCode.TIMES_MOVED, hours=-1),
    *(
        warning(code, az_arcmin=az, alt_arcmin=alt, az_seen_arcmin=2.51, alt_seen_arcmin=-1.48)
        for code, az, alt in (
            (NightCode.TYPED_DISAGREES, -40.0, 25.0),
            (NightCode.TYPED_IN_ARCSEC, 150.0, -90.0),
        )
    ),
    info(NightCode.SWEEP_FOUND, because=as_value(CIRCLE), **TIMES),
    info(NightCode.RUN_FOUND, because=as_value(UNGUIDED), **TIMES),
    warning(NightCode.LEVEL_ERROR_CHANGES, place="plate", sd_arcsec=44.0),
    CIRCLE,
    UNGUIDED,
    warning(NightCode.NOT_IN_HISTORY),
    warning(NightCode.ONE_SOLVE),
    info(NightCode.ONE_TUBE_SIDE, tube_side="west"),
    warning(NightCode.SECOND_SYNC, before_us=NOV_US),
    info(NightCode.RUN_ONE_DIRECTION, minutes=49.6),
    warning(NightCode.TOO_LITTLE_FOR_AXIS),
    warning(NightCode.HALF_OF_AXIS),
    warning(NightCode.DISAGREES),
    warning(NightCode.DISAGREES_PERHAPS),
    info(NightCode.IN_RECORD_TWICE),
    warning(NightCode.ECHOES_SOLVE),
    *(
        warning(
            NightCode.MOUNT_ECHOES_SOLVES,
            solves=8 * nights,
            of_solves=1720,
            nights=nights,
            first_us=NOV_US,
            last_us=NOV_US,
        )
        for nights in (1, 45)
    ),
    info(NightCode.SYNCED_AT_TARGETS, log_odds=80.0),
    info(NightCode.INSTRUMENT_BENDS, chance=0.99, across_arcsec=25.4, dec_arcsec=22.1),
    warning(NightCode.BENDS_CHANGED, after_us=NOV_US, before_us=NOV_US + 10 * 86_400_000_000, log_odds=40.0),
    warning(NightCode.COPY_IN_OTHER_ZONE),
    *(
        warning(NightCode.COPIED_IN_OTHER_ZONE, readings=kind, rows=1427, hours_ahead=hours, **TIMES)
        for kind, hours in (("solves", 1.0), ("sweeps", -5.5))
    ),
    warning(NightCode.LABELLED_NONE),
    warning(NightCode.LOOKS_GUIDED),
    warning(NightCode.RUNS_LOOK_GUIDED, runs=3, held_arcsec=1.5),
    warning(NightCode.MOUNT_MOVES_AXES),
    warning(NightCode.NOT_ON_SWEEP),
    warning(NightCode.TOO_FEW_FIELDS, fields=1, needed_fields=5),
    warning(NightCode.TURNED_TOO_LITTLE, turned_deg=9.4, needed_deg=15.0),
    warning(NightCode.AXIS_NOT_STILL, scatter_arcsec=212.0),
    warning(NightCode.RECENTRED, kept_arcsec=9.0, observed_arcsec=140.0),
    warning(NightCode.RUN_TOO_SHORT, solves=4, minutes=11.0, needed_solves=6, needed_minutes=20.0),
    warning(NightCode.RUN_IF_UNGUIDED, solves=50, minutes=49.0),
    warning(NightCode.RUN_NOT_SMOOTH, off_path_arcsec=11.0),
    info(HistoryCode.BEFORE_REFERENCE, readings=1),
    info(HistoryCode.BEFORE_REFERENCE, readings=4),
    warning(HistoryCode.ZEROS_TAKEN_FOR_KEPT, scatter_arcsec=9.4),
    warning(HistoryCode.ZEROS_AS_AFTER_SYNC, scatter_arcsec=94.0, site_file_says="kept"),
    warning(HistoryCode.ZEROS_AS_AFTER_SYNC, scatter_arcsec=94.0, site_file_says="unknown"),
    warning(HistoryCode.ZEROS_SCATTER, repeat_arcsec=94.0, site_file_says="kept"),
    info(HistoryCode.ZEROS_REPEAT, scatter_arcsec=9.4),
    warning(HistoryCode.NIGHTS_ALONE, times_us=(NOV_US,)),
    warning(HistoryCode.LEVELS_ALONE, times_us=(NOV_US, NOV_US + DAY_US)),
    warning(HistoryCode.ZEROS_ALONE, times_us=(NOV_US, NOV_US + DAY_US)),
    warning(
        HistoryCode.CORRECTION_REDATED, after_us=NOV_US + DAY_US, before_us=NOV_US + 3 * DAY_US, **CORRECTION
    ),
    warning(
        HistoryCode.CORRECTION_WRONG_SIGN,
        asked_arcsec=300.0,
        found_arcsec=-288.0,
        found_sd_arcsec=9.0,
        **CORRECTION,
    ),
    warning(
        HistoryCode.CORRECTION_TWICE,
        second_us=NOV_US + DAY_US,
        asked_arcsec=300.0,
        within_days=3.0,
        **CORRECTION,
    ),
    warning(HistoryCode.REFERENCE_MOVED, would_tell="level", **ZERO_MOVED),
    warning(HistoryCode.REFERENCE_MOVED, would_tell="solve_before_sync", **LEVEL_MOVED),
    warning(HistoryCode.REFERENCE_MOVED, would_tell=None, **LEVEL_MOVED),
    warning(HistoryCode.LEVEL_SCALE, place="pier", sensor=None, share=0.714, sd=0.034),
    *(
        warning(
            HistoryCode.LEVEL_STEPPED,
            place="pier",
            sensor=sensor,
            after_us=NOV_US,
            before_us=NOV_US + 14 * 86_400_000_000,
            north_arcsec=60.4,
            north_sd_arcsec=2.9,
            east_arcsec=-1.2,
            east_sd_arcsec=2.4,
        )
        for sensor in (None, 1)
    ),
    warning(HistoryCode.LEVEL_SCALE, place="pier", sensor=1, share=1.21, sd=0.05),
    *(warning(HistoryCode.RIVALS, kind=kind, **RIVALS) for kind in ("steady", "warmth")),
    warning(HistoryCode.LENT_UNREADABLE, since_us=1_730_000_000_000_000),
    *(
        info(
            HistoryCode.BORROWED,
            piers=piers,
            since_us=None if len(piers) > 2 else 1_730_000_000_000_000,
            follows=follows,
            size_arcsec=size,
            size_low_arcsec=None if size is None else 30.0,
            size_high_arcsec=None if size is None else 62.0,
            lag_days=lag,
            lag_sd_days=None if lag is None else 6.0,
        )
        for piers, follows, size, lag in (
            (("east", "west"), "frozen", 43.0, 12.0),
            (tuple("abcdefg"), "calendar", 43.0, 74.0),
            (("east",), "moisture", None, None),
        )
    ),
    info(HistoryCode.BY_ZERO, repeat_arcsec=9.4, nights=120),
    info(HistoryCode.BY_LEVELS, levels=14),
    info(HistoryCode.BY_SENSOR, days=366),
    info(HistoryCode.SENSOR_FOLDED, **FOLDED, put_aside=0, resolution_arcsec=0.1),
    info(HistoryCode.SENSOR_FOLDED, **FOLDED, put_aside=127, resolution_arcsec=10.0),
    info(HistoryCode.SENSOR_SWINGS, **SWINGS, least_arcsec=2.1, most_arcsec=9.0),
    info(HistoryCode.SENSOR_SWINGS, **NO_SWING, least_arcsec=None, most_arcsec=None),
    warning(HistoryCode.SENSOR_STUCK, **SENSOR, readings=401, from_us=NOV_US, until_us=NOV_US + 3 * DAY_US),
    warning(HistoryCode.SENSOR_CLOCK, **SENSOR, hours=-5.9),
    warning(
        HistoryCode.SENSOR_KNOCKED,
        **SENSOR,
        after_us=NOV_US,
        before_us=NOV_US + 600_000_000,
        north_arcsec=30.0,
        east_arcsec=-40.0,
    ),
    warning(HistoryCode.REFERENCE_MOVED, **LEVEL_MOVED, sensor=1, would_tell=None),
    info(HistoryCode.BY_SHAPE_IN_TIME),
    info(HistoryCode.BY_FROST),
    info(HistoryCode.ZERO_REPEATS_POORLY, repeat_arcsec=94.0),
    info(HistoryCode.ZERO_LOST_NO_LEVEL),
    info(HistoryCode.SUM_ONLY_NO_LEVEL),
    info(HistoryCode.ONE_READING),
    info(HistoryCode.NO_HISTORY),
    *(
        info(
            HistoryCode.SETTLED_BY_READINGS,
            levels=5,
            level_sd_arcsec=15.0,
            zeros=zeros,
            zero_repeat_arcsec=None if zeros is None else 10.0,
            wanted_arcsec=10.0,
            sensor=True,
        )
        for zeros in (None, 1, 9)
    ),
    *(
        warning(
            HistoryCode.LEVEL_WRITTEN_OTHERWISE,
            place="pier",
            sensor=None if slip != LevelSlip.QUARTER_TURN_LEFT else 2,
            readings=52,
            slips=(slip,) if slip != LevelSlip.EXCHANGED else (slip, LevelSlip.BOTH_REVERSED),
            log_odds=24.0,
        )
        for slip in LevelSlip
    ),
    info(HistoryCode.SETTLED_BY_SECOND_NIGHT),
    info(HistoryCode.SETTLED_BY_LOG),
]


def test_every_code_has_its_sentence_here():
    told = {notice.code for notice in NOTICES}
    assert told == {*SkyCode, *NightCode, *HistoryCode}


@pytest.mark.parametrize("notice", NOTICES, ids=lambda notice: str(notice.code))
def test_a_notice_comes_back_from_every_form(notice):
    assert unpack(pack(notice, Notice), Notice) == notice
    assert notice_of(text_of(notice)) == notice
    assert from_value(as_value(notice)) == notice
    assert as_data(notice)["text"] == sentence(notice)


def test_how_they_are_worded(approved):
    approved("nights_and_history", "\n".join(f"{one.code}: {sentence(one)}" for one in NOTICES))


def test_of_a_zero_that_was_homed_again_the_epoch_that_moved_most_is_told():
    def moved(rate, over):
        return ReferenceMoved(
            code=ReferenceFinding.MOVED,
            reference=Reference.ZERO,
            place=None,
            kind=OwnMovement.STEADY,
            north=None,
            east=Measure(value=rate, sd=2.0),
            probability=0.97,
            over_record_arcsec=over,
            would_tell=WouldTell.LEVEL,
        )

    both = References(zeros=(), levels=(), moved=(moved(45.0, 90.0), moved(20.0, 10.0)), rivals=())
    (told,) = reference_notices(both)
    assert (told.code, told.values["east"]) == (HistoryCode.REFERENCE_MOVED, 45.0)
    assert reference_notices(None) == []


def test_what_followed_a_sudden_change_stands_beside_its_size():
    shock = Event(
        after_us=NOV_US,
        before_us=NOV_US + DAY_US,
        what=Part.PIER,
        provisional=False,
        recorded=False,
        probability={Part.PIER: 0.99},
        size={"tilt_north": 60.0, "tilt_east": 0.0},
        size_sd={"tilt_north": 3.0, "tilt_east": 3.0},
        afterwards={"tilt_north": -30.0, "tilt_east": 0.0},
        afterwards_sd={"tilt_north": 4.0, "tilt_east": 4.0},
    )
    said = size_words(shock, 47.0)
    assert 'tilt 60" ± 3" toward the north' in said
    assert 'over the weeks after it: tilt 30" ± 4" toward the south' in said
