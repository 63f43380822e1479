"""Fits that only ever know the past, and the test of a fit on cases that it never saw."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from wxgate.errors import UsageError
from wxgate.verify.calibration import Calibration, fit
from wxgate.verify.cases import Cases
from wxgate.verify.sampling import effective_cases

Array = np.ndarray[Any, np.dtype[Any]]


def rolling_windows(
    time: Array,
    *,
    days: float = 45.0,
    step_days: float = 1.0,
    gap_h: float = 0.0,
    upgrades: Sequence[float] = (),
) -> Iterator[tuple[Array, Array]]:
    """Pairs of rows (train, test): each step of time with the ``days`` (30 to 60) before it.

    ``time`` (case,) in hours. Training ends ``gap_h`` (the longest lead time) before the step
    begins, and never reaches back beyond the last of ``upgrades`` (times at which the model was
    changed). Steps without cases are left out; ``train`` may be empty. NaN times are in neither.
    """
    known = time[np.isfinite(time)]
    if not len(known):
        return
    if days <= 0 or step_days <= 0 or gap_h < 0:
        raise UsageError("days and step must be above 0, the gap not below", where="rolling")
    start, last, step = float(known.min()), float(known.max()), 24 * step_days
    for i in range(int((last - start) // step) + 1):
        begin = start + i * step
        test = np.flatnonzero((time >= begin) & (time < begin + step))
        if not len(test):
            continue
        since = max([begin - gap_h - 24 * days, *(u for u in upgrades if u <= begin)])
        yield np.flatnonzero((time >= since) & (time < begin - gap_h)), test


def rolling_calibration(
    cases: Cases,
    *,
    days: float = 45.0,
    step_days: float = 1.0,
    gap_h: float | None = None,
    upgrades: Sequence[float] = (),
) -> Array:
    """The probability (case,) of each case by a fit to the window before it.

    ``gap_h``: the longest lead time where not given (0 without leads). Where the window is too
    short to know anything the raw probability stays. Options as in :func:`rolling_windows`.
    """
    if cases.time is None:
        raise UsageError("rolling windows need the time of each case", where="rolling")
    if gap_h is None:
        leads = cases.lead[np.isfinite(cases.lead)] if cases.lead is not None else np.empty(0)
        gap_h = float(leads.max()) if len(leads) else 0.0
    p = np.where(np.isfinite(cases.time), cases.raw, np.nan)
    windows = rolling_windows(
        cases.time, days=days, step_days=step_days, gap_h=gap_h, upgrades=upgrades
    )
    for train, test in windows:
        p[test] = fit(cases.take(train)).apply(cases.take(test))
    return p


@dataclass(frozen=True)
class HeldOut:
    """How a calibration did on cases that it never saw; doubts are one standard error."""

    n: int
    n_effective: float
    brier: float
    brier_raw: float
    brier_climatology: float  #: of the training's observed frequency
    doubt_raw: float  #: of brier_raw - brier
    doubt_climatology: float

    @property
    def skill_against_raw(self) -> float:
        """1 - Brier / Brier of the raw probability; NaN where that is 0."""
        return 1 - self.brier / self.brier_raw if self.brier_raw > 0 else float("nan")

    @property
    def skill_against_climatology(self) -> float:
        """1 - Brier / Brier of the training's observed frequency; NaN where that is 0."""
        below = self.brier_climatology
        return 1 - self.brier / below if below > 0 else float("nan")


def held_out(calibration: Calibration, test: Cases) -> HeldOut:
    """Hold a calibration against raw and climatology on ``test``, which must know what happened.

    Raises UsageError where the times of test and training overlap, or no case is whole.
    """
    report = calibration.report
    if test.time is not None and report.first is not None and report.last is not None:
        inside = (test.time >= report.first) & (test.time <= report.last)
        if inside.any():
            raise UsageError(
                f"{int(inside.sum())} of the cases lie in the time of the training",
                remedy="Hold a fit against later (or earlier) cases only",
            )
    p, raw, outcome = calibration.apply(test), test.raw, test.outcome
    there = np.isfinite(p) & np.isfinite(raw) & np.isfinite(outcome)
    if not there.any():
        raise UsageError("no case has both a probability and an outcome", where="held out")
    base = report.events / report.n if report.n else float(np.mean(outcome[there]))
    kept = test.take(there)
    error, error_raw, error_base = (
        (q - outcome[there]) ** 2 for q in (p[there], raw[there], np.full(there.sum(), base))
    )
    n = effective_cases(outcome[there] - p[there], kept.time, kept.station)
    return HeldOut(
        int(there.sum()), n, float(error.mean()), float(error_raw.mean()),
        float(error_base.mean()), float((error_raw - error).std() / np.sqrt(n)),
        float((error_base - error).std() / np.sqrt(n)),
    )  # fmt: skip
