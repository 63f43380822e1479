"""How far apart the possible weathers lie: quantiles of single quantities, hour by hour.

A quantile is the value of one weather, never a number between two: between a cloud at 300 m and no
cloud at all there is nothing to be told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from wxgate.forecast import Array, Forecast
from wxgate.members import has_members
from wxgate.quantities import Kind

#: The shares of weathers below each quantile; the outer two hold 8 of 10 between them.
SHARES = (0.1, 0.5, 0.9)
#: What a spread is kept of: what decides hours most, and what stations can be held against.
NAMES = (
    "gust_at_flight_height", "wind_speed_at_flight_height", "gust", "wind_speed", "visibility",
    "ceiling_clearance", "precipitation", "air_temperature", "dew_point_temperature",
    "dew_point_spread", "planetary_k_index",
)  # fmt: skip
#: So many values an hour are kept of each forecast's weathers, whatever their number; of more
#: weathers those at even ranks, so that a quantile is off by 1 weather in 500 at most.
MOST = 256
_HAIR = 1e-9  # sums of weights are not exact

Spread = Mapping[str, Array]  #: by quantity (time, share), in its own unit; NaN: cannot be told


def quantiles(values: Array, weights: Array, there: NDArray[np.bool_] | None = None) -> Array:
    """The quantiles (..., share) of weathers (..., member), by weight (member,).

    The least value that so large a share of the weights does not surpass. ``there`` is of the
    shape of ``values``: weathers that say nothing of a place count nothing (None: all speak). NaN
    where one that speaks lacks its value, or none speaks: fewer than were asked are no spread.
    """
    gone = np.isnan(values)
    lacks = np.asarray((gone if there is None else gone & there).any(axis=-1))
    if there is None or there.all():
        if np.all(weights == weights[0]):
            found = _of_equal(values)
            return np.where(lacks[..., None], np.nan, found)
        there = np.ones(values.shape, np.bool_)
    counted = np.where(there, values, np.inf)
    order = np.argsort(counted, axis=-1)
    summed = np.take_along_axis(np.where(there, weights, 0.0), order, axis=-1).cumsum(axis=-1)
    ranked = np.take_along_axis(counted, order, axis=-1)
    whole = summed[..., -1:]
    told = []
    for share in SHARES:
        at = (summed < (share - _HAIR) * whole).sum(axis=-1, keepdims=True)
        told.append(np.take_along_axis(ranked, at, axis=-1)[..., 0])
    lacks |= ~there.any(axis=-1)
    return np.where(lacks[..., None], np.nan, np.stack(told, axis=-1).astype(np.float64))


def _of_equal(values: Array) -> Array:
    """The same where all speak and count the same."""
    count = values.shape[-1]
    ranks = [max(int(np.ceil(share * count - _HAIR)) - 1, 0) for share in SHARES]
    return np.sort(values, axis=-1)[..., ranks].astype(np.float64)


def thinned(values: Array) -> Array:
    """At most :data:`MOST` of weathers (..., member), at even ranks; NaN in one is NaN in all."""
    count = values.shape[-1]
    if count <= MOST:
        return values
    ranks = ((np.arange(MOST) + 0.5) * count / MOST).astype(np.intp)
    lacks = np.isnan(values).any(axis=-1, keepdims=True)
    return np.where(lacks, np.float32(np.nan), np.sort(values, axis=-1)[..., ranks])


@dataclass(slots=True)
class Kept:
    """The weathers of forecasts that take over from each other, as far as their spread needs them.

    ``values`` by quantity (time, member), ``there`` where a weather speaks for an hour.
    """

    there: NDArray[np.bool_]
    values: dict[str, Array] = field(default_factory=dict)

    @classmethod
    def empty(cls, hours: int, members: int) -> Kept:
        """Room for so many hours and, up to a bound, weathers."""
        return cls(np.zeros((hours, min(members, MOST)), np.bool_))

    def add(self, forecast: Forecast, mine: NDArray[np.bool_], rows: NDArray[np.int_]) -> None:
        """Take the instants ``mine`` of a forecast of members onto ``rows``.

        What has no members has no spread that is known; it stays missing.
        """
        for name in NAMES:
            found = forecast.get(name)
            if found is None or found.kind is Kind.CONSTANT or found.levels is not None:
                continue
            if has_members(found):
                told = thinned(found.values[mine])
                nothing = np.full(self.there.shape, np.nan, np.float32)
                whole = self.values.setdefault(name, nothing)
                whole[rows, : told.shape[-1]] = told
        width = min(_width(forecast), self.there.shape[1])
        self.there[rows, :width] = True


def _width(forecast: Forecast) -> int:
    sizes = [f.values.shape[-1] for f in forecast.fields.values() if has_members(f)]
    return max(sizes, default=1)


def spread_of(parts: Sequence[Kept], worths: Sequence[float]) -> dict[str, Array]:
    """The spread of several such sets pooled, each worth so much in all.

    A quantity that one of them lacks in an hour for which it speaks is missing there.
    """
    there = np.concatenate([part.there for part in parts], axis=1)
    weights = np.concatenate([
        np.full(part.there.shape[1], worth / part.there.shape[1])
        for part, worth in zip(parts, worths, strict=True)
    ])  # fmt: skip
    names = [name for name in NAMES if any(name in part.values for part in parts)]
    found = {}
    for name in names:
        nothing = [np.full(part.there.shape, np.nan, np.float32) for part in parts]
        pooled = [p.values.get(name, none) for p, none in zip(parts, nothing, strict=True)]
        found[name] = quantiles(np.concatenate(pooled, axis=1), weights, there)
    return found
