"""Words that advice, status, report and page share."""

import pytest
from advice_world import DAY_US, LAST_US, event, history, nights, site

from drift.advice.steps import advise
from drift.codes import NewsKind
from drift.mount.axis_error import size_of
from drift.notices import WatchCode, info, warning
from drift.render import phrases
from drift.render.phrases import counted, ranked, toward_of
from drift.render.tables import causes
from drift.render.watch_words import acknowledged_sentences, item_sentence
from drift.types import Analysis
from drift.watch.changes import news, news_afresh, state_text
from drift.watch.coming import Item, News


def test_a_tilt_has_a_size_an_uncertainty_and_a_side():
    # 3-4-5: sd^2 = (0.6 x 1)^2 + (0.8 x 2)^2
    assert size_of(3.0, -4.0, 1.0, 2.0) == pytest.approx((5.0, (0.36 + 2.56) ** 0.5))
    assert size_of(0.0, 0.0, 1.0, 2.0) == (0.0, 2.0)
    assert toward_of(3.0, -3.0) == "toward the north-west (bearing 315°)"


def test_odds_are_ranked_and_what_is_below_a_percent_is_left_out():
    odds = {"zero": 0.009, "pier": 0.2, "mount_az": 0.791}
    assert ranked(odds) == [("mount_az", 0.791), ("pier", 0.2)]
    assert phrases.odds(odds) == "mount in azimuth 79 %, pier 20 %"


def test_counts():
    assert [counted(n, "night") for n in (0, 1, 2)] == ["0 nights", "1 night", "2 nights"]
    assert phrases.counted(2, "is", "are") == "2 are"


@pytest.mark.parametrize(("dropped", "messages"), [(1, "a message"), (3, "3 messages")])
def test_what_is_acknowledged_is_said_alike_everywhere(dropped, messages):
    new = Item(kind=NewsKind.THIN, time_us=LAST_US, notice=warning(WatchCode.AXIS_UNKNOWN))
    once = Item(
        kind=NewsKind.THIN,
        time_us=LAST_US,
        notice=warning(WatchCode.FEW_NIGHTS, nights=1, needed_nights=4),
        seen_once=info(WatchCode.SEEN_ONCE, at_night=True, only_sensor=False),
    )
    few = "The record holds one night only that shows the axis; a movement shows from 4 nights on."
    assert acknowledged_sentences(News(new=(new,), provisional=(once,)), dropped) == (
        f"Acknowledged: {item_sentence(new)}",
        f"Not sent any more, because it is acknowledged: {messages}.",
        f"Not acknowledged: {few}  This is seen on one night only and counts once a second night shows it.",
    )
    assert acknowledged_sentences(News(new=(), provisional=()), 0) == ("Acknowledged; nothing was new.",)


def test_a_spoilt_acknowledgement_does_not_stand_in_the_way_of_a_new_one():
    past = history(axis_now=(0.0, 300.0))
    analysis = Analysis(site(), nights((0.0, 300.0)), past, advise(site(), nights(), past), ())
    when = (LAST_US + DAY_US, None)
    assert news_afresh(analysis, "{spoilt", *when) == (news(analysis, None, *when), None)
    kept = state_text(analysis, None, *when)
    assert news_afresh(analysis, kept, *when) == (news(analysis, kept, *when), kept)


def apart(east, *events):
    past = history(east=east, events=events)
    return causes.named_all_the_same(past)


def test_why_a_step_has_a_name_where_slow_movement_cannot_be_told():
    slip, tip = event("mount_az", mount_az=170.0), event("pier", tilt_east=60.0)
    for named in (slip, tip):
        assert "its odds rest on how sudden it was and which way it went" in apart("no", named)
        assert apart("yes", named) == ""
    assert apart("no") == apart("no", event("mount_alt", mount_alt=170.0)) == ""
