"""Measures of forecasts in categories: yes or no, K categories, grades, and their steadiness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from wxgate.errors import UsageError
from wxgate.verdict import Grade
from wxgate.verify.sampling import IntervalKind, Share, share

Array = np.ndarray[Any, np.dtype[Any]]


@dataclass(frozen=True)
class Contingency:
    """Counts of yes/no forecasts against what was observed."""

    hits: int
    false_alarms: int
    misses: int
    correct_negatives: int

    @classmethod
    def of(cls, forecast: Array, observed: Array) -> Contingency:
        """Count forecasts and observations (case,), 0 or 1; a pair with NaN is left out."""
        f, o = np.asarray(forecast, dtype=float), np.asarray(observed, dtype=float)
        there = np.isfinite(f) & np.isfinite(o)
        f, o = f[there] > 0, o[there] > 0
        return cls(
            int((f & o).sum()), int((f & ~o).sum()), int((~f & o).sum()), int((~f & ~o).sum())
        )


@dataclass(frozen=True)
class ContingencyMeasures:
    """Measures of a 2 x 2 table, by the names of the field; NaN where one is not defined."""

    accuracy: float
    frequency_bias: float
    hit_rate: float  #: probability of detection
    false_alarm_ratio: float
    false_alarm_rate: float  #: probability of false detection
    critical_success_index: float
    heidke: float
    peirce: float  #: Hanssen and Kuipers, true skill statistic
    gilbert: float  #: equitable threat
    odds_ratio: float
    odds_ratio_skill: float  #: Yule's Q
    symmetric_extremal_dependence: float


def contingency_measures(table: Contingency) -> ContingencyMeasures:
    """All the measures of a 2 x 2 table, by the library ``scores``."""
    import xarray as xr
    from scores.categorical import BasicContingencyManager

    counts = {
        "tp_count": table.hits, "fp_count": table.false_alarms, "fn_count": table.misses,
        "tn_count": table.correct_negatives,
    }  # fmt: skip
    counts["total_count"] = sum(counts.values())
    with np.errstate(divide="ignore", invalid="ignore"):
        by = BasicContingencyManager({k: xr.DataArray(float(v)) for k, v in counts.items()})
        return ContingencyMeasures(*(float(m) for m in (
            by.accuracy(), by.frequency_bias(), by.probability_of_detection(),
            by.false_alarm_ratio(), by.probability_of_false_detection(),
            by.critical_success_index(), by.heidke_skill_score(), by.peirce_skill_score(),
            by.gilberts_skill_score(), by.odds_ratio(), by.odds_ratio_skill_score(),
            by.symmetric_extremal_dependence_index(),
        )))  # fmt: skip


def multicategory_table(forecast: Array, observed: Array, categories: int) -> Array:
    """Counts (forecast, observed) of categories 0 to ``categories`` - 1 (case,); NaN left out."""
    f, o = np.asarray(forecast, dtype=float), np.asarray(observed, dtype=float)
    there = np.isfinite(f) & np.isfinite(o)
    table = np.zeros((categories, categories), dtype=int)
    np.add.at(table, (f[there].astype(int), o[there].astype(int)), 1)
    return table


def gerrity(table: Any) -> float:
    """The Gerrity measure of counts (forecast, observed) of K ordered categories.

    Equitable: 0 for chance and for any constant forecast, 1 for perfect; by the observed
    frequencies of the sample. NaN where a category was never observed. Gerrity 1992 (Mon. Wea.
    Rev. 120:2709).
    """
    p = _shares(table)
    k = len(p)
    below = np.cumsum(p.sum(axis=0))[:-1]
    if np.any((below <= 0) | (below >= 1)) or np.any(p.sum(axis=0) == 0):
        return float("nan")
    odds = (1 - below) / below
    worth = np.empty((k, k))
    for i in range(k):
        for j in range(i, k):
            worth[i, j] = worth[j, i] = (
                np.sum(1 / odds[:i]) - (j - i) + np.sum(odds[j:])
            ) / (k - 1)  # fmt: skip
    return float(np.sum(p * worth))


def heidke(table: Any) -> float:
    """The Heidke measure of counts (forecast, observed) of K categories; NaN if not defined."""
    p = _shares(table)
    chance = float(p.sum(axis=0) @ p.sum(axis=1))
    return (float(np.trace(p)) - chance) / (1 - chance) if chance < 1 else float("nan")


def peirce(table: Any) -> float:
    """The Peirce measure of counts (forecast, observed) of K categories; NaN if not defined."""
    p = _shares(table)
    observed = p.sum(axis=0)
    below = 1 - float(observed @ observed)
    chance = float(observed @ p.sum(axis=1))
    return (float(np.trace(p)) - chance) / below if below > 0 else float("nan")


def _shares(table: Any) -> Array:
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or len(counts) < 2:
        raise UsageError("a table of K categories has K rows and K columns, K at least 2")
    if np.any(counts < 0) or not counts.sum() > 0:
        raise UsageError("a table holds counts, some of them above 0")
    return np.asarray(counts / counts.sum())


def severity(grades: Any) -> Array:
    """0 go, 1 marginal, 2 no-go; NaN for unknown, which is no forecast of anything."""
    known = np.asarray(grades, dtype=int)
    table = np.full(max(Grade) + 1, np.nan)
    table[[Grade.GO, Grade.MARGINAL, Grade.NO_GO]] = 0.0, 1.0, 2.0
    return np.asarray(table[known])


@dataclass(frozen=True, slots=True)
class Costs:
    """What wrong grades cost: of a miss (a false alarm costs the rest of 1), and of each step."""

    miss: float  #: above 0, below 1
    steps: tuple[float, float]  #: weights of the steps to marginal and to no-go


def firm(forecast: Any, observed: Any, costs: Costs) -> float:
    """The FIRM measure of grades (hour,): a miss costs ``costs.miss``, a false alarm 1 minus it.

    0 is best. Hours with an unknown are left out. The best forecast is the worst grade whose
    probability (of it or worse) is above 1 - ``costs.miss``. Taggart, Loveday and
    Griffiths 2022 (Q. J. R. Meteorol. Soc. 148:1389).
    """
    import xarray as xr
    from scores.categorical import firm as of_scores

    return float(
        of_scores(
            xr.DataArray(severity(forecast), dims="hour"),
            xr.DataArray(severity(observed), dims="hour"),
            risk_parameter=costs.miss,
            categorical_thresholds=[0.5, 1.5],
            threshold_weights=list(costs.steps),
        )
    )


def risk_matrix(
    probability: Any, outcome: Any, thresholds: Sequence[float], weights: Any = None
) -> float:
    """The risk matrix measure of Taggart and Wilke 2025, 0 at best.

    ``probability`` and ``outcome`` (case,) or (case, severity); ``thresholds`` are the
    probabilities at which one acts: beyond each a false alarm costs it, and a miss 1 minus it.
    ``weights`` (severity, threshold), equal where not given. A case with NaN is left out.
    """
    import xarray as xr
    from scores.categorical import risk_matrix_score

    p, o = (np.asarray(a, dtype=float).reshape(len(a), -1) for a in (probability, outcome))
    w = np.ones((p.shape[1], len(thresholds))) if weights is None else np.asarray(weights)
    steps = np.arange(p.shape[1])
    coords = {"severity": steps, "threshold": np.asarray(thresholds, dtype=float)}
    dims = ("case", "severity")
    found = risk_matrix_score(
        xr.DataArray(p, dims=dims, coords={"severity": steps}),
        xr.DataArray(o, dims=dims, coords={"severity": steps}),
        xr.DataArray(w, dims=("severity", "threshold"), coords=coords),
        "severity", "threshold",
    )  # fmt: skip
    return float(found)


def flip_flop(runs: Any) -> float:
    """The flip-flop index of what successive runs said of one time (run,); at least three runs.

    0 where the runs moved one way only. Griffiths et al. 2019 (Meteorol. Appl. 26:571).
    """
    return float(flip_flops([np.asarray(runs, dtype=float)])[0])


def flip_flops(runs: Any) -> Array:
    """:func:`flip_flop` of many times at once: (time, run) to (time,)."""
    import xarray as xr
    from scores.continuous import flip_flop_index

    said = np.asarray(runs, dtype=float)
    if said.ndim != 2 or said.shape[1] < 3:
        raise UsageError("a flip-flop index needs at least three runs", where="flip_flop")
    return np.asarray(flip_flop_index(xr.DataArray(said, dims=("time", "run")), "run"))


def false_go(
    forecast: Any, observed: Any, *, worth: float = 1.0, kind: IntervalKind = "wilson"
) -> Share:
    """The share of hours graded go that were observed no-go, with its 95 % interval.

    ``worth`` is the share of the hours that are independent. No such hour in 20 still leaves up
    to 16 %. Hours whose observed grade is unknown are left out.
    """
    said, was = severity(forecast), severity(observed)
    go = (said == 0) & np.isfinite(was)
    return share(float((was[go] == 2).sum()) * worth, float(go.sum()) * worth, kind=kind)


def missed_go(
    forecast: Any, observed: Any, *, worth: float = 1.0, kind: IntervalKind = "wilson"
) -> Share:
    """The share of hours observed go that were graded no-go, with its 95 % interval."""
    said, was = severity(forecast), severity(observed)
    go = (was == 0) & np.isfinite(said)
    return share(float((said[go] == 2).sum()) * worth, float(go.sum()) * worth, kind=kind)


def missed_windows(
    forecast: Sequence[tuple[Any, Any]], observed: Sequence[tuple[Any, Any]]
) -> Share:
    """The share of observed flyable windows [start, end) that no forecast window overlaps."""
    missed = sum(
        not any(start < end_o and start_o < end for start, end in forecast)
        for start_o, end_o in observed
    )
    return share(missed, len(observed))
