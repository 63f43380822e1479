"""Points without rows and columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wxgate.errors import DataError
from wxgate.grid.base import NEIGHBOUR_CELLS, Index, Indices, outside
from wxgate.grid.sphere import Array, distance_km, wrap_degrees


@dataclass(frozen=True, slots=True, eq=False)
class PointsGrid:
    """Points anywhere, such as the triangles of ICON: their coordinates come from elsewhere."""

    latitudes: Array
    longitudes: Array
    spacing_km: float  #: usual distance between neighbouring points

    @property
    def shape(self) -> tuple[int, ...]:
        """(points,)."""
        return self.latitudes.shape

    def nearest(self, latitude: float, longitude: float) -> tuple[Index, float]:
        """See :meth:`Grid.nearest`."""
        away = distance_km(latitude, longitude, self.latitudes, self.longitudes)
        i = int(np.argmin(away))
        if not away[i] <= self.spacing_km:
            raise outside(latitude, longitude)
        return (i,), float(away[i])

    def neighbours(self, latitude: float, longitude: float, radius_km: float) -> Indices:
        """See :meth:`Grid.neighbours`."""
        self.nearest(latitude, longitude)
        away = distance_km(latitude, longitude, self.latitudes, self.longitudes)
        reach = max(radius_km, NEIGHBOUR_CELLS * self.spacing_km)
        return np.flatnonzero(away <= reach)[:, np.newaxis]

    def latlon(self, index: Index) -> tuple[float, float]:
        """See :meth:`Grid.latlon`."""
        i = index[0]
        return float(self.latitudes[i]), wrap_degrees(float(self.longitudes[i]))

    def north_angle(self, latitude: float, longitude: float) -> float:
        """0: such winds are relative to the earth."""
        return 0.0


@dataclass(frozen=True, slots=True)
class UnlocatedGrid:
    """A grid whose values can be read, but whose points wxgate does not place."""

    template: int  #: number of the grid definition template
    shape: tuple[int, ...]
    identity: str = ""  #: of an unstructured grid, its UUID

    def nearest(self, latitude: float, longitude: float) -> tuple[Index, float]:
        """DataError: the points have no places."""
        raise self._unplaced()

    def neighbours(self, latitude: float, longitude: float, radius_km: float) -> Indices:
        """DataError: the points have no places."""
        raise self._unplaced()

    def latlon(self, index: Index) -> tuple[float, float]:
        """DataError: the points have no places."""
        raise self._unplaced()

    def north_angle(self, latitude: float, longitude: float) -> float:
        """DataError: the points have no places."""
        raise self._unplaced()

    def _unplaced(self) -> DataError:
        return DataError(
            f"the points of a grid with template 3.{self.template} cannot be placed",
            remedy="Use a regular, Lambert or polar stereographic grid.",
        )
