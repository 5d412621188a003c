"""The verdict on invented histories: whether something moved, which part, and the words."""

from dataclasses import replace

import numpy as np
import pytest
from advice_world import (
    ALT,
    AZ,
    EAST,
    LAST_US,
    NORTH,
    correction,
    event,
    history,
    nights,
    ramp,
    site,
    step,
    yearly,
)
from said import said_of

from drift.advice.movement import own_change
from drift.advice.steps import advise
from drift.codes import CorrectionKind
from drift.notices import AdviceCode


def verdict(past, latitude_deg=46.0, seen=None, **sections):
    return advise(site(latitude_deg, **sections), seen or nights(), past).verdict


def test_nothing_moved_is_said_with_what_could_have_been_seen():
    said = verdict(history(axis_now=(0.0, 30.0)))
    assert (said.moved, said.part, said.notice.code) == (False, "none", AdviceCode.NOTHING_MOVED)
    values = said.notice.values
    assert values["span_days"] == pytest.approx(780.0)
    assert (values["axis_arcsec"], values["axis_sd_arcsec"]) == pytest.approx((30.0, 3.0))
    assert (values["tilt_north_arcsec"], values["tilt_north_sd_arcsec"]) == (0.0, 3.0)
    assert said_of(said) == "Nothing has moved beyond its warning limit and its uncertainty in 780 days."


@pytest.mark.parametrize(
    ("latitude_deg", "size", "side"),
    [(44.0, 170.0, "east"), (44.0, -170.0, "west"), (-44.0, 170.0, "west"), (-44.0, -170.0, "east")],
)
def test_an_azimuth_slip_is_the_mount_with_the_words_of_the_hemisphere(latitude_deg, size, side):
    past = history(events=(event("mount_az", mount_az=size),), **step(AZ, size, 20))
    said = verdict(past, latitude_deg)
    assert (said.moved, said.part) == (True, "mount")
    (clause,) = said.clauses  # the step is told once, as an event, and not again as a gradual change
    assert clause.code == AdviceCode.MOUNT_STEPPED
    values = clause.values
    assert (values["of"], values["side"], values["probability"]) == ("mount_az", side, 0.96)
    assert (values["size_arcsec"], values["sd_arcsec"]) == (size, 3.0)
    assert (values["after_date"], values["before_date"]) == ("2023-02-12", "2023-03-04")
    assert f'azimuth turned by 170" ± 3", the axis going {side}' in said_of(said)


def test_a_slip_that_was_turned_back_later_is_told_with_the_date():
    change = np.zeros((40, 6))
    change[20:30, AZ] = 170.0
    change[30:, AZ] = -7.0
    past = history(
        events=(event("mount_az", mount_az=170.0),),
        corrections=(correction("azimuth", 30, asked=-170.0, found=-177.0, held=True),),
        change=change,
    )
    said = verdict(past)
    assert (said.moved, said.part, said.stands) == (True, "mount", False)
    head = "The mount slipped in 2023 and was put right in 2023; it has been steady since"
    assert said_of(said.notice) == head and said_of(said).startswith(
        f"{head}: the mount's azimuth turned by 170\""
    )
    assert said.notice.code == AdviceCode.PUT_RIGHT
    (clause,) = said.clauses
    assert (clause.values["corrected_by"], clause.values["corrected_date"]) == ("azimuth", "2023-09-20")


SLIP = event("mount_az", mount_az=170.0)
BACK = correction("azimuth", 30, asked=-170.0, found=-170.0, held=True)


def slipped(*corrections, events=(SLIP,)):
    change = np.zeros((40, 6))
    change[20:30, AZ] = 170.0
    return verdict(history(events=events, corrections=corrections, change=change))


def test_what_stands_is_told_from_what_was_put_right():
    assert slipped(BACK).put_right
    assert slipped(replace(BACK, kind="remount", asked=None, found=None, held=None)).put_right
    not_held = replace(BACK, held=False)
    earlier = correction("azimuth", 10, asked=-170.0, found=-170.0, held=True)
    other_knob = replace(BACK, kind="altitude")
    unseen = replace(BACK, time_us=LAST_US + 1, found=None, found_sd=None, held=None)
    for standing in (not_held, earlier, other_knob, unseen):
        assert slipped(standing).stands, standing
        assert said_of(slipped(standing).notice) == "The mount has moved on its pier"


@pytest.mark.parametrize(
    ("kind", "again"), [("remount", "taken off and put back"), ("azimuth", "turned back")]
)
def test_an_axis_that_is_off_is_not_put_right(kind, again):
    later = replace(BACK, kind=CorrectionKind(kind))
    past = history(axis_now=(0.0, 600.0), events=(SLIP,), corrections=(later,), **step(AZ, 0.0, 20))
    said = verdict(past)
    assert (said.moved, said.put_right, said.notice.code) == (True, False, AdviceCode.CORRECTED_BUT_OFF)
    assert said_of(said.notice) == (
        f"The mount slipped in 2023 and was {again} in 2023, but the axis is 10.00' ± 0.05' from the pole"
    )


def test_what_stands_heads_the_verdict_before_what_was_put_right():
    tip = event("pier", 35, tilt_north=40.0, tilt_east=30.0)
    said = slipped(BACK, events=(SLIP, tip))
    assert (said.part, said.stands) == ("both", True)
    assert said_of(said.notice) == "The pier has moved; an earlier slip of the mount was put right"


def test_odds_that_name_no_part_have_no_culprit():
    before_after = np.zeros((40, 2))
    before_after[20:, 0] = 170.0
    slip = replace(event("mount_az", mount_az=170.0), what="undetermined")
    said = verdict(history(events=(slip,), east="no"), seen=nights(before_after))
    assert (said.moved, said.part) == (True, "undetermined")
    (clause,) = said.clauses
    assert clause.code == AdviceCode.STEP_OF_UNKNOWN_PART
    # three nights of 4" on each side: 4 sqrt(2/3) = 3.3"
    ((side, stepped, sd),) = clause.values["axis"]
    assert (side, stepped, sd) == ("east", pytest.approx(170.0), pytest.approx(3.27, abs=0.01))
    assert dict(clause.values["odds"])["mount_az"] == 0.96
    assert "no reading tells whether it was the pier or the mount" in said_of(said)


def test_a_step_whose_odds_name_a_part_is_that_part():
    tip = event("pier", tilt_north=40.0, tilt_east=30.0)
    said = verdict(history(events=(tip,), north="no"))
    assert said.part == "pier"
    assert '50" ± 3" toward the north-east (bearing 37°)' in said_of(said)
    slip = event("mount_az", mount_az=170.0)
    assert verdict(history(events=(slip,), east="no")).part == "mount"


def test_both_are_both():
    events = (event("pier", 10, tilt_east=50.0), event("mount_alt", 30, mount_alt=-90.0))
    said = verdict(history(events=events))
    assert said.part == "both"
    codes = [clause.code for clause in said.clauses][:2]
    assert codes == [AdviceCode.MOUNT_STEPPED, AdviceCode.PIER_TIPPED], "the latest comes first"
    assert said.clauses[0].values["side"] == "down"


@pytest.mark.parametrize(
    "harmless",
    [
        event("mount_az", mount_az=170.0, provisional=True),
        event("mount_az", mount_az=170.0, recorded=True),
        event("zero"),
        event("undetermined", probability={"pier": 0.5, "nothing": 0.3}, tilt_east=20.0),
        event("undetermined", probability={"pier": 0.4, "zero": 0.6}, tilt_east=20.0),
    ],
    ids=["one night only", "recorded", "zero lost", "perhaps nothing", "more likely the zero"],
)
def test_what_does_not_count_as_moved(harmless):
    # each is in the change too, as in a real history: a slip of 170", a tilt of 20" inside its limit
    change = np.zeros((40, 6))
    change[20:, AZ], change[20:, EAST] = harmless.size["mount_az"], harmless.size["tilt_east"]
    corrected = (correction("azimuth", 20, asked=170.0, found=170.0),) if harmless.recorded else ()
    said = verdict(history(events=(harmless,), change=change, corrections=corrected))
    assert (said.moved, said.part) == (False, "none")


def test_a_tilt_that_grows_beyond_its_limit_is_the_pier():
    said = verdict(history(**ramp(EAST, -45.0)))
    assert said.part == "pier"
    assert '45" ± 3" further toward the west (bearing 270°)' in said_of(said)


@pytest.mark.parametrize(("size", "sd"), [(45.0, 20.0), (25.0, 2.0)], ids=["unsure", "inside the limit"])
def test_a_tilt_unsure_or_small_is_not_called_moved(size, sd):
    assert not verdict(history(**ramp(NORTH, size, sd))).moved


def test_a_tilt_that_cannot_be_told_from_the_mount_is_not_the_pier():
    # the axis goes up by 100", whose tilt and mount halves nobody can tell: 100" is inside 2'
    past = history(north="no", **ramp(NORTH, -100.0))
    assert not verdict(past).moved
    past = history(north="no", **ramp(NORTH, -150.0))
    said = verdict(past)
    assert (said.moved, said.part) == (True, "undetermined")
    (clause,) = said.clauses
    assert (clause.code, clause.values["side"]) == (AdviceCode.AXIS_CREPT, "up")
    assert clause.values["size_arcsec"] == pytest.approx(150.0)
    # in the south the same tilt lowers the elevated end
    (clause,) = verdict(past, latitude_deg=-46.0).clauses
    assert clause.values["side"] == "down"
    assert 'the axis has gone up by 150" ± 5"' in said_of(said)


@pytest.mark.parametrize(("column", "knob"), [(AZ, "azimuth"), (ALT, "altitude")])
def test_a_recorded_correction_is_not_a_movement(column, knob):
    corrected = correction(knob, 30, asked=400.0, found=395.0, held=True)
    assert not verdict(history(corrections=(corrected,), **step(column, 395.0, 30))).moved
    unrecorded = history(**ramp(column, 395.0))
    assert verdict(unrecorded).part == "mount"


def test_a_correction_of_unknown_size_starts_the_count_anew():
    blank = correction("altitude", 30)
    assert not verdict(history(corrections=(blank,), **step(ALT, 900.0, 30))).moved


def test_a_pier_that_swings_with_the_year_is_said_to_come_back():
    said = verdict(history(**yearly(alt=35.0)))
    assert said.part == "pier"
    assert '70" ± 7" toward the south (bearing 180°) and back each year' in said_of(said)
    assert not verdict(history(**yearly(alt=14.0))).moved, "28 arcsec is inside the limit of 30"
    assert not verdict(history(**yearly(alt=35.0, sd_share=0.4))).moved, "2.5 sds are not enough"


def test_no_night_at_all_says_so():
    empty = history(axis_now=(np.nan, np.nan), axis_sd=(np.nan, np.nan), change=np.full((40, 6), np.nan))
    said = verdict(empty, seen=nights(times=()))
    assert not said.moved
    assert said.notice.code == AdviceCode.NO_AXIS


def test_one_night_says_so():
    past = history(axis_now=(0.0, 60.0))
    said = verdict(past, seen=nights((0.0, 60.0), times=past.time_us[-1:]))
    assert said.notice.code == AdviceCode.ONE_NIGHT


def test_tightening_may_shift_the_mount_without_it_having_moved_by_itself():
    tightened = correction("tighten", 30)
    assert not verdict(history(corrections=(tightened,), **step(ALT, 150.0, 30))).moved
    assert verdict(history(corrections=(tightened,), **step(ALT, 150.0, 29))).part == "mount"


def test_what_tightening_shifted_is_the_change_from_the_last_reading_before_to_the_first_after():
    """0, 0 | 40, 52: of 52 the 40 are the tightening's, and 12 came by themselves."""
    past = history(corrections=(correction("tighten", 38),))
    past.change[38:, ALT] = 40.0, 52.0
    own = own_change(past, "mount_alt")
    assert (own.component, own.size) == ("mount_alt", 12.0)


def test_a_step_whose_size_the_history_does_not_give_is_told_by_the_axis():
    unknown = event("mount_az", 39, mount_az=np.nan, sd=np.nan)
    axes = np.zeros((40, 2))
    axes[39, 0] = -90.0
    said = verdict(history(events=(unknown,)), seen=nights(axes))
    assert said.part == "mount"
    # one night of 4" against three: 4 sqrt(4/3) = 4.6"
    ((side, stepped, sd),) = said.clauses[0].values["axis"]
    assert (side, stepped, sd) == ("west", pytest.approx(90.0), pytest.approx(4.62, abs=0.01))
    assert "nan" not in said_of(said)


def test_a_step_seen_once_is_told_beside_the_verdict():
    once = event("pier", 39, provisional=True, tilt_east=-60.0)
    said = verdict(history(events=(once,), **step(EAST, -60.0, 39)))
    assert not said.moved and [one.code for one in said.seen_once] == [AdviceCode.PIER_TIPPED]
    assert 'Not confirmed yet: the pier tipped by 60" ± 3" toward the west' in said_of(said)


def test_what_one_sensor_shows_is_told_with_its_rival():
    once = replace(event("pier", 39, provisional=True, tilt_east=-60.0), only_sensor=True)
    said = verdict(history(events=(once,), **step(EAST, -60.0, 39)))
    assert said_of(said).endswith("sure; else the tilt sensor was knocked).")
