"""Two neighbourhood probabilities of an ensemble, whose names are kept apart.

NEP, the neighbourhood ensemble probability: the mean over members of the share of points within a
radius at which the event happens; that of the event *at* the point. NMEP, the neighbourhood maximum
ensemble probability: the share of members with the event *anywhere* within the radius. Mixing them
is the usual mistake: Schwartz and Sobash 2017, Monthly Weather Review 145(9).

Events are 1, 0, or NaN where they are not known; arrays (member, y, x). Points beyond the edge of
the grid do not count. Shares are raw; smooth what is issued.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from wxgate.errors import UsageError
from wxgate.forecast import Array

#: Which points of row ``b`` are near those of row ``a``: (x of a, x of b), or None for no point.
Near = Callable[[int, int], Any]


def near_on_globe(latitude: Array, longitude: Array, radius_km: float) -> Near:
    """Points within a radius on a grid of ``latitude`` (y,) and ``longitude`` (x,) in degrees.

    Great circles, so that longitudes may wrap and rows may lie near a pole. UsageError for a
    radius that is none.
    """
    from wxgate.grid import distance_km

    _check(radius_km)

    def near(a: int, b: int) -> Any:
        if abs(float(latitude[a]) - float(latitude[b])) * 111.0 > radius_km:
            return None
        return np.stack([
            distance_km(float(latitude[a]), float(x), np.full(len(longitude), latitude[b]),
                        longitude) <= radius_km
            for x in longitude
        ])  # fmt: skip

    return near


def near_on_plane(width: int, spacing_km: float, radius_km: float) -> Near:
    """Points within a radius on a plane grid of one spacing, ``width`` points in a row."""
    _check(radius_km)
    _check(spacing_km, "spacing")
    x = np.arange(width) * spacing_km
    across = (x[:, None] - x[None, :]) ** 2

    def near(a: int, b: int) -> Any:
        left = radius_km**2 - ((a - b) * spacing_km) ** 2
        # A point on the circle is within it, whatever the last digit of the spacing.
        return None if left < -1e-9 else across <= left + 1e-9

    return near


def nep(event: Array, near: Near) -> Array:
    """Neighbourhood ensemble probability (y, x); NaN where a point within reach is not known."""
    found: Array = _by_member(event, near)[0].mean(axis=0)
    return found


def nmep(event: Array, near: Near) -> Array:
    """Neighbourhood maximum ensemble probability (y, x).

    NaN where a member has the event nowhere that is known, and one point is not known.
    """
    found: Array = _by_member(event, near)[1].mean(axis=0)
    return found


def nep_at_site(fractions: Array) -> Array:
    """NEP of one place by the members' own wet shares (..., member); NaN where one is missing."""
    found: Array = fractions.mean(axis=-1, dtype=np.float64)
    return found


def nmep_at_site(maxima: Array, limit: float) -> Array:
    """NMEP of one place by the largest amounts around (..., member), event at least ``limit``.

    NaN where one is missing.
    """
    with np.errstate(invalid="ignore"):
        happened = np.where(np.isnan(maxima), np.nan, (maxima >= np.float32(limit)).astype(float))
    found: Array = happened.mean(axis=-1)
    return found


def _by_member(event: Array, near: Near) -> tuple[Array, Array]:
    """The share of points within reach with the event, and whether there is one: (member, y, x)."""
    if event.ndim != 3:
        raise UsageError("events have the dimensions member, y, x", where="neighbourhood")
    known = ~np.isnan(event)
    happens = np.where(known, event, 0).astype(np.float64)
    unknown = (~known).astype(np.float64)
    hits, holes = np.zeros(event.shape), np.zeros(event.shape)
    points = np.zeros(event.shape[1:])
    for a in range(event.shape[1]):
        for b in range(event.shape[1]):
            reach = near(a, b)
            if reach is None:
                continue
            weights = np.asarray(reach, np.float64)
            hits[:, a] += happens[:, b] @ weights.T
            holes[:, a] += unknown[:, b] @ weights.T
            points[a] += weights.sum(axis=1)
    share = np.where(holes > 0, np.nan, hits / points)
    there = np.where(hits > 0, 1.0, np.where(holes > 0, np.nan, 0.0))
    return share, there


def _check(length: float, what: str = "radius") -> None:
    if not (np.isfinite(length) and length > 0):
        raise UsageError(f"a {what} of {length:g} km is none", where="neighbourhood")
