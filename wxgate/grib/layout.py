"""Section 3 of a GRIB message: which grid it is, and in which order its values run."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from numpy.typing import NDArray

from wxgate.grib.octets import Octets
from wxgate.grid import Grid, ProjectedGrid, RegularGrid, UnlocatedGrid, lambert_cone

_ALL_ONES = 0xFFFFFFFF
#: More points than any published grid has; a message that says more is broken.
_MOST_POINTS = 30_000_000
_WINDS_ALONG_GRID = 0x08
# Flags of code table 3.4.
_I_NEGATIVE, _J_POSITIVE, _COLUMNS_FIRST, _ROWS_ALTERNATE, _STAGGERED = 0x80, 0x40, 0x20, 0x10, 0x0F


@dataclass(frozen=True, slots=True)
class Layout:
    """The grid of a message and the order of its values."""

    grid: Grid
    points: int
    relative_to_grid: bool = False
    scan: int = 0

    def arrange(self, values: NDArray[Any]) -> NDArray[Any]:
        """The values as the grid's rows and columns, from the order in which they are written."""
        if len(self.grid.shape) == 1:
            return values
        rows, columns = self.grid.shape
        lines, each = (columns, rows) if self.scan & _COLUMNS_FIRST else (rows, columns)
        table = values.reshape(lines, each)
        if self.scan & _ROWS_ALTERNATE:
            table[1::2] = table[1::2, ::-1]
        return table.T if self.scan & _COLUMNS_FIRST else table


def read_layout(octets: Octets) -> Layout:
    """The layout that section 3 describes; DataError when it contradicts itself."""
    return _read_layout(octets.section, octets.where)


@lru_cache(maxsize=64)
def _read_layout(section: bytes, where: str) -> Layout:
    octets = Octets(section, 3, where)
    template, points = octets.unsigned(13, 2), octets.unsigned(7, 4)
    if not 0 < points <= _MOST_POINTS:
        raise octets.fault(f"no grid has {points} points")
    if template == 101:
        identity = section[19:35].hex()
        number = octets.unsigned(16, 3)
        return Layout(UnlocatedGrid(template, (points,), identity, number), points)
    reader = {0: _regular, 20: _polar_stereographic, 30: _lambert}.get(template)
    if reader is None or octets.unsigned(31, 4) == _ALL_ONES:
        return Layout(UnlocatedGrid(template, (points,)), points)
    grid, flags, scan = reader(octets)
    if grid.shape[0] * grid.shape[1] != points:
        raise octets.fault(f"{grid.shape[0]} rows of {grid.shape[1]} are not {points} points")
    if scan & _STAGGERED:
        grid = UnlocatedGrid(template, grid.shape)
    return Layout(grid, points, bool(flags & _WINDS_ALONG_GRID), scan)


def _regular(octets: Octets) -> tuple[Grid, int, int]:
    """Template 3.0, latitude/longitude."""
    columns, rows = octets.unsigned(31, 4), octets.unsigned(35, 4)
    basic, parts = octets.unsigned(39, 4), octets.unsigned(43, 4)
    # A basic angle of 0 means units of a millionth of a degree.
    unit = 1e-6 if basic in (0, _ALL_ONES) or parts in (0, _ALL_ONES) else basic / parts
    first = octets.signed(47, 4) * unit, octets.signed(51, 4) * unit
    last = octets.signed(56, 4) * unit, octets.signed(60, 4) * unit
    scan = octets.unsigned(72)
    east = -1.0 if scan & _I_NEGATIVE else 1.0
    north = 1.0 if scan & _J_POSITIVE else -1.0
    # Steps from the ends: the printed step is rounded, and a third of a degree adds up.
    wide = east * (last[1] - first[1]) % 360.0
    if columns > 1 and wide == 0.0:
        wide = 360.0
    across = wide / (columns - 1) if columns > 1 else octets.unsigned(64, 4) * unit
    down = abs(last[0] - first[0]) / (rows - 1) if rows > 1 else octets.unsigned(68, 4) * unit
    if not (abs(first[0]) <= 90.0 + unit and abs(last[0]) <= 90.0 + unit and rows and columns):
        raise octets.fault("the corners of the grid are not on the earth")
    if not (0 < across <= 360 and 0 < down <= 180) or (last[0] - first[0]) * north < 0:
        raise octets.fault("the corners and steps of the grid contradict each other")
    grid = RegularGrid(first[0], first[1], north * down, east * across, rows, columns)
    return grid, octets.unsigned(55), scan


def _lambert(octets: Octets) -> tuple[Grid, int, int]:
    """Template 3.30, Lambert conformal."""
    parallels = octets.signed(66, 4) * 1e-6, octets.signed(70, 4) * 1e-6
    origin, central = octets.signed(48, 4) * 1e-6, octets.signed(52, 4) * 1e-6
    if not all(0 < abs(p) < 90 for p in parallels) or parallels[0] * parallels[1] < 0:
        raise octets.fault("a Lambert cone has two parallels on one side of the equator")
    if not abs(origin) < 90:
        raise octets.fault("the latitude of the Lambert grid's steps is none")
    projection = (
        f"+proj=lcc +lat_1={parallels[0]!r} +lat_2={parallels[1]!r} +lat_0={origin!r} "
        f"+lon_0={central!r} {_earth(octets)}"
    )
    return _projected(octets, projection, lambert_cone(*parallels), central, octets.unsigned(65))


def _polar_stereographic(octets: Octets) -> tuple[Grid, int, int]:
    """Template 3.20, polar stereographic."""
    true_at, central = octets.signed(48, 4) * 1e-6, octets.signed(52, 4) * 1e-6
    pole = -1.0 if octets.unsigned(64) & 0x80 else 1.0
    if not 0 < abs(true_at) <= 90:
        raise octets.fault("the latitude of true scale is none")
    projection = (
        f"+proj=stere +lat_0={pole * 90!r} +lat_ts={pole * abs(true_at)!r} +lon_0={central!r} "
        f"{_earth(octets)}"
    )
    return _projected(octets, projection, pole, central, octets.unsigned(65))


def _projected(
    octets: Octets, projection: str, cone: float, central: float, scan: int
) -> tuple[Grid, int, int]:
    latitude, longitude = octets.signed(39, 4) * 1e-6, octets.signed(43, 4) * 1e-6
    # Millimetres on the plane.
    dx, dy = octets.unsigned(56, 4) / 1000, octets.unsigned(60, 4) / 1000
    if not (abs(latitude) <= 90 and dx > 0 and dy > 0):
        raise octets.fault("the first point or the steps of the grid are none")
    grid = ProjectedGrid(
        projection,
        latitude,
        longitude,
        -dx if scan & _I_NEGATIVE else dx,
        dy if scan & _J_POSITIVE else -dy,
        rows=octets.unsigned(35, 4),
        columns=octets.unsigned(31, 4),
        cone=cone,
        central_longitude=central,
    )
    return grid, octets.unsigned(47), scan


def _earth(octets: Octets) -> str:
    """The shape of the earth (code table 3.2) as PROJ spells it."""
    shape = octets.unsigned(15)
    spheres = {0: 6367470.0, 6: 6371229.0, 8: 6371200.0}
    ellipsoids = {2: "+a=6378160.0 +b=6356775.0", 4: "+ellps=GRS80", 5: "+ellps=WGS84"}
    if shape in spheres:
        return f"+R={spheres[shape]!r}"
    if shape in ellipsoids:
        return ellipsoids[shape]
    if shape == 1:
        return f"+R={_radius(octets, 16, 1.0)!r}"
    if shape in (3, 7):
        unit = 1000.0 if shape == 3 else 1.0
        return f"+a={_radius(octets, 21, unit)!r} +b={_radius(octets, 26, unit)!r}"
    raise octets.fault(f"shape of the earth {shape} is not known")


def _radius(octets: Octets, at: int, unit: float) -> float:
    radius = octets.scaled(at) * unit
    if not 6.3e6 < radius < 6.4e6:
        raise octets.fault(f"an earth of radius {radius:.0f} m")
    return radius
