"""What `check` tells: once for each thing, again only when it is new again."""

import json
from dataclasses import replace

import numpy as np
import pytest
from advice_world import ALT, AZ, EAST, NORTH, TIMES, correction, event, history, nights, ramp, site, step

from drift.advice.steps import advise
from drift.errors import RecordError
from drift.render.watch_words import as_mapping, item_sentence
from drift.types import Analysis
from drift.watch.changes import news, state_text


def analysis(past, latitude_deg=46.0):
    pier, seen = site(latitude_deg), nights()
    return Analysis(pier, seen, past, advise(pier, seen, past), ())


def told(past, acknowledged=None):
    return [item.kind for item in news(analysis(past), acknowledged).new]


def upto(past, count):
    """Return the history as it was after `count` nights, the axis then being what its change says."""
    gone = past.change[count - 1] - past.change[-1]
    axis = past.axis_now + np.array([gone[AZ], gone[ALT]])
    return replace(
        past, time_us=past.time_us[:count], change=past.change[:count], sd=past.sd[:count], axis_now=axis
    )


def tilt_of(*sizes):
    """Return a history whose east tilt takes these values over the forty nights, held between."""
    change = np.zeros((40, 6))
    change[:, EAST] = np.repeat(sizes, 40 // len(sizes))
    return history(change=change)


def test_quiet_is_quiet():
    assert told(history()) == []
    assert told(history(), state_text(analysis(history()))) == []


def test_an_event_is_told_until_acknowledged_and_a_later_one_is_new():
    first, second = event("pier", 10, tilt_east=20.0), event("pier", 30, tilt_east=20.0)
    one, two = history(events=(first,)), history(events=(first, second))
    assert told(one) == told(one) == ["event"]
    assert told(one, state_text(analysis(one))) == []
    assert told(two, state_text(analysis(one))) == ["event"]
    assert "2023-09-20" in item_sentence(news(analysis(two), state_text(analysis(one))).new[0])


def test_another_part_in_the_same_nights_is_new_but_a_settled_doubt_is_not():
    pier = state_text(analysis(history(events=(event("pier", 10, tilt_east=20.0),))))
    assert told(history(events=(event("mount_az", 10, mount_az=20.0),)), pier) == ["event"]
    doubt = event("undetermined", 10, probability={"pier": 0.5, "mount_az": 0.5}, tilt_east=20.0)
    assert (
        told(
            history(events=(event("pier", 10, tilt_east=20.0),)),
            state_text(analysis(history(events=(doubt,)))),
        )
        == []
    )


@pytest.mark.parametrize(("size", "kinds"), [(22.0, []), (60.0, ["event"])])
def test_an_event_dated_anew_is_the_same_when_its_size_agrees(size, kinds):
    known = event("pier", 10, tilt_east=20.0)
    six_days = 6 * 86_400_000_000
    moved = replace(
        event("pier", 10, tilt_east=size),
        after_us=known.before_us + six_days,
        before_us=known.before_us + 2 * six_days,
    )
    assert told(history(events=(moved,)), state_text(analysis(history(events=(known,))))) == kinds


def test_one_night_is_told_but_does_not_count_and_is_not_acknowledged():
    once = history(events=(event("pier", 39, provisional=True, tilt_east=40.0),))
    found = news(analysis(once), None)
    assert (found.moved, len(found.provisional)) == (False, 1)
    assert "one night only" in item_sentence(found.provisional[0])
    confirmed = history(events=(event("pier", 39, tilt_east=40.0),))
    assert told(confirmed, state_text(analysis(once))) == ["event"]


@pytest.mark.parametrize("harmless", [event("mount_az", recorded=True, mount_az=90.0), event("zero")])
def test_recorded_steps_and_lost_zeros_are_no_news(harmless):
    assert told(history(events=(harmless,))) == []


def slipped_and_corrected(**correction_given):
    """A slip of 170" in azimuth that was turned back ten nights later, or as is said."""
    change = np.zeros((40, 6))
    change[20:30, AZ], change[30:, AZ] = 170.0, -7.0
    given = {"asked": -170.0, "found": -177.0, "held": True, **correction_given}
    turned = correction(given.pop("kind", "azimuth"), given.pop("row", 30), **given)
    return history(events=(event("mount_az", mount_az=170.0),), corrections=(turned,), change=change)


def test_a_slip_that_was_put_right_is_history_and_no_warning():
    assert told(slipped_and_corrected()) == []
    slipped = replace(slipped_and_corrected(), corrections=())
    assert "event" in told(slipped)
    # what did not hold, the other knob, or a turn before the slip puts nothing right
    for other in ({"held": False, "found": 0.0}, {"kind": "altitude"}, {"row": 10}):
        assert "event" in told(slipped_and_corrected(**other)), other


def test_a_tilt_beyond_its_limit_is_told():
    assert told(history(**ramp(EAST, 45.0))) == ["tilt_limit"]
    assert told(history(**ramp(EAST, 45.0, sd=10.0))) == [], "45 - 2.9 * 10 is inside 30"
    sentence = item_sentence(news(analysis(history(**ramp(NORTH, 45.0))), None).new[0])
    # 45" over 39 steps: beyond 30 + 2.9 * 3 from night 34 on (39.2")
    assert 'passed its warning limit of 30" on 2023-12-09; on 2024-03-18 it was 45" ± 3"' in sentence


def test_a_tilt_that_cannot_be_told_from_the_mount_passes_no_limit():
    assert told(history(east="no", **ramp(EAST, 100.0))) == []


def test_a_value_near_its_limit_does_not_flap():
    # passed at 40", back to 28" (93 % of the limit of 30") and up again: one passing, still standing
    assert told(tilt_of(0.0, 40.0, 28.0, 40.0)) == ["tilt_limit"]
    assert told(tilt_of(0.0, 40.0, 28.0, 28.0)) == ["tilt_limit"]
    # back to 20" (67 %): over
    assert told(tilt_of(0.0, 40.0, 20.0, 28.0)) == []


@pytest.mark.parametrize(
    ("later", "kinds"),
    [
        ((40.0, 40.0), []),
        ((48.0, 48.0), []),
        ((58.0, 58.0), ["tilt_limit"]),
        ((28.0, 40.0), []),
        ((20.0, 40.0), ["tilt_limit"]),
    ],
    ids=["as acknowledged", "20 % more", "45 % more", "back to 93 % and again", "back to 67 % and again"],
)
def test_an_acknowledged_limit_is_told_again_only_when_it_grew_or_came_back(later, kinds):
    whole = tilt_of(0.0, 40.0, *later)
    acknowledged = state_text(analysis(upto(whole, 20)))
    assert told(upto(whole, 20)) == ["tilt_limit"]
    assert told(whole, acknowledged) == kinds


def test_a_limit_acknowledged_twice_stays_acknowledged():
    # 40", then 28" (93 %) when it is acknowledged again, then 40": it never came back
    whole = tilt_of(0.0, 40.0, 28.0, 36.0)
    first = state_text(analysis(upto(whole, 20)))
    second = state_text(analysis(upto(whole, 30)), first)
    assert told(whole, second) == []
    # acknowledged at 28" for the first time: passed before, and not back since
    assert told(whole, state_text(analysis(upto(whole, 30)))) == []
    # taken note of at 30", the limit: 40" is a third more
    assert told(tilt_of(0.0, 40.0, 28.0, 40.0), second) == ["tilt_limit"]


def test_an_axis_that_was_never_on_the_pole_has_not_moved():
    assert told(history(axis_now=(0.0, 300.0))) == []
    # 200" at first and 300" now: grown by half
    assert told(history(axis_now=(0.0, 300.0), **ramp(ALT, 100.0))) == ["axis_limit"]
    # inside the limit at first and beyond it now
    past = history(axis_now=(0.0, 150.0), **ramp(ALT, 150.0))
    assert told(past) == ["axis_limit"]
    assert told(past, state_text(analysis(past))) == []
    assert "on 2024-03-18 it was 2.50' ± 0.05' from the pole" in item_sentence(
        news(analysis(past), None).new[0]
    )


@pytest.mark.parametrize("latitude_deg", [46.0, -46.0])
def test_the_axis_is_carried_back_through_tilt_and_mount_alike(latitude_deg):
    # at the start the axis was on the pole; a tilt of 130" east and 130" north put it where it is now
    change = np.zeros((40, 6))
    change[1:, [NORTH, EAST]] = 130.0
    now = (130.0 * np.tan(np.radians(latitude_deg)), -np.sign(latitude_deg) * 130.0)
    past = history(axis_now=now, change=change)
    kinds = [item.kind for item in news(analysis(past, latitude_deg), None).new]
    assert kinds == ["axis_limit", "tilt_limit"]


def test_a_correction_that_did_not_hold_is_told_once():
    past = history(corrections=(correction("azimuth", 30, asked=-120.0, found=-20.0, held=False),))
    assert told(past) == ["correction"]
    assert "asked 2.00' west, found 0.33' ± 0.05' west" in item_sentence(news(analysis(past), None).new[0])
    assert told(past, state_text(analysis(past))) == []
    held = history(corrections=(correction("azimuth", 30, asked=-120.0, found=-118.0, held=True),))
    assert told(held) == []


def test_no_night_is_no_news():
    past = history(axis_now=(np.nan, np.nan), axis_sd=(np.nan, np.nan), change=np.full((40, 6), np.nan))
    assert told(past) == []
    assert json.loads(state_text(analysis(past)))["as_of_us"] is None


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"format": "drift-watch", "version": 99}'])
def test_an_acknowledgement_that_cannot_be_read_says_what_to_do(text):
    with pytest.raises(RecordError, match="drift acknowledge"):
        news(analysis(history()), text)


def test_the_news_as_data():
    past = history(events=(event("mount_az", 10, mount_az=90.0),), **step(AZ, 90.0, 10))
    data = as_mapping(news(analysis(past), None), (int(TIMES[3]), "bumped", "{}"))
    assert (data["moved"], data["new"][0]["kind"], data["provisional"]) == (True, "event", [])
    assert data["new"][0]["time_utc"] == "2022-08-17T03:00:00Z"
    assert (data["version"], data["new"][0]["code"]) == (2, "advice.mount_stepped")
    assert data["new"][0]["text"] == data["new"][0]["sentence"]
    assert data["new"][0]["severity"] == "warning" and "probability" in data["new"][0]["values"]
    assert (data["acknowledged_utc"], data["acknowledged_note"]) == ("2022-03-30T03:00:00Z", "bumped")
