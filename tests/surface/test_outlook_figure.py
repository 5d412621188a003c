"""The picture of the coming year: a fan of the distance from the pole, limit, today, the day to act by."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from invented_analysis import DAY_US, invented
from invented_rich import rich

from drift.render.figures import outlook
from drift.render.figures.canvas import PHONE_IN, WIDE_IN, dates

#: Draws of a normal law come out of its quantiles by this share of its sd.
DRAWN = 0.25


@pytest.fixture(scope="module")
def analysis():
    """Return a pier at 60 degrees, where azimuth counts half on the sky, with a limit of five arcminutes."""
    made = invented(47.3, 1)
    place = made.site.site.model_copy(update={"latitude_deg": 60.0})
    warn = made.site.warn.model_copy(update={"axis_arcmin": 5.0})
    site = made.site.model_copy(update={"site": place, "warn": warn})
    return replace(made, site=site, advice=replace(made.advice, poles=None))


def ahead(az_arcsec, alt_arcsec, sd=0.0):
    axis = np.array([[az_arcsec, alt_arcsec]], dtype=float)
    return SimpleNamespace(
        time_us=np.zeros(1, dtype=np.int64),
        axis=axis,
        axis_sd=np.full((1, 2), sd),
        within_sd=None,
        paths=axis[None],
    )


def test_six_along_the_horizon_and_four_up_are_five_from_the_pole(analysis):
    """6 arcmin along the horizon are 3 on the sky at 60 degrees; 3 and 4 make 5."""
    fan = outlook.distance_fan(analysis, ahead(360.0, 240.0))
    assert fan[0] == pytest.approx([5.0] * 5)


def test_the_fan_holds_what_may_come_and_never_less_than_nothing(analysis):
    fan = outlook.distance_fan(analysis, ahead(0.0, 600.0, sd=60.0))[0]
    # far from the pole the distance goes as the altitude: 10 arcmin, sd 1, and the quantiles of a normal law
    assert fan == pytest.approx([10 - 1.2816, 10 - 0.6745, 10.0, 10 + 0.6745, 10 + 1.2816], abs=DRAWN)
    on_pole = outlook.distance_fan(analysis, ahead(0.0, 0.0, sd=60.0))[0]
    assert (on_pole > 0.0).all() and (np.diff(on_pole) > 0.0).all()


def test_ways_of_the_frost_widen_the_fan(analysis):
    one = ahead(0.0, 600.0)
    ways = np.array([[[0.0, 540.0]], [[0.0, 660.0]]])
    spread = SimpleNamespace(**{**vars(one), "paths": ways, "within_sd": np.full((1, 2), 1e-6)})
    assert outlook.distance_fan(analysis, spread)[0][[0, -1]] == pytest.approx([9.0, 11.0], abs=1e-3)


def test_limit_today_and_the_day_to_act_by_are_marked(monkeypatch):
    made = rich()
    last = int(made.history.time_us[-1])
    made = replace(made, now_us=last + 20 * DAY_US)
    monkeypatch.setattr(outlook, "act_by", lambda _: last + 100 * DAY_US)
    for width in (WIDE_IN, PHONE_IN):
        (panel,) = outlook.figure(made, width_in=width).axes
        texts = [text.get_text() for text in panel.texts]
        assert "today" in texts and any(text.startswith("re-align by 20") for text in texts)
        assert any(list(line.get_ydata()) == [2.0, 2.0] for line in panel.lines)
        assert panel.get_ylim()[0] == 0.0 and panel.get_ylim()[1] > 2.0
        upright = [line.get_xdata()[0] for line in panel.lines if list(line.get_ydata()) == [0, 1]]
        assert dates([last + 20 * DAY_US])[0] in upright and dates([last + 100 * DAY_US])[0] in upright


@pytest.mark.parametrize("width", [WIDE_IN, PHONE_IN])
def test_months_are_ticks_on_a_phone_as_well(width):
    (panel,) = outlook.figure(rich(), width_in=width).axes
    low, high = panel.get_xlim()
    ticks = [tick for tick in panel.get_xticks() if low <= tick <= high]
    assert (high - low) / 31.0 - 2 < len(ticks)
    assert min(np.diff(ticks)) > 27.9 and max(np.diff(ticks)) < 31.1
    named = [label.get_text() for label in panel.get_xticklabels() if label.get_text()]
    assert len(named) >= 4


def test_no_year_ahead_is_drawn_after_five_nights():
    few = replace(
        invented(47.3, 5), history=replace(invented(47.3, 5).history, forecast=rich().history.forecast)
    )
    assert outlook.lacking(few).startswith("A look ahead takes nights that span")
    assert outlook.lacking(rich()) == ""
