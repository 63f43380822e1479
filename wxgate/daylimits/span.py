"""What the forecasts say of the hours that a span of time overlaps: the worst of all of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from wxgate.forecast import HOUR, Array, Forecast, to_datetime64
from wxgate.quantities import Kind

_NAN = float("nan")


def full_hours(start: datetime, end: datetime) -> tuple[np.datetime64, np.datetime64]:
    """The full hour at or before ``start`` and the one at or after ``end`` (both aware)."""
    first = to_datetime64(start).astype("datetime64[h]").astype("datetime64[s]")
    last = to_datetime64(end)
    rest = (last - last.astype("datetime64[h]").astype("datetime64[s]")) % HOUR
    return first, last if rest == np.timedelta64(0, "s") else last + HOUR - rest


@dataclass(frozen=True, slots=True)
class Part:
    """A forecast and the full hours [first, last) of a span that it speaks for."""

    forecast: Forecast
    first: np.datetime64
    last: np.datetime64

    def inside(self, time: NDArray[np.datetime64]) -> NDArray[np.bool_]:
        """Which hours of an axis these are."""
        found: NDArray[np.bool_] = (time >= self.first) & (time < self.last)
        return found

    def values(self, name: str) -> Array:
        """The values of a quantity, shape (instants,).

        Values at an instant come with both ends of every hour, those of an interval once an hour.
        NaN, of at least one instant, where the forecast lacks it or does not reach so far.
        """
        found = self.forecast.get(name)
        if found is None:
            return np.full(1, _NAN)
        if found.kind is Kind.CONSTANT:
            return np.atleast_1d(np.asarray(found.values, np.float64))
        last = self.last + HOUR if found.kind is Kind.POINT else self.last
        inside = (self.forecast.time >= self.first) & (self.forecast.time < last)
        values = np.asarray(found.values[inside], np.float64)
        wanted = int((last - self.first) / HOUR)
        return values if values.size == wanted else np.append(values, _NAN)


def parts_of(forecasts: Sequence[Forecast], start: datetime, end: datetime) -> tuple[Part, ...]:
    """Who speaks for the hours that [start, end) overlaps; none at all where one hour has nobody.

    A forecast that stands alone speaks for every hour, as it does in a brief.
    """
    first, last = full_hours(start, end)
    if len(forecasts) == 1:
        return (Part(forecasts[0], first, last),)
    parts = []
    for forecast in forecasts:
        since, until = forecast.speaks_for
        if max(since, first) < min(until, last):
            parts.append(Part(forecast, max(since, first), min(until, last)))
    hours = np.arange(first, last, HOUR)
    heard = np.zeros(hours.shape, np.bool_)
    for part in parts:
        heard |= part.inside(hours)
    return tuple(parts) if heard.all() else ()


def values_over(forecasts: Sequence[Forecast], name: str, start: datetime, end: datetime) -> Array:
    """The values of a quantity over [start, end) by all that speak for it, one after the other.

    NaN, of at least one instant, where one of them lacks it or nobody speaks.
    """
    values = [part.values(name) for part in parts_of(forecasts, start, end)]
    return np.concatenate(values) if values else np.full(1, _NAN)


def worst(
    forecasts: Sequence[Forecast],
    name: str,
    start: datetime,
    end: datetime,
    pick: Callable[[Array], np.floating],
) -> float | None:
    """The worst value (``pick``: np.max or np.min) of all that speak; None where any lacks one."""
    found = float(pick(values_over(forecasts, name, start, end)))
    return found if np.isfinite(found) else None
