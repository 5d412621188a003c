"""Heat in a column of soil that freezes and thaws, stepped by days.

The unknown is the heat content H of each cell [J/m3], 0 when all its water is
frozen at 0 deg C and L when all is thawed at 0 deg C, so that fronts need no
tracking: they may move down from the surface, up from below, and be several.
Backward Euler in time; the piecewise linear T(H) is solved by Newton's method.
Several columns ("members") are solved at once, as one tridiagonal system.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.linalg.lapack import dgtsv

from drift.ground.soils import Soil
from drift.quantities import Floats

DAY_S = 86_400.0
#: Cells are this thick down to `_EVEN_DOWN_TO_M`, then each is thicker than the one above by `_GROWTH` [m].
_CELL_M, _EVEN_DOWN_TO_M, _GROWTH, _BOTTOM_M = 0.05, 2.0, 1.15, 12.0
#: Heat that may be unaccounted for in a cell in a day [J/m2]; melting 1 mm of ice takes 3e5.
_LOST_AT_MOST = 10.0
#: Rounds of Newton's method before some are shortened, and in all; steps are not halved below `_SHORTEST_S`.
_WHOLE_ROUNDS, _ROUNDS, _SHORTEST_S = 8, 40, 600.0
#: Ground without any water is given this little, so that freezing stays defined [J/m3].
_LEAST_LATENT = 1e5


def cell_edges() -> Floats:
    """Return the depths between cells, from 0 at the surface, (N + 1,) [m]."""
    edges = [0.0]
    thick = _CELL_M
    while edges[-1] < _BOTTOM_M:
        edges.append(edges[-1] + thick)
        if edges[-1] >= _EVEN_DOWN_TO_M:
            thick *= _GROWTH
    return np.array(edges)


@dataclass(frozen=True)
class Columns:
    """The soil of each member, cell by cell.

    Parameters
    ----------
    thick
        (N,) [m].
    k_frozen, k_thawed
        (M, N) thermal conductivity [W/(m K)].
    c_frozen, c_thawed
        (M, N) volumetric heat capacity [J/(m3 K)].
    latent
        (M, N) latent heat [J/m3].
    """

    thick: Floats = field(repr=False)
    k_frozen: Floats = field(repr=False)
    k_thawed: Floats = field(repr=False)
    c_frozen: Floats = field(repr=False)
    c_thawed: Floats = field(repr=False)
    latent: Floats = field(repr=False)

    def temperature(self, heat: Floats) -> Floats:
        """Return the temperature of each cell [deg C]."""
        warm = (heat - self.latent) / self.c_thawed
        return np.where(heat < 0.0, heat / self.c_frozen, np.where(heat > self.latent, warm, 0.0))

    def heat(self, temperature: Floats) -> Floats:
        """Return the heat content at a temperature; at 0 deg C all is thawed."""
        return np.where(
            temperature < 0.0, temperature * self.c_frozen, self.latent + temperature * self.c_thawed
        )

    def frozen_share(self, heat: Floats) -> Floats:
        """Return the frozen share of each cell's water, 0 to 1."""
        return np.clip(1.0 - heat / self.latent, 0.0, 1.0)

    def softness(self, heat: Floats) -> Floats:
        """Return dT/dH of each cell; 0 while it freezes or thaws."""
        return np.where(
            heat < 0.0, 1.0 / self.c_frozen, np.where(heat > self.latent, 1.0 / self.c_thawed, 0.0)
        )

    def repeated(self, members: int) -> Columns:
        """Return `members` copies of a single column."""
        alike = (np.repeat(a, members, axis=0) for a in (self.k_frozen, self.k_thawed, self.c_frozen))
        rest = (np.repeat(a, members, axis=0) for a in (self.c_thawed, self.latent))
        return Columns(self.thick, *alike, *rest)


def columns_of(members: Sequence[Sequence[tuple[float, Soil]]]) -> Columns:
    """Put layers of soil, one list of (thickness [m], soil) a member, on the cells."""
    edges = cell_edges()
    rows = [_on_cells(layers, edges) for layers in members]
    return Columns(np.diff(edges), *(np.array([row[i] for row in rows]) for i in range(5)))


def _on_cells(layers: Sequence[tuple[float, Soil]], edges: Floats) -> list[Floats]:
    bounds = np.concatenate([[0.0], np.cumsum([thickness for thickness, _ in layers])])
    bounds[-1] = max(edges[-1], bounds[-1])

    def mean(of_layer: Sequence[float]) -> Floats:
        whole = np.concatenate([[0.0], np.cumsum(np.diff(bounds) * of_layer)])
        return np.diff(np.interp(edges, bounds, whole)) / np.diff(edges)

    soils = [soil for _, soil in layers]
    # Conductivities add as resistances, heat as heat.
    return [
        1.0 / mean([1.0 / soil.conductivity(True) for soil in soils]),
        1.0 / mean([1.0 / soil.conductivity(False) for soil in soils]),
        mean([soil.heat_capacity("frozen") for soil in soils]),
        mean([soil.heat_capacity("thawed") for soil in soils]),
        np.maximum(mean([soil.latent_heat for soil in soils]), _LEAST_LATENT),
    ]


def step(
    columns: Columns, heat: Floats, surface_c: Floats, resistance: Floats, seconds: float = DAY_S
) -> Floats:
    """Return the heat content after one more day.

    Parameters
    ----------
    columns
        The soil.
    heat
        (M, N) heat content before [J/m3].
    surface_c, resistance
        (M,) temperature of the surface on that day [deg C] and thermal resistance between it and the soil
        [m2 K/W].
    seconds
        Length of the step; one that does not come out is taken as two of half the length.

    Raises
    ------
    ArithmeticError
        If the balance of heat is not met even in short steps; says by how much.
    """
    above, below = _conductances(columns, heat, resistance)
    new, missing = heat, np.inf
    for number in range(_ROUNDS):
        balance = _imbalance(columns, heat, new, surface_c, above, seconds)
        missing = float(np.abs(balance).max())
        if missing < _LOST_AT_MOST:
            return new
        # In nearly dry ground whole steps can swing between two sets of freezing cells: some are shortened.
        share = 0.5 if number >= _WHOLE_ROUNDS and number % 3 else 1.0
        new = new - share * _solved(columns, columns.softness(new), above, below, balance, seconds)
    if seconds < _SHORTEST_S:
        raise ArithmeticError(f"a day of frost does not balance: {missing:.3g} J/m2 are unaccounted for")
    half = step(columns, heat, surface_c, resistance, seconds / 2.0)
    return step(columns, half, surface_c, resistance, seconds / 2.0)


def _conductances(columns: Columns, heat: Floats, resistance: Floats) -> tuple[Floats, Floats]:
    """Return each cell's conductance to what is above and below it, (M, N) [W/(m2 K)]; none at the bottom."""
    frozen = columns.frozen_share(heat)
    half = columns.thick / (2.0 * (columns.k_frozen * frozen + columns.k_thawed * (1.0 - frozen)))
    between = 1.0 / (half[:, :-1] + half[:, 1:])
    top = 1.0 / (resistance + half[:, 0])
    nothing = np.zeros((heat.shape[0], 1))
    return np.concatenate([top[:, None], between], axis=1), np.concatenate([between, nothing], axis=1)


def _imbalance(
    columns: Columns, before: Floats, now: Floats, surface_c: Floats, above: Floats, seconds: float
) -> Floats:
    """Return the heat of each cell that the step's flow does not account for, (M, N) [J/m2]."""
    temperature = columns.temperature(now)
    over = np.concatenate([surface_c[:, None], temperature[:, :-1]], axis=1)
    down = above * (over - temperature)
    out = np.concatenate([down[:, 1:], np.zeros_like(down[:, :1])], axis=1)
    return columns.thick * (now - before) - seconds * (down - out)


def _solved(
    columns: Columns, softness: Floats, above: Floats, below: Floats, balance: Floats, seconds: float
) -> Floats:
    """Return Newton's change of heat; members are uncoupled blocks of one tridiagonal system."""
    diagonal = columns.thick + seconds * (above + below) * softness
    upper = np.zeros_like(balance)
    lower = np.zeros_like(balance)
    upper[:, :-1] = -seconds * below[:, :-1] * softness[:, 1:]
    lower[:, :-1] = -seconds * above[:, 1:] * softness[:, :-1]
    solution = dgtsv(lower.ravel()[:-1], diagonal.ravel(), upper.ravel()[:-1], balance.ravel())[3]
    return np.asarray(solution).reshape(balance.shape)


@dataclass(frozen=True)
class Fronts:
    """The frozen layer day by day, (M, D) [m].

    Parameters
    ----------
    frozen
        Thickness of all that is frozen.
    top, bottom
        Of the deepest frozen layer; NaN while nothing is frozen.
    heat
        (M, N) heat content after the last day [J/m3].
    """

    frozen: Floats = field(repr=False)
    top: Floats = field(repr=False)
    bottom: Floats = field(repr=False)
    heat: Floats = field(repr=False)


def follow(columns: Columns, heat: Floats, surface_c: Floats, resistance: Floats) -> Fronts:
    """Freeze and thaw columns day by day.

    Parameters
    ----------
    columns
        M members of N cells.
    heat
        (M, N) heat content to begin with [J/m3].
    surface_c, resistance
        (M, D) see `step`.
    """
    members, days = surface_c.shape
    frozen, top, bottom = np.empty((3, members, days))
    edges = cell_edges()
    for i in range(days):
        heat = step(columns, heat, surface_c[:, i], resistance[:, i])
        frozen[:, i], top[:, i], bottom[:, i] = _layer(columns, heat, edges)
    return Fronts(frozen, top, bottom, heat)


def _layer(columns: Columns, heat: Floats, edges: Floats) -> tuple[Floats, Floats, Floats]:
    """Return thickness of all frozen soil, and top and bottom of the deepest frozen layer, (M,) each.

    A half-frozen cell at the bottom is frozen in its upper part, one at the top in its lower part.
    """
    ice = columns.frozen_share(heat) * columns.thick
    holds = ice > 0.002 * columns.thick
    ice = np.where(holds, ice, 0.0)
    last = ice.shape[1] - 1 - np.argmax(holds[:, ::-1], axis=1)
    open_above = ~holds & (np.arange(ice.shape[1]) < last[:, None])
    first = np.where(open_above.any(axis=1), ice.shape[1] - np.argmax(open_above[:, ::-1], axis=1), 0)
    rows = np.arange(ice.shape[0])
    whole = np.concatenate([np.zeros((ice.shape[0], 1)), np.cumsum(ice, axis=1)], axis=1)
    bottom = edges[last] + ice[rows, last]
    top = np.maximum(bottom - (whole[rows, last + 1] - whole[rows, first]), 0.0)
    any_ice = holds.any(axis=1)
    return ice.sum(axis=1), np.where(any_ice, top, np.nan), np.where(any_ice, bottom, np.nan)
