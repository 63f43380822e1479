"""Who gets which slot: as many lessons as can be, go for the weakest first, then the most room.

In this order: (1) the most students that can be placed at all; (2) where the weakest come first,
the most go lessons for the weakest skill, then for the next one; (3) the largest room (grade, then
bins of margin) that every lesson keeps; (4) the smallest total of the slots' places in the
ranking; (5) of equal totals the better places go to who was cancelled last.

Lessons are intervals that share instructors, aircraft, fields and packs: an integer program,
solved exactly by HiGHS. Without all but the instructors it is a bipartite matching, whose optimum
bounds aims 1 to 3; where the program reaches that bound, one solution does for all of them.

A large plan is first brought down to starts a longest lesson apart, chosen so that most offers
remain, solved there, and then every student is moved to whatever better start is left.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import itemgetter

import numpy as np

from wxgate.lessons.offers import Occupancy, Offer
from wxgate.lessons.program import TIME_LIMIT, Numbers, Program

#: More offers than this are brought down to starts a longest lesson apart.
MOST_OFFERS = 4000


@dataclass(frozen=True, slots=True)
class Assignment:
    """The offers that were taken, and how they were found."""

    taken: Mapping[str, Offer]  #: by student
    notes: tuple[str, ...] = ()


def assign(
    offers: Sequence[Offer],
    *,
    cancelled: Mapping[str, int] | None = None,
    capacity: Mapping[str, int] | None = None,
    skills: Mapping[str, int] | None = None,
    most_offers: int = MOST_OFFERS,
) -> Assignment:
    """The best assignment, whatever the order of ``offers``; notes tell where it may not be.

    ``cancelled``: by student, larger for who was cancelled later; ``capacity``: of resources and
    of stocks, 1 where none is told; ``skills``: by student, 0 for the weakest, where go slots go to
    the weakest first.
    """
    if not offers:
        return Assignment({})
    capacity, skills = capacity or {}, skills or {}
    ordered = sorted(offers, key=lambda o: (o.slot.key, o.student, o.instructor))
    if len(ordered) > most_offers:
        return Assignment(
            _by_student(ordered, _coarse(ordered, capacity, skills)),
            (f"{len(ordered)} offers are too many to weigh all at once: no student alone can do"
             " better than this plan, but all together might",),
        )  # fmt: skip
    program = Program(ordered, capacity, skills, _weights(ordered, cancelled or {}))
    taken = program.solve()
    if not program.limited:
        return Assignment(_by_student(ordered, taken))
    best = max(taken, _coarse(ordered, capacity, skills), key=program.aims)
    note = f"the plan is the best that was found in {TIME_LIMIT:g} s"
    return Assignment(_by_student(ordered, best), (note,))


def _by_student(offers: Sequence[Offer], taken: Sequence[int]) -> dict[str, Offer]:
    return {offers[j].student: offers[j] for j in sorted(taken, key=lambda j: offers[j].student)}


def _weights(offers: Sequence[Offer], cancelled: Mapping[str, int]) -> Numbers:
    """What a place in the ranking costs an offer's student: more for who was cancelled later."""
    dates = [cancelled.get(o.student, 0) for o in offers]
    places = {date: n for n, date in enumerate(sorted(set(dates)))}
    return np.array([1.0 + places[date] for date in dates])


# ---------------------------------------------------------------------- large plans


def _coarse(
    offers: Sequence[Offer], capacity: Mapping[str, int], skills: Mapping[str, int]
) -> list[int]:
    """A good plan in little time, as places in ``offers``, which are in order of preference."""
    apart = _apart(offers)
    program = Program(apart, capacity, skills, np.ones(len(apart)))
    taken = {apart[j].student: apart[j] for j in program.solve()}
    places = {id(offer): j for j, offer in enumerate(offers)}
    return [places[id(o)] for o in _moved_to_better(taken, offers, capacity).values()]


def _apart(offers: Sequence[Offer]) -> list[Offer]:
    """The offers at starts that lie a longest lesson apart, chosen so that most offers remain."""
    length = max(o.slot.end - o.slot.start for o in offers)
    weight = Counter(o.slot.start for o in offers)
    starts = sorted(weight)
    ends = [s + length for s in starts]
    total, choice = [0], [-1]
    for i, start in enumerate(starts):
        before = bisect_right(ends, start, 0, i)  # the lessons that are over by then
        with_it = total[before] + weight[start]
        total.append(max(total[i], with_it))
        choice.append(before if with_it > total[i] else -1)
    kept, i = set(), len(starts)
    while i > 0:
        if choice[i] < 0:
            i -= 1
        else:
            kept.add(starts[i - 1])
            i = choice[i]
    return [o for o in offers if o.slot.start in kept]


def _moved_to_better(
    taken: Mapping[str, Offer], offers: Sequence[Offer], capacity: Mapping[str, int]
) -> dict[str, Offer]:
    """Each student at the best offer that is left beside the others, until nobody can move.

    ``offers`` are in order of preference. Nobody is moved for another, so that no aim gets worse.
    """
    by_student: dict[str, list[tuple[tuple[object, ...], Offer]]] = {}
    for offer in offers:
        by_student.setdefault(offer.student, []).append((offer.rank, offer))
    found = dict(taken)
    free = Occupancy(capacity, found.values())
    moved = True
    while moved:
        moved = False
        for student, own in by_student.items():
            had = found.get(student)
            if had is not None:
                free.remove(had)
            to = len(own) if had is None else bisect_left(own, had.rank, key=itemgetter(0))
            best = next((offer for _, offer in own[:to] if free.fits(offer)), had)
            if best is not None:
                free.add(best)
                moved = moved or best is not had
                found[student] = best
    return found
