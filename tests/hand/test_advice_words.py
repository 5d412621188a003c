"""Every code of advice has a sentence; the sentences are held by one approved file."""

import numpy as np
from advice_world import (
    AZ,
    DAY_US,
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

from drift.advice.steps import advise
from drift.notices import AdviceCode, Notice
from drift.render.advice_words import SENTENCES
from drift.types import Lasting

PLATE = {"bolt_bearings_deg": [0.0, 120.0, 240.0], "bolt_circle_mm": 200.0}
TRAVEL = {"knob_travel_arcmin": 15.0}
NAN = {"axis_now": (np.nan, np.nan), "axis_sd": (np.nan, np.nan), "change": np.full((40, 6), np.nan)}


def worlds():
    """Yield (site, nights, history, now) that call for the different kinds of advice."""
    slip = event("mount_az", mount_az=300.0)
    undetermined = event(
        "undetermined", probability={"pier": 0.5, "mount_az": 0.49}, mount_az=80.0, tilt_east=80.0
    )
    back = correction("azimuth", 30, asked=-300.0, found=-300.0, held=True)
    off = {"axis_now": (300.0, 300.0)}
    wants = {"plate": {**PLATE, "want_level": True}}
    nuts = {"plate": {**PLATE, "nuts": True, "thread": "M8"}, "mount": TRAVEL}
    for where, past in (
        (site(), history(axis_now=(0.0, 60.0))),
        (site(), history(**off)),
        (site(-46.0, optics={"guided": False}), history(**off)),
        (site(), history(events=(slip,), axis_now=(300.0, 0.0))),
        (site(), history(events=(slip,), corrections=(back,))),
        (site(), history(events=(event("pier", tilt_north=40.0, tilt_east=30.0),), **step(EAST, 30.0, 20))),
        (site(), history(axis_now=(150.0, 0.0), events=(undetermined,), east="no", north="partly")),
        (site(), history(events=(event("pier", 39, provisional=True, tilt_east=-60.0),))),
        (site(), history(axis_now=(0.0, 150.0), **yearly(alt=140.0))),
        (site(), history(axis_now=(0.0, 300.0), **yearly(alt=140.0))),
        (site(), history(axis_now=(0.0, 300.0), **yearly(alt=140.0, swings=(0.7, 1.0, 1.3)))),
        (site(), history(axis_now=(0.0, -40.0), **yearly(alt=100.0))),
        (site(), history(axis_now=(0.0, 130.0), axis_sd=(70.0, 70.0))),
        (site(), history(**ramp(AZ, 395.0))),
        (site(), history(**ramp(EAST, 200.0))),
        (site(), history(north="no", **ramp(NORTH, -150.0))),
        (site(**wants), history(axis_now=(0.0, 10.0), **ramp(EAST, 400.0))),
        (site(plate={"want_level": True}), history(axis_now=(0.0, 10.0), **ramp(EAST, 400.0))),
        (site(mount=TRAVEL, plate=PLATE), history(axis_now=(1200.0, -1200.0))),
        (site(**nuts), history(axis_now=(0.0, -1200.0))),
        (
            site(mount={**TRAVEL, "mass_kg": 60.0}, plate={**PLATE, "nuts": True}),
            history(axis_now=(0.0, -1200.0)),
        ),
        (
            site(),
            history(
                lasting=Lasting(arcsec_per_year=200.0, arcsec_per_year_sd=30.0, toward_bearing_deg=90.0),
                **ramp(EAST, 900.0),
            ),
        ),
        (site(optics={"aim": "tonight"}), history(axis_now=(0.0, 300.0), **yearly(alt=140.0))),
    ):
        yield where, nights(), past, None
    for left in ((0.0, 150.0), (0.0, 5.0)):  # brought to the pole by one knob, and by both
        axes = np.where(np.arange(40)[:, None] < 20, (420.0, 150.0), left)
        sizes = {"mount_az": -420.0, "mount_alt": left[1] - 150.0}
        steps = tuple(event(what, **{what: size}) for what, size in sizes.items() if size)
        yield site(), nights(axes), history(events=steps, axis_now=left), None
    yield site(), nights(times=()), history(**NAN), None
    yield site(), nights(), history(axis_now=(0.0, 300.0)), LAST_US + 100 * DAY_US


def test_every_code_has_a_sentence():
    assert set(SENTENCES) == set(AdviceCode)


def test_the_sentences_read_as_they_were_approved(approved):
    lines = []
    for where, seen, past, now_us in worlds():
        advice = advise(where, seen, past, now_us)
        lines += [said_of(advice.verdict), *(said_of(one) for one in (*advice.actions, *advice.cautions))]
        lines += [said_of(matter) for matter in advice.matters]
        lines += [said_of(one) for one in (advice.poles, advice.year) if one is not None]
        lines.append("")
    approved("advice", "\n".join(dict.fromkeys(lines)) + "\n")


def test_nothing_that_travels_is_a_sentence():
    """Values are numbers, codes, dates and names; but for the reason of a plate that can't be tipped."""
    for where, seen, past, now_us in worlds():
        advice = advise(where, seen, past, now_us)
        verdict = advice.verdict
        notices = [verdict.notice, *verdict.clauses, *verdict.seen_once, *advice.cautions]
        notices += [each for action in advice.actions for each in (action.notice, *action.remarks)]
        notices += [matter.limit for matter in advice.matters]
        for notice in notices:
            assert isinstance(notice, Notice)
            told = [v for v in notice.values.values() if isinstance(v, str)]
            assert all(" " not in value for value in told), notice
