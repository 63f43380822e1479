"""How much a sample can tell: intervals for shares, and how many independent cases there are."""

from __future__ import annotations

from typing import Any, Literal, NamedTuple

import numpy as np

from wxgate.errors import UsageError

Array = np.ndarray[Any, np.dtype[Any]]
IntervalKind = Literal["wilson", "jeffreys", "clopper-pearson"]


class Share(NamedTuple):
    """A share of cases with its interval; all NaN where there was no case."""

    value: float
    low: float
    high: float
    hits: float
    cases: float


def share(
    hits: float, cases: float, *, kind: IntervalKind = "wilson", level: float = 0.95
) -> Share:
    """``hits / cases`` with a two-sided interval; both may be effective (not whole) numbers.

    Wilson 1927; Jeffreys as in Brown, Cai and DasGupta 2001 (Statist. Sci. 16:101) with the end
    at no hit (or all hits) put at 0 (or 1); Clopper and Pearson 1934.
    """
    from scipy.special import betaincinv, ndtri

    if not 0 <= hits <= cases:
        raise UsageError(f"{hits:g} hits of {cases:g} cases make no share", where="share")
    if cases == 0:
        return Share(np.nan, np.nan, np.nan, hits, cases)
    tail = (1 - level) / 2
    p, misses = hits / cases, cases - hits
    if kind == "wilson":
        z2 = float(ndtri(tail)) ** 2
        middle = (hits + z2 / 2) / (cases + z2)
        half = np.sqrt(z2 * (p * misses + z2 / 4)) / (cases + z2)
        low, high = middle - half, middle + half
    else:
        a, b = (0.5, 0.5) if kind == "jeffreys" else (0.0, 1.0)
        low = betaincinv(hits + a, misses + b, tail) if hits else 0.0
        high = betaincinv(hits + b, misses + a, 1 - tail) if misses else 1.0
    low, high = (0.0 if hits == 0 else float(low)), (1.0 if misses == 0 else float(high))
    return Share(p, min(low, p), max(high, p), hits, cases)


def effective_size(n: float, r: float) -> float:
    """Independent cases that ``n`` cases with lag-1 autocorrelation ``r`` are worth.

    n (1 - r) / (1 + r), for a first-order autoregressive series (Wilks, Statistical Methods in
    the Atmospheric Sciences, section on serial dependence); a negative ``r`` counts as 0.
    """
    r = min(max(r, 0.0), 1.0)
    return min(n, max(n * (1 - r) / (1 + r), min(n, 1.0)))


def autocorrelation(series: Array) -> float:
    """The lag-1 autocorrelation of a series (time,); pairs with NaN are left out; 0 if constant."""
    away = series - np.nanmean(series) if np.isfinite(series).any() else series
    both = np.isfinite(away[1:]) & np.isfinite(away[:-1])
    variance = float(np.nanmean(away**2)) if np.isfinite(away).any() else 0.0
    if not both.any() or variance <= 0:
        return 0.0
    return float(np.clip(np.mean(away[1:][both] * away[:-1][both]) / variance, -1, 1))


def effective_cases(error: Array, time: Array | None, station: Array | None = None) -> float:
    """Independent cases among errors (case,): dependence in time, and among cases of one time.

    Cases that share an instant (stations, or several limits) count by their intraclass
    correlation rho as n / (1 + (m - 1) rho), m cases an instant; the means of the instants, in
    order, count by :func:`effective_size`; all cases of a single instant are one. Without
    ``time`` the order given is taken as time.
    """
    there = np.isfinite(error) & (True if time is None else np.isfinite(time))
    error = error[there]
    n = len(error)
    if n < 3 or float(np.ptp(error)) == 0.0:
        return float(n)
    if time is None:
        return _in_series(error, None if station is None else station[there], n)
    instants, which = np.unique(time[there], return_inverse=True)
    counts = np.bincount(which)
    means = np.bincount(which, error) / counts
    if len(instants) == 1:
        return 1.0
    m = n / len(instants)
    within = n - len(instants)
    rho = 0.0
    if within > 0:
        inner = float(np.sum((error - means[which]) ** 2)) / within
        outer = float(np.sum(counts * (means - error.mean()) ** 2)) / (len(instants) - 1)
        rho = float(np.clip((outer - inner) / max(outer + (m - 1) * inner, 1e-300), 0, 1))
    return effective_size(n / (1 + (m - 1) * rho), _neighbours(instants, means))


def _in_series(error: Array, station: Array | None, n: int) -> float:
    if station is None:
        return effective_size(n, autocorrelation(error))
    parts = [error[station == name] for name in np.unique(station)]
    return float(sum(effective_size(len(p), autocorrelation(p)) for p in parts))


def _neighbours(instants: Array, means: Array) -> float:
    """Autocorrelation over pairs of the usual step only; a gap joins nothing."""
    steps = np.diff(instants)
    if len(steps) == 0:
        return 0.0
    near = np.concatenate(([True], steps <= 1.5 * np.median(steps)))
    spaced = np.full(2 * len(means), np.nan)
    place = np.arange(len(means)) + np.cumsum(~near)
    spaced[place] = means
    return autocorrelation(spaced[: place[-1] + 1])
