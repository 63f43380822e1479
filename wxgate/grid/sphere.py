"""The earth as GRIB has it: distances, directions and angles."""

from __future__ import annotations

from math import cos, pi, radians
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]

#: Radius of the sphere that GRIB calls earth shape 6, km (WMO-No. 306 Vol. I.2, code table 3.2).
EARTH_RADIUS_KM = 6371.229
KM_PER_DEGREE = EARTH_RADIUS_KM * pi / 180


def distance_km(latitude: float, longitude: float, latitudes: Any, longitudes: Any) -> Array:
    """Great-circle distance from one point to many, km, on GRIB's sphere (haversine)."""
    north, east = np.radians(latitudes), np.radians(longitudes)
    here = radians(latitude)
    half = np.sin((north - here) / 2) ** 2
    half = half + cos(here) * np.cos(north) * np.sin((east - radians(longitude)) / 2) ** 2
    distance: Array = 2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(half, 0, 1)))
    return distance


def unit_vectors(latitudes: Any, longitudes: Any) -> Array:
    """Points on the unit sphere, from the earth's centre; the three components last."""
    north = np.radians(np.asarray(latitudes, dtype=np.float64))
    east = np.radians(np.asarray(longitudes, dtype=np.float64))
    parts = np.cos(north) * np.cos(east), np.cos(north) * np.sin(east), np.sin(north)
    vectors: Array = np.stack(parts, axis=-1)
    return vectors


def turn_to_earth(u: Any, v: Any, angle: Any) -> tuple[Any, Any]:
    """Eastward and northward wind from components along a grid's axes, any shape.

    ``angle`` is :meth:`Grid.north_angle`, degrees: for a Lambert grid sin(38.5 deg) (lon + 97.5)
    in the case of HRRR. The speed does not change. Source: NCL's rotation of gridded winds
    (ncl-talk 2012/2569): u_east = cos a u + sin a v, v_north = -sin a u + cos a v.
    """
    a = np.radians(angle)
    return np.cos(a) * u + np.sin(a) * v, np.cos(a) * v - np.sin(a) * u


def wrap_degrees(longitude: float) -> float:
    """A longitude or angle in [-180, 180)."""
    return (longitude + 180.0) % 360.0 - 180.0
