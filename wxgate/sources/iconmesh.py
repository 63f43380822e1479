"""The triangles of ICON: where their centres lie, and how high the model's levels are at a site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from wxgate.errors import DataError
from wxgate.grib import Message
from wxgate.grid import Index, PointsGrid, UnlocatedGrid
from wxgate.sources.endpoints import Entry
from wxgate.sources.iconfiles import IconFiles

GROUND = "HSURF"


@dataclass(frozen=True, slots=True)
class Mesh:
    """What stands still at the site on one grid.

    ``ground`` is the model's terrain there, m above sea level (NaN where it has none); ``heights``
    are those of full model levels, m above ground by their number, empty where not known.
    """

    ground: float
    heights: Mapping[int, float]


class Meshes:
    """The grids of a model's runs, each read once; ``grids`` collects the places of their points.

    A grid is known by its number, its UUID and its count of cells, and kept under the first two.
    """

    def __init__(
        self,
        files: IconFiles,
        entry: Entry,
        site: tuple[float, float],
        grids: dict[UnlocatedGrid, PointsGrid],
    ) -> None:
        self._files, self._entry, self._site, self._grids = files, entry, site, grids
        self._known: dict[UnlocatedGrid, Mesh] = {}
        self.outside: DataError | None = None  #: when the site lies outside

    def of_run(self, run: datetime) -> Mesh:
        """The mesh that a run has; DataError when it cannot be had, or the site lies outside."""
        if self.outside is not None:
            raise self.outside
        # What never changes may not stand in every run: the others are asked behind this one.
        others = self._files.runs(GROUND) or frozenset()
        runs = [run, *sorted(others - {run}, reverse=True)]
        ground = self._files.read(GROUND, "", runs)
        key = ground.grid
        if not isinstance(key, UnlocatedGrid) or not key.identity:
            raise DataError("the terrain is not on the model's own grid", where=self._files.name)
        if key not in self._known:
            self._known[key] = self._read(key, ground, runs)
        return self._known[key]

    def _read(self, key: UnlocatedGrid, ground: Message, runs: list[datetime]) -> Mesh:
        if key not in self._grids:
            self._grids[key] = self._points(key, runs)
        try:
            cell, _ = self._grids[key].nearest(*self._site)
        except DataError as error:
            self.outside = error
            raise
        height = float(ground.values[cell])
        return Mesh(height, self._heights(key, runs, cell, height))

    def _points(self, key: UnlocatedGrid, runs: list[datetime]) -> PointsGrid:
        latitudes, longitudes = (
            self._files.read(name, "", runs, key).values.astype(np.float64)
            for name in ("CLAT", "CLON")
        )
        if not ((np.abs(latitudes) <= 90) & (np.abs(longitudes) <= 360)).all():
            raise DataError("the coordinates of the grid are none", where=self._files.name)
        return PointsGrid(latitudes, longitudes, self._entry.number("mesh_km"))

    def _heights(
        self, key: UnlocatedGrid, runs: list[datetime], cell: Index, ground: float
    ) -> dict[int, float]:
        """Heights of full levels within the bounds: midway between half levels, less the ground.

        Half level k lies above full level k, and k + 1 below it.
        """
        levels = self._entry.entry("model_levels")
        low, high = levels.number("from_m"), levels.number("to_m")
        lowest, heights = levels.whole("lowest"), dict[int, float]()
        try:
            below = self._half_level(lowest + 1, key, runs, cell)
            for k in range(lowest, lowest - levels.whole("count"), -1):
                above = self._half_level(k, key, runs, cell)
                heights[k] = (above + below) / 2 - ground
                below = above
        except DataError:
            return {}
        return {k: height for k, height in heights.items() if low <= height <= high}

    def _half_level(
        self, level: int, key: UnlocatedGrid, runs: list[datetime], cell: Index
    ) -> float:
        message = self._files.read("HHL", str(level), runs, key)
        if message.surface_value != level:
            raise DataError(f"HHL {level} is of another level", where=self._files.name)
        return float(message.values[cell])
