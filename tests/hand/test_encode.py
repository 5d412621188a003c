"""Results as plain data: what each kind of value becomes, by hand."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pytest

from drift.render.encode import named, plain


class Side(StrEnum):
    EAST = "east"


@dataclass(frozen=True)
class Inner:
    bearing_deg: float
    turns: int | None = None


@dataclass(frozen=True)
class Found:
    time_us: int | None
    tilt_arcsec: float
    side: Side
    held: bool | None
    bolts: tuple[Inner, ...] = ()

    @property
    def twice_arcsec(self) -> float:
        return 2.0 * self.tilt_arcsec


FOUND = Found(1_709_251_200_499_999, 1.234567, Side.EAST, None, (Inner(90.0), Inner(float("nan"), 2)))


def test_fields_become_keys_and_moments_become_text():
    assert plain(FOUND) == {
        "time_utc": "2024-03-01T00:00:00Z",
        "tilt_arcsec": 1.2346,
        "side": "east",
        "held": None,
        "bolts": [{"bearing_deg": 90.0, "turns": None}, {"bearing_deg": None, "turns": 2}],
    }


def test_a_row_takes_what_is_named_in_that_order_and_renames():
    found = named(FOUND, "held", "twice_arcsec", decimals=None, east_tilt="tilt_arcsec", at_utc="time_us")
    assert list(found.items()) == [
        ("held", None),
        ("twice_arcsec", 2.469134),
        ("east_tilt", 1.234567),
        ("at_utc", "2024-03-01T00:00:00Z"),
    ]


def test_a_moment_that_is_not_known_is_none():
    assert named(Found(None, 0.0, Side.EAST, True), "time_us", "held") == {"time_utc": None, "held": True}


@pytest.mark.parametrize(
    ("given", "made"),
    [
        (float("inf"), None),
        (-0.0, 0.0),
        (np.float64(2.00004), 2.0),
        (np.array([[1.0, np.nan]]), [[1.0, None]]),
        (np.int64(7), 7),
        (np.bool_(True), True),
        ({Side.EAST: (1, "a")}, {"east": [1, "a"]}),
    ],
)
def test_values(given, made):
    assert plain(given) == made
    assert type(plain(given)) is type(made)


def test_what_has_no_form_is_refused():
    with pytest.raises(TypeError, match="no form is known for object"):
        plain(object())
