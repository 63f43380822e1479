"""The ways to calibrate among which a fit chooses; each is fitted to Cases and applied to Cases."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from wxgate.errors import UsageError
from wxgate.verify.bias import ShrunkBias, has_cycles
from wxgate.verify.cases import Cases
from wxgate.verify.emos import Emos, Family, fit_emos, member_weights, predictors, scaled
from wxgate.verify.recalibrate import Beta, Drawn, Isotonic, Logistic, logit, ridge_logistic

Array = np.ndarray[Any, np.dtype[Any]]

#: Effective cases from which isotonic regression may be tried: it overfits far below 1000.
ISOTONIC_FROM = 1000
#: Effective events, and effective non-events, that a fit to outcomes needs.
EVENTS_FROM = 5


class Fitted(Protocol):
    """A fitted method."""

    def __call__(self, cases: Cases) -> Array:
        """The probabilities (case,); NaN where something is missing."""


Fit = Callable[[Cases, float], Fitted]


@dataclass(frozen=True)
class Identity:
    """The raw probability, as it is."""

    def __call__(self, cases: Cases) -> Array:
        """The probabilities (case,)."""
        return cases.raw


@dataclass(frozen=True)
class Climatology:
    """The observed frequency of the training, with shrunk differences of stations."""

    base: float
    stations: ShrunkBias

    @classmethod
    def fit(cls, cases: Cases, worth: float) -> Climatology:
        """Fit to outcomes; the frequency by Jeffreys, never 0 or 1."""
        outcome = cases.outcome
        n = float(np.isfinite(outcome).sum()) * worth
        base = float((np.nanmean(outcome) * n + 0.5) / (n + 1))
        return cls(base, ShrunkBias.fit(cases, outcome - base) if _grouped(cases) else ShrunkBias())

    def __call__(self, cases: Cases) -> Array:
        """The probabilities (case,)."""
        p = np.clip(self.base + self.stations.of(cases), 0, 1)
        return np.where(np.isfinite(cases.raw), p, np.nan)


@dataclass(frozen=True)
class Recalibrated:
    """A function of the raw probability, moved in its logit by group where there are groups."""

    curve: Logistic | Beta | Isotonic | Drawn
    groups: Mapping[str, float] = field(default_factory=dict)

    def __call__(self, cases: Cases) -> Array:
        """The probabilities (case,)."""
        q = self.curve(softened(cases))
        if not self.groups:
            return q
        from scipy.special import expit

        keys = group_keys(cases)
        names, which = np.unique(keys, return_inverse=True)
        move = np.array([self.groups.get(str(n), 0.0) for n in names], dtype=float)[which]
        return np.asarray(expit(logit(q) + move))


@dataclass(frozen=True)
class EmosMethod:
    """EMOS, after a shrunk bias by group where there are groups."""

    emos: Emos
    bias: ShrunkBias

    def __call__(self, cases: Cases) -> Array:
        """The probabilities (case,)."""
        p = self.emos.probability(cases, self.bias.of(cases))
        return np.where(np.isfinite(cases.raw), p, np.nan)


@dataclass(frozen=True)
class EnsembleLogistic:
    """Logistic regression on the raw share, the mean's distance from the limit, and the spread.

    The first three coefficients are not negative, so the probability falls as the limit rises.
    """

    coefficients: tuple[float, ...]
    centres: tuple[float, ...]
    units: tuple[float, ...]
    floor: float
    root: bool
    bias: ShrunkBias
    weights: tuple[float, ...] = ()
    shifts: tuple[float, ...] = ()

    def __call__(self, cases: Cases) -> Array:
        """The probabilities (case,)."""
        from scipy.special import expit

        centre = predictors(cases, self.root, self.bias.of(cases), self.weights, self.shifts)
        x = _features(cases, centre, self.root, self.floor)
        x = (x - np.array(self.centres)) / np.array(self.units)
        return np.asarray(
            expit(self.coefficients[0] + np.einsum("ij,j->i", x, self.coefficients[1:]))
        )


def softened(cases: Cases) -> Array:
    """The raw probability; a share of m members drawn off 0 and 1 by half a member of m + 1."""
    if cases.probability is not None or cases.members is None:
        return cases.raw
    counts = np.isfinite(cases.members).sum(axis=1)
    return np.asarray((cases.raw * counts + 0.5) / (counts + 1))


def group_keys(cases: Cases) -> Array:
    """Pool and station in one key a case."""
    if cases.station is None:
        return cases.pool
    return np.asarray(np.char.add(np.char.add(cases.pool, "@"), cases.station))


def _grouped(cases: Cases) -> bool:
    return any(a is not None for a in (cases.station, cases.lead, cases.model, cases.night))


def recalibrated(kind: Any, *, by_group: bool = False) -> Fit:
    """A fit of ``kind`` (Logistic, Beta, Isotonic, Drawn) to raw probabilities and outcomes."""

    def fit(cases: Cases, worth: float) -> Recalibrated:
        p, y = softened(cases), cases.outcome
        there = np.isfinite(p) & np.isfinite(y)
        curve = kind.fit(p[there], y[there], worth)
        if not by_group:
            return Recalibrated(curve)
        kept = cases.take(there)
        return Recalibrated(curve, _moves(group_keys(kept), logit(curve(p[there])), y[there]))

    return fit


def _moves(keys: Array, eta: Array, y: Array) -> dict[str, float]:
    """For each group what is added to its logits, drawn to 0 by a normal prior of spread 0.5."""
    from scipy.special import expit

    names, which = np.unique(keys, return_inverse=True)
    move = np.zeros(len(names))
    for _ in range(20):
        q = expit(eta + move[which])
        slope = np.bincount(which, y - q) - 4.0 * move
        curvature = np.bincount(which, q * (1 - q)) + 4.0
        move = move + np.clip(slope / curvature, -1, 1)
    return {str(n): float(m) for n, m in zip(names, move, strict=True)}


def emos(
    family: Family, *, root: bool, grouped: bool, cycles: bool = False, weighted: bool = False
) -> Fit:
    """A fit of EMOS to observed values."""

    def fit(cases: Cases, worth: float) -> EmosMethod:
        bias = _bias(cases, root, grouped=grouped, cycles=cycles)
        fitted = fit_emos(
            cases, family, root=root, bias=bias.of(cases), weighted=weighted, worth=worth
        )
        return EmosMethod(fitted, bias)

    return fit


def _bias(cases: Cases, root: bool, *, grouped: bool, cycles: bool) -> ShrunkBias:
    if not (grouped or cycles) or cases.observed is None:
        return ShrunkBias()
    error = scaled(cases.observed, root) - predictors(cases, root)[0]
    return ShrunkBias.fit(cases, error, cycles=cycles)


def ensemble_logistic(
    *, root: bool, grouped: bool, cycles: bool = False, weighted: bool = False
) -> Fit:
    """A fit of EnsembleLogistic to outcomes."""

    def fit(cases: Cases, worth: float) -> EnsembleLogistic:
        bias = _bias(cases, root, grouped=grouped, cycles=cycles)
        weights, shifts = member_weights(cases, root) if weighted else ((), ())
        centre = predictors(cases, root, bias.of(cases), weights, shifts)
        floor = max(0.3 * float(np.sqrt(np.nanmean(centre[1]))), 1e-6)
        x, y = _features(cases, centre, root, floor), cases.outcome
        there = np.isfinite(x).all(axis=1) & np.isfinite(y)
        x, y = x[there], y[there]
        centres, units = x.mean(axis=0), x.std(axis=0)
        units = np.where(units > 1e-9, units, 1.0)
        design = np.column_stack([np.ones(len(y)), (x - centres) / units])
        k = design.shape[1]
        found = ridge_logistic(
            design, y, prior=np.zeros(k),
            precision=np.array([0.01] + [0.5] * (k - 1)),
            lowest=np.array([-np.inf, 0.0, 0.0, 0.0] + [-np.inf] * (k - 4)), worth=worth,
        )  # fmt: skip
        return EnsembleLogistic(
            tuple(map(float, found)), tuple(map(float, centres)), tuple(map(float, units)),
            floor, root, bias, weights, shifts,
        )  # fmt: skip

    return fit


def _features(cases: Cases, centre: tuple[Array, Array, Array], root: bool, floor: float) -> Array:
    if cases.limit is None:
        raise UsageError("the fit needs a limit", where="apply")
    x, variance, zeros = centre
    away = (x - scaled(cases.limit, root)) * (1.0 if cases.exceeds else -1.0)
    s = np.sqrt(variance + floor**2)
    columns = [logit(softened(cases)), away, away / s, np.log(s)]
    return np.column_stack([*columns, zeros] if root else columns)


def candidates(cases: Cases, n_effective: float, worth: float) -> dict[str, Fit]:
    """What may be tried on these cases, simplest first."""
    outcome = cases.outcome
    events = float(np.nansum(outcome)) * worth
    rare = min(events, float(np.isfinite(outcome).sum()) * worth - events) < EVENTS_FROM
    tried: dict[str, Fit] = {
        "identity": lambda cases, worth: Identity(),
        "climatology": Climatology.fit,
        "drawn to climatology": recalibrated(Drawn),
    }
    grouped = _grouped(cases)
    if not rare:
        tried["logistic"] = recalibrated(Logistic)
        tried["beta"] = recalibrated(Beta)
        if grouped:
            tried["logistic by group"] = recalibrated(Logistic, by_group=True)
        if n_effective >= ISOTONIC_FROM:
            tried["isotonic"] = recalibrated(Isotonic)
    if cases.has_values and cases.observed is not None:
        tried.update(_of_values(cases, grouped=grouped, rare=rare))
    return tried


def _of_values(cases: Cases, *, grouped: bool, rare: bool) -> dict[str, Fit]:
    tried: dict[str, Fit] = {}
    assert cases.observed is not None  # noqa: S101
    low = [cases.observed, *([cases.members] if cases.members is not None else [cases.centre])]
    positive = all(float(np.nanmin(v)) >= 0 for v in low if np.isfinite(v).any())
    zeros = float(np.mean(cases.observed[np.isfinite(cases.observed)] == 0))
    many = cases.members is not None
    root = positive and many and zeros > 0.02
    families: list[tuple[Family, bool]] = [("normal", False)]
    if root:
        families = [("censored normal", True), ("censored logistic", True)]
    elif positive and float(np.nanmean(cases.observed)) < 5 * float(np.nanstd(cases.observed)):
        families = [("truncated normal", False)]
    ways: dict[str, dict[str, bool]] = {"": {"grouped": False}}
    if grouped:
        ways[" by group"] = {"grouped": True}
    if has_cycles(cases.time):
        ways[" by hour and season"] = {"grouped": grouped, "cycles": True}
    if many:
        ways[" with member weights"] = {"grouped": grouped, "weighted": True}
    for way, options in ways.items():
        for family, scale in families if not options.get("weighted") else families[:1]:
            tried[f"EMOS {family}{way}"] = emos(family, root=scale, **options)
        if not rare:
            tried[f"ensemble logistic{way}"] = ensemble_logistic(root=root, **options)
    return tried
