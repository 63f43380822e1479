"""The hours of a brief laid out for lesson slots: quantities by hour, and hours of a span."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from wxgate.brief import Brief
from wxgate.quantities import Kind

HOUR = 3600
#: Both ends of an hour; the same twice where a value stands for the whole hour.
Ends = tuple[float, float]


def series(brief: Brief, name: str) -> dict[int, Ends]:
    """A quantity at both ends of every hour, by seconds since 1970; NaN where it is missing.

    Empty where no forecast has it. Each hour is that of the forecast that speaks for it; where
    several do, of the first.
    """
    found: dict[int, Ends] = {}
    for forecast in brief.forecasts:
        had = forecast.get(name)
        if had is None or had.kind is Kind.CONSTANT or had.values.ndim != 1:
            continue
        since, until = forecast.speaks_for
        later = np.append(had.values[1:], np.nan) if had.kind is Kind.POINT else had.values
        for when, first, last in zip(forecast.time, had.values, later, strict=True):
            if since <= when < until:
                found.setdefault(int(when.astype(np.int64)), (float(first), float(last)))
    return found


def overlapped(start: int, end: int) -> range:
    """The full hours that [start, end) overlaps, by their beginning in seconds since 1970."""
    return range(start - start % HOUR, end, HOUR)


def seconds(span: timedelta) -> int:
    """A span in whole seconds."""
    return int(span.total_seconds())


def swing(directions: list[float]) -> float:
    """The largest angle (degrees, 0 to 180) between any two of these directions; 0 for fewer."""
    if len(directions) < 2:
        return 0.0
    at = np.asarray(directions)
    apart = np.abs(at[:, None] - at[None, :]) % 360.0
    return float(np.minimum(apart, 360.0 - apart).max())
