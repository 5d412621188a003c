"""Soil, surface and snow by a pencil: what the words of a site file come to, and the plain sums behind it."""

import numpy as np
import pytest

from drift.ground.pier_site import (
    FUSION,
    PUBLISHED,
    SNOW_CONDUCTIVITY,
    FrostClass,
    SnowFate,
    Soil,
    assumed_snow,
    frost_class,
    ground_of,
    heat_capacity,
    latent_heat,
    snow_of,
    snow_resistance,
    soil_of,
    spread,
    surface_of,
    surface_temperature,
)


def test_words_of_a_soil_are_mixed_by_weight():
    silt, sand, sandy_silt = soil_of("silt"), soil_of("sand"), soil_of("sandy silt")
    for name in ("dry_density_kg_m3", "water_percent", "coarse"):
        by_hand = (2 * getattr(silt, name) + getattr(sand, name)) / 3  # a noun counts twice
        assert getattr(sandy_silt, name) == pytest.approx(by_hand)
    both = soil_of("sand and silt")
    assert both.dry_density_kg_m3 == pytest.approx((silt.dry_density_kg_m3 + sand.dry_density_kg_m3) / 2)
    assert (silt.coarse, sand.coarse) == (0.0, 1.0)


def test_words_for_how_it_lies_change_density_and_water():
    clay, hard, wet, dry = (soil_of(words) for words in ("clay", "hard clay", "wet clay", "dry clay"))
    assert hard.dry_density_kg_m3 == pytest.approx(1.1 * clay.dry_density_kg_m3)
    assert hard.water_percent == pytest.approx(0.75 * clay.water_percent)
    assert wet.dry_density_kg_m3 == dry.dry_density_kg_m3 == clay.dry_density_kg_m3
    assert wet.water_percent > clay.water_percent > dry.water_percent
    assert soil_of("silt", drained=True).water_percent == pytest.approx(0.8 * soil_of("silt").water_percent)
    assert soil_of("silt", drained=False).water_percent == pytest.approx(1.25 * soil_of("silt").water_percent)


@pytest.mark.parametrize(
    ("word", "denser", "wetter"),
    [
        ("hard", 1.1, 0.75),
        ("stiff", 1.1, 0.75),
        ("dense", 1.1, 0.8),
        ("dry", 1.0, 0.6),
        ("soft", 0.93, 1.2),
        ("loose", 0.93, 1.0),
        ("wet", 1.0, 1.3),
    ],
)
def test_each_word_for_how_it_lies(word, denser, wetter):
    # Common practice: compact ground holds less water, soft ground more.  Sand has room for all of it.
    sand, so = soil_of("sand"), soil_of(f"{word} sand")
    assert so.dry_density_kg_m3 == pytest.approx(denser * sand.dry_density_kg_m3)
    assert so.water_percent == pytest.approx(wetter * sand.water_percent)


def test_no_more_water_than_fits_between_the_grains():
    # 1 kg of dry soil at 1550 kg/m3 takes 0.645 l, its grains at 2700 kg/m3 0.370 l: 275 g of water fit.
    assert Soil("clay", 1550.0, 22.0, 0.0).with_water(3.0).water_percent == pytest.approx(27.48, abs=0.01)
    assert Soil("clay", 1550.0, 22.0, 0.0).with_water(1.2).water_percent == pytest.approx(26.4)
    peat = soil_of("peat")
    assert peat.with_water(1.2).water_percent == pytest.approx(1.2 * peat.water_percent)  # all but water


def test_conductivity_of_a_mixture_and_of_rock():
    till = soil_of("till")
    ends = [Soil("", till.dry_density_kg_m3, till.water_percent, share) for share in (1.0, 0.0)]
    for frozen in (True, False):
        coarse, fine = (end.conductivity(frozen) for end in ends)
        assert till.conductivity(frozen) == pytest.approx(0.3 * coarse + 0.7 * fine)
    assert soil_of("rock").conductivity(True) == soil_of("rock").conductivity(False) == 2.8
    assert (soil_of("peat").conductivity(True), soil_of("peat").conductivity(False)) == (1.1, 0.45)


def test_heat_of_a_cubic_metre():
    # 1600 kg of dry soil with 20 % water hold 320 kg of water: 334.9 kJ/kg to freeze it.
    assert latent_heat(1600.0, 20.0) == pytest.approx(320 * 334_944.0)
    assert pytest.approx(144 * 2326.0) == FUSION  # 144 Btu/lb
    # Grains 0.17, water 1.0, ice 0.5 Btu/(lb F), each 4186.8 J/(kg K).
    for state, water_share in (("thawed", 1.0), ("frozen", 0.5), ("mean", 0.75)):
        by_hand = (1600 * 0.17 + 320 * water_share) * 4186.8
        assert heat_capacity(1600.0, 20.0, state) == pytest.approx(by_hand)
        assert Soil("", 1600.0, 20.0, 0.0).heat_capacity(state) == pytest.approx(by_hand)
    assert Soil("", 1600.0, 20.0, 0.0).latent_heat == pytest.approx(320 * 334_944.0)


def test_the_worst_part_names_the_frost_class():
    assert frost_class("gravel") is FrostClass.F1
    assert frost_class("silty gravel") is FrostClass.F4
    assert frost_class("sandy clay") is FrostClass.F3
    assert frost_class("rock") is FrostClass.NFS
    assert frost_class("peat") is frost_class(None) is FrostClass.UNCLASSED


def test_surface_and_snow_of_words():
    assert surface_of("grass, snow left lying") is PUBLISHED["turf"]
    assert surface_of("bare under trees") is PUBLISHED["trees"]  # what shelters counts
    assert surface_of("asphalt") is PUBLISHED["bituminous"]
    fates = {
        "grass, snow left": "left",
        "turf, snow cleared": "cleared",
        "grass": SnowFate.AS_IT_FALLS,
        "concrete": "cleared",
        None: SnowFate.AS_IT_FALLS,
    }
    assert {words: snow_of(words) for words in fates} == fates


def test_surface_temperature_by_n_factors():
    air = np.array([-10.0, -10.0, 2.0, 12.0, 5.0])
    snow_cm = np.array([0.0, 5.0, 0.0, 0.0, 1.0])
    # Concrete 0.75 and 1.5: 1.5 times 12 would be 6 deg above the air, of which 4 are believed; on snow the
    # factor is 1, and no more than 0 deg C.
    by_hand = [-7.5, -10.0, 3.0, 16.0, 0.0]
    assert surface_temperature(air, snow_cm, PUBLISHED["concrete"]) == pytest.approx(by_hand)
    dusting = surface_temperature(np.array([-10.0]), np.array([0.9]), PUBLISHED["concrete"])
    assert dusting == pytest.approx([-7.5])  # less than 1 cm hides no surface


def test_the_surface_is_unsure_within_bounds():
    assert PUBLISHED["turf"].varied(1.0).freezing == pytest.approx(0.65)
    assert PUBLISHED["turf"].varied(-1.0).freezing == pytest.approx(0.35)
    assert PUBLISHED["snow"].varied(1.0).freezing == 1.0
    assert PUBLISHED["trees"].varied(-1.0).freezing == pytest.approx(0.2)  # not 0.15
    deep, middle, shallow = spread(ground_of(0.9, "silt", None, "turf")).values()
    assert (deep.surface.freezing, shallow.surface.freezing) == pytest.approx((0.65, 0.35))
    water = [case.layers[0][1].water_percent for case in (deep, middle, shallow)]
    assert water == pytest.approx([19 / 1.2, 19, 19 * 1.2])


def test_snow_is_a_blanket():
    assert SNOW_CONDUCTIVITY == 0.15
    assert snow_resistance(np.array([0.0, 30.0])) == pytest.approx([0.0, 2.0])  # 0.3 m / 0.15 W/(m K)


def test_guessed_snow_grows_by_frost_and_melts_by_degrees():
    air = np.array([-1.0, -5.0, -9.0, 2.0, 0.0, 10.0, -3.0])
    assert assumed_snow(air) == pytest.approx([1.0, 2.0, 3.0, 1.8, 1.8, 0.0, 1.0])
    assert assumed_snow(np.full(40, -5.0))[-1] == 25.0  # it settles: no more than a hand's length


def test_a_pier_of_which_nothing_is_said():
    ground = ground_of()
    assert (ground.base_m, ground.base_assumed, ground.snow) == (0.9, True, SnowFate.AS_IT_FALLS)
    assert len(ground.assumed) == 3
    assert ground_of(1.2, "clay", None, "turf").assumed == ()
