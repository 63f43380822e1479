"""Measures of probability forecasts: Brier and its parts, CRPS, reliability, ROC."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from wxgate.errors import UsageError
from wxgate.verify.sampling import IntervalKind, Share, share

Array = np.ndarray[Any, np.dtype[Any]]


@dataclass(frozen=True)
class BrierParts:
    """Brier = reliability - resolution + uncertainty + within_bins.

    By the distinct probabilities ``within_bins`` is 0 (Murphy 1973, J. Appl. Meteorol. 12:595); by
    bins, each held by its mean probability, it is what differs inside them (Stephenson, Coelho and
    Jolliffe 2008, Wea. Forecasting 23:752).
    """

    brier: float
    reliability: float
    resolution: float
    uncertainty: float
    within_bins: float

    @property
    def skill(self) -> float:
        """Brier skill against the sample's own frequency; NaN where that is 0 or 1."""
        return 1 - self.brier / self.uncertainty if self.uncertainty > 0 else float("nan")


@dataclass(frozen=True)
class ReliabilityRow:
    """One bin [low, high) of a reliability table (the last one with its upper end)."""

    low: float
    high: float
    cases: int
    mean_probability: float  #: NaN for an empty bin
    observed: Share  #: the observed frequency with its interval


@dataclass(frozen=True)
class Roc:
    """The relative operating characteristic: one point a threshold, and the area below."""

    threshold: Array
    hit_rate: Array
    false_alarm_rate: Array  #: probability of false detection
    area: float  #: 0.5: no discrimination
    p_value: float  #: of as large an area without discrimination (Mann and Whitney, one-sided)


def brier(probability: Array, outcome: Array) -> float:
    """The mean squared difference of probability (case,) and outcome 0 or 1; NaN is left out."""
    import xarray as xr
    from scores.probability import brier_score

    p, o = _pairs(probability, outcome)
    return float(brier_score(xr.DataArray(p), xr.DataArray(o)))


def brier_skill(probability: Array, reference: Array | float, outcome: Array) -> float:
    """1 - Brier / Brier of the reference, over the cases that both have; NaN if that is 0."""
    reference = np.broadcast_to(np.asarray(reference, dtype=float), np.shape(probability))
    outcome = np.where(np.isfinite(probability) & np.isfinite(reference), outcome, np.nan)
    below = brier(reference, outcome)
    return 1 - brier(probability, outcome) / below if below > 0 else float("nan")


def brier_parts(
    probability: Array, outcome: Array, *, bins: int | Sequence[float] | None = None
) -> BrierParts:
    """The three parts of the Brier score; by distinct probabilities, or by ``bins``.

    ``bins``: how many of equal width, or their edges from 0 to 1. NaN is left out.
    """
    p, o = _pairs(probability, outcome)
    if bins is None:
        _, which = np.unique(np.round(p, 9), return_inverse=True)
    else:
        which = _bin_of(p, _edges(bins))
    counts = np.bincount(which)
    full = counts > 0
    counts = counts[full]
    mean_p = np.bincount(which, p)[full] / counts
    mean_o = np.bincount(which, o)[full] / counts
    base = float(o.mean())
    reliability = float(counts @ (mean_p - mean_o) ** 2) / len(p)
    resolution = float(counts @ (mean_o - base) ** 2) / len(p)
    uncertainty = base * (1 - base)
    whole = brier(p, o)
    return BrierParts(
        whole, reliability, resolution, uncertainty,
        whole - (reliability - resolution + uncertainty),
    )  # fmt: skip


def reliability_table(
    probability: Array,
    outcome: Array,
    *,
    bins: int | Sequence[float] = 5,
    kind: IntervalKind = "wilson",
    worth: float = 1.0,
) -> tuple[ReliabilityRow, ...]:
    """How often the event came, by bins of probability; few bins, as few cases fill many badly.

    ``worth`` is the share of the cases that are independent: the intervals are those of so many.
    """
    p, o = _pairs(probability, outcome)
    edges = _edges(bins)
    which = _bin_of(p, edges)
    rows = []
    for i, (low, high) in enumerate(pairwise(edges)):
        inside = which == i
        n, hits = int(inside.sum()), float(o[inside].sum())
        rows.append(
            ReliabilityRow(
                float(low),
                float(high),
                n,
                float(p[inside].mean()) if n else float("nan"),
                share(hits * worth, n * worth, kind=kind),
            )
        )
    return tuple(rows)


def roc(probability: Array, outcome: Array) -> Roc:
    """The ROC of probabilities (case,) against outcomes; UsageError without both outcomes.

    The area and its p-value are those of Mason and Graham 2002 (Q. J. R. Meteorol. Soc. 128:2145):
    ties count by half.
    """
    import xarray as xr
    from scipy.stats import mannwhitneyu
    from scores.probability import roc_auc, roc_curve_data

    p, o = _pairs(probability, outcome)
    if o.min() == o.max():
        raise UsageError("a ROC needs events and non-events", where="roc")
    forecast, observed = xr.DataArray(p), xr.DataArray(o)
    points = roc_curve_data(forecast, observed)
    test = mannwhitneyu(p[o == 1], p[o == 0], alternative="greater")
    return Roc(
        points.threshold.to_numpy(), points.POD.to_numpy(), points.POFD.to_numpy(),
        float(roc_auc(forecast, observed)), float(test.pvalue),
    )  # fmt: skip


def crps_ensemble(members: Array, observed: Array, *, fair: bool = False) -> Array:
    """The CRPS (case,) of ensembles (case, member), in the unit of the values.

    ``fair`` judges the members as a sample of a wider distribution (Ferro 2014). Missing members
    are left out; NaN where none, or no observed value, is there (fair: fewer than two members).
    """
    import xarray as xr
    from scores.probability import crps_for_ensemble

    found = crps_for_ensemble(
        xr.DataArray(np.asarray(members, dtype=float), dims=("case", "member")),
        xr.DataArray(np.asarray(observed, dtype=float), dims="case"),
        "member", method="fair" if fair else "ecdf", preserve_dims="all",
    )  # fmt: skip
    return np.asarray(found.to_numpy(), dtype=float)


def crps_quantiles(
    values: Array,
    shares: Sequence[float],
    observed: Array,
    *,
    least: float = -np.inf,
    most: float = np.inf,
) -> Array:
    """The CRPS (case,) of distributions of which some quantiles (case, share) are known.

    The approximation: between neighbouring quantiles the distribution function is a straight line,
    and beyond the outer ones it goes straight on, as steep as next to them, to 0 and to 1; what is
    then below ``least`` or above ``most`` stands at these bounds, and so does what was observed
    there. The integral of that function is exact (``scores.probability.crps_cdf`` gives the same,
    but wants all cases on one axis of thresholds, whose size grows with the square of the cases).
    The tails of most distributions are longer than these: of a normal one by its 10th, 50th and
    90th percentile the mean CRPS comes out 0.7 % too large (computed by us).

    ``shares`` rise within (0, 1), two at least. NaN where a quantile or the observed value is
    missing, or where quantiles fall.
    """
    q, y = np.asarray(values, dtype=float), np.asarray(observed, dtype=float)
    p = np.asarray(shares, dtype=float)
    if q.ndim != 2 or q.shape != (y.size, p.size) or p.size < 2 or np.any(np.diff(p) <= 0):
        raise UsageError(f"{q.shape} quantiles, {p.shape} shares, {y.shape} observed do not fit")
    first = q[:, 0] - (q[:, 1] - q[:, 0]) * p[0] / (p[1] - p[0])
    last = q[:, -1] + (q[:, -1] - q[:, -2]) * (1 - p[-1]) / (p[-1] - p[-2])
    nodes = np.column_stack([first, q, last])
    heights = np.concatenate([[0.0], p, [1.0]])
    y = np.clip(y, least, most)
    inside = np.clip(nodes, least, most)
    total = np.maximum(inside[:, 0] - y, 0) + np.maximum(y - inside[:, -1], 0)
    for n in range(len(heights) - 1):
        low, high = float(heights[n]), float(heights[n + 1])
        total = total + _of_stretch(nodes[:, n], nodes[:, n + 1], low, high, y, least, most)
    falls = np.any(np.diff(q, axis=1) < 0, axis=1)
    return np.asarray(np.where(falls, np.nan, total))


def _of_stretch(
    start: Array, end: Array, low: float, high: float, y: Array, least: float, most: float
) -> Array:
    """The part of the integral where the function rises straight from ``low`` to ``high``."""
    length = end - start
    slope = np.divide(high - low, length, out=np.zeros_like(length), where=length > 0)
    a, b = np.clip(start, least, most), np.clip(end, least, most)
    at = np.clip(y, a, b)
    f, g, h = (low + slope * (x - start) for x in (a, at, b))
    below = (at - a) * (f * f + f * g + g * g) / 3
    return np.asarray(below + (b - at) * ((1 - g) ** 2 + (1 - g) * (1 - h) + (1 - h) ** 2) / 3)


def crps_normal(mu: Array, s: Array, observed: Array) -> Array:
    """The CRPS of normal distributions, closed form (Gneiting et al. 2005); s > 0."""
    from scipy.special import ndtr

    z = (observed - mu) / s
    return np.asarray(s * (z * (2 * ndtr(z) - 1) + 2 * _density(z) - 1 / np.sqrt(np.pi)))


def crps_truncated_normal(mu: Array, s: Array, observed: Array) -> Array:
    """The CRPS of normals cut off below 0, closed form; s > 0, of any shape that broadcasts.

    Thorarinsdottir and Gneiting 2010, with every ratio taken in logarithms, so that it holds for
    means far below 0. An observed value below 0 adds its distance from 0.
    """
    from scipy.special import log_ndtr

    mu, s, observed = np.broadcast_arrays(mu, s, observed)
    y = np.maximum(observed, 0.0)
    z, p = (y - mu) / s, mu / s
    mass = log_ndtr(p)
    beyond = np.exp(log_ndtr(-z) - mass)
    density = np.exp(-(z**2) / 2 - mass) / np.sqrt(2 * np.pi)
    overlap = np.exp(log_ndtr(np.sqrt(2) * p) - 2 * mass) / np.sqrt(np.pi)
    return np.asarray(s * (z * (1 - 2 * beyond) + 2 * density - overlap) + (y - observed))


def _density(z: Array) -> Array:
    return np.asarray(np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi))


def _pairs(probability: Any, outcome: Any) -> tuple[Array, Array]:
    p, o = np.asarray(probability, dtype=float), np.asarray(outcome, dtype=float)
    if p.shape != o.shape or p.ndim != 1:
        raise UsageError(f"{p.shape} probabilities and {o.shape} outcomes do not pair")
    there = np.isfinite(p) & np.isfinite(o)
    p, o = p[there], o[there]
    if not len(p):
        raise UsageError("no case has both a probability and an outcome")
    if np.any((p < 0) | (p > 1)) or not np.all((o == 0) | (o == 1)):
        raise UsageError("probabilities must lie in 0 to 1, and outcomes be 0 or 1")
    return p, o


def _edges(bins: int | Sequence[float]) -> Array:
    edges = np.linspace(0, 1, bins + 1) if isinstance(bins, int) else np.asarray(bins, dtype=float)
    if len(edges) < 2 or edges[0] != 0 or edges[-1] != 1 or np.any(np.diff(edges) <= 0):
        raise UsageError("bins must rise from 0 to 1", where="bins")
    return edges


def _bin_of(p: Array, edges: Array) -> Array:
    # A probability of 0.6 must not miss the edge 0.6 by a rounding error.
    place = np.searchsorted(edges, p + 1e-12, side="right") - 1
    return np.clip(place, 0, len(edges) - 2)
