"""What was asked and found of a correction is said in one way, by check, status and advise alike."""

import math
from dataclasses import replace

import pytest
from advice_world import correction, history, nights, site

from drift.advice.steps import advise
from drift.render.phrases import amount_words, asked_and_found
from drift.render.tables.causes import asked_words, found_words
from drift.render.watch_words import item_sentence
from drift.types import Analysis
from drift.watch.changes import news


@pytest.mark.parametrize(
    ("kind", "amount", "latitude", "said"),
    [
        ("azimuth", 168.0, 46.0, "2.80' east"),
        ("azimuth", -168.0, -46.0, "2.80' east"),
        ("altitude", -90.0, 46.0, "1.50' down"),
        ("shim", 34.0, 46.0, '34.0"'),
    ],
)
def test_an_amount_is_said_with_its_way(kind, amount, latitude, said):
    assert amount_words(kind, amount, None, latitude) == said


def test_an_uncertainty_that_is_not_known_is_said_so():
    assert amount_words("azimuth", 60.0, math.nan, 46.0) == "1.00' (uncertainty not known) east"


def test_without_an_amount_nothing_is_said():
    assert asked_and_found(correction("azimuth"), 46.0) == ""
    assert asked_and_found(correction("azimuth", asked=60.0), 46.0) == "asked 1.00' east"


def test_check_and_status_say_the_same():
    one = replace(correction("azimuth", 30, asked=-168.0, found=2.0, held=False), found_sd=2.0)
    past = history(corrections=(one,))
    analysis = Analysis(site(), nights(), past, advise(site(), nights(), past), ())
    (item,) = news(analysis, None).new
    assert f"asked {asked_words(one, 46.0)}, found {found_words(one, 46.0)}" in item_sentence(item)
