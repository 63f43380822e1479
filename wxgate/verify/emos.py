"""EMOS: one distribution a case, its location and scale fitted to the ensemble's mean and variance.

Location ``mu = a + b m + z0 f`` and scale ``s^2 = c^2 + d^2 v``, with ``m`` and ``v`` the mean and
the variance of the ensemble (in the fitted scale), and ``f`` the share of members that are zero
(for censored families only). Gneiting, Raftery, Westveld and Goldman 2005 (Mon. Wea. Rev.
133:1098); truncated normal for wind: Thorarinsdottir and Gneiting 2010 (J. R. Stat. Soc. A
173:371); censoring at zero for precipitation: Messner, Mayr, Wilks and Zeileis 2014 (Mon. Wea.
Rev. 142:3003).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from wxgate.errors import UsageError
from wxgate.verify.cases import Cases, deviation_of, enough

Array = np.ndarray[Any, np.dtype[Any]]
Family = Literal["normal", "truncated normal", "censored normal", "censored logistic"]

#: Effective cases from which the location's slope, and the ensemble's spread, are fitted.
SLOPE_FROM, SPREAD_FROM = 30, 60
#: More cases than these make five parameters no better, only slower.
MOST_CASES = 30_000


@dataclass(frozen=True)
class Emos:
    """Fitted parameters; ``root`` tells that everything was fitted to square roots."""

    family: Family
    root: bool
    a: float
    b: float
    c: float
    d: float
    zero: float = 0.0
    weights: tuple[float, ...] = ()  #: of the members, empty: equal
    shifts: tuple[float, ...] = ()  #: what is added to each member before they are weighted

    def location_and_scale(self, cases: Cases, bias: Array | float = 0.0) -> tuple[Array, Array]:
        """``mu`` and ``s`` (case,), in the fitted scale; NaN where members are missing."""
        x, variance, zeros = predictors(cases, self.root, bias, self.weights, self.shifts)
        mu = self.a + self.b * x + self.zero * zeros
        return mu, np.sqrt(self.c**2 + self.d**2 * variance)

    def probability(self, cases: Cases, bias: Array | float = 0.0) -> Array:
        """The probability of each case's event (case,), in [0, 1]."""
        if cases.limit is None:
            raise UsageError("these cases have no limit", where="EMOS")
        mu, s = self.location_and_scale(cases, bias)
        limit = scaled(cases.limit, self.root)
        above = self._above(limit, mu, s)
        if self.family != "normal":
            # At and below zero lies the point mass (or nothing): the word of the limit matters.
            none_below = (
                cases.limit < 0 if cases.event in ("above", "at most") else cases.limit <= 0
            )
            above = np.where(none_below & np.isfinite(above), 1.0, above)
        return np.clip(above if cases.exceeds else 1.0 - above, 0.0, 1.0)

    def _above(self, limit: Array, mu: Array, s: Array) -> Array:
        from scipy.special import expit, log_ndtr, ndtr

        if self.family == "censored logistic":
            return np.asarray(expit((mu - limit) / s))
        if self.family == "truncated normal":
            return np.asarray(np.exp(np.minimum(log_ndtr((mu - limit) / s) - log_ndtr(mu / s), 0)))
        return np.asarray(ndtr((mu - limit) / s))


def scaled(value: Array, root: bool) -> Array:
    """The value, or its square root (0 below zero)."""
    return np.sqrt(np.maximum(value, 0.0)) if root else value


def predictors(
    cases: Cases,
    root: bool,
    bias: Array | float = 0.0,
    weights: tuple[float, ...] = (),
    shifts: tuple[float, ...] = (),
) -> tuple[Array, Array, Array]:
    """The ensemble's mean, variance and share of zeros (case,), in the fitted scale."""
    if cases.members is None:
        if root:
            raise UsageError("a mean and a spread have no square-root scale", where="EMOS")
        return cases.centre + bias, cases.deviation**2, (cases.centre <= 0).astype(float)
    values = scaled(cases.members, root)
    there = np.isfinite(values)
    counts = np.maximum(there.sum(axis=1), 1)
    zeros = (np.where(there, values, 1.0) <= 0).sum(axis=1) / counts
    if weights:
        if len(weights) != values.shape[1]:
            raise UsageError(
                f"the fit weighs {len(weights)} members, and here are {values.shape[1]}",
                remedy="Give the members of the training, in its order; NaN where one is missing",
            )
        w = np.where(there, np.asarray(weights), 0.0)
        moved = np.where(there, values + np.asarray(shifts), 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            x = (w * moved).sum(axis=1) / w.sum(axis=1)
    else:
        x = np.where(there, values, 0.0).sum(axis=1) / counts
    x = np.where(enough(there), x, np.nan) + bias
    return x, deviation_of(values) ** 2, zeros


def fit_emos(
    cases: Cases,
    family: Family,
    *,
    root: bool = False,
    bias: Array | float = 0.0,
    weighted: bool = False,
    by: Literal["likelihood", "crps"] = "likelihood",
    worth: float = 1.0,
) -> Emos:
    """Fit by maximum likelihood, or by minimum CRPS (normal and truncated normal only).

    ``worth`` is the share of cases that are independent: below 30 effective cases only the bias
    and one spread are fitted, below 60 the ensemble's spread is not used. ``weighted``: members
    get weights of their own, none negative (non-negative least squares, drawn to equal weights).
    """
    from scipy.optimize import minimize

    if cases.observed is None:
        raise UsageError("EMOS needs observed values", where="fit")
    y = scaled(cases.observed, root)
    weights, shifts = member_weights(cases, root) if weighted else ((), ())
    x, variance, zeros = predictors(cases, root, bias, weights, shifts)
    kept = np.isfinite(x) & np.isfinite(variance) & np.isfinite(y)
    if kept.sum() < 2:
        raise UsageError("EMOS needs at least two cases with forecast and observed value")
    n = kept.sum() * worth
    rows = _at_most(np.flatnonzero(kept), MOST_CASES)
    x, variance, zeros, y = x[rows], variance[rows], zeros[rows], y[rows]
    shift, unit = float(np.mean(x)), float(np.std(y)) or 1.0
    slope = n >= SLOPE_FROM and np.ptp(x) > 0
    spread = n >= SPREAD_FROM and float(np.sqrt(variance).max()) > 0
    masses = family.startswith("censored") and n >= SPREAD_FROM and np.ptp(zeros) > 0

    def unpacked(theta: Array) -> tuple[Array, Array]:
        a, b, c, d, z = theta
        mu = a * unit + shift + b * (x - shift) + z * unit * zeros
        return mu, np.sqrt((c * unit) ** 2 + d**2 * variance)

    measure = _measure(family, by, y)
    start = _start(x - shift, y - shift, variance, unit, slope=slope, spread=spread)
    bounds = [
        (None, None),
        (0.0, None) if slope else (1.0, 1.0),
        (1e-3, None),
        (0.0, None) if spread else (0.0, 0.0),
        (None, None) if masses else (0.0, 0.0),
    ]
    done = minimize(
        lambda theta: float(np.mean(measure(*unpacked(theta)))), start,
        method="L-BFGS-B", bounds=bounds, options={"maxiter": 120, "ftol": 1e-8},
    )  # fmt: skip
    a, b, c, d, z = (float(v) for v in (done.x if np.all(np.isfinite(done.x)) else start))
    return Emos(
        family, root, a=a * unit + shift * (1 - b), b=b, c=c * unit, d=d, zero=z * unit,
        weights=weights, shifts=shifts,
    )  # fmt: skip


def _at_most(rows: Array, most: int) -> Array:
    """All rows, or so many of them drawn by the same lot every time."""
    if len(rows) <= most:
        return rows
    return np.sort(np.random.default_rng(0).choice(rows, most, replace=False))


def _start(x: Array, y: Array, variance: Array, unit: float, *, slope: bool, spread: bool) -> Array:
    """Least squares for the location; half of the error variance to each part of the scale."""
    b = max(float(np.dot(x - x.mean(), y - y.mean()) / np.sum(x**2)), 0.0) if slope else 1.0
    a = float(y.mean()) - b * float(x.mean())
    error = float(np.std(y - a - b * x))
    d = float(np.clip(error / np.sqrt(2 * max(variance.mean(), 1e-12)), 0, 3)) if spread else 0.0
    c = max(error / (np.sqrt(2) if spread else 1.0), 0.02 * unit)
    return np.array([a / unit, b, c / unit, d, 0.0])


def _measure(family: Family, by: str, y: Array) -> Any:
    if by == "crps":
        from wxgate.verify.probability import crps_normal, crps_truncated_normal

        if family == "normal":
            return lambda mu, s: crps_normal(mu, s, y)
        if family == "truncated normal":
            return lambda mu, s: crps_truncated_normal(mu, s, y)
        raise UsageError(f"there is no closed CRPS here for the {family}", where="fit")
    from scipy.special import log_expit, log_ndtr

    dry = y <= 0

    def surprise(mu: Array, s: Array) -> Array:
        z = (y - mu) / s
        if family == "censored logistic":
            dense = log_expit(z) + log_expit(-z) - np.log(s)
            return np.asarray(-np.where(dry, log_expit(z), dense))
        # A far outlier must not rule the fit: the square is bent into a line beyond eight spreads.
        bent = np.where(np.abs(z) < 8, z**2 / 2, 8 * np.abs(z) - 32)
        dense = -bent - np.log(s)
        if family == "censored normal":
            return np.asarray(-np.where(dry, log_ndtr(z), dense))
        whole = log_ndtr(mu / s) if family == "truncated normal" else 0.0
        return np.asarray(whole - dense)

    return surprise


def member_weights(cases: Cases, root: bool) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Non-negative weights of the members that add up to 1, and each member's own bias.

    Both are empty (equal weights, no bias) where there are fewer than ten complete cases a member.
    """
    from scipy.optimize import nnls

    if cases.members is None or cases.members.shape[1] < 2 or cases.observed is None:
        return (), ()
    y = scaled(cases.observed, root)
    values = scaled(cases.members, root)
    shifts = np.array([_mean_or_zero(y - member) for member in values.T])
    values = values + shifts
    complete = np.isfinite(values).all(axis=1) & np.isfinite(y)
    count = values.shape[1]
    if complete.sum() < 10 * count:
        return (), ()
    x, target = values[complete], y[complete]
    x, target = x - x.mean(axis=0), target - target.mean()
    # Twenty cases' worth of errors are laid on for equal weights.
    draw = np.sqrt(20.0 * max(float(np.mean(x.var(axis=0))), 1e-12))
    rows = np.vstack([x, draw * np.eye(count)])
    weights, _ = nnls(rows, np.concatenate([target, np.full(count, draw / count)]))
    total = float(weights.sum())
    if not total > 0:
        return (), ()
    return tuple(float(w) for w in weights / total), tuple(float(s) for s in shifts)


def _mean_or_zero(error: Array) -> float:
    there = np.isfinite(error)
    return float(error[there].mean()) if there.any() else 0.0
