"""Several piers of one site: what all did, and which one did not; numbers, chances and sentences."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from drift.codes import GroundPhase
from drift.notices import TogetherCode
from drift.piers.together import (
    CHANCE,
    FEWEST,
    chance_alike,
    looked_at,
    notices_of,
    shared_weather,
    sites_of,
    together,
    together_notices,
)
from drift.quantities import DAY_US
from drift.readings import as_readings
from drift.render.notices import as_data, sentence
from drift.types import TiltMove

#: Quiet sites that are looked at.
SITES = 100
FROM = 20_520  # 2026-03-08


def move(north, east, sd=3.0, days=30, frost=-0.6):
    return TiltMove(
        from_us=FROM * DAY_US,
        to_us=(FROM + days) * DAY_US,
        moved=(float(north), float(east)),
        cov=((sd**2, 0.0), (0.0, sd**2)),
        frost_moved=frost,
    )


def named(*moves):
    return {f"pier {k}": one for k, one in enumerate(moves)}


def moved_by(seed, mean, spread, sd, count=6):
    rng = np.random.default_rng(seed)
    return named(
        *(move(*(mean + rng.normal(0.0, spread, 2) + rng.normal(0.0, sd, 2)), sd) for _ in range(count))
    )


def test_the_chance_of_three_that_go_one_way():
    """Three unit moves, turned by chance, are never longer together than 3; two are longer than 1.9 in
    the share of turns within 2 acos(0.95) of one another, 2 x 0.6351 / (2 pi) = 0.2022."""
    assert chance_alike(np.array([[0.0, 1.0]] * 3)) < 1e-3
    angle = 2.0 * np.arccos(0.95)
    two = np.array([[1.0, 0.0], [np.cos(angle), np.sin(angle)]])
    assert chance_alike(two) == pytest.approx(2.0 * angle / (2.0 * np.pi), abs=0.01)  # 20,000 turns
    assert chance_alike(np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])) == pytest.approx(1.0)


def test_one_that_moves_much_makes_no_crowd():
    assert chance_alike(np.array([[500.0, 0.0], [1.0, 2.0], [-2.0, 1.0], [1.0, -1.0]])) > 0.2


def test_all_six_tipped_one_way():
    found = together(moved_by(1, np.array([-20.0, 20.0]), 2.0, 2.0))
    assert found.moved and not found.odd and len(found.core) == 6
    assert found.mean == pytest.approx([-20.0, 20.0], abs=4.0 * 2.8 / np.sqrt(6.0))
    (notice,) = notices_of(found)
    assert notice.code is TogetherCode.MOVED_TOGETHER
    said = sentence(notice)
    assert said.startswith("All six piers tipped toward the south-east")
    assert "in the thaw" in said and "not one pier" in said
    assert as_data(notice)["values"]["piers"] == [f"pier {k}" for k in range(6)]


def test_five_stood_still_and_one_tipped():
    rng = np.random.default_rng(5)
    five = [move(*rng.normal(0.0, 2.0, 2), 2.0) for _ in range(5)]
    found = together(named(*five, move(1.0, 34.0, 2.5)))
    assert found.odd == ("pier 5",) and found.still and not found.moved
    still, odd = notices_of(found)
    assert still.code is TogetherCode.STOOD_STILL and odd.code is TogetherCode.ODD_ONE
    assert sentence(odd).startswith('pier 5 tipped 34" ± 2" toward the east (bearing 88°)')
    assert "the other five stood still" in sentence(odd)
    assert odd.values["chance"] < CHANCE


def test_one_that_stood_still_while_the_slab_tipped_is_told_and_the_slab_too():
    moves = moved_by(2, np.array([0.0, 30.0]), 2.0, 2.0, 5)
    found = together(moves | {"own footing": move(0.5, -0.5, 2.0)})
    assert found.odd == ("own footing",) and found.moved
    common, odd = notices_of(found)
    assert common.values["piers"] == tuple(f"pier {k}" for k in range(5)) and common.values["of"] == 6
    assert sentence(common).startswith("Five of six piers tipped toward the east")
    assert "own footing stood still" in sentence(odd)


def test_one_that_went_the_other_way():
    moves = moved_by(3, np.array([0.0, 30.0]), 2.0, 2.0, 5)
    assert together(moves | {"x": move(0.0, -30.0, 2.0)}).odd == ("x",)


def test_two_odd_ones_of_seven():
    moves = moved_by(4, np.zeros(2), 1.0, 2.0, 5)
    found = together(moves | {"x": move(40.0, 0.0, 2.0), "y": move(0.0, 60.0, 2.0)})
    assert set(found.odd) == {"x", "y"} and found.odd_chance[0] <= found.odd_chance[1]


def test_each_its_own_way_is_not_the_slab():
    turned = [(20.0, 0.0), (-10.0, 17.0), (-10.0, -17.0), (0.0, 20.0), (0.0, -20.0), (-20.0, 0.0)]
    found = together(named(*(move(*one) for one in turned)))
    assert not found.moved and not found.still and not found.odd
    (notice,) = notices_of(found)
    assert notice.code is TogetherCode.NOT_ALIKE and notice.values["chance"] > 0.5


def test_fewer_than_three_say_nothing_and_windows_must_be_one():
    assert together(named(*[move(0.0, 30.0)] * (FEWEST - 1))) is None
    with pytest.raises(ValueError, match="one window"):
        together(named(move(0.0, 1.0), move(0.0, 1.0, days=60), move(0.0, 1.0)))


def test_what_is_not_known_well_is_no_odd_one():
    moves = moved_by(6, np.zeros(2), 1.0, 2.0, 5)
    assert together(moves | {"vague": move(0.0, 34.0, 20.0)}).odd == ()


@pytest.mark.parametrize(("mean", "spread"), [((0.0, 0.0), 0.0), ((0.0, 25.0), 4.0), ((0.0, 0.0), 5.0)])
def test_quiet_sites_name_hardly_anyone(mean, spread):
    """Of sites without an odd pier at most one in fifty may be said to have one."""
    odd = sum(bool(together(moved_by(100 + k, np.array(mean), spread, 3.0)).odd) for k in range(SITES))
    assert odd <= SITES // 50
    if mean == (0.0, 0.0):
        alike = sum(together(moved_by(100 + k, np.array(mean), spread, 3.0)).moved for k in range(SITES))
        assert alike <= SITES // 50


@pytest.mark.parametrize(
    ("grown", "phase"),
    [(-0.5, GroundPhase.THAW), (0.5, GroundPhase.FREEZING), (0.0, GroundPhase.NEITHER), (None, None)],
)
def test_phase_of_the_ground(grown, phase):
    found = together(named(*[replace(move(0.0, 30.0), frost_moved=grown)] * 3))
    assert found.phase is phase


def test_the_window_that_tells_most_is_told():
    short = [move(0.0, 1.0), move(0.0, -1.0), move(1.0, 0.0), move(0.0, 0.5)]
    long = [
        move(0.0, 20.0, days=60),
        move(1.0, 21.0, days=60),
        move(0.0, 19.0, days=60),
        move(-1.0, 20.0, days=60),
    ]
    histories = {f"p{k}": both for k, both in enumerate(zip(short, long, strict=True))}
    assert [one.moved for one in looked_at(histories)] == [False, True]
    (notice,) = together_notices(histories)
    assert notice.code is TogetherCode.MOVED_TOGETHER
    assert together_notices({name: one[:1] for name, one in histories.items()})[0].code is (
        TogetherCode.STOOD_STILL
    )
    assert together_notices({"p0": histories["p0"]}) == ()


# ---- One site.


def site(latitude, longitude, height=300.0):
    return (latitude, longitude, height)


def test_piers_of_one_site_are_near_each_other():
    piers = {
        "a": site(47.0, 8.0),
        "b": site(47.001, 8.001),  # 130 m from a
        "far": site(47.1, 8.0),  # 11 km
        "above": site(47.0, 8.0, 900.0),
        "between": site(47.013, 8.0),  # 1.4 km from a
        "next": site(47.026, 8.0),  # 2.9 km from a, 1.4 km from the last
    }
    assert set(sites_of(piers)) == {("a", "b", "between", "next"), ("far",), ("above",)}


def weather(days, temp):
    days = np.asarray(days)
    table = {"row_id": np.arange(days.size) + 7, "day": days, "t_mean_c": float(temp), "snow_cm": np.nan}
    return pd.DataFrame(table | {"t_min_c": temp - 3.0, "t_max_c": temp + 3.0})


def test_a_weather_log_recorded_once_serves_all_piers():
    own = as_readings({}, "mine")
    shared = shared_weather(own, [weather(range(100, 110), 1.0)])
    assert shared["weather"]["day"].tolist() == list(range(100, 110))
    assert (shared["weather"]["row_id"] < 0).all()
    assert shared.readings_id not in ("", "mine")
    # the same weather makes the same name, another one another
    assert shared_weather(own, [weather(range(100, 110), 1.0)]).readings_id == shared.readings_id
    assert shared_weather(own, [weather(range(100, 110), 1.5)]).readings_id != shared.readings_id


def test_the_piers_own_weather_goes_first_and_then_the_first_table():
    own = as_readings({"weather": weather(range(103, 105), 9.0)}, "mine")
    found = shared_weather(own, [weather(range(104, 107), 1.0), weather(range(100, 110), 5.0)])["weather"]
    assert found["day"].tolist() == list(range(100, 110))
    assert found["t_mean_c"].tolist() == [5.0] * 3 + [9.0] * 2 + [1.0] * 2 + [5.0] * 3
    assert list(found.dtypes) == list(own["weather"].dtypes)


def test_where_nothing_is_added_the_readings_are_the_same():
    own = as_readings({"weather": weather(range(100, 110), 9.0)}, "mine")
    assert shared_weather(own, [weather(range(102, 105), 1.0)]) is own
    assert shared_weather(own, []) is own
