"""What every grid can do, and what the grids share."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from wxgate.errors import DataError

Indices = NDArray[np.intp]
Index = tuple[int, ...]

#: Cells around a site that count as its neighbours when the radius is smaller than this.
NEIGHBOUR_CELLS = 1.5
# A site belongs to a cell up to half a cell from its point; a little more for rounded corners.
_HALF_CELL = 0.5 + 1e-6


class Grid(Protocol):
    """What every grid can do; ``shape`` is that of its values."""

    @property
    def shape(self) -> tuple[int, ...]:
        """The shape of the values: (rows, columns), or (points,)."""

    def nearest(self, latitude: float, longitude: float) -> tuple[Index, float]:
        """The cell that holds a point, and how far its grid point lies, km; DataError outside."""

    def neighbours(self, latitude: float, longitude: float, radius_km: float) -> Indices:
        """Cells whose points lie within the radius or 1.5 cells, whichever is more; (n, dims)."""

    def latlon(self, index: Index) -> tuple[float, float]:
        """Latitude and longitude (-180 <= longitude < 180) of a cell's grid point, degrees."""

    def north_angle(self, latitude: float, longitude: float) -> float:
        """How far true north is turned from the grid's y axis there, degrees; 0 when it is not."""


def round_half_up(value: float) -> int:
    """The nearest whole number, a half going up."""
    return int(np.floor(value + 0.5))


def check_inside(place: float, count: int, latitude: float, longitude: float) -> None:
    """DataError unless a row or column, as a fraction, belongs to one of ``count`` cells."""
    if not -_HALF_CELL <= place <= count - 1 + _HALF_CELL:
        raise outside(latitude, longitude)


def outside(latitude: float, longitude: float) -> DataError:
    """The error for a point that the grid does not cover."""
    return DataError(
        f"the point {latitude:.4f} {longitude:.4f} lies outside the forecast's grid",
        remedy="Choose a source that covers the site, or check the site's coordinates.",
    )
