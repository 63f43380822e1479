"""Latitude by longitude."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians
from typing import Any

import numpy as np

from wxgate.grid.base import NEIGHBOUR_CELLS, Index, Indices, check_inside, round_half_up
from wxgate.grid.sphere import KM_PER_DEGREE, distance_km, wrap_degrees


@dataclass(frozen=True, slots=True)
class RegularGrid:
    """Latitude by longitude with even steps; either may run in either direction."""

    first_latitude: float
    first_longitude: float
    latitude_step: float  #: degrees a row, negative from north to south
    longitude_step: float  #: degrees a column
    rows: int
    columns: int

    @property
    def shape(self) -> tuple[int, ...]:
        """(rows, columns)."""
        return self.rows, self.columns

    @property
    def wraps(self) -> bool:
        """Whether the columns go round the earth."""
        return self.columns * abs(self.longitude_step) > 360.0 - abs(self.longitude_step) / 2

    def nearest(self, latitude: float, longitude: float) -> tuple[Index, float]:
        """See :meth:`Grid.nearest`."""
        row, column = self._row(latitude), self._column(longitude)
        check_inside(row, self.rows, latitude, longitude)
        if not self.wraps:
            check_inside(column, self.columns, latitude, longitude)
        j = min(max(round_half_up(row), 0), self.rows - 1)
        i = round_half_up(column)
        i = i % self.columns if self.wraps else min(max(i, 0), self.columns - 1)
        return (j, i), float(distance_km(latitude, longitude, *self.latlon((j, i))))

    def neighbours(self, latitude: float, longitude: float, radius_km: float) -> Indices:
        """See :meth:`Grid.neighbours`."""
        self.nearest(latitude, longitude)
        north_south = abs(self.latitude_step) * KM_PER_DEGREE
        east_west = abs(self.longitude_step) * KM_PER_DEGREE * cos(radians(latitude))
        reach = max(radius_km, NEIGHBOUR_CELLS * max(north_south, east_west))
        row, span = self._row(latitude), reach / north_south
        near = np.arange(max(int(row - span), 0), min(int(row + span) + 2, self.rows))
        j, i = np.meshgrid(near, np.arange(self.columns), indexing="ij")
        away = distance_km(latitude, longitude, *self._positions(j, i))
        inside = away <= reach
        return np.stack([j[inside], i[inside]], axis=-1)

    def latlon(self, index: Index) -> tuple[float, float]:
        """See :meth:`Grid.latlon`."""
        latitude, longitude = self._positions(index[0], index[1])
        return float(latitude), wrap_degrees(float(longitude))

    def north_angle(self, latitude: float, longitude: float) -> float:
        """0: rows run east and columns north."""
        return 0.0

    def _positions(self, j: Any, i: Any) -> tuple[Any, Any]:
        return (
            self.first_latitude + j * self.latitude_step,
            self.first_longitude + i * self.longitude_step,
        )

    def _row(self, latitude: float) -> float:
        return (latitude - self.first_latitude) / self.latitude_step

    def _column(self, longitude: float) -> float:
        """The column as a fraction; of the two ways round the one nearer to the grid."""
        step = self.longitude_step
        one = ((longitude - self.first_longitude) * np.sign(step)) % 360.0 / abs(step)
        other = one - 360.0 / abs(step)
        return float(one if one - (self.columns - 1) <= -other else other)
