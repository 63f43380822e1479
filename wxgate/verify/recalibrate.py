"""Recalibration of probabilities: logistic, beta, isotonic; each is monotone in the probability."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

Array = np.ndarray[Any, np.dtype[Any]]

#: Probabilities are kept this far from 0 and 1 where a logarithm is taken of them.
EDGE = 1e-3


def logit(p: Array, edge: float = EDGE) -> Array:
    """log(p / (1 - p)), with ``p`` kept off 0 and 1 by ``edge``."""
    kept = np.clip(p, edge, 1 - edge)
    return np.asarray(np.log(kept / (1 - kept)))


def ridge_logistic(
    x: Array, y: Array, *, prior: Array, precision: Array, lowest: Array, worth: float = 1.0
) -> Array:
    """Coefficients (k,) of a logistic regression drawn to ``prior`` with ``precision``.

    ``x`` (case, k), ``y`` (case,) 0 or 1, ``lowest`` the smallest value of each coefficient,
    ``worth`` the share of cases that are independent.
    """
    from scipy.optimize import minimize
    from scipy.special import expit

    n = len(y) * worth

    def loss(theta: Array) -> tuple[float, Array]:
        # einsum, as threads of a linear algebra library cost more than such thin products.
        eta = np.einsum("ij,j->i", x, theta)
        away = theta - prior
        value = float(np.mean(np.logaddexp(0.0, eta) - y * eta)) * n
        slope = np.einsum("ij,i->j", x, expit(eta) - y) * (n / len(y))
        return value + float(np.sum(precision * away**2)) / 2, slope + precision * away

    bounds = [(float(low) if np.isfinite(low) else None, None) for low in lowest]
    done = minimize(loss, np.maximum(prior, lowest), jac=True, method="L-BFGS-B", bounds=bounds,
                    options={"maxiter": 200, "ftol": 1e-12, "gtol": 1e-8})  # fmt: skip
    return np.asarray(done.x)


@dataclass(frozen=True)
class Logistic:
    """logit q = a + b logit p, b >= 0 (Platt 1999; Cox 1958), drawn to a = 0, b = 1."""

    a: float
    b: float

    @classmethod
    def fit(cls, p: Array, y: Array, worth: float = 1.0) -> Logistic:
        """Fit to probabilities and outcomes (case,), none of them NaN."""
        a, b = ridge_logistic(
            np.column_stack([np.ones(len(p)), logit(p)]), y,
            prior=np.array([0.0, 1.0]), precision=np.array([1.0, 4.0]),
            lowest=np.array([-np.inf, 0.0]), worth=worth,
        )  # fmt: skip
        return cls(float(a), float(b))

    def __call__(self, p: Array) -> Array:
        """The recalibrated probabilities, of the shape of ``p``."""
        from scipy.special import expit

        return np.asarray(expit(self.a + self.b * logit(p)))


@dataclass(frozen=True)
class Beta:
    """logit q = c + a log p - b log(1 - p), a, b >= 0 (Kull, Silva Filho and Flach 2017).

    Drawn to a = b = 1, c = 0, which changes nothing.
    """

    a: float
    b: float
    c: float

    @classmethod
    def fit(cls, p: Array, y: Array, worth: float = 1.0) -> Beta:
        """Fit to probabilities and outcomes (case,), none of them NaN."""
        kept = np.clip(p, EDGE, 1 - EDGE)
        a, b, c = ridge_logistic(
            np.column_stack([np.log(kept), -np.log1p(-kept), np.ones(len(p))]), y,
            prior=np.array([1.0, 1.0, 0.0]), precision=np.array([4.0, 4.0, 1.0]),
            lowest=np.array([0.0, 0.0, -np.inf]), worth=worth,
        )  # fmt: skip
        return cls(float(a), float(b), float(c))

    def __call__(self, p: Array) -> Array:
        """The recalibrated probabilities, of the shape of ``p``."""
        from scipy.special import expit

        kept = np.clip(p, EDGE, 1 - EDGE)
        return np.asarray(expit(self.c + self.a * np.log(kept) - self.b * np.log1p(-kept)))


@dataclass(frozen=True)
class Isotonic:
    """The non-decreasing step function of least squared error (pool adjacent violators).

    Between the steps' ends it is a straight line; beyond them it stays.
    """

    p: tuple[float, ...]
    q: tuple[float, ...]

    @classmethod
    def fit(cls, p: Array, y: Array, worth: float = 1.0) -> Isotonic:
        """Fit to probabilities and outcomes (case,), none of them NaN; ``worth`` is not used."""
        from scipy.optimize import isotonic_regression

        values, which = np.unique(p, return_inverse=True)
        counts = np.bincount(which)
        means = np.bincount(which, y) / counts
        fitted = isotonic_regression(means, weights=counts)
        ends = np.unique(np.concatenate([fitted.blocks[:-1], fitted.blocks[1:] - 1]))
        return cls(tuple(map(float, values[ends])), tuple(map(float, fitted.x[ends])))

    def __call__(self, p: Array) -> Array:
        """The recalibrated probabilities, of the shape of ``p``."""
        return np.where(np.isfinite(p), np.interp(p, self.p, self.q), np.nan)


@dataclass(frozen=True)
class Drawn:
    """q = w p + (1 - w) climatology: a straight line towards the observed frequency."""

    weight: float
    climatology: float

    @classmethod
    def fit(cls, p: Array, y: Array, worth: float = 1.0) -> Drawn:
        """Least squares for the weight in [0, 1]; the frequency by Jeffreys, never 0 or 1."""
        n = len(y) * worth
        base = (float(y.mean()) * n + 0.5) / (n + 1)
        away = p - base
        square = float(np.sum(away**2))
        # Twenty cases' worth are laid on for w = 1.
        extra = square / max(len(y), 1) * 20 / max(worth, 1e-9)
        along = float(np.dot(away, y - base)) + extra
        weight = along / (square + extra) if square > 0 else 1.0
        return cls(float(np.clip(weight, 0, 1)), base)

    def __call__(self, p: Array) -> Array:
        """The recalibrated probabilities, of the shape of ``p``."""
        return self.weight * p + (1 - self.weight) * self.climatology
