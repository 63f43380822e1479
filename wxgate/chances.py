"""How sure an hour or a session is: the share of possible weathers in which it can be flown.

A weather *can be flown* where it passes no no-go limit and nothing that could be one is missing;
marginal weathers are flown (they ask for care, not for staying at home). A session is flown by the
weathers in which each of its hours is, so that what hours have in common is kept.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wxgate.chancepolicy import Thresholds
from wxgate.forecast import HOUR, Array, to_datetime, to_datetime64
from wxgate.grade import Codes
from wxgate.spread import Spread
from wxgate.verdict import Grade

#: In place of a code where a member says nothing about an hour, for it does not speak for it.
ABSENT = np.uint8(255)
#: The hazard of an hour about which no rule can say anything.
NOTHING_PROVEN = "nothing proven"


@dataclass(frozen=True, slots=True)
class Chances:
    """The grades of all hours in all weathers.

    Codes are those of the limits, but UNKNOWN where a value is missing that a no-go limit needs,
    also where the rulebook is content with less: what is not proven is not counted as flown.
    """

    time: NDArray[np.datetime64]  #: (time,) the first instant of each hour
    codes: Codes  #: (time, member) grades; ABSENT where a member does not speak for the hour
    kind: str  #: ensemble, models, time-lagged runs, error model
    weights: Array  #: (member,) what each weather counts; their sum is 1
    thresholds: Thresholds
    resolution: Array  #: (time,) the least chance of bad weather that can be told from none
    lead: Array  #: (time,) hours ahead of the run; NaN where unknown
    #: The lead time from which on a go can be told; None where it never can.
    decided_at_lead: float | None = None
    families: Mapping[str, Codes] = field(default_factory=dict)  #: the codes of each hazard alone
    #: (time,) hours whose missing values the rulebook accepts in all weathers.
    softened: NDArray[np.bool_] | None = None
    rain: Mapping[str, Any] = field(default_factory=dict)  #: NEP and NMEP (time,), of an ensemble
    notes: tuple[str, ...] = ()  #: what was done to the forecasts
    #: Quantiles (time, share) of single quantities by ``spread.SHARES``: a point value's at the
    #: first instant of each hour, an interval's over the hour.
    spread: Spread = field(default_factory=dict)

    @property
    def members(self) -> int:
        """How many weathers there are."""
        return int(self.codes.shape[1])

    def index(self, start: datetime) -> int | None:
        """The row of the hour that holds ``start``; None beyond the axis."""
        at = int((to_datetime64(start) - self.time[0]) // HOUR)
        return at if 0 <= at < self.time.size else None

    def quantiles(self, name: str, at: datetime) -> tuple[float, ...] | None:
        """The quantiles of a quantity in the hour that holds ``at``; None where not to be told."""
        row, found = self.index(at), self.spread.get(name)
        told: list[float] = [] if row is None or found is None else found[row].tolist()
        return tuple(told) if told and all(map(math.isfinite, told)) else None

    def hour(self, start: datetime) -> float | None:
        """The smoothed share of weathers that fly the hour; None when it cannot be told."""
        at = self.index(start)
        return None if at is None else self._share(self.codes[at])

    def session(self, start: datetime, end: datetime) -> float | None:
        """The smoothed share of weathers that fly every hour that [start, end) overlaps.

        Never above that of any part of it, so never above the least of its hours; None when one of
        them cannot be told.
        """
        if end <= start:
            return None
        first, last = self.index(start), self.index(end - timedelta(microseconds=1))
        if first is None or last is None:
            return None
        rows = self.codes[first : last + 1]
        if any(self._share(row) is None for row in rows):
            return None
        whole = [self._share(part, told=True) for part in _parts(rows)]
        return min(share for share in whole if share is not None)

    def told(self, at: int) -> float | None:
        """The share of row ``at``; see :meth:`hour`."""
        return self._share(self.codes[at])

    def limiting(self, at: int) -> tuple[str | None, float | None]:
        """The hazard without which most weathers would fly the hour, and their share."""
        best: tuple[str | None, float] = (None, self._share(self.codes[at]) or 0.0)
        there = self.codes[at] != ABSENT
        bad = {n: codes[at] >= Grade.UNKNOWN for n, codes in self.families.items()}
        bad = {name: flags for name, flags in bad.items() if flags.any()}
        count = np.sum(list(bad.values()), axis=0) if bad else np.zeros(self.members, int)
        for name, flags in bad.items():
            if name != NOTHING_PROVEN:
                share = self._smoothed(there, count - flags == 0)
                if share is not None and share > best[1]:
                    best = name, share
        return best if best[0] is not None else (None, None)

    def grade(self, at: int) -> Grade:
        """The grade of a row by its chance alone: unknown where that cannot be told."""
        share = self._share(self.codes[at])
        if share is None:
            return Grade.UNKNOWN
        if share < self.thresholds.no_go_below:
            return Grade.NO_GO
        sure = share >= self.thresholds.go_from and not self.too_early(at)
        return Grade.GO if sure else Grade.MARGINAL

    def too_early(self, at: int) -> bool:
        """Whether no forecast of this lead, or of so few members, can be sure enough for go."""
        coarsest = max(float(self.resolution[at]), self._least(at))
        return bool(_rounded(1 - self.thresholds.go_from) < _rounded(coarsest))

    def decided_from(self, at: int) -> datetime | None:
        """From when on a go could be told for a row that it is too early for; None: never.

        Then a run is out that is no further from the hour; a model's delay comes on top.
        """
        lead = self.decided_at_lead
        if lead is None or not self.lead[at] > lead:
            return None
        if _rounded(1 - self.thresholds.go_from) < _rounded(self._least(at)):
            return None
        return to_datetime(self.time[at]) - timedelta(hours=lead)

    def _least(self, at: int) -> float:
        """The least chance of bad weather that so many members can tell."""
        return smoothed(0, effective_count(self.weights[self.codes[at] != ABSENT]))

    def _share(self, codes: Codes, *, told: bool = False) -> float | None:
        """The smoothed share; None where none flies and one is unknown, unless ``told``."""
        there = codes != ABSENT
        flies = codes < Grade.UNKNOWN
        if not told and not flies.any() and (codes == Grade.UNKNOWN).any():
            return None
        return self._smoothed(there, flies)

    def _smoothed(self, there: NDArray[np.bool_], flies: NDArray[np.bool_]) -> float | None:
        weights = self.weights[there]
        total = float(weights.sum())
        if not total > 0:
            return None
        count = effective_count(weights)
        return smoothed(float(weights[flies[there]].sum()) / total * count, count)


def _parts(rows: Codes) -> list[Codes]:
    """The worst code of each member over the hours, where some say nothing over each part of them.

    A member that says nothing about an hour counts by what it says about the others, and a part
    about which fewer speak may be told as less sure than the whole.
    """
    if not (rows == ABSENT).any():
        return [rows.max(axis=0)]
    low = np.where(rows == ABSENT, -1, rows.astype(np.int16))
    found = []
    for begin in range(len(rows)):
        worst = np.maximum.accumulate(low[begin:], axis=0)
        found += [np.where(row < 0, ABSENT, row).astype(np.uint8) for row in worst]
    return found


def effective_count(weights: Array) -> float:
    """How many members of equal weight are worth as much: (sum of weights)^2 / sum of squares."""
    squares = float((weights**2).sum())
    return float(weights.sum()) ** 2 / squares if squares > 0 else 0.0


def smoothed(k: float, n: float) -> float:
    """The chance that ``k`` of ``n`` weathers tell: (k + 1/2) / (n + 1), never 0 or 1."""
    return (k + 0.5) / (n + 1)


def _rounded(share: float) -> float:
    return round(share, 9)
