"""The wind column over a point: levels stacked, sorted, and read at any height.

Here, and only here, the level axis comes first, so that one loop-free index picks the two levels
around a height at every hour, member and grid point alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wxgate.derive.recipe import Array, Inputs
from wxgate.forecast import Field

#: A pressure level nearer to the ground than this is below or within the terrain of the model: its
#: wind is invented (science notes, trap 6; common practice, no source).
LOWEST_PRESSURE_LEVEL = 50.0
#: ... and it must clear the highest height level by this much to tell anything new.
PRESSURE_LEVEL_CLEARANCE = 20.0
#: Largest log weight of the top level when reading above it. 100 m from 10 and 80 m weighs 1.107
#: and is meant to pass; 120 m from 10 and 80 m weighs 1.195 and is not (common practice).
EXTRAPOLATION_LIMIT = 1.11

#: How the wind at a height was had; a larger number is a poorer way.
HEIGHT_LEVELS, PRESSURE_LEVELS, POWER_LAW_FROM_TOP, POWER_LAW_FROM_10_M = range(4)
WIND_ORIGINS = (
    "direct",
    "pressure levels",
    "power law from the top level",
    "power law from 10 m",
)


@dataclass(frozen=True, slots=True)
class Column:
    """Winds on levels that rise along the first axis; levels that are not there are NaN and last.

    ``heights`` in metres above ground, ``eastward`` and ``northward`` in m/s, all of one shape
    (level, ...). ``on_heights`` (...) counts the levels that came from heights above ground; those
    after them came from pressure levels.
    """

    heights: Array
    eastward: Array
    northward: Array
    on_heights: NDArray[np.intp]

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
    pressure_heights: ArrayLike | None = None,
    pressure_eastward: ArrayLike | None = None,
    pressure_northward: ArrayLike | None = None,
) -> Column:
    """Stack height levels and, above them, pressure levels into one sorted column.

    ``heights`` (level,) or (level, ...) and ``pressure_heights`` (level, ...) are metres above the
    ground of the model; winds are (level, ...) in m/s. A level counts only with its height and
    both components. A pressure level is kept only if it lies at least 50 m above ground and more
    than 20 m above the highest height level that is there. The order of the levels is irrelevant.
    Source: science notes 1.1 (common practice).
    """
    z, u, v = _valid(heights, eastward, northward)
    on_heights = np.isfinite(z).sum(axis=0)
    if pressure_heights is not None and pressure_eastward is not None:
        assert pressure_northward is not None  # noqa: S101 - the three come together
        zp, up, vp = _valid(pressure_heights, pressure_eastward, pressure_northward)
        top = np.where(np.isfinite(z), z, -np.inf).max(axis=0)
        keep = (zp >= LOWEST_PRESSURE_LEVEL) & (zp > top + PRESSURE_LEVEL_CLEARANCE)
        z = np.concatenate([z, np.where(keep, zp, np.nan)])
        u, v = np.concatenate([u, up]), np.concatenate([v, vp])
    order = np.argsort(z, axis=0, kind="stable")  # NaN sorts last
    z, u, v = (np.take_along_axis(part, order, axis=0) for part in (z, u, v))
    return Column(z, np.where(np.isnan(z), np.nan, u), np.where(np.isnan(z), np.nan, v), on_heights)


def _valid(heights: ArrayLike, eastward: ArrayLike, northward: ArrayLike) -> tuple[Array, ...]:
    u = np.asarray(eastward, dtype=np.float64)
    v = np.asarray(northward, dtype=np.float64)
    z = np.asarray(heights, dtype=np.float64)
    z = z.reshape(z.shape + (1,) * (u.ndim - z.ndim)) if z.ndim == 1 else z
    z, u, v = np.broadcast_arrays(z, u, v)
    good = np.isfinite(z) & np.isfinite(u) & np.isfinite(v) & (z > 0)
    return np.where(good, z, np.nan), u, v


def wind_at(column: Column, height: ArrayLike) -> WindAtHeight:
    """The wind at ``height`` (m above ground; a number or an array of the column's shape).

    Between two levels u and v go with the logarithm of height. ``speed`` is the larger of the
    length of that vector and the weighted mean of the two speeds, because a vector that turns
    between levels loses length that the air does not lose. Above the top level the lowest and the
    top level are carried on as far as a weight of 1.11, and the speed is then at least that of
    the top level; beyond it, and below the lowest level, NaN.
    Source: science notes 1.1 (computed by the authors of our science notes).
    """
    shape = column.on_heights.shape
    z = np.broadcast_to(np.asarray(height, dtype=np.float64), shape)
    levels = np.isfinite(column.heights).sum(axis=0)
    below = (column.heights <= z).sum(axis=0)
    above_top = below >= levels
    lower = np.where(above_top, 0, below - 1).clip(0)
    upper = np.where(above_top, levels - 1, below).clip(0)
    z1, u1, v1 = _pick(column, lower)
    z2, u2, v2 = _pick(column, upper)
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.log(z / z1) / np.log(z2 / z1)
    weight = np.where(z == z1, 0.0, weight)  # also the column of one level, read at that level
    weight = np.where((below > 0) & (weight <= EXTRAPOLATION_LIMIT), weight, np.nan)
    u = (1 - weight) * u1 + weight * u2
    v = (1 - weight) * v1 + weight * v2
    top = speed_of(u2, v2)
    scalar = (1 - weight) * speed_of(u1, v1) + weight * top
    speed = np.maximum(speed_of(u, v), scalar)
    speed = np.where(weight > 1, np.maximum(speed, top), speed)
    return WindAtHeight(u, v, speed, (upper >= column.on_heights) & (weight > 0))


def _pick(column: Column, index: NDArray[np.intp]) -> tuple[Array, Array, Array]:
    z, u, v = (
        np.take_along_axis(part, index[np.newaxis], axis=0)[0]
        for part in (column.heights, column.eastward, column.northward)
    )
    return z, u, v


def top_level(column: Column) -> tuple[Array, Array, Array]:
    """Height (m), eastward and northward wind (m/s) of the highest level that is there."""
    return _pick(column, (np.isfinite(column.heights).sum(axis=0) - 1).clip(0))


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
        return stack(heights, u, v)
    _, (up, vp, zp) = aloft
    return stack(
        heights,
        u,
        v,
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
