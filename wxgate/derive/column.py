"""The wind column over a point: levels stacked, and read at any height.

Here, and only here, the level axis comes first. The levels are few and stay in the order in which
they come: a pass over them finds the two around a height at every hour, member and grid point at
once, which is several times as fast as to sort each column.

The file is long because whatever stacks or reads levels must agree on that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wxgate.derive.figures import Levels
from wxgate.derive.recipe import Array, Inputs
from wxgate.forecast import Field

#: How the wind at a height was had; a larger number is a poorer way.
HEIGHT_LEVELS, PRESSURE_LEVELS, POWER_LAW_FROM_TOP, POWER_LAW_FROM_10_M = range(4)
WIND_ORIGINS = (
    "direct",
    "pressure levels",
    "power law from the top level",
    "power law from 10 m",
)


Three = tuple[Array, Array, Array]  #: heights, eastward and northward winds


@dataclass(frozen=True, slots=True)
class Column:
    """Winds on levels, in no order; a level that is not there is NaN in height and wind.

    ``heights`` in metres above ground, ``eastward`` and ``northward`` in m/s, all of one shape
    (level, ...). The first ``on_heights`` levels came from heights above ground, the others from
    pressure levels. ``reach`` is the largest log weight of the top level when reading above it.
    """

    heights: Array
    eastward: Array
    northward: Array
    on_heights: int
    reach: float

    @property
    def shape(self) -> tuple[int, ...]:
        """The shape without levels."""
        return self.heights.shape[1:]

    @property
    def speed(self) -> Array:
        """Wind speed on the levels, m/s, shape (level, ...)."""
        return speed_of(self.eastward, self.northward)


@dataclass(frozen=True, slots=True)
class WindAtHeight:
    """The wind at one height: vector, and ``speed`` for limits, which is never below the vector's.

    All in m/s and of one shape; NaN where the levels do not reach. ``from_pressure`` is True where
    the upper of the two levels is a pressure level.
    """

    eastward: Array
    northward: Array
    speed: Array
    from_pressure: NDArray[np.bool_]


def speed_of(eastward: ArrayLike, northward: ArrayLike) -> Array:
    """Wind speed of its components, any shape, same unit; NaN if either is NaN.

    A root of squares, not ``hypot``: both operations are exact to the last bit on every shape, so
    a point equals the same cell of a grid.
    """
    u = np.asarray(eastward, dtype=np.float64)
    v = np.asarray(northward, dtype=np.float64)
    return np.sqrt(u * u + v * v)


def stack(
    heights: ArrayLike,
    eastward: ArrayLike,
    northward: ArrayLike,
    *,
    figures: Levels,
    pressure_heights: ArrayLike | None = None,
    pressure_eastward: ArrayLike | None = None,
    pressure_northward: ArrayLike | None = None,
) -> Column:
    """Stack height levels and, above them, pressure levels into one column.

    ``heights`` (level,) or (level, ...) and ``pressure_heights`` (level, ...) are metres above the
    ground of the model; winds are (level, ...) in m/s. A level counts only with its height and
    both components. A pressure level is kept only if it does not lie too near to the ground, and
    clears the highest height level that is there. The order of the levels is irrelevant.
    Source: common practice, no source.
    """
    parts = _arrays(heights, eastward, northward)
    good = _there(*parts)
    if pressure_heights is None or pressure_eastward is None:
        return Column(*_keep([parts], [good]), parts[0].shape[0], figures.reach)
    assert pressure_northward is not None  # noqa: S101 - the three come together
    aloft = _arrays(pressure_heights, pressure_eastward, pressure_northward)
    top = np.where(good, parts[0], -np.inf).max(axis=0)
    clear = (aloft[0] >= figures.lowest_pressure) & (aloft[0] > top + figures.clearance)
    kept = _keep([parts, aloft], [good, clear & _there(*aloft)])
    return Column(*kept, parts[0].shape[0], figures.reach)


def _keep(parts: list[Three], good: list[NDArray[np.bool_]]) -> Three:
    """Heights and components one above the other, NaN where they are not good."""
    shape = (sum(len(g) for g in good), *np.broadcast_shapes(*(g.shape[1:] for g in good)))
    z, u, v = (np.full(shape, np.nan) for _ in range(3))
    first = 0
    for three, there in zip(parts, good, strict=True):
        here = slice(first, first + len(there))
        for whole, part in zip((z, u, v), three, strict=True):
            np.copyto(whole[here], part, where=there)
        first += len(there)
    return z, u, v


def _arrays(heights: ArrayLike, eastward: ArrayLike, northward: ArrayLike) -> Three:
    """The three as float64 arrays of one shape (level, ...)."""
    u = np.asarray(eastward, dtype=np.float64)
    v = np.asarray(northward, dtype=np.float64)
    z = np.asarray(heights, dtype=np.float64)
    z = z.reshape(z.shape + (1,) * (u.ndim - z.ndim)) if z.ndim == 1 else z
    z, u, v = np.broadcast_arrays(z, u, v)
    return z, u, v


def _there(z: Array, u: Array, v: Array) -> NDArray[np.bool_]:
    """Where a level has a height above ground and both components."""
    return np.isfinite(u) & np.isfinite(v) & (z > 0) & (z < np.inf)


def wind_at(column: Column, height: ArrayLike) -> WindAtHeight:
    """The wind at ``height`` (m above ground; a number or an array of the column's shape).

    Between two levels u and v go with the logarithm of height. ``speed`` is the larger of the
    length of that vector and the weighted mean of the two speeds, because a vector that turns
    between levels loses length that the air does not lose. Above the top level the lowest and the
    top level are carried on as far as the column reaches, and the speed is then at least that of
    the top level; beyond it, and below the lowest level, NaN.
    Source: log law between levels (Stull 1988); the weights computed by us.
    """
    z = np.asarray(height, dtype=np.float64)
    lowest, lower, upper = _Level(column, np.inf), _Level(column, -np.inf), _Level(column, np.inf)
    for level, at in enumerate(column.heights):  # NaN is neither below nor above anything
        below = at <= z
        lowest.take(level, at < lowest.height)
        lower.take(level, below & (at > lower.height))
        upper.take(level, ~below & (at < upper.height))
    above_top = ~(upper.height < np.inf)
    upper.copy(lower, above_top)
    lower.copy(lowest, above_top)
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.log(z / lower.height) / np.log(upper.height / lower.height)
        weight = np.where(z == lower.height, 0.0, weight)  # also a single level, read at its height
        reached = (lower.height <= z) & (weight <= column.reach)
    weight = np.where(reached, weight, np.nan)
    u = (1 - weight) * lower.eastward + weight * upper.eastward
    v = (1 - weight) * lower.northward + weight * upper.northward
    top = speed_of(upper.eastward, upper.northward)
    scalar = (1 - weight) * speed_of(lower.eastward, lower.northward) + weight * top
    speed = np.maximum(speed_of(u, v), scalar)
    speed = np.where(weight > 1, np.maximum(speed, top), speed)
    return WindAtHeight(u, v, speed, upper.from_pressure & (weight > 0))


class _Level:
    """One level of each column, which a pass over the levels finds."""

    def __init__(self, column: Column, beyond: float) -> None:
        """Not found yet: ``beyond`` is a height that any level betters."""
        self.column = column
        self.height = np.full(column.shape, beyond)
        self.eastward = np.full(column.shape, np.nan)
        self.northward = np.full(column.shape, np.nan)
        self.from_pressure = np.zeros(column.shape, np.bool_)

    def take(self, level: int, where: NDArray[np.bool_]) -> None:
        """Take this level of the column where it is the better one."""
        np.copyto(self.height, self.column.heights[level], where=where)
        np.copyto(self.eastward, self.column.eastward[level], where=where)
        np.copyto(self.northward, self.column.northward[level], where=where)
        np.copyto(self.from_pressure, level >= self.column.on_heights, where=where)

    def copy(self, other: _Level, where: NDArray[np.bool_]) -> None:
        """Become another level."""
        np.copyto(self.height, other.height, where=where)
        np.copyto(self.eastward, other.eastward, where=where)
        np.copyto(self.northward, other.northward, where=where)
        np.copyto(self.from_pressure, other.from_pressure, where=where)


def top_level(column: Column) -> tuple[Array, Array, Array]:
    """Height (m), eastward and northward wind (m/s) of the highest level; NaN where none is."""
    top = _Level(column, -np.inf)
    for level, at in enumerate(column.heights):
        top.take(level, at > top.height)
    return np.where(top.height > 0, top.height, np.nan), top.eastward, top.northward


def strongest_below(column: Column, height: ArrayLike, speed: Array | None = None) -> Array:
    """The strongest wind on any level below ``height`` (m, that height excluded), m/s.

    ``speed`` (level, ...) takes the place of the column's own speeds where a hill has raised
    them. NaN where no level is there.
    """
    speeds = column.speed if speed is None else speed
    inside = column.heights < np.asarray(height, dtype=np.float64)
    found = np.where(inside, speeds, -np.inf).max(axis=0)
    return np.where(np.isneginf(found), np.nan, found)


# -- from the fields of a forecast ---------------------------------------------------------------


def column_of(inputs: Inputs) -> Column | None:
    """The wind column of a forecast, None without wind on height levels.

    Pressure levels join where their winds, their heights and the terrain of the model are there;
    the altitude of the site is no substitute for that terrain.
    """
    return inputs.once("wind column", _column_of)


def _column_of(inputs: Inputs) -> Column | None:
    surface = _levels_of(inputs, "eastward_wind", "northward_wind")
    if surface is None:
        return None
    heights, (u, v) = surface
    terrain = inputs.values("surface_altitude")
    aloft = _levels_of(
        inputs,
        "eastward_wind_on_levels",
        "northward_wind_on_levels",
        "geopotential_height_on_levels",
    )
    if aloft is None or terrain is None:
        return stack(heights, u, v, figures=inputs.figures.levels)
    _, (up, vp, zp) = aloft
    return stack(
        heights,
        u,
        v,
        figures=inputs.figures.levels,
        pressure_heights=zp - np.asarray(terrain, dtype=np.float64),
        pressure_eastward=up,
        pressure_northward=vp,
    )


def beside(values: ArrayLike | None, shape: tuple[int, ...]) -> Array:
    """Values laid out beside an array of ``shape`` (time first); NaN where there are none.

    What has no members or no grid gets axes of length 1 behind the time, so that the sun over a
    site stands beside every member of an ensemble.
    """
    if values is None:
        return np.full((1,) * len(shape), np.nan)
    found = np.asarray(values, dtype=np.float64)
    if 0 < found.ndim < len(shape):
        found = found.reshape(found.shape[0], *(1,) * (len(shape) - found.ndim), *found.shape[1:])
    return found


def level_of(field: Field | None, level: float) -> Array | None:
    """The values of a field at one of its levels (shape without the level axis), or None."""
    if field is None or field.levels is None:
        return None
    at = np.flatnonzero(np.isclose(np.asarray(field.levels, dtype=np.float64), level, atol=0.01))
    return field.values[:, int(at[0])].astype(np.float64) if at.size else None


def _levels_of(inputs: Inputs, *names: str) -> tuple[Array, list[Array]] | None:
    """The levels that all these fields share, and their values with the level axis first."""
    fields = [inputs.get(name) for name in names]
    levels: list[Array] = []
    for field in fields:
        if field is None or field.levels is None:
            return None
        levels.append(np.asarray(field.levels, dtype=np.float64).round(2))
    shared = levels[0]
    for other in levels[1:]:
        shared = np.intersect1d(shared, other)
    if shared.size == 0:
        return None
    shared = np.unique(shared)
    values: list[Array] = []
    for field, own in zip(fields, levels, strict=True):
        assert field is not None  # noqa: S101 - looked at above
        index = [int(np.flatnonzero(own == level)[0]) for level in shared]
        values.append(np.moveaxis(field.values.astype(np.float64), 1, 0)[index])
    return shared, values
