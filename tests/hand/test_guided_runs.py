"""Runs on which a star stood still: a guider held it; one that wanders, or was not measured, stays."""

import numpy as np
import pandas as pd
import pytest

from drift.night.prepared import without_guided
from drift.notices import NightCode
from drift.readings import as_readings

MINUTE_US = 60_000_000


def run(name, ra, dec, minutes=20, seed=1, noise=0.4):
    """Return a run of a solve a minute: offsets as functions of the minutes, with noise."""
    rng, at = np.random.default_rng([seed, len(name)]), np.arange(minutes + 1.0)
    return pd.DataFrame(
        {
            "row_id": np.arange(at.size),
            "time_us": (at * MINUTE_US).astype(np.int64) + 1_700_000_000_000_000,
            "ra_deg": 100.0,
            "dec_deg": 20.0,
            "run": name,
            "dec_offset_arcsec": dec(at) + rng.normal(0.0, noise, at.size),
            "ra_offset_arcsec": ra(at) + rng.normal(0.0, noise, at.size),
        }
    )


def still(at):
    return 0.0 * at


def worm(at):
    """A drive that swings by 6 arcsec to each side in eight minutes."""
    return 6.0 * np.sin(2.0 * np.pi * at / 8.0)


def prepared(*runs):
    return without_guided(as_readings({"runs": pd.concat(runs, ignore_index=True)}))


def test_stars_that_a_guider_held_are_left_out_and_told():
    made = prepared(run("a", still, still), run("bb", still, still))
    assert len(made.readings["runs"]) == 0
    (told,) = made.notices
    assert (told.code, told.values["runs"]) == (NightCode.RUNS_LOOK_GUIDED, 2)
    assert {one.reason.code for one in made.left_out} == {NightCode.LOOKS_GUIDED}
    assert len(made.left_out) == 42


@pytest.mark.parametrize(
    ("ra", "dec"),
    [
        (worm, still),  # a well-set axis on an ordinary drive
        (still, lambda at: 0.2 * at),  # an axis an arcminute off on a drive without errors
        (lambda at: 0.3 * at, still),  # refraction, and the rate that follows it
    ],
)
def test_runs_of_which_one_moves_all_stay(ra, dec):
    made = prepared(run("a", still, still), run("bb", ra, dec))
    assert len(made.readings["runs"]) == 42 and not made.notices


def test_one_run_alone_and_short_ones_prove_nothing():
    assert not prepared(run("a", still, still)).notices
    assert not prepared(*(run(name, still, still, minutes=6) for name in ("a", "bb", "ccc"))).notices


def test_offsets_that_were_not_measured_prove_nothing():
    both = [run(name, still, still).assign(ra_offset_arcsec=0.0) for name in ("a", "bb")]
    assert not prepared(*both).notices
    both = [run(name, still, still).assign(ra_offset_arcsec=np.nan) for name in ("a", "bb")]
    assert not prepared(*both).notices


def test_runs_without_any_noise_are_judged_by_their_drift():
    both = [run(name, lambda at: 0.25 * at, lambda at: 0.5 * at, noise=0.0) for name in ("a", "bb")]
    assert len(prepared(*both).readings["runs"]) == 42


def test_no_runs_are_left_as_they_are():
    readings = as_readings({})
    assert without_guided(readings).readings is readings


def test_a_slow_drift_counts_by_how_far_it_stands_out_of_the_noise():
    """Half an arcsec in two hours, 121 solves good to 0.25: 0.5 sqrt(121 / 12) / 0.25 = 6.4 sds.

    It spreads the offsets to no more than 1.2 times their noise, so that nothing else tells.
    """
    noise = {"minutes": 120, "noise": 0.25}
    made = prepared(*(run(name, still, lambda at: 0.5 * at / 120.0, **noise) for name in ("a", "bb")))
    assert len(made.readings["runs"]) == 242
    assert len(prepared(*(run(name, still, still, **noise) for name in ("a", "bb"))).readings["runs"]) == 0
