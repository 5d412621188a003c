"""What a tilt is counted from: not from the season in which the log happens to begin."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from advice_world import DAY_US, EAST, TIMES, correction, history, nights, site

from drift.advice.movement import baseline_of
from drift.advice.steps import advise
from drift.errors import SiteFileError
from drift.notices import AdviceCode
from drift.render.watch_words import item_sentence
from drift.site.file import pier_from_mapping
from drift.types import Analysis
from drift.watch.changes import news
from drift.watch.limits import limits_of

SD = 3.0


def day(year, month, number=1):
    return int(datetime(year, month, number, 20, tzinfo=UTC).timestamp()) * 1_000_000


def pier(latitude_deg=46.0, since=None, tilt_arcsec=60.0):
    """Return a site whose tilt counts from `since`, or from what it does by default."""
    warn = {"axis_arcmin": 9.0, "tilt_arcsec": tilt_arcsec} | ({} if since is None else {"since": since})
    data = {"site": {"latitude_deg": latitude_deg, "longitude_deg": 20.0, "elevation_m": 100.0}, "warn": warn}
    return pier_from_mapping({**data, "store": {"url": "sqlite://"}})


def heaving(swing, start_us=None, years=2.0, latitude_deg=46.0):
    """Return a pier that stands from April to October and heaves by `swing` toward east to mid winter."""
    times = (day(2022, 1, 20) if start_us is None else start_us) + 10 * DAY_US * np.arange(int(36.5 * years))
    mid = 15.0 if latitude_deg > 0.0 else 15.0 + 182.6
    ahead = (times / DAY_US - day(2022, 1) / DAY_US - mid + 182.6) % 365.25 - 182.6
    heave = swing * np.cos(np.pi * np.clip(ahead / 70.0, -1.0, 1.0) / 2.0) ** 2
    change = np.zeros((times.size, 6))
    change[:, EAST] = heave - heave[0]
    sd = np.vstack([np.zeros(6), np.full((times.size - 1, 6), SD)])
    return history(time_us=times, change=change, sd=sd)


def analysis(past, where):
    seen = nights(times=past.time_us)
    return Analysis(where, seen, past, advise(where, seen, past), ())


def tilt_of(past, where):
    return next(limit for limit in limits_of(analysis(past, where)) if limit.name == "tilt")


@pytest.mark.parametrize("latitude_deg", [46.0, -46.0])
@pytest.mark.parametrize("month", range(1, 13))
def test_the_largest_tilt_of_a_winter_is_the_same_whenever_the_log_began(latitude_deg, month):
    past = heaving(90.0, day(2022, month), 3.0, latitude_deg)
    limit = tilt_of(past, pier(latitude_deg))
    assert limit.values.max() == pytest.approx(90.0, abs=3.0), "readings come every ten days"
    assert limit.values.min() == pytest.approx(0.0, abs=1e-9)


def test_a_swing_that_a_log_from_mid_heave_would_hide_meets_its_limit():
    # at the start it stands 50" of 100" up: counted from there it never gets further than 50"
    start = day(2022, 2, 19)
    past = heaving(100.0, start, 0.95)
    assert np.abs(past.change[:, EAST]).max() < 60.0
    assert [item.kind for item in news(analysis(past, pier(since="start")), None).new] == []
    (item,) = news(analysis(past, pier()), None).new
    assert item.kind == "tilt_limit"
    assert "counted from the autumn of 2022" in item_sentence(item)
    # 59" of 60" is inside, and the limit is met where the whole swing is larger by more than its sd
    assert news(analysis(heaving(59.0, start, 0.95), pier()), None).new == ()


def test_what_lasts_counts_from_the_first_autumn_and_not_anew_each_year():
    times = day(2021, 9, 15) + 20 * DAY_US * np.arange(60)
    change = np.zeros((60, 6))
    change[:, EAST] = np.linspace(0.0, 130.0, 60)  # 40" a year
    settling = history(time_us=times, change=change, sd=np.full((60, 6), SD))
    assert tilt_of(settling, pier()).values[-1] == pytest.approx(130.0, abs=3.0)
    assert tilt_of(settling, pier(since="last autumn")).values[-1] < 60.0
    clauses = analysis(settling, pier()).advice.verdict.clauses
    (tilts,) = (one for one in clauses if one.code == AdviceCode.PIER_TILTS)
    assert (tilts.values["since"], tilts.values["since_date"]) == ("first autumn", "2021-09-15")


def test_until_an_autumn_is_in_the_record_it_counts_from_the_start():
    past = heaving(90.0, day(2022, 1, 20), 0.5)
    base = baseline_of(pier(), past)
    assert (base.since, base.from_us, base.tilt[1]) == ("start", past.time_us[0], 0.0)


def test_the_owner_chooses_a_date_or_the_last_correction():
    past = heaving(90.0, day(2022, 1, 20), 2.0)
    base = baseline_of(pier(since="2022-07-01"), past)
    assert base.since == "date" and abs(base.from_us - day(2022, 7)) < 15 * DAY_US
    assert base.tilt[1] == pytest.approx(past.change[10:20, EAST].min())
    made = replace(correction("azimuth"), time_us=day(2022, 5, 1))
    base = baseline_of(pier(since="last correction"), replace(past, corrections=(made,)))
    assert base.since == "last correction"
    assert made.time_us <= base.from_us < made.time_us + 10 * DAY_US
    assert baseline_of(pier(since="last correction"), past).since == "start", "there is none yet"
    assert baseline_of(pier(since="2019-01-01"), past).since == "start", "before the record"


def test_work_on_the_pier_starts_the_count_anew():
    change = np.zeros((40, 6))
    change[20:, EAST] = 400.0
    worked = replace(correction("pier"), time_us=int(TIMES[20]) - 1)
    past = history(change=change, corrections=(worked,))
    limit = tilt_of(past, pier())
    assert limit.times_us[0] == TIMES[20] and limit.values.max() == 0.0


def test_the_uncertainty_of_the_autumn_counts():
    limit = tilt_of(heaving(90.0), pier())
    assert limit.sds[-1] == pytest.approx(np.hypot(SD, SD), abs=0.3)


@pytest.mark.parametrize("since", ["spring", "2022-13-01", 7])
def test_what_is_no_baseline_is_refused(since):
    with pytest.raises(SiteFileError, match="first autumn"):
        site(warn={"since": since})


@pytest.mark.parametrize(("latitude_deg", "month"), [(46.0, 9), (-46.0, 3)])
def test_an_autumn_that_has_just_begun_is_nothing_to_count_from(latitude_deg, month):
    """The log begins half a year before and ends on the first of autumn: the tilt then is no zero."""
    start = day(2022, month) - 180 * DAY_US
    past = heaving(90.0, start, 180.0 / 365.0, latitude_deg)
    past = replace(past, change=past.change + np.linspace(0.0, 40.0, past.time_us.size)[:, None])
    where = pier(latitude_deg)
    assert past.time_us[-1] < day(2022, month, 28)
    assert baseline_of(where, past).since == "start"
    limit = tilt_of(past, where)
    assert limit.values[-1] > 20.0
    assert limit.sds[-1] >= SD


def test_a_log_that_begins_in_autumn_counts_from_its_first_weeks():
    past = heaving(90.0, day(2022, 9, 10), 30.0 / 365.0)
    assert baseline_of(pier(), past).since == "first autumn"


def test_after_work_on_the_pier_the_first_reading_counts_as_it_was_read():
    """Two readings with work between them: the tilt of 30" +- 3" after it is what later ones count from."""
    worked = replace(correction("pier"), time_us=int(TIMES[1]) - 1)
    past = history(time_us=TIMES[:2], change=np.zeros((2, 6)), sd=np.zeros((2, 6)), corrections=(worked,))
    past.change[1, EAST], past.sd[1, EAST] = 30.0, SD
    base = baseline_of(pier(since="start"), past)
    assert (base.from_us, base.tilt[1], base.sd[1]) == (TIMES[1], 30.0, SD)
    unworked = baseline_of(pier(since="start"), replace(past, corrections=()))
    assert (unworked.from_us, unworked.tilt[1], unworked.sd[1]) == (TIMES[0], 0.0, 0.0)
