"""Cases: what was forecast, what then happened, and when; the food of fits and measures."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from wxgate.errors import UsageError

if TYPE_CHECKING:
    import pandas as pd

Array = np.ndarray[Any, np.dtype[Any]]

#: The words of a limit, as rules write them: which side of the limit is the event.
EVENTS = ("above", "at least", "below", "at most")

#: Upper ends, in hours, of the buckets in which lead times are pooled.
LEAD_BUCKETS = (6.0, 24.0, 48.0, 72.0, 120.0)

_MEMBER = re.compile(r"(?:m|member[_ ]?)(\d+)", re.IGNORECASE)
_NUMBERS = ("p", "mean", "spread", "observed", "outcome", "limit", "lead")
_WORDS = ("station", "model", "night")
_COLUMNS = (*_NUMBERS, *_WORDS, "time")


@dataclass(frozen=True, eq=False)
class Cases:
    """Forecasts with, where it is known, what was observed; one row a case.

    Build one with :meth:`of_probabilities`, :meth:`of_ensemble` or :meth:`from_frame`. NaN stands
    for missing everywhere. ``time`` is the valid time in hours on any axis.
    """

    event: str
    probability: Array | None = None  #: (case,), the raw probability where one was given
    members: Array | None = None  #: (case, member)
    mean: Array | None = None  #: (case,), where only mean and spread of an ensemble are known
    spread: Array | None = None
    limit: Array | None = None  #: (case,)
    observed: Array | None = None  #: (case,), the value; None where only the outcome is known
    told: Array | None = None  #: (case,), the outcome 0 or 1 where it was given as such
    time: Array | None = None
    station: Array | None = None
    lead: Array | None = None  #: h
    model: Array | None = None
    night: Array | None = None

    @classmethod
    def of_probabilities(cls, probability: Any, outcome: Any = None, **columns: Any) -> Cases:
        """Cases of probabilities in [0, 1] and, for training, outcomes 0 or 1 (NaN: not known).

        ``columns``: ``time``, ``station``, ``lead`` (h), ``model``, ``night``, one value a case.
        """
        return _build({"p": probability, "outcome": outcome, **columns}, None, "above")

    @classmethod
    def of_ensemble(
        cls, members: Any, limit: Any, observed: Any = None, *, event: str = "above", **columns: Any
    ) -> Cases:
        """Cases of ensembles (case, member), a limit (one, or one a case) and the observed value.

        ``event``: ``above``, ``at least``, ``below`` or ``at most`` the limit. ``columns`` as in
        :meth:`of_probabilities`.
        """
        return _build({"limit": limit, "observed": observed, **columns}, members, event)

    @classmethod
    def from_frame(cls, frame: pd.DataFrame | Mapping[str, Any], *, event: str = "above") -> Cases:
        """Cases of a frame with the columns that :mod:`wxgate.verify` tells; others are ignored."""
        names = [str(name) for name in frame]
        found = sorted((int(m[1]), n) for n in names if (m := _MEMBER.fullmatch(n)))
        members = np.column_stack([_numbers(frame[n], n) for _, n in found]) if found else None
        return _build({n: frame[n] for n in _COLUMNS if n in names}, members, event)

    def __len__(self) -> int:
        return len(next(a for a in (self.probability, self.members, self.mean) if a is not None))

    @property
    def has_values(self) -> bool:
        """Whether a quantity and a limit are known, and not only a probability."""
        return self.limit is not None and (self.members is not None or self.mean is not None)

    @property
    def exceeds(self) -> bool:
        """Whether the event lies above its limit."""
        return self.event in ("above", "at least")

    @property
    def outcome(self) -> Array:
        """1 where the event was observed, 0 where not, NaN where that is not known."""
        if self.told is not None:
            return self.told
        if self.observed is None or self.limit is None:
            return np.full(len(self), np.nan)
        return happened(self.observed, self.limit, self.event)

    @property
    def raw(self) -> Array:
        """The probability before calibration: as given, or the share of members in the event.

        Missing members are left out; NaN where fewer than half of them are there.
        """
        if self.probability is not None:
            return self.probability
        if self.members is not None and self.limit is not None:
            there = np.isfinite(self.members)
            hits = happened(self.members, self.limit[:, None], self.event) == 1
            counts = there.sum(axis=1)
            share = hits.sum(axis=1) / np.maximum(counts, 1)
            return np.where(enough(there) & np.isfinite(self.limit), share, np.nan)
        return self._normal_tail()

    def _normal_tail(self) -> Array:
        from scipy.special import ndtr

        assert self.limit is not None  # noqa: S101 - _build has refused everything else
        away = np.where(self.exceeds, self.centre - self.limit, self.limit - self.centre)
        width = self.deviation
        with np.errstate(divide="ignore", invalid="ignore"):
            tail = ndtr(away / width)
        sure = happened(self.centre, self.limit, self.event)
        return np.where(width > 0, tail, np.where(width == 0, sure, np.nan))

    @property
    def centre(self) -> Array:
        """The ensemble mean (case,) of the members that are there."""
        if self.members is None:
            return np.full(len(self), np.nan) if self.mean is None else self.mean
        there = np.isfinite(self.members)
        total = np.where(there, self.members, 0.0).sum(axis=1)
        return np.where(enough(there), total / np.maximum(there.sum(axis=1), 1), np.nan)

    @property
    def deviation(self) -> Array:
        """The ensemble standard deviation (case,), by n - 1; 0 for a single member."""
        if self.members is None:
            return np.full(len(self), np.nan) if self.spread is None else self.spread
        return deviation_of(self.members)

    @property
    def pool(self) -> Array:
        """The key under which errors are pooled: model, bucket of lead time, day or night."""
        parts = [np.full(len(self), "", dtype="U1")]
        if self.model is not None:
            parts.append(self.model)
        if self.lead is not None:
            parts.append(np.searchsorted(LEAD_BUCKETS, self.lead).astype("U2"))
        if self.night is not None:
            parts.append(self.night)
        keys: Array = parts[0]
        for part in parts[1:]:
            keys = np.char.add(np.char.add(keys, "|"), part)
        return keys

    def take(self, rows: Array | slice) -> Cases:
        """The cases of these rows (indices, a mask, or a slice)."""
        kept = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "event"}
        return Cases(self.event, **{n: None if a is None else a[rows] for n, a in kept.items()})


def happened(value: Array, limit: Array, event: str) -> Array:
    """1.0 where ``value`` lies on the event's side of ``limit``, 0.0 where not, NaN if missing."""
    side = {
        "above": np.greater, "at least": np.greater_equal,
        "below": np.less, "at most": np.less_equal,
    }[event]  # fmt: skip
    known = np.isfinite(value) & np.isfinite(limit)
    return np.where(known, side(value, limit).astype(float), np.nan)


def enough(there: Array) -> Array:
    """Whether at least half of the members (case, member) are there: a mask (case,)."""
    kept: Array = 2 * there.sum(axis=1) >= max(there.shape[1], 1)
    return kept


def deviation_of(members: Array) -> Array:
    """The standard deviation (case,) of the members that are there, by n - 1."""
    there = np.isfinite(members)
    counts = there.sum(axis=1)
    mean = np.where(there, members, 0.0).sum(axis=1) / np.maximum(counts, 1)
    squares = (np.where(there, members - mean[:, None], 0.0) ** 2).sum(axis=1)
    return np.where(enough(there), np.sqrt(squares / np.maximum(counts - 1, 1)), np.nan)


def _build(columns: Mapping[str, Any], members: Any, event: str) -> Cases:
    """Check and convert what was given; every fault is a UsageError."""
    if event not in EVENTS:
        raise UsageError(f"event {event!r} is unknown", remedy=f"Use one of {', '.join(EVENTS)}")
    stray = sorted(set(columns) - set(_COLUMNS))
    if stray:
        raise UsageError(
            f"unknown columns {', '.join(stray)}", remedy=f"Known are {', '.join(_COLUMNS)}"
        )
    given = {name: value for name, value in columns.items() if value is not None}
    ensemble = None if members is None else _numbers(members, "members", dimensions=2)
    first = given.get("p", given.get("mean")) if ensemble is None else ensemble
    if first is None:
        raise UsageError(
            "cases need a forecast", remedy="Give p, or members m1, m2, ..., or mean and spread"
        )
    length = len(first)
    numbers = {n: _column(given, n, length) for n in _NUMBERS}
    p, limit, observed, told = (numbers[n] for n in ("p", "limit", "observed", "outcome"))
    mean, spread = numbers["mean"], numbers["spread"]
    if p is None and (limit is None or (ensemble is None and spread is None)):
        raise UsageError(
            "an ensemble needs a limit, and a mean needs a spread",
            remedy="Give a column limit (and spread), or p",
        )
    if limit is None or _is_yes_or_no(given.get("observed")):
        told, observed = (observed if told is None else told), None
    if limit is None:
        ensemble = mean = spread = None
    _within_unit(p, "p")
    _yes_or_no(told)
    return Cases(
        event, probability=p, members=ensemble, mean=mean, spread=spread, limit=limit,
        observed=observed, told=told, lead=numbers["lead"],
        time=_hours(given["time"], length) if "time" in given else None,
        **{n: _words(given[n], n, length) for n in _WORDS if n in given},
    )  # fmt: skip


def _is_yes_or_no(value: Any) -> bool:
    """Whether observed values are booleans: then they are outcomes, whatever the limit."""
    return value is not None and str(getattr(value, "dtype", "")) in ("bool", "boolean")


def _numbers(value: Any, name: str, dimensions: int = 1) -> Array:
    if hasattr(value, "to_numpy"):
        value = value.to_numpy(dtype=float, na_value=np.nan)
    try:
        array = np.asarray(value, dtype=float)
    except (TypeError, ValueError) as fault:
        raise UsageError(f"{name} is not made of numbers ({fault})", where="cases") from fault
    if array.ndim != dimensions:
        raise UsageError(f"{name} has {array.ndim} dimensions, not {dimensions}", where="cases")
    return np.where(np.isfinite(array), array, np.nan)


def _column(given: Mapping[str, Any], name: str, length: int) -> Array | None:
    if name not in given:
        return None
    value = given[name]
    array = np.full(length, float(value)) if np.ndim(value) == 0 else _numbers(value, name)
    return _checked(array, name, length)


def _checked(array: Array, name: str, length: int) -> Array:
    if len(array) != length:
        raise UsageError(f"{name} has {len(array)} values for {length} cases", where="cases")
    return array


def _within_unit(array: Array | None, name: str) -> None:
    if array is not None and np.any((array < 0) | (array > 1)):
        raise UsageError(
            f"{name} has values outside 0 to 1", remedy="Give shares, not percent", where="cases"
        )


def _yes_or_no(array: Array | None) -> None:
    if array is not None and np.any((array != 0) & (array != 1) & np.isfinite(array)):
        raise UsageError(
            "an outcome is neither 0 nor 1",
            remedy="Give outcomes of 0 or 1, or the observed value with a limit", where="cases",
        )  # fmt: skip


def _words(value: Any, name: str, length: int) -> Array:
    array = np.full(length, str(value)) if np.ndim(value) == 0 else np.asarray(
        [str(v) for v in value], dtype=np.str_
    )  # fmt: skip
    return _checked(array, name, length)


def _hours(value: Any, length: int) -> Array:
    """Valid times as hours: numbers as they are, instants since 1970 (NaN where missing)."""
    if np.ndim(value) != 1:
        raise UsageError("time is not one instant for each case", where="cases")
    array = np.asarray(value)
    if np.issubdtype(array.dtype, np.number):
        return _checked(_numbers(array, "time"), "time", length)
    import pandas as pd

    try:
        instants = pd.to_datetime(pd.Series(list(value)), utc=True)
    except (TypeError, ValueError) as fault:
        raise UsageError(f"time cannot be read ({fault})", where="cases") from fault
    since = (instants - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(hours=1)
    return _checked(since.to_numpy(dtype=float), "time", length)
