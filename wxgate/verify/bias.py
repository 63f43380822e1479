"""Mean errors by group, shrunk towards none where few cases stand behind them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from wxgate.errors import UsageError
from wxgate.verify.cases import Cases

Array = np.ndarray[Any, np.dtype[Any]]

#: Cases at which a mean error is believed by half: b = n / (n + 20) x mean error.
HALF_BELIEVED = 20.0
#: Hours of a year.
YEAR = 8766.0


@dataclass(frozen=True)
class ShrunkBias:
    """What is added to a forecast: by pool (model, lead bucket, day or night), then by station.

    A pool or a station that was not seen in training gets 0.
    """

    pool: Mapping[str, float] = field(default_factory=dict)
    station: Mapping[str, float] = field(default_factory=dict)
    cycles: tuple[float, ...] = ()  #: coefficients of the day's and the year's waves

    @classmethod
    def fit(cls, cases: Cases, error: Array, *, cycles: bool = False) -> ShrunkBias:
        """Fit to ``error`` (case,), observed minus forecast, in any unit; NaN is left out.

        ``cycles``: waves of the hour of the day and, from two years on, of the day of the year
        are fitted to what is left, drawn to none.
        """
        pool = _shrunk(cases.pool, error)
        left = error - _looked_up(pool, cases.pool)
        station: dict[str, float] = {}
        if cases.station is not None:
            station = _shrunk(cases.station, left)
            left = left - _looked_up(station, cases.station)
        return cls(pool, station, _fitted_waves(cases.time, left) if cycles else ())

    def of(self, cases: Cases) -> Array:
        """What to add to each case's forecast (case,)."""
        total = _looked_up(self.pool, cases.pool)
        if self.cycles:
            if cases.time is None:
                raise UsageError("the fit needs the time of each case", where="apply")
            total = total + np.einsum("ij,j->i", _waves(cases.time), self.cycles)
        if cases.station is not None and self.station:
            total = total + _looked_up(self.station, cases.station)
        return total


def has_cycles(time: Array | None) -> bool:
    """Whether cases cover several hours of the day over 20 days, or two years."""
    if time is None or len(time) == 0 or np.ptp(time) < 20 * 24:
        return False
    return bool(_several_hours(time) or np.ptp(time) >= 2 * YEAR)


def _several_hours(time: Array) -> bool:
    return len(np.unique(np.floor(time % 24 / 3))) >= 3


def _waves(time: Array) -> Array:
    """Two waves a day and two a year (case, 8)."""
    turns = [time / 24, time / 12, time / YEAR, 2 * time / YEAR]
    return np.column_stack([f(2 * np.pi * t) for t in turns for f in (np.sin, np.cos)])


def _fitted_waves(time: Array | None, error: Array) -> tuple[float, ...]:
    if time is None:
        return ()
    there = np.isfinite(error) & np.isfinite(time)
    waves = _waves(time[there])
    if not _several_hours(time[there]):
        waves[:, :4] = 0.0
    if np.ptp(time[there]) < 1.5 * YEAR:
        waves[:, 4:] = 0.0
    normal = waves.T @ waves + HALF_BELIEVED / 2 * np.eye(waves.shape[1])
    return tuple(float(v) for v in np.linalg.solve(normal, waves.T @ error[there]))


def _shrunk(keys: Array, error: Array) -> dict[str, float]:
    there = np.isfinite(error)
    names, which = np.unique(keys[there], return_inverse=True)
    counts = np.bincount(which, minlength=len(names))
    means = np.bincount(which, error[there], minlength=len(names)) / np.maximum(counts, 1)
    believed = counts / (counts + HALF_BELIEVED) * means
    return {str(name): float(b) for name, b in zip(names, believed, strict=True)}


def _looked_up(table: Mapping[str, float], keys: Array) -> Array:
    names, which = np.unique(keys, return_inverse=True)
    return np.array([table.get(str(name), 0.0) for name in names], dtype=float)[which]
