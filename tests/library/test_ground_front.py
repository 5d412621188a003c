"""The day-by-day frost front against closed solutions, and its balance of heat."""

import numpy as np
import pytest
from frost_by_hand import stefan_depth
from scipy.optimize import brentq
from scipy.special import erf

from drift.ground.frost_depth import coefficient
from drift.ground.frost_front import SoilColumns, cell_edges, columns_of, follow, step
from drift.ground.pier_site import Soil, soil_of

K, C, L = 1.3, 2.2e6, 8.0e7  # [W/(m K)], [J/(m3 K)], [J/m3]: a middling soil, alike frozen and thawed
DAY_S = 86_400.0
# Cells of 5 cm and steps of a day: the share by which the depth may be off after so many days, and never
# held to less than an eighth of a cell, by which a front moves unevenly through one.
WITHIN = {10: 0.045, 30: 0.012, 60: 0.008, 160: 0.005}
IN_CELL_M = 0.05 / 8


def alike(latent=L):
    edges = cell_edges()
    one = np.ones((1, edges.size - 1))
    return SoilColumns(np.diff(edges), K * one, K * one, C * one, C * one, latent * one)


def run(columns, heat, surface_c, days, resistance=0.0):
    shape = (heat.shape[0], days)
    return follow(columns, heat, np.full(shape, surface_c), np.full(shape, resistance))


@pytest.mark.parametrize("surface_c", [-3.0, -7.0, -15.0])
@pytest.mark.parametrize("below_c", [0.0, 4.0, 10.0])
def test_freezing_as_neumann(surface_c, below_c):
    columns = alike()
    heat = columns.heat(np.full(columns.latent.shape, below_c))
    got = run(columns, heat, surface_c, 160)
    lam = coefficient(below_c / -surface_c, -surface_c * C / L)
    for days, share in WITHIN.items():
        depth = lam * stefan_depth(-surface_c * days, K, L)
        near = max(share * depth, IN_CELL_M)
        assert got.bottom[0, days - 1] == pytest.approx(depth, abs=near)
        assert got.frozen[0, days - 1] == pytest.approx(got.bottom[0, days - 1])
        assert got.top[0, days - 1] == 0.0


def test_freezing_as_stefan_where_latent_heat_is_all():
    columns = alike(latent=2e9)
    heat = columns.heat(np.zeros(columns.latent.shape))
    got = run(columns, heat, -10.0, 365)
    assert got.bottom[0, -1] == pytest.approx(stefan_depth(3650.0, K, 2e9), rel=0.01)


def test_thaw_from_above_as_neumann():
    """Frozen ground at 0 deg C under a warm surface: the same solution, turned over."""
    columns = alike()
    deep = cell_edges()[1:] <= 3.0
    heat = np.where(deep, 0.0, columns.latent)
    got = run(columns, heat, 8.0, 100)
    depth = coefficient(0.0, 8.0 * C / L) * stefan_depth(800.0, K, L)
    assert got.top[0, -1] == pytest.approx(depth, rel=0.01)
    assert got.bottom[0, -1] == pytest.approx(3.0, abs=0.11)  # an edge of a cell


def test_thaw_from_below_as_a_closed_form():
    """Warm ground under ice at 0 deg C, the surface held at 0: the front rises as 2 x sqrt(a t).

    T = T0 (erf(z') + erf(x)) / (1 + erf(x)) fulfils conduction below the front at z' = -x, and the heat
    that arrives there melts the ice: x sqrt(pi) (1 + erf x) exp(x^2) = C T0 / L.
    """
    below_c, thick = 6.0, 1.0
    columns = alike()
    heat = np.where(
        cell_edges()[1:] <= thick + 1e-9, 0.0, columns.heat(np.full(columns.latent.shape, below_c))
    )
    got = run(columns, heat, 0.0, 90)
    x = brentq(lambda x: x * np.sqrt(np.pi) * (1 + erf(x)) * np.exp(x * x) - C * below_c / L, 0.0, 1.0)
    rise = 2 * x * np.sqrt(K / C * 90 * DAY_S)
    assert thick - got.bottom[0, -1] == pytest.approx(rise, abs=0.01)
    assert got.top[0, -1] == 0.0


def test_spring_thaws_from_both_sides():
    columns = columns_of([((1.0, soil_of("silt")),)])
    heat = columns.heat(np.full(columns.latent.shape, 7.0))
    year = np.concatenate([np.full(120, -8.0), np.full(80, 9.0)])[None, :]
    got = follow(columns, heat, year, np.zeros_like(year))
    frozen, top, bottom = got.frozen[0], got.top[0], got.bottom[0]
    assert np.all(np.diff(frozen[:120]) > -1e-9)
    layer = np.flatnonzero(frozen[120:] > 0.1) + 120
    assert layer.size > 10
    assert np.all(np.diff(top[layer]) > 0)
    assert bottom[layer[-1]] < bottom[119] - 0.05
    assert frozen[-1] == 0.0
    assert np.isnan(top[-1])
    assert frozen[layer] == pytest.approx(bottom[layer] - top[layer], abs=1e-9)


def test_refrozen_skin_is_not_the_deep_layer():
    columns = alike()
    heat = columns.heat(np.full(columns.latent.shape, 3.0))
    year = np.concatenate([np.full(90, -8.0), np.full(15, 10.0), np.full(2, -6.0)])[None, :]
    got = follow(columns, heat, year, np.zeros_like(year))
    assert got.top[0, -1] > 0.2
    assert got.frozen[0, -1] > got.bottom[0, -1] - got.top[0, -1] + 0.02


def test_heat_is_kept():
    """What the column holds changes by what flowed in at the top, day by day."""
    columns = columns_of([((0.35, soil_of("gravel")), (1.0, soil_of("clay")))])
    rng = np.random.default_rng(5)
    heat = columns.heat(np.full(columns.latent.shape, 5.0))
    for surface_c in rng.normal(-2.0, 8.0, 200):
        frozen = columns.frozen_share(heat)[0, 0]
        k = columns.k_frozen[0, 0] * frozen + columns.k_thawed[0, 0] * (1 - frozen)
        resistance = 0.3 + columns.thick[0] / (2 * k)
        after = step(columns, heat, np.array([surface_c]), np.array([0.3]))
        flow = DAY_S * (surface_c - columns.temperature(after)[0, 0]) / resistance
        rounding = 10.0 * columns.thick.size  # what a day may leave unaccounted for [J/m2], of some 1e6
        assert np.sum((after - heat) * columns.thick) == pytest.approx(flow, abs=rounding)
        heat = after


def test_members_do_not_touch_each_other():
    soils = [((1.0, soil_of(word)),) for word in ("sand", "clay", "peat", "rock")]
    rng = np.random.default_rng(6)
    surface_c = -4.0 + 9.0 * np.cos(np.arange(300) / 58.0) + rng.normal(0, 4, (4, 300))
    together = columns_of(soils)
    heat = together.heat(np.full(together.latent.shape, 6.0))
    both = follow(together, heat, surface_c, np.full((4, 300), 0.1))
    for i, layers in enumerate(soils):
        alone = follow(columns_of([layers]), heat_of(layers), surface_c[i : i + 1], np.full((1, 300), 0.1))
        # The balance is closed to 10 J/m2 a day, together one round longer.
        assert alone.frozen[0] == pytest.approx(both.frozen[i], abs=1e-3)


def heat_of(layers):
    columns = columns_of([layers])
    return columns.heat(np.full(columns.latent.shape, 6.0))


def test_layers_fall_on_cells_with_their_means():
    gravel, clay = soil_of("gravel"), soil_of("clay")
    columns = columns_of([((0.325, gravel), (1.0, clay))])
    edges = cell_edges()
    whole = np.sum(columns.latent[0] * np.diff(edges))
    assert whole == pytest.approx(0.325 * gravel.latent_heat + (edges[-1] - 0.325) * clay.latent_heat)
    resistance = np.sum(np.diff(edges) / columns.k_frozen[0])
    by_hand = 0.325 / gravel.conductivity(True) + (edges[-1] - 0.325) / clay.conductivity(True)
    assert resistance == pytest.approx(by_hand)


def test_snow_is_a_resistance_by_hand():
    """Behind a resistance R a steady front obeys Stefan's law for a layer of thickness k R on top."""
    columns = alike(latent=2e9)
    heat = columns.heat(np.zeros(columns.latent.shape))
    got = run(columns, heat, -10.0, 365, resistance=0.5)
    on_top = K * 0.5
    by_hand = np.sqrt(on_top**2 + stefan_depth(3650.0, K, 2e9) ** 2) - on_top
    assert got.bottom[0, -1] == pytest.approx(by_hand, abs=0.003)


def test_wetter_ground_freezes_less_deep():
    dry, wet = Soil("dry", 1600.0, 10.0, 0.0), Soil("wet", 1600.0, 22.0, 0.0)
    columns = columns_of([((1.0, dry),), ((1.0, wet),)])
    got = follow(
        columns, columns.heat(np.full(columns.latent.shape, 5.0)), np.full((2, 90), -6.0), np.zeros((2, 90))
    )
    assert got.bottom[0, -1] > got.bottom[1, -1]
