"""Frost, the air's temperature, the clay's moisture, a bump: told apart where they differ, and only there."""

from dataclasses import replace

import pytest

from drift.analysis import work_out
from drift.codes import ForcingKind
from drift.demo.files import make, site_values
from drift.demo.scenario import InventedStep, family
from drift.ground.forcing import FROST_KINDS
from drift.site.file import pier_from_mapping

#: Odds of 10 to 1, by which a cause is named.
NAMED = 10.0 / 11.0


def odds_of(scenario):
    """Return the odds of what moves the tilt, all kinds of frost added up as "frost"."""
    site = pier_from_mapping({**site_values(scenario), "store": {"url": "sqlite://"}})
    history = work_out(site, make(scenario).readings()).history
    frost = sum(p for name, p in history.forcing_odds.items() if name in FROST_KINDS)
    return history, {**history.forcing_odds, "frost": frost}


def quiet(seed, latitude_deg, years=3.0, **moved):
    return replace(family("quiet", seed, years=years, latitude_deg=latitude_deg), **moved)


@pytest.mark.parametrize("latitude_deg", [46.0, -41.0])
def test_a_pier_that_bends_with_the_air_is_not_laid_at_the_frost_s_door(latitude_deg):
    history, odds = odds_of(quiet(71, latitude_deg, bend_per_degc=1.5))
    assert odds["frost"] < 1.0 - NAMED
    assert odds[ForcingKind.TEMPERATURE] == max(odds.values())
    assert history.follows == ForcingKind.CALENDAR


@pytest.mark.parametrize("latitude_deg", [46.0, -41.0])
def test_clay_that_swells_until_the_end_of_winter_is_told_by_its_phase(latitude_deg):
    history, odds = odds_of(quiet(72, latitude_deg, swell=50.0))
    assert odds["frost"] < 1.0 - NAMED
    assert odds[ForcingKind.MOISTURE] == max(odds.values())
    assert history.follows == ForcingKind.CALENDAR


@pytest.mark.parametrize("seed", [81, 82])
def test_a_body_that_follows_the_air_by_two_months_looks_like_wet_clay_until_the_years_differ(seed):
    bends = {"bend_per_degc": -2.0, "bend_days": 60.0}
    _, first = odds_of(quiet(seed, 46.0, years=1.2, **bends))
    assert max(first.values()) < NAMED
    assert first[ForcingKind.TEMPERATURE] + first[ForcingKind.MOISTURE] > NAMED
    _, later = odds_of(quiet(seed, 46.0, years=3.0, **bends))
    assert later[ForcingKind.TEMPERATURE] > NAMED


@pytest.mark.parametrize("seed", [73, 74])
def test_frost_stays_frost_beside_them(seed):
    history, odds = odds_of(family("heave", seed, years=3.0, latitude_deg=46.0))
    assert odds["frost"] > NAMED
    assert history.follows in FROST_KINDS


@pytest.mark.parametrize(("seed", "latitude_deg"), [(75, 46.0), (76, -38.0), (77, 50.0)])
def test_a_bump_in_the_first_winter_is_a_bump(seed, latitude_deg):
    """Over one winter a bump rises as frost does; thaw would take frost back, but none has come yet."""
    bump = InventedStep(140.1, tilt_north=45.0, tilt_east=40.0)
    start = "2023-09-01" if latitude_deg > 0.0 else "2023-03-01"
    scenario = quiet(seed, latitude_deg, years=0.5, start=start, nights_a_year=60.0, steps=(bump,))
    history, _ = odds_of(scenario)
    assert [event.what for event in history.events] == ["pier"]
