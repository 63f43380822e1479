"""Points without rows and columns."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from wxgate.errors import DataError
from wxgate.grid.base import NEIGHBOUR_CELLS, Index, Indices, outside
from wxgate.grid.sphere import (
    EARTH_RADIUS_KM,
    Array,
    distance_km,
    unit_vectors,
    wrap_degrees,
)


@dataclass(frozen=True, eq=False)
class PointsGrid:
    """Points anywhere, such as the triangles of ICON: their coordinates come from elsewhere.

    They are found by a k-d tree of their unit vectors, built when the first is looked up: the
    nearest by chord is the nearest on the sphere.
    """

    latitudes: Array
    longitudes: Array
    spacing_km: float  #: usual distance between neighbouring points

    @property
    def shape(self) -> tuple[int, ...]:
        """(points,)."""
        return self.latitudes.shape

    def nearest(self, latitude: float, longitude: float) -> tuple[Index, float]:
        """See :meth:`Grid.nearest`."""
        _, i = self._tree.query(unit_vectors(latitude, longitude))
        away = float(distance_km(latitude, longitude, self.latitudes[i], self.longitudes[i]))
        if not away <= self.spacing_km:
            raise outside(latitude, longitude)
        return (int(i),), away

    def neighbours(self, latitude: float, longitude: float, radius_km: float) -> Indices:
        """See :meth:`Grid.neighbours`."""
        self.nearest(latitude, longitude)
        reach = max(radius_km, NEIGHBOUR_CELLS * self.spacing_km)
        chord = 2 * np.sin(min(reach / EARTH_RADIUS_KM, np.pi) / 2)
        found = self._tree.query_ball_point(unit_vectors(latitude, longitude), chord)
        return np.sort(np.asarray(found, dtype=np.intp))[:, np.newaxis]

    @cached_property
    def _tree(self) -> Any:
        from scipy.spatial import cKDTree

        # Built twice as fast without the two refinements, which pay after thousands of look-ups.
        points = unit_vectors(self.latitudes, self.longitudes)
        return cKDTree(points, balanced_tree=False, compact_nodes=False)

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
    number: int | None = None  #: and the number that its producer gave it

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
