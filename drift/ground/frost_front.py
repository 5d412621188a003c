"""The frozen layer under a pier, day by day: heat in a column of soil that freezes and thaws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.linalg.lapack import dgtsv

from drift.ground.pier_site import (
    Ground,
    SnowFate,
    Soil,
    assumed_snow,
    snow_resistance,
    spread,
    surface_temperature,
)
from drift.ground.weather import DailyWeather, daily_weather, noon_us
from drift.quantities import YEAR_DAYS, Floats, Ints
from drift.types import UnderPier

# ---- Heat in a column of soil that freezes and thaws, stepped by days.
#
# The unknown is the heat content H of each cell [J/m3], 0 when all its water is
# frozen at 0 deg C and L when all is thawed at 0 deg C, so that fronts need no
# tracking: they may move down from the surface, up from below, and be several.
# Backward Euler in time; the piecewise linear T(H) is solved by Newton's method.
# Several columns ("members") are solved at once, as one tridiagonal system.


DAY_S = 86_400.0
#: Thickness of cells [m] down to `_EVEN_DOWN_TO_M`; below, each is thicker than the one above by `_GROWTH`.
_CELL_M, _EVEN_DOWN_TO_M, _GROWTH, _BOTTOM_M = 0.05, 2.0, 1.15, 12.0
#: Largest error of a cell's heat balance in a day [J/m2]; melting 1 mm of ice takes 3e5.
_LOST_AT_MOST = 10.0
#: Newton steps before some are shortened, and in all; time steps are not halved below `_SHORTEST_S`.
_WHOLE_ROUNDS, _ROUNDS, _SHORTEST_S = 8, 40, 600.0
#: A cell with less than this share frozen counts as thawed.
_ICE_FROM = 0.002
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
class SoilColumns:
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
        cold = np.minimum(heat, 0.0) / self.c_frozen
        return np.asarray(cold + np.maximum(heat - self.latent, 0.0) / self.c_thawed)

    def heat(self, temperature: Floats) -> Floats:
        """Return the heat content at a temperature; at 0 deg C all is thawed."""
        return np.where(
            temperature < 0.0, temperature * self.c_frozen, self.latent + temperature * self.c_thawed
        )

    def frozen_share(self, heat: Floats) -> Floats:
        """Return the frozen share of each cell's water, 0 to 1."""
        return np.asarray(np.minimum(np.maximum(1.0 - heat / self.latent, 0.0), 1.0))

    def softness(self, heat: Floats) -> Floats:
        """Return dT/dH of each cell; 0 while it freezes or thaws."""
        return np.asarray((heat < 0.0) / self.c_frozen + (heat > self.latent) / self.c_thawed)

    def repeated(self, members: int) -> SoilColumns:
        """Return `members` copies of a single column."""
        alike = (np.repeat(a, members, axis=0) for a in (self.k_frozen, self.k_thawed, self.c_frozen))
        rest = (np.repeat(a, members, axis=0) for a in (self.c_thawed, self.latent))
        return SoilColumns(self.thick, *alike, *rest)


def columns_of(members: Sequence[Sequence[tuple[float, Soil]]]) -> SoilColumns:
    """Put layers of soil on the cells; one list of (thickness [m], soil) for each member."""
    edges = cell_edges()
    rows = [_on_cells(layers, edges) for layers in members]
    return SoilColumns(np.diff(edges), *(np.array([row[i] for row in rows]) for i in range(5)))


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
    columns: SoilColumns, heat: Floats, surface_c: Floats, resistance: Floats, seconds: float = DAY_S
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
        Length of the step; one that does not converge is divided into two halves.

    Raises
    ------
    ArithmeticError
        If the heat balance is not met even in short steps; says by how much.
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


def _conductances(columns: SoilColumns, heat: Floats, resistance: Floats) -> tuple[Floats, Floats]:
    """Return each cell's conductance to what is above and below it, (M, N) [W/(m2 K)]; none at the bottom."""
    frozen = columns.frozen_share(heat)
    half = columns.thick / (2.0 * (columns.k_frozen * frozen + columns.k_thawed * (1.0 - frozen)))
    above, below = np.empty_like(half), np.zeros_like(half)
    below[:, :-1] = above[:, 1:] = 1.0 / (half[:, :-1] + half[:, 1:])
    above[:, 0] = 1.0 / (resistance + half[:, 0])
    return above, below


def _imbalance(
    columns: SoilColumns, before: Floats, now: Floats, surface_c: Floats, above: Floats, seconds: float
) -> Floats:
    """Return the heat of each cell that the step's flow does not account for, (M, N) [J/m2]."""
    down = columns.temperature(now)
    down[:, 1:] -= down[:, :-1].copy()
    down[:, 0] -= surface_c
    down *= above  # the flow up through the top of each cell, so far
    down *= seconds
    missing = columns.thick * (now - before) + down
    missing[:, :-1] -= down[:, 1:]
    return missing


def _solved(
    columns: SoilColumns, softness: Floats, above: Floats, below: Floats, balance: Floats, seconds: float
) -> Floats:
    """Return Newton's change of heat; members are uncoupled blocks of one tridiagonal system."""
    soft = seconds * softness
    upper, lower = np.zeros_like(balance), np.zeros_like(balance)
    upper[:, :-1] = -below[:, :-1] * soft[:, 1:]
    lower[:, :-1] = -above[:, 1:] * soft[:, :-1]
    soft *= above + below
    soft += columns.thick
    solution = dgtsv(
        lower.reshape(-1)[:-1], soft.reshape(-1), upper.reshape(-1)[:-1], balance.reshape(-1), 1, 1, 1, 1
    )[3]
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


def follow(columns: SoilColumns, heat: Floats, surface_c: Floats, resistance: Floats) -> Fronts:
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
    days = surface_c.shape[1]
    heat_by_day = np.empty((days, *heat.shape))
    thawed = _Thawed(columns, resistance)
    for i in range(days):
        warm = thawed.step(heat, surface_c[:, i], i)
        heat = step(columns, heat, surface_c[:, i], resistance[:, i]) if warm is None else warm
        heat_by_day[i] = heat
    frozen, top, bottom = (one.T for one in _layers(columns, heat_by_day))
    return Fronts(frozen, top, bottom, heat)


class _Thawed:
    """A day that begins and ends without frost or snow: the balance is linear, always the same.

    Its inverse is worked out once, and gives the result of `step`.
    """

    def __init__(self, columns: SoilColumns, resistance: Floats) -> None:
        self._columns = columns
        self._bare = ~np.any(resistance != 0.0, axis=0)
        heat = columns.latent
        above, below = _conductances(columns, heat, np.zeros(len(heat)))
        self._above = DAY_S * above[:, 0]
        members, cells = heat.shape
        system = np.zeros((members, cells, cells))
        at = np.arange(cells)
        system[:, at, at] = columns.thick * columns.c_thawed + DAY_S * (above + below)
        system[:, at[:-1], at[1:]] = -DAY_S * below[:, :-1]
        system[:, at[1:], at[:-1]] = -DAY_S * above[:, 1:]
        self._inverse = np.linalg.inv(system)

    def step(self, heat: Floats, surface_c: Floats, day: int) -> Floats | None:
        """Return the heat content after one more day, None where something is frozen or snow lies."""
        if not self._bare[day] or (heat < self._columns.latent).any():
            return None
        right = self._columns.thick * (heat - self._columns.latent)
        right[:, 0] += self._above * surface_c
        temperature = (self._inverse @ right[:, :, None])[:, :, 0]
        if temperature.min() < 0.0:
            return None
        return np.asarray(self._columns.latent + self._columns.c_thawed * temperature)


def _layers(columns: SoilColumns, heat: Floats) -> tuple[Floats, Floats, Floats]:
    """Return thickness of all frozen soil, and top and bottom of the deepest frozen layer, (D, M) each.

    A half-frozen cell at the bottom is frozen in its upper part, one at the top in its lower part.

    Parameters
    ----------
    heat
        (D, M, N) heat content after each day [J/m3].
    """
    shape, cells = heat.shape[:2], heat.shape[2]
    share = columns.frozen_share(heat).reshape(-1, cells)
    some = np.flatnonzero((share > _ICE_FROM).any(axis=1))
    frozen, top, bottom = np.zeros(len(share)), np.full(len(share), np.nan), np.full(len(share), np.nan)
    frozen[some], top[some], bottom[some] = _layer(columns.thick, share[some], cell_edges())
    return frozen.reshape(shape), top.reshape(shape), bottom.reshape(shape)


def _layer(thick: Floats, share: Floats, edges: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the same of columns that all hold ice, from the frozen share of their cells, (k,) each."""
    holds = share > _ICE_FROM
    ice = np.where(holds, share * thick, 0.0)
    last = ice.shape[1] - 1 - np.argmax(holds[:, ::-1], axis=1)
    open_above = ~holds & (np.arange(ice.shape[1]) < last[:, None])
    first = np.where(open_above.any(axis=1), ice.shape[1] - np.argmax(open_above[:, ::-1], axis=1), 0)
    rows = np.arange(ice.shape[0])
    whole = np.concatenate([np.zeros((ice.shape[0], 1)), np.cumsum(ice, axis=1)], axis=1)
    bottom = edges[last] + ice[rows, last]
    top = np.maximum(bottom - (whole[rows, last + 1] - whole[rows, first]), 0.0)
    return ice.sum(axis=1), top, bottom


# ---- The frozen layer under a pier's yard, day by day, from the weather.


#: Least days of the usual year that the ground is run through before the weather begins, so that it starts
#: with its summer's heat.
_LEAD_IN_DAYS = 330


@dataclass(frozen=True)
class Front:
    """The frozen layer of one ground, one entry a day of the weather, (n,).

    Parameters
    ----------
    day
        Days since 1970-01-01.
    frozen_m
        Thickness of frozen soil [m].
    top_m, bottom_m
        Depth of the upper and lower side of the deepest frozen layer [m]; NaN while nothing is frozen.
    under_base_m
        Thickness of frozen soil below the pier's base [m].
    usual_peak_m, usual_peak_under_base_m
        Greatest thickness in the usual year that was run before the weather begins [m].
    heat
        Heat content of the column after the last day (see `drift.ground.frost_front`).
    """

    day: Ints = field(repr=False)
    frozen_m: Floats = field(repr=False)
    top_m: Floats = field(repr=False)
    bottom_m: Floats = field(repr=False)
    under_base_m: Floats = field(repr=False)
    usual_peak_m: float
    usual_peak_under_base_m: float
    heat: Floats = field(repr=False)


def lead_in_days(weather: DailyWeather) -> Ints:
    """Return the days of the usual year that come before the weather, from a midsummer on."""
    warmest = weather.curve.coldest_day + YEAR_DAYS / 2.0
    years = np.floor((weather.day[0] - _LEAD_IN_DAYS - warmest) / YEAR_DAYS)
    return np.arange(round(warmest + years * YEAR_DAYS), weather.day[0], dtype=np.int64)


def usual_snow(weather: DailyWeather, day: Ints) -> Floats:
    """Return the mean snow of the record by season, smoothed over a month, (n,) [cm]; 0 without readings."""
    if not weather.has_snow:
        return np.zeros(day.size)
    snow = weather.snow_cm
    of_year = np.mod(weather.day, YEAR_DAYS).astype(int).clip(max=365)
    total = np.bincount(of_year, snow, minlength=366)
    count = np.bincount(of_year, minlength=366).astype(float)
    near = np.ones(31)
    total, count = (np.convolve(np.tile(x, 3), near, mode="same")[366:732] for x in (total, count))
    return (total / np.maximum(count, 1.0))[np.mod(day, YEAR_DAYS).astype(int).clip(max=365)]


def snow_lying(ground: Ground, mean_c: Floats, measured_cm: Floats | None) -> Floats:
    """Return the snow lying around the pier, (..., n) [cm].

    Parameters
    ----------
    ground
        Says what becomes of snow.
    mean_c
        (..., n) air [deg C].
    measured_cm
        (..., n) snow as measured [cm]; None when it is not.
    """
    if ground.snow is SnowFate.CLEARED or (measured_cm is None and ground.snow is not SnowFate.LEFT):
        return np.zeros(np.shape(mean_c))
    return assumed_snow(mean_c) if measured_cm is None else np.asarray(measured_cm)


def forcing(ground: Ground, mean_c: Floats, measured_cm: Floats | None) -> tuple[Floats, Floats]:
    """Return surface temperature [deg C] and the snow's resistance [m2 K/W], (..., n) each."""
    snow_cm = snow_lying(ground, mean_c, measured_cm)
    return surface_temperature(mean_c, snow_cm, ground.surface), snow_resistance(snow_cm)


def frost_front(weather: DailyWeather, ground: Ground) -> Front:
    """Return the frozen layer of one ground, see `frost_fronts`."""
    return frost_fronts(weather, [ground])[0]


def frost_fronts(weather: DailyWeather, grounds: Sequence[Ground]) -> tuple[Front, ...]:
    """Freeze the ground from the top and thaw it from both sides, day by day.

    Heat conduction with freezing at 0 deg C; water does not move, ice lenses
    take no heat of their own, and the concrete conducts as the soil does.

    Parameters
    ----------
    weather
        Without gaps.
    grounds
        Solved together, which costs little more than one.
    """
    before = lead_in_days(weather)
    day = np.concatenate([before, weather.day])
    mean_c = np.concatenate([weather.curve.at(before), weather.mean_c])
    snow = np.concatenate([usual_snow(weather, before), weather.snow_cm]) if weather.has_snow else None
    both = [forcing(ground, mean_c, snow) for ground in grounds]
    surface_c, resistance = (np.array([pair[i] for pair in both]) for i in (0, 1))
    columns = columns_of([ground.layers for ground in grounds])
    fronts = follow(columns, _midsummer_heat(columns, surface_c), surface_c, resistance)
    return tuple(_front(fronts, i, ground, day, before.size) for i, ground in enumerate(grounds))


def damping_depth(diffusivity_m2_d: float, period_days: float = YEAR_DAYS) -> float:
    """Return the depth at which a wave of temperature has shrunk to 1/e, sqrt(2 a / w) [m].

    Parameters
    ----------
    diffusivity_m2_d
        Thermal diffusivity a [m2/d].
    period_days
        Of the wave, 2 pi / w [d].

    References
    ----------
    .. [1] T. Kusuda and P. R. Achenbach (1965), ASHRAE Transactions 71, 61-74 (form from memory).
    """
    return float(np.sqrt(diffusivity_m2_d * period_days / np.pi))


def _midsummer_heat(columns: SoilColumns, surface_c: Floats) -> Floats:
    """Return the heat of midsummer: the mean of a year below, the warmth of summer above, nothing frozen."""
    year = surface_c[:, : round(YEAR_DAYS)]
    mean = np.maximum(year.mean(axis=1), 0.5)[:, None]
    swing = 0.5 * (np.percentile(year, 95, axis=1) - np.percentile(year, 5, axis=1))[:, None]
    diffusivity = float(np.median(columns.k_thawed / columns.c_thawed)) * 86_400.0
    depth = np.cumsum(columns.thick) - 0.5 * columns.thick
    z = depth / damping_depth(diffusivity)
    return columns.heat(np.maximum(mean + swing * np.exp(-z) * np.cos(z), 0.1))


def _front(fronts: Fronts, member: int, ground: Ground, day: Ints, lead: int) -> Front:
    frozen, top, bottom = (series[member] for series in (fronts.frozen, fronts.top, fronts.bottom))
    under = below_base(ground.base_m, top, bottom)
    return Front(
        day=day[lead:],
        frozen_m=frozen[lead:],
        top_m=top[lead:],
        bottom_m=bottom[lead:],
        under_base_m=under[lead:],
        usual_peak_m=float(frozen[:lead].max()),
        usual_peak_under_base_m=float(under[:lead].max()),
        heat=fronts.heat[member : member + 1],
    )


def below_base(base_m: float, top_m: Floats, bottom_m: Floats) -> Floats:
    """Return the thickness of the frozen layer that lies below the base, 0 where there is none [m]."""
    thick = np.where(np.isfinite(bottom_m), bottom_m - np.fmax(top_m, base_m), 0.0)
    return np.maximum(thick, 0.0)


# ---- The ground under one pier day by day, for pictures beside the tilt.


def under_pier(
    table: pd.DataFrame, ground: Ground, latitude_deg: float, longitude_deg: float
) -> UnderPier | None:
    """Follow the frost under a pier through the weather of its record.

    Parameters
    ----------
    table
        With the columns of `drift.types.READING_COLUMNS` ``["weather"]``.
    ground
        From `drift.ground.pier_site.ground_of`.
    latitude_deg, longitude_deg
        [deg], north and east positive.

    Returns
    -------
    UnderPier or None
        None when there is too little weather (see `drift.ground.weather.daily_weather`).
    """
    if not len(table):
        return None
    weather = daily_weather(table, latitude_deg)
    if weather is None:
        return None
    cases = spread(ground)
    fronts = dict(zip(cases, frost_fronts(weather, list(cases.values())), strict=True))
    bottom = {name: np.asarray(front.bottom_m) for name, front in fronts.items()}
    return UnderPier(
        time_us=noon_us(weather.day, longitude_deg),
        air_c=weather.mean_c,
        filled=weather.filled,
        top_m=fronts["middle"].top_m,
        bottom_m=bottom["middle"],
        deep_m=bottom["deep"],
        shallow_m=bottom["shallow"],
        base_m=ground.base_m,
        notices=(*ground.assumed, *weather.notices),
    )
