"""Results as bytes: they come back bit for bit, and bytes make nothing but what was asked for."""

from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import pytest

from drift.cache import pack, unpack


@dataclass(frozen=True)
class Inner:
    name: str
    values: np.ndarray


@dataclass(frozen=True)
class Outer:
    count: int
    share: float
    sure: bool
    pair: tuple[float, str]
    inners: tuple[Inner, ...]
    odds: dict[str, float]
    maybe: Inner | None
    times: np.ndarray
    where: np.ndarray


def example(**changed):
    given = {
        "count": -3,
        "share": 0.1 + 0.2,
        "sure": True,
        "pair": (float("inf"), "\u2013 a \x00 b"),
        "inners": (Inner("x", np.array([[1.0, np.nan], [-0.0, 1e-300]])), Inner("", np.zeros((0, 3)))),
        "odds": {"pier": 1.0 / 3.0},
        "maybe": None,
        "times": np.array([2**62, -5], dtype=np.int64),
        "where": np.array([True, False, True]),
    }
    return Outer(**{**given, **changed})


def test_what_comes_back_is_the_same_to_the_last_bit():
    made = example(maybe=Inner("y", np.array([1.0])))
    back = unpack(pack(made, Outer), Outer)
    assert (back.count, back.share, back.sure, back.pair, back.odds) == (
        made.count,
        made.share,
        made.sure,
        made.pair,
        made.odds,
    )
    assert back.maybe.name == "y"
    for one, other in ((back.times, made.times), (back.where, made.where)):
        assert one.dtype == other.dtype
        assert np.array_equal(one, other)
    for one, other in zip(back.inners, made.inners, strict=True):
        assert one.name == other.name
        assert one.values.shape == other.values.shape
        assert one.values.tobytes() == other.values.tobytes()  # the sign of zero too


def test_numbers_of_numpy_come_back_as_plain_ones():
    back = unpack(pack(example(count=np.int64(7), share=np.float64(2.5)), Outer), Outer)
    assert type(back.count) is int
    assert type(back.share) is float


def test_nothing_stays_nothing():
    assert unpack(pack(example(), Outer), Outer).maybe is None


@pytest.mark.parametrize("data", [b"", b"nothing that was packed", pack(Inner("x", np.ones(2)), Inner)])
def test_other_bytes_are_refused(data):
    with pytest.raises(ValueError):
        unpack(data, Outer)


def test_an_array_of_anything_else_is_refused():
    with pytest.raises(TypeError, match="no form is known"):
        pack(Inner("x", np.array(["a"], dtype=object)), Inner)


@dataclass(frozen=True)
class Wider(Inner):
    more: float = 0.0


@pytest.mark.parametrize(
    "changed",
    [
        {"count": 2.5},
        {"count": float("nan")},
        {"count": float("inf")},
        {"share": "0.5"},
        {"odds": {1: 0.5}},
        {"maybe": Wider("x", np.ones(1))},
    ],
    ids=str,
)
def test_what_would_come_back_as_something_else_is_refused(changed):
    with pytest.raises(TypeError):
        pack(example(**changed), Outer)


def test_bytes_that_were_altered_are_refused_or_make_the_same_kind():
    """Whatever a damaged disk makes of them, nothing but `ValueError` comes of it."""
    packed, rng = pack(example(), Outer), np.random.default_rng(3)
    for _ in range(400):
        altered = bytearray(packed)
        altered[int(rng.integers(len(altered)))] = int(rng.integers(256))
        with suppress(ValueError):
            assert type(unpack(bytes(altered), Outer)) is Outer
