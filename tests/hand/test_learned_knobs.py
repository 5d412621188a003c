"""Gain and slack of a knob from past corrections, and the odds that each held."""

import math
from dataclasses import replace

import numpy as np
import pytest
from advice_world import DAY_US, START_US, history, nights, site
from said import said_of

from drift.advice.knobs import (
    FAILS_CHANCE,
    GAIN_SD_GIVEN,
    GAIN_SD_GUESSED,
    SLACK_SCALE,
    direction_of_knob,
    learned_knobs,
    odds_held,
)
from drift.advice.steps import advise
from drift.codes import Rotation
from drift.history.changes import LEAST_SD, SHARE_SD
from drift.types import CorrectionFound

GIVEN = {"azimuth_knob_arcmin_per_turn": 40.0, "altitude_knob_arcmin_per_turn": 30.0}
#: Half a normal distribution of scale 1: mean and sd.
HALF_NORMAL = (math.sqrt(2.0 / math.pi), math.sqrt(1.0 - 2.0 / math.pi))
#: The grid of slacks ends at five scales; its steps are 2" [arcsec].
GRID = 0.3
SD = 3.0


def turn(k, asked, found, kind="azimuth", sd=SD):
    """Return a correction whose `found` is what the readings alone say: the history shrinks it to `asked`."""
    if found is None:
        return CorrectionFound(
            time_us=START_US + k * DAY_US, kind=kind, asked=asked, found=None, found_sd=None, held=None
        )
    prior = math.hypot(SHARE_SD * asked, LEAST_SD)
    precision = sd**-2 + prior**-2
    mean = (found / sd**2 + asked / prior**2) / precision
    return CorrectionFound(
        time_us=START_US + k * DAY_US, kind=kind, asked=asked, found=mean, found_sd=precision**-0.5, held=None
    )


def knob(*corrections, pier=None, name="azimuth"):
    pier = site() if pier is None else pier
    return learned_knobs(pier, history(corrections=corrections))[name]


def odds(*corrections, pier=None):
    return odds_held(site() if pier is None else pier, history(corrections=corrections))


@pytest.mark.parametrize("name", ["azimuth", "altitude"])
def test_without_corrections_the_prior_is_told(name):
    guessed, given = knob(name=name), knob(name=name, pier=site(mount=GIVEN))
    # the grid of gains, 0.2 to 2.2, cuts the long tails
    assert given.gain_sd == pytest.approx(GAIN_SD_GIVEN, rel=0.05)
    assert guessed.gain_sd == pytest.approx(GAIN_SD_GUESSED, rel=0.2)
    for one in (guessed, given):
        assert one.gain == pytest.approx(1.0, abs=0.03)
        assert one.slack == pytest.approx(HALF_NORMAL[0] * SLACK_SCALE, abs=GRID)
        assert one.slack_sd == pytest.approx(HALF_NORMAL[1] * SLACK_SCALE, abs=GRID)
        assert (one.turns_seen, one.last_direction) == (0, 0)


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize("true_gain", [0.7, 1.0, 1.3])
def test_turns_one_way_teach_the_gain(true_gain, way):
    turns = [turn(20 * k, way * 600.0, way * true_gain * 600.0) for k in range(6)]
    one = knob(*turns)
    # each is set to 5 %: 0.05 / sqrt(6) = 0.02
    assert one.gain == pytest.approx(true_gain, abs=0.03)
    assert 0.01 < one.gain_sd < 0.04
    assert (one.turns_seen, one.last_direction) == (6, int(way))


def test_turns_to_and_fro_teach_the_slack():
    # 40" are lost at each reversal, nothing where the knob goes on
    asked = [300.0, 300.0, -300.0, -300.0, 300.0, 300.0, -300.0, -300.0]
    found = [280.0, 300.0, -260.0, -300.0, 260.0, 300.0, -260.0, -300.0]
    one = knob(*[turn(20 * k, a, f) for k, (a, f) in enumerate(zip(asked, found, strict=True))])
    assert one.gain == pytest.approx(1.0, abs=0.05)
    # 5 % of 300" over three reversals and four that were none: 12"
    assert one.slack == pytest.approx(40.0, abs=15.0)
    assert one.slack_sd < 15.0


def test_knobs_learn_apart():
    turns = [turn(20 * k, 600.0, 360.0, kind="altitude") for k in range(4)]
    assert knob(*turns, name="altitude").gain == pytest.approx(0.6, abs=0.05)
    assert knob(*turns, name="azimuth") == knob(name="azimuth")


def test_a_slip_teaches_nothing():
    good = [turn(20 * k, 600.0, 600.0) for k in range(4)]
    slipped = turn(90, 600.0, 40.0)
    assert knob(*good, slipped).gain == pytest.approx(knob(*good).gain, abs=0.01)
    held = odds(*good, slipped)
    assert all(p > 0.95 for p in held[:4])
    assert held[4] < 0.01


def test_a_knob_that_always_goes_short_holds():
    # 0.6 of what is asked: one such turn of a knob whose thread is known looks like a slip, five do not
    alone = odds(turn(0, 600.0, 360.0), pier=site(mount=GIVEN))
    often = odds(*[turn(20 * k, 600.0, 360.0) for k in range(5)], pier=site(mount=GIVEN))
    assert alone[0] < 0.8
    assert min(often) > 0.9


@pytest.mark.parametrize("kind", ["azimuth", "altitude", "shim", "nuts"])
def test_odds_of_what_held_and_what_did_not(kind):
    (held,), (failed,), (wrong_way,) = (odds(turn(0, 300.0, f, kind)) for f in (300.0, 0.0, -300.0))
    assert held > 0.95
    assert failed < 0.1
    assert wrong_way < 0.001


def test_the_odds_by_hand():
    # shims: no slack would matter, but it is in the mixture; with the gain known exactly the odds are
    # 0.9 N(0; 15.8") to 0.1 N(300"; 300.4"): 0.9 / 15.8 / (0.1 / 300.4 exp(-0.5)) = 282 to 1
    own = math.hypot(SD, 0.05 * 300.0, 5.0)
    wide = math.hypot(own, 300.0)
    exact = (1 - FAILS_CHANCE) / own / (FAILS_CHANCE / wide * math.exp(-0.5 * (300.0 / wide) ** 2))
    (held,) = odds(turn(0, 300.0, 300.0, "shim"))
    # not knowing gain (0.14 * 300" = 42") and half the slack (18" * 0.5) makes it less sure by about 3
    assert exact / 6.0 < held / (1.0 - held) < exact


def test_what_no_reading_saw_has_no_odds_and_teaches_nothing():
    unseen = turn(0, 300.0, None)
    vague = CorrectionFound(
        time_us=START_US,
        kind="azimuth",
        asked=300.0,
        found=300.0,
        found_sd=0.99 * math.hypot(90.0, 30.0),
        held=None,
    )
    unknown = CorrectionFound(
        time_us=START_US, kind="azimuth", asked=None, found=200.0, found_sd=3.0, held=None
    )
    service = CorrectionFound(
        time_us=START_US, kind="service", asked=None, found=None, found_sd=None, held=None
    )
    assert odds(unseen, vague, unknown, service) == (None, None, None, None)
    assert (knob(unseen, vague).gain, knob(unseen).turns_seen) == (knob().gain, 0)
    assert knob(unseen).last_direction == 1, "which way it was turned is known all the same"


def test_the_setting_makes_up_for_gain_and_slack():
    asked = [600.0, 600.0, -600.0, 600.0, -600.0, -600.0]
    found = [480.0 - 20.0, 480.0, -440.0, 440.0, -440.0, -480.0]
    one = knob(*[turn(20 * k, a, f) for k, (a, f) in enumerate(zip(asked, found, strict=True))])
    on, on_sd = one.to_set(-240.0)
    back, back_sd = one.to_set(240.0)
    assert on == pytest.approx(-300.0, rel=0.05)
    assert back == pytest.approx(300.0 + one.slack / 0.8, rel=0.05)
    assert 5.0 < on_sd < back_sd < 40.0
    assert one.to_set(0.0) == (0.0, 0.0)


def test_what_is_not_told_does_not_change_the_setting():
    """A prior, or one turn that did what was asked, makes nobody turn further or less far."""
    for one in (knob(), knob(pier=site(mount=GIVEN)), knob(turn(0, 126.0, 127.0), pier=site(mount=GIVEN))):
        assert not one.gain_known and not one.slack_known
        assert one.to_set(600.0)[0] == 600.0 and one.to_set(-600.0)[0] == -600.0
    assert knob().to_set(600.0)[1] > knob(pier=site(mount=GIVEN)).to_set(600.0)[1]


@pytest.mark.parametrize("true_gain", [0.8, 1.25])
def test_a_gain_below_one_asks_for_more_and_above_for_less(true_gain):
    one = knob(*[turn(20 * k, 600.0, true_gain * 600.0) for k in range(4)])
    assert one.gain_known
    assert one.to_set(240.0)[0] == pytest.approx(240.0 / one.gain)


def test_the_landing_holds_what_the_setting_leaves_out():
    one = knob()
    rng = np.random.default_rng(3)
    gains = rng.normal(one.gain, one.gain_sd, 20_000)
    slacks = np.abs(rng.normal(0.0, SLACK_SCALE, 20_000))
    setting, landing = one.to_set(600.0)
    scatter = np.sqrt(np.mean((gains * setting - 0.5 * slacks - 600.0) ** 2))
    #: setting it, 5 % of 600", comes on top; the two means off add their product, a few percent.
    assert np.hypot(scatter, 30.0) == pytest.approx(landing, rel=0.05)


def turned(k, asked, found, turns):
    """Return a correction with the turns that the knob was given for it."""
    return replace(turn(k, asked, found), turns=turns)


def test_turns_that_were_recorded_tell_the_gain_of_the_knob_and_not_of_the_advice():
    # 40' a turn are said, 20' are true; once that is learned twice the turns are advised, and they hold
    first = turned(0, 600.0, 300.0, 600.0 / 2400.0)
    later = [turned(20 * k, 600.0, 600.0, 1200.0 / 2400.0) for k in range(1, 6)]
    one = knob(first, *later, pier=site(mount=GIVEN))
    assert one.gain == pytest.approx(0.5, abs=0.03)
    assert min(odds(first, *later, pier=site(mount=GIVEN))[1:]) > 0.95


def test_turns_without_their_size_tell_nothing_more():
    # nobody knows how far a turn goes: what was asked stands for it
    turns = [turned(20 * k, 600.0, 480.0, 0.25) for k in range(5)]
    assert knob(*turns) == knob(*[turn(20 * k, 600.0, 480.0) for k in range(5)])


def by_way(k, change, way, kind="azimuth", held=None, note=""):
    return replace(turn(k, change, change, kind), knob_way=way, held=held, note=note)


def test_the_words_of_a_note_teach_no_way():
    told = history(corrections=(by_way(1, 60.0, None, note="locked the clamp clockwise"),))
    assert direction_of_knob(site(), told, "azimuth") == (None, 0)


def test_the_way_of_a_knob_is_learned_from_what_turns_did():
    past = history(
        corrections=(by_way(1, 60.0, Rotation.CLOCKWISE), by_way(9, -40.0, Rotation.ANTICLOCKWISE))
    )
    assert direction_of_knob(site(), past, "azimuth") == (Rotation.CLOCKWISE, 2)
    assert learned_knobs(site(), past)["azimuth"].way == Rotation.CLOCKWISE
    assert direction_of_knob(site(), past, "altitude") == (None, 0)
    against = history(corrections=(by_way(1, 60.0, Rotation.CLOCKWISE), by_way(9, -40.0, Rotation.CLOCKWISE)))
    assert direction_of_knob(site(), against, "azimuth") == (None, 0)
    failed = history(corrections=(by_way(1, 60.0, Rotation.CLOCKWISE, held=False),))
    assert direction_of_knob(site(), failed, "azimuth") == (None, 0)


@pytest.mark.parametrize(("latitude", "way"), [(46.0, "clockwise"), (-46.0, "anticlockwise")])
def test_the_site_file_says_the_way_that_moves_the_axis_east_and_up(latitude, way):
    # clockwise from above is east of a north pole, west of a south pole
    pier = site(latitude, mount={"azimuth_knob_east": "clockwise", "altitude_knob_up": "anticlockwise"})
    assert direction_of_knob(pier, history(), "azimuth") == (Rotation(way), 0)
    assert direction_of_knob(pier, history(), "altitude") == (Rotation.ANTICLOCKWISE, 0)


def test_the_advice_says_which_way_to_turn():
    pier = site(mount={**GIVEN, "azimuth_knob_east": "clockwise"})
    (turned, *_) = advise(pier, nights(), history(axis_now=(300.0, 0.0))).actions
    # the axis stands east and is to go west: the other way
    assert "turns of the knob, about 45°, anticlockwise as you face it)" in said_of(turned)
    past = history(axis_now=(300.0, 0.0), corrections=(by_way(1, 60.0, Rotation.CLOCKWISE),))
    (turned, *_) = advise(site(mount=GIVEN), nights(), past).actions
    assert "anticlockwise as you face it going by 1 past turn)" in said_of(turned)
