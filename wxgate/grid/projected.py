"""Even steps on the plane of a projection; the projections are PROJ's."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import cos, log, pi, radians, sin, tan
from typing import Any

import numpy as np

from wxgate.errors import DataError
from wxgate.grid.base import NEIGHBOUR_CELLS, Index, Indices, check_inside, round_half_up
from wxgate.grid.sphere import distance_km, wrap_degrees


@dataclass(frozen=True, slots=True)
class ProjectedGrid:
    """Lambert conformal or polar stereographic, with even steps in metres on the plane."""

    projection: str  #: as PROJ spells it
    first_latitude: float
    first_longitude: float
    x_step: float  #: metres a column
    y_step: float  #: metres a row
    rows: int
    columns: int
    cone: float  #: north_angle per degree of longitude; the sine of the cone's latitude
    central_longitude: float

    @property
    def shape(self) -> tuple[int, ...]:
        """(rows, columns)."""
        return self.rows, self.columns

    def nearest(self, latitude: float, longitude: float) -> tuple[Index, float]:
        """See :meth:`Grid.nearest`."""
        row, column = self.fraction(latitude, longitude)
        check_inside(row, self.rows, latitude, longitude)
        check_inside(column, self.columns, latitude, longitude)
        index = (
            min(max(round_half_up(row), 0), self.rows - 1),
            min(max(round_half_up(column), 0), self.columns - 1),
        )
        return index, float(distance_km(latitude, longitude, *self.latlon(index)))

    def fraction(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Row and column of a point as fractions."""
        project = _projection(self.projection)
        x0, y0 = project(self.first_longitude, self.first_latitude)
        x, y = project(longitude, latitude)
        return (y - y0) / self.y_step, (x - x0) / self.x_step

    def neighbours(self, latitude: float, longitude: float, radius_km: float) -> Indices:
        """See :meth:`Grid.neighbours`."""
        (j, i), _ = self.nearest(latitude, longitude)
        cell = max(abs(self.x_step), abs(self.y_step)) / 1000
        # The plane stretches by a few per cent at most within such grids; twice is ample.
        wide = 2 + int(2 * max(radius_km, NEIGHBOUR_CELLS * cell) / cell)
        rows = np.arange(max(j - wide, 0), min(j + wide + 1, self.rows))
        columns = np.arange(max(i - wide, 0), min(i + wide + 1, self.columns))
        jj, ii = np.meshgrid(rows, columns, indexing="ij")
        away = distance_km(latitude, longitude, *self._positions(jj, ii))
        # On the ground a cell is not quite the step on the plane: take it where the site is.
        ground = self._cell_km(j, i)
        inside = away <= max(radius_km, NEIGHBOUR_CELLS * ground)
        return np.stack([jj[inside], ii[inside]], axis=-1)

    def latlon(self, index: Index) -> tuple[float, float]:
        """See :meth:`Grid.latlon`."""
        latitude, longitude = self._positions(index[0], index[1])
        return float(latitude), wrap_degrees(float(longitude))

    def north_angle(self, latitude: float, longitude: float) -> float:
        """The cone's constant times the way from the central meridian, degrees."""
        return self.cone * wrap_degrees(longitude - self.central_longitude)

    def _positions(self, j: Any, i: Any) -> tuple[Any, Any]:
        project = _projection(self.projection)
        x0, y0 = project(self.first_longitude, self.first_latitude)
        longitude, latitude = project(
            np.asarray(x0 + i * self.x_step, dtype=float),
            np.asarray(y0 + j * self.y_step, dtype=float),
            inverse=True,
        )
        return latitude, longitude

    def _cell_km(self, j: int, i: int) -> float:
        here = self.latlon((j, i))
        beside = self.latlon((j, i + 1))
        above = self.latlon((j + 1, i))
        return float(max(distance_km(*here, *beside), distance_km(*here, *above)))


def lambert_cone(first_parallel: float, second_parallel: float) -> float:
    """The constant of a Lambert cone from its two standard parallels, degrees."""
    a, b = radians(first_parallel), radians(second_parallel)
    if abs(a - b) < 1e-9:
        return sin(a)
    return log(cos(a) / cos(b)) / log(tan(pi / 4 + b / 2) / tan(pi / 4 + a / 2))


@lru_cache(maxsize=16)
def _projection(text: str) -> Any:
    from pyproj import Proj
    from pyproj.exceptions import CRSError

    try:
        return Proj(text)
    except CRSError as error:
        raise DataError(
            f"PROJ does not accept the forecast's grid ({text})", remedy="Fetch the file again."
        ) from error
