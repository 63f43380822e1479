"""Law: the cell that is looked up is the nearest of all grid points, on every kind of grid.

The other way is a search through all points of the grid by their straight distance in space,
scipy's k-d tree over points that PROJ places; of 10,000 random points within each grid. On a
plane the border between two cells is not quite the line of equal distance on the ground: there,
and only there, the two ways may differ, by less than a part in five hundred of the distance.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyproj import Geod, Proj

from wxgate.grib import read_messages
from wxgate.grid import ProjectedGrid, RegularGrid
from wxgate.sources.domain import read_lambert
from wxgate.sources.endpoints import Entry, load_endpoints

pytestmark = pytest.mark.law

POINTS = 10_000
SPHERE = Geod(a=6371229, b=6371229)
GFS = RegularGrid(90.0, 0.0, -0.25, 0.25, 721, 1440)
REAL = {
    "gefs 0.5 degree": "gefs/gec00_20250101_00_soilw.grib",
    "hrrr": "hrrr/hrrr.t06z.wrfsfcf01-CFRZR-constant.grib2",
    "nam 211": "nam/nam.t00z.awp21100.tm00.grib2",
    "cmc": "cmc/CMC_glb_WIND_TGL_10_ps30km_2020012500_P000.grib2",
    "icon-d2": "dwd/icon-d2_germany_regular-lat-lon_single-level_2022042600_000_2d_u_10m.grib2",
}


def places(grid: Any, j: np.ndarray, i: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Latitudes and longitudes of (fractions of) rows and columns, by PROJ on a projection."""
    if isinstance(grid, RegularGrid):
        return (
            grid.first_latitude + j * grid.latitude_step,
            grid.first_longitude + i * grid.longitude_step,
        )
    assert isinstance(grid, ProjectedGrid)
    project = Proj(grid.projection)
    x0, y0 = project(grid.first_longitude, grid.first_latitude)
    longitudes, latitudes = project(x0 + i * grid.x_step, y0 + j * grid.y_step, inverse=True)
    return latitudes, longitudes


def in_space(latitudes: np.ndarray, longitudes: np.ndarray) -> np.ndarray:
    north, east = np.radians(latitudes), np.radians(longitudes)
    return np.stack([np.cos(north) * np.cos(east), np.cos(north) * np.sin(east), np.sin(north)], -1)


def check(grid: Any) -> None:
    from scipy.spatial import cKDTree

    rng = np.random.default_rng(20261125)
    rows, columns = grid.shape
    j, i = np.divmod(np.arange(rows * columns), columns)
    north, east = places(grid, j, i)
    sites = places(grid, rng.uniform(0, rows - 1, POINTS), rng.uniform(0, columns - 1, POINTS))
    _, nearest = cKDTree(in_space(north, east)).query(in_space(*sites))
    looked_up = [grid.nearest(float(a), float(b)) for a, b in zip(*sites, strict=True)]
    found = np.array([index[0] * columns + index[1] for index, _ in looked_up])
    told = np.array([away for _, away in looked_up]) * 1000
    _, _, away = SPHERE.inv(sites[1], sites[0], east[found], north[found])
    _, _, least = SPHERE.inv(sites[1], sites[0], east[nearest], north[nearest])
    np.testing.assert_allclose(told, away, rtol=1e-6, atol=1e-3)
    # All points of a row at a pole are one place, so places are compared and not numbers.
    other = away > least + 1e-3
    assert np.count_nonzero(other) <= POINTS // 1000
    np.testing.assert_array_less(away[other], least[other] * 1.002)


def test_the_globe() -> None:
    check(GFS)


def test_the_domain_of_hrrr_as_it_ships() -> None:
    """Corners: HRRR-4 of our check values, computed by us with PROJ."""
    grid = read_lambert(Entry(load_endpoints(), "").entry("hrrr").entry("domain"))
    for index, place in (
        ((0, 0), (21.138123, 237.280472)), ((0, 1798), (21.140547, 287.710282)),
        ((1058, 0), (47.838623, 225.904520)), ((1058, 1798), (47.842195, 299.082807)),
    ):  # fmt: skip
        latitude, longitude = grid.latlon(index)
        assert (latitude, longitude % 360) == pytest.approx(place, abs=1e-6)
    check(grid)


@pytest.mark.parametrize("name", REAL)
def test_grids_of_real_files(shared_data: Path, name: str) -> None:
    content = (shared_data / "forecast" / REAL[name]).read_bytes()
    check(read_messages(content, skip_strays=True)[0].grid)
