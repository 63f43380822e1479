"""The integer program of an assignment: one yes or no an offer, one aim after the other."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from time import perf_counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wxgate.lessons.offers import Offer

#: The program stops after so many seconds with what it has.
TIME_LIMIT = 8.0
#: Products of counts beyond this are not exact in a float; the bound is then not used.
_EXACT = 2.0**52

Flags = NDArray[np.bool_]
Numbers = NDArray[np.float64]
Goal = list[tuple[Numbers, int]]  #: so many of the offers that are flagged with 1


class Program:
    """The aims of an assignment over offers in a fixed order."""

    def __init__(
        self,
        offers: Sequence[Offer],
        capacity: Mapping[str, int],
        skills: Mapping[str, int],
        weights: Numbers,
    ) -> None:
        self.offers = offers
        self.limited = False  #: whether time ran out
        self._matrix, self._limit = _constraints(offers, capacity)
        self._levels = np.array([o.slot.level for o in offers])
        keys = {key: n for n, key in enumerate(sorted({o.rank for o in offers}))}
        self._ranks = np.array([keys[o.rank] for o in offers], float)
        self._weights = weights
        #: What is to be as many as can be, one after the other: lessons, then go for each skill.
        self._counts = [np.ones(len(offers)), *_go_by_skill(offers, skills)]
        self._relaxed = _Relaxed(offers, self._counts)
        self._left = TIME_LIMIT

    def aims(self, taken: Sequence[int]) -> tuple[object, ...]:
        """What a plan reaches of aims 1 to 4, for comparing plans; larger is better."""
        at = list(taken)
        counts = tuple(round(float(count[at].sum())) for count in self._counts)
        tightest = int(self._levels[at].min()) if at else 0
        return counts, tightest, -round(float(self._ranks[at].sum()))

    def solve(self) -> list[int]:
        """The places of the offers that are taken."""
        best = self._at_the_bound()
        if best is None:
            best = self._step_by_step()
        taken, goal, allowed = best
        if len(set(self._weights)) > 1 and taken.any():
            least = float(self._ranks[taken].sum())
            fairer = self._cheapest(self._ranks * self._weights, goal, allowed, most=least)
            taken = taken if fairer is None else fairer
        return [int(j) for j in np.flatnonzero(taken)]

    def _at_the_bound(self) -> tuple[Flags, Goal, Flags] | None:
        """The plan that reaches what no plan can exceed; None where there is none."""
        most = self._relaxed.counts(np.ones(len(self.offers), np.bool_))
        if most is None:
            return None
        goal: Goal = list(zip(self._counts, most, strict=True))
        steps = np.unique(self._levels)
        low = _last(steps, lambda step: self._relaxed.counts(self._levels >= step) == most)
        allowed = self._levels >= steps[low]
        taken = self._cheapest(self._ranks, goal, allowed)
        return None if taken is None else (taken, goal, allowed)

    def _step_by_step(self) -> tuple[Flags, Goal, Flags]:
        everything = np.ones(len(self.offers), np.bool_)
        goal: Goal = []
        plan = np.zeros(len(self.offers), np.bool_)
        for count in self._counts:
            found = self._cheapest(-count, goal, everything)
            plan = plan if found is None else found  # time can run out before there is one
            goal.append((count, round(float(count[plan].sum()))))
        steps = np.unique(self._levels)
        nothing = np.zeros(len(self.offers))
        low = _last(steps, lambda step: self._reaches(goal, nothing, self._levels >= step))
        allowed = self._levels >= steps[low]
        taken = self._cheapest(self._ranks, goal, allowed)
        return (plan if taken is None else taken), goal, allowed

    def _reaches(self, goal: Goal, nothing: Numbers, allowed: Flags) -> bool:
        relaxed = self._relaxed.counts(allowed)
        if relaxed is not None and relaxed < [wanted for _, wanted in goal]:
            return False
        return self._cheapest(nothing, goal, allowed) is not None

    def _cheapest(
        self, cost: Numbers, goal: Goal, allowed: Flags, *, most: float | None = None
    ) -> Flags | None:
        """The allowed offers of least cost that meet the goal; None where none do.

        ``most``: of the total of ranks, too.
        """
        from scipy.optimize import Bounds, LinearConstraint, milp

        at = np.flatnonzero(allowed)
        rules = [LinearConstraint(self._matrix[:, at], -np.inf, self._limit)]
        rules += [LinearConstraint(row[np.newaxis, at], n, n) for row, n in goal]
        if most is not None:
            rules.append(LinearConstraint(self._ranks[np.newaxis, at], -np.inf, most + 0.5))
        if not self._left > 0:
            self.limited = True
            return None
        began = perf_counter()
        found = milp(
            cost[at], constraints=rules, integrality=np.ones(at.size), bounds=Bounds(0, 1),
            options={"time_limit": self._left, "mip_rel_gap": 0.0},
        )  # fmt: skip
        self._left -= perf_counter() - began
        self.limited = self.limited or found.status == 1
        if found.x is None:
            return None
        taken = np.zeros(len(self.offers), np.bool_)
        taken[at] = np.asarray(found.x) > 0.5
        return taken


def _last(steps: NDArray[Any], holds: Any) -> int:
    """The last place at which it holds; it does at the first, and never again once it does not."""
    low, high = 0, len(steps) - 1
    while low < high:
        middle = (low + high + 1) // 2
        if holds(steps[middle]):
            low = middle
        else:
            high = middle - 1
    return low


def _go_by_skill(offers: Sequence[Offer], skills: Mapping[str, int]) -> list[Numbers]:
    """For each skill from the weakest up that has any, 1 for its go offers."""
    of_go = [skills.get(o.student) if o.is_go else None for o in offers]
    order = sorted({skill for skill in of_go if skill is not None})
    return [np.array([one == skill for one in of_go], float) for skill in order]


class _Relaxed:
    """The matching of students and instructors' starts, without overlaps, aircraft and packs.

    It has every plan among its own, and therefore bounds what a plan can reach.
    """

    def __init__(self, offers: Sequence[Offer], counts: Sequence[Numbers]) -> None:
        students = {s: n for n, s in enumerate(sorted({o.student for o in offers}))}
        columns = {c: n for n, c in enumerate(sorted({(o.slot.start, o.instructor)
                                                      for o in offers}))}  # fmt: skip
        self._rows = np.array([students[o.student] for o in offers])
        self._columns = np.array([columns[o.slot.start, o.instructor] for o in offers])
        self._shape = len(students), len(columns)
        self._counts = counts
        # Each count outweighs all that come after it.
        self._worth = [1.0]
        for _ in counts[1:]:
            self._worth.insert(0, self._worth[0] * (len(students) + 1))
        self.exact = self._worth[0] * (len(students) + 1) * 2 < _EXACT

    def counts(self, allowed: Flags) -> list[int] | None:
        """The most of each count, the first first; None where numbers are too large for it."""
        from scipy.optimize import linear_sum_assignment

        if not self.exact:
            return None
        at = np.flatnonzero(allowed)
        gain = sum(w * c[at] for w, c in zip(self._worth, self._counts, strict=True))
        table = np.zeros(self._shape)
        np.maximum.at(table, (self._rows[at], self._columns[at]), gain)
        total = round(float(table[linear_sum_assignment(table, maximize=True)].sum()))
        found = []
        for worth in self._worth:
            count, total = divmod(total, int(worth))
            found.append(count)
        return found


def _constraints(offers: Sequence[Offer], capacity: Mapping[str, int]) -> tuple[Any, Numbers]:
    """Each student once; of each resource at each start, and of each stock, no more than there is.

    A row that cannot be exceeded, whatever is taken, is left out.
    """
    from scipy.sparse import coo_matrix

    groups: dict[tuple[Any, ...], dict[int, float]] = defaultdict(dict)
    limits: dict[tuple[Any, ...], float] = {}
    using: dict[str, list[int]] = defaultdict(list)
    for j, offer in enumerate(offers):
        groups["student", offer.student][j] = 1.0
        limits["student", offer.student] = 1.0
        for name in offer.takes:
            using[name].append(j)
        for name, amount in offer.uses.items():
            groups["stock", name][j] = float(amount)
            limits["stock", name] = float(capacity.get(name, 1))
    for name, js in using.items():
        by_start: dict[Any, list[int]] = defaultdict(list)
        for j in js:
            by_start[offers[j].slot.start].append(j)
        longest = max(offers[j].slot.end - offers[j].slot.start for j in js)
        moments = sorted(by_start)
        for n, start in enumerate(moments):
            # Intervals that overlap all share the start of one of them.
            near = [m for m in moments[: n + 1] if start - m < longest]
            together = [j for m in near for j in by_start[m] if offers[j].slot.end > start]
            groups["resource", name, start] = {j: float(offers[j].takes[name]) for j in together}
            limits["resource", name, start] = float(capacity.get(name, 1))
    kept = [k for k, row in groups.items() if sum(row.values()) > limits[k]]
    rows = [n for n, k in enumerate(kept) for _ in groups[k]]
    columns = [j for k in kept for j in groups[k]]
    values = [v for k in kept for v in groups[k].values()]
    matrix = coo_matrix((values, (rows, columns)), shape=(len(kept), len(offers)))
    return matrix.tocsr(), np.array([limits[k] for k in kept])
