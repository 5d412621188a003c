"""Amounts as a person at the pier can set them, and what the axis error does, in a short sentence."""

import pytest
from advice_world import history, nights, site

from drift.advice.advise import advise
from drift.advice.shims import tip_plate

PLATE = {"bolt_bearings_deg": (0.0, 120.0, 240.0), "bolt_circle_mm": 200.0}
#: The north bolt on this circle stands 150 mm from the line of the other two.
LEVER_MM, ARCSEC = 150.0, 206_264.806


def tipped(mm, **plate):
    """Return the sentence on a tip for which the north bolt rises by `mm`."""
    return tip_plate(site(plate={**PLATE, **plate}), -mm / LEVER_MM * ARCSEC, 0.0, "So").action.sentence


@pytest.mark.parametrize(
    ("stock", "mm", "said"),
    [
        ((0.1, 0.2, 0.5), 0.31, "by 0.3 mm (0.2 + 0.1);"),
        ((0.05, 0.5), 0.5, "by 0.5 mm;"),
        ((0.025, 0.1), 0.124, "by 0.125 mm (0.1 + 0.025);"),
    ],
)
def test_shims_are_told_to_the_digits_of_the_stock(stock, mm, said):
    assert said in tipped(mm, shims_mm=stock)


@pytest.mark.parametrize(
    ("mm", "said"),
    [
        # ISO 261: a turn of M8 is 1.25 mm, so a flat 0.2083 mm and a quarter of one 0.052 mm
        (0.02, "by less than a quarter of a flat of its nut (about 0.02 mm)"),
        (0.052, "by 1/4 flat of its nut (about 0.05 mm)"),
        (0.208, "by 1 flat of its nut (about 0.2 mm)"),
        (0.52, "by 2 1/2 flats of its nut (about 0.5 mm)"),
        (1.25, "by 1 turn of its nut (about 1.2 mm)"),
        (3.9, "by 3 turns and 3/4 flat of its nut (about 3.9 mm)"),
    ],
)
def test_nuts_are_told_in_flats(mm, said):
    assert said in tipped(mm, nuts=True, thread="M8")


def test_nuts_of_unknown_thread_need_a_gauge():
    assert "by 0.87 mm, by a dial gauge" in tipped(0.87, nuts=True)


def test_each_bolt_is_told_once():
    from drift.show.words import action_words

    past = history(axis_now=(0.0, -1200.0))
    shim = advise(site(mount={"knob_travel_arcmin": 15.0}, plate=PLATE), nights(), past).actions[0]
    assert shim.bolts and action_words(shim).count(" mm") == 1


@pytest.mark.parametrize("guided", [True, False])
def test_what_matters_is_said_in_a_short_sentence(guided):
    for matter in advise(site(optics={"guided": guided}), nights(), history(axis_now=(0.0, 60.0))).matters:
        first, *rest = matter.sentence.split("  ")
        name, said = first.split(": ", 1)
        assert name.lower() == matter.name
        assert said.startswith("the axis may be off by up to ")
        assert "; it is off by 1.00' ± 0.05': " in said and said.endswith((" to spare.", " too much."))
        assert len(said) <= 190 and len(" ".join(rest)) <= 190
