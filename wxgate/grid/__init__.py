"""Where the values of a grid lie: from a site to its cell, to the cells around it, and back.

A cell is addressed by ``(j, i)``: row and column of the values as :mod:`wxgate.grib` returns them
(an unstructured grid by ``(i,)``). All by formulas; the projections are PROJ's.
"""

from wxgate.grid.base import NEIGHBOUR_CELLS, Grid, Index
from wxgate.grid.points import PointsGrid, UnlocatedGrid
from wxgate.grid.projected import ProjectedGrid, lambert_cone
from wxgate.grid.regular import RegularGrid
from wxgate.grid.sphere import KM_PER_DEGREE, distance_km, turn_to_earth, wrap_degrees

__all__ = [
    "KM_PER_DEGREE",
    "NEIGHBOUR_CELLS",
    "Grid",
    "Index",
    "PointsGrid",
    "ProjectedGrid",
    "RegularGrid",
    "UnlocatedGrid",
    "distance_km",
    "lambert_cone",
    "turn_to_earth",
    "wrap_degrees",
]
