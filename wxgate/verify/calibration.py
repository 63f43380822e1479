"""``fit(train)`` and ``apply(test)``: the choice of a calibration, in blocks of time.

Every method of :mod:`wxgate.verify.methods` that the cases allow is fitted to all blocks of time
but one, and held against that one, for each of six blocks of the training. The method with the
least Brier score is taken, together with those that are within one standard error of it and no
worse than the raw probability and climatology: their plain mean. Then all are fitted anew to the
whole training. Where the raw probability does best it stays as it is. Last, a beta or isotonic
curve over the held-out probabilities is laid on top, where it is better by more than half a
standard error (again in blocks of time; isotonic only from 1000 independent cases on).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from wxgate.errors import UsageError
from wxgate.verify.cases import Cases
from wxgate.verify.methods import EVENTS_FROM, ISOTONIC_FROM, Fit, Fitted, Identity, candidates
from wxgate.verify.recalibrate import Beta, Isotonic
from wxgate.verify.sampling import effective_cases
from wxgate.verify.stored import curve_from_plain, curve_to_plain, from_plain, to_plain

if TYPE_CHECKING:
    import pandas as pd

Array = np.ndarray[Any, np.dtype[Any]]

#: Effective cases below which nothing is fitted: the raw probability stays, and says so.
KNOWABLE_FROM = 30
#: Blocks of time for cross-validation.
BLOCKS = 6
FORMAT = 1


@dataclass(frozen=True)
class FitReport:
    """What a fit was made from, what it chose, and how the choices did in cross-validation."""

    method: str
    n: int
    n_effective: float
    events: int
    left_out: int  #: cases without forecast or outcome
    first: float | None  #: valid times, in the unit of ``Cases.time``
    last: float | None
    cross_validated_brier: Mapping[str, float]
    skill_against_raw: float | None  #: cross-validated, of the method chosen
    skill_against_climatology: float | None
    knowable: bool  #: False: too few cases to tell whether the forecast is reliable
    notes: tuple[str, ...] = ()

    def text(self) -> str:
        """The report in words, one line a fact."""
        lines = [
            f"method: {self.method}",
            f"cases: {self.n} (worth {self.n_effective:.0f} independent), {self.events} events",
        ]
        if self.skill_against_raw is not None and self.skill_against_climatology is not None:
            lines.append(
                f"cross-validated Brier skill: {self.skill_against_raw:+.3f} against raw, "
                f"{self.skill_against_climatology:+.3f} against climatology"
            )
        return "\n".join([*lines, *self.notes])


@dataclass(frozen=True)
class Calibration:
    """A fitted calibration. It stays as it is; fit anew when the model is upgraded."""

    event: str
    fitted: tuple[Fitted, ...]  #: more than one: their plain mean
    report: FitReport
    limit: float | None = None  #: the training's limit, where it had only one
    after: Beta | Isotonic | None = None  #: laid over their mean

    def apply(self, test: Cases | pd.DataFrame | Mapping[str, Any]) -> Array:
        """The calibrated probability (case,) of each case, in [0, 1]; NaN where input is missing.

        ``test`` needs no observed values. A frame without a column ``limit`` is taken to have the
        training's one limit.
        """
        cases = as_cases(test, self.event, self.limit)
        if cases.event != self.event:
            raise UsageError(f"fitted to {self.event!r} and applied to {cases.event!r}")
        if len(cases) == 0:
            return np.empty(0)
        total = sum((method(cases) for method in self.fitted), np.zeros(len(cases)))
        p = np.clip(total / len(self.fitted), 0.0, 1.0)
        return p if self.after is None else np.clip(self.after(p), 0.0, 1.0)

    def to_json(self) -> str:
        """The calibration as JSON text; :meth:`from_json` gives the same answers bit for bit."""
        plain = {
            "format": FORMAT, "event": self.event, "limit": self.limit,
            "fitted": [to_plain(f) for f in self.fitted], "after": curve_to_plain(self.after),
            "report": asdict(self.report),
        }  # fmt: skip
        return json.dumps(plain, ensure_ascii=False, allow_nan=False, indent=1)

    @classmethod
    def from_json(cls, text: str) -> Calibration:
        """A calibration from its JSON text; UsageError for anything else."""
        try:
            plain = json.loads(text)
            if plain["format"] != FORMAT:
                raise UsageError(
                    f"format {plain['format']} of a calibration is not known", remedy="Fit anew"
                )
            report = {**plain["report"], "notes": tuple(plain["report"]["notes"])}
            fitted = tuple(from_plain(f) for f in plain["fitted"])
            after = curve_from_plain(plain["after"])
            return cls(plain["event"], fitted, FitReport(**report), plain["limit"], after)
        except (KeyError, TypeError, ValueError) as fault:
            raise UsageError(
                f"this is no stored calibration ({fault})", remedy="Fit anew"
            ) from fault


def fit(train: Cases | pd.DataFrame | Mapping[str, Any], *, event: str = "above") -> Calibration:
    """Choose and fit a calibration on ``train`` alone.

    ``train``: Cases, or a frame with the columns told in :mod:`wxgate.verify`; ``event`` is for
    frames. The method is chosen by the cross-validated Brier score in blocks of time; without
    times the order given is taken as time. Cases without forecast or outcome are left out.
    Raises UsageError where the columns make no cases.
    """
    cases = as_cases(train, event)
    usable = np.isfinite(cases.raw) & np.isfinite(cases.outcome)
    if cases.time is not None:
        usable &= np.isfinite(cases.time)
    left_out = int(len(cases) - usable.sum())
    cases = cases.take(usable)
    cases = cases.take(np.argsort(cases.time, kind="stable")) if cases.time is not None else cases
    limit = _only(cases.limit)
    n = len(cases)
    outcome = cases.outcome
    n_effective = effective_cases(outcome - cases.raw, cases.time, cases.station)
    facts: dict[str, Any] = {
        "n": n, "n_effective": n_effective, "events": int(outcome.sum()), "left_out": left_out,
        "first": None if cases.time is None or not n else float(cases.time[0]),
        "last": None if cases.time is None or not n else float(cases.time[-1]),
    }  # fmt: skip
    if n_effective < KNOWABLE_FROM:
        note = (
            f"{n} cases, worth {n_effective:.0f} independent ones, cannot tell whether the "
            f"forecast is reliable; the raw probability is left as it is ({KNOWABLE_FROM} needed)"
        )
        report = FitReport(
            method="identity", cross_validated_brier={}, skill_against_raw=None,
            skill_against_climatology=None, knowable=False, notes=(note,), **facts,
        )  # fmt: skip
        return Calibration(cases.event, (Identity(),), report, limit)
    worth = n_effective / n
    tried = candidates(cases, n_effective, worth)
    held_out, notes = cross_validated(cases, tried, worth)
    chosen, measures = choose(held_out, outcome, worth)
    fitted = tuple(tried[name](cases, worth) for name in chosen)
    method = " + ".join(chosen)
    after = None
    if chosen != ("identity",):
        p = np.mean([held_out[name] for name in chosen], axis=0)
        after, better = curve_after(p, outcome, time_blocks(cases.time, n), n_effective)
        if after is not None:
            method = f"{method}, then {type(after).__name__.lower()}"
            measures[method] = better
    best = measures[method]
    rare = min(outcome.sum(), n - outcome.sum()) * worth < EVENTS_FROM
    if rare:
        notes = (*notes, "fewer than five independent cases of one outcome: little can be known")
    if _looks_like_outcomes(cases):
        notes = (*notes, "observed is 0 or 1 only: if these are outcomes, name the column outcome")
    report = FitReport(
        method=method, cross_validated_brier=measures,
        skill_against_raw=_skill(best, measures["identity"]),
        skill_against_climatology=_skill(best, measures["climatology"]),
        knowable=not rare, notes=notes, **facts,
    )  # fmt: skip
    return Calibration(cases.event, fitted, report, limit, after)


def as_cases(
    given: Cases | pd.DataFrame | Mapping[str, Any], event: str, limit: float | None = None
) -> Cases:
    """Cases as they are, or made from a frame; ``limit`` where the frame has none."""
    if isinstance(given, Cases):
        return given
    columns = {str(name): given[name] for name in given}
    if "limit" not in columns and "p" not in columns and limit is not None:
        columns["limit"] = limit
    return Cases.from_frame(columns, event=event)


def time_blocks(time: Array | None, n: int, blocks: int = BLOCKS) -> Array:
    """The number of the block (case,) of each case: runs of time of like size, 0 to blocks - 1.

    Cases of one instant are in one block.
    """
    if time is None:
        return np.arange(n) * blocks // max(n, 1)
    _, which = np.unique(time, return_inverse=True)
    before = np.concatenate(([0], np.cumsum(np.bincount(which))[:-1]))
    return np.asarray(np.minimum(before * blocks // n, blocks - 1)[which])


def cross_validated(
    cases: Cases, tried: Mapping[str, Fit], worth: float
) -> tuple[dict[str, Array], tuple[str, ...]]:
    """Held-out probabilities (case,) of each method, and notes on those that cannot be fitted."""
    block = time_blocks(cases.time, len(cases))
    held_out, notes = {}, []
    for name, fit_one in tried.items():
        p = np.full(len(cases), np.nan)
        try:
            for number in np.unique(block):
                inside = block == number
                p[inside] = fit_one(cases.take(~inside), worth)(cases.take(inside))
        except (UsageError, np.linalg.LinAlgError) as fault:
            notes.append(f"{name} could not be fitted: {fault}")
            continue
        if np.isfinite(p).all():
            held_out[name] = np.clip(p, 0, 1)
        else:
            notes.append(f"{name} left some cases without an answer")
    return held_out, tuple(notes)


def choose(
    held_out: Mapping[str, Array], outcome: Array, worth: float
) -> tuple[tuple[str, ...], dict[str, float]]:
    """The method of the least Brier score, or the mean of those that cannot be told from it."""
    errors = {name: (p - outcome) ** 2 for name, p in held_out.items()}
    measures = {name: float(e.mean()) for name, e in errors.items()}
    best = min(measures, key=lambda name: measures[name])
    if best == "identity":
        return (best,), measures
    close = tuple(
        name for name in errors
        if measures[name] <= min(measures[best] + _doubt(errors[name] - errors[best], worth),
                                 measures["identity"], measures["climatology"])
    )  # fmt: skip
    if best not in close or len(close) == 1:
        return (best,), measures
    pooled = float(np.mean((np.mean([held_out[n] for n in close], axis=0) - outcome) ** 2))
    measures[" + ".join(close)] = pooled
    return close, measures


def curve_after(
    p: Array, outcome: Array, block: Array, n_effective: float
) -> tuple[Beta | Isotonic | None, float]:
    """The curve to lay over held-out ``p`` (case,), and its Brier score in blocks; or None."""
    kinds: list[type[Beta] | type[Isotonic]] = [Beta]
    if n_effective >= ISOTONIC_FROM:
        kinds.append(Isotonic)
    worth = n_effective / len(p)
    plain = (p - outcome) ** 2
    best: tuple[Beta | Isotonic | None, float] = (None, float(plain.mean()))
    for kind in kinds:
        q = np.empty(len(p))
        for number in np.unique(block):
            inside = block == number
            q[inside] = kind.fit(p[~inside], outcome[~inside], worth)(p[inside])
        curved = (q - outcome) ** 2
        gain = float((plain - curved).mean())
        if gain > _doubt(plain - curved, worth) / 2 and curved.mean() < best[1]:
            best = kind.fit(p, outcome, worth), float(curved.mean())
    return best


def _doubt(difference: Array, worth: float) -> float:
    """One standard error of a mean difference, by independent cases."""
    return float(difference.std() / np.sqrt(max(len(difference) * worth, 1.0)))


def _looks_like_outcomes(cases: Cases) -> bool:
    if cases.observed is None or cases.limit is None or cases.told is not None:
        return False
    binary = np.all((cases.observed == 0) | (cases.observed == 1)) and np.any(cases.observed == 1)
    return bool(binary and not np.any((cases.limit >= 0) & (cases.limit < 1)))


def _skill(brier: float, reference: float) -> float | None:
    return 1 - brier / reference if reference > 0 else None


def _only(limit: Array | None) -> float | None:
    if limit is None or len(limit) == 0:
        return None
    return float(limit[0]) if np.all(limit == limit[0]) else None
