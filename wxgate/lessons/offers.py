"""Offers: a slot for a student with an instructor, what it takes up, and what is free meanwhile."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from wxgate.lessons.policy import QUARTER
from wxgate.lessons.records import Slot
from wxgate.verdict import Grade

_QUARTER = int(QUARTER.total_seconds())


@dataclass(frozen=True, slots=True)
class Offer:
    """One slot for one student with one instructor, and what it takes up meanwhile."""

    student: str
    slot: Slot
    instructor: str
    takes: Mapping[str, int]  #: so much of each resource for the whole of [start, end)
    uses: Mapping[str, int] = field(default_factory=dict)  #: so much of each stock, used up by it

    @property
    def rank(self) -> tuple[object, ...]:
        """The order of slots whatever their place: room, then criteria, then the earlier."""
        return (-self.slot.level, self.slot.criteria.ranked, self.slot.start)

    @property
    def is_go(self) -> bool:
        """Whether its slot is go."""
        return self.slot.grade is Grade.GO

    @property
    def quarters(self) -> range:
        """The quarters of an hour since 1970 that it overlaps; lessons start on full ones."""
        first, last = self.slot.start.timestamp(), self.slot.end.timestamp()
        return range(int(first // _QUARTER), int(-(-last // _QUARTER)))


class Occupancy:
    """What a set of offers takes up, and what still fits beside them.

    ``capacity``: of resources and stocks, 1 where none is told.
    """

    def __init__(self, capacity: Mapping[str, int], taken: Iterable[Offer] = ()) -> None:
        self.capacity = capacity
        self.taken: Counter[object] = Counter()
        for offer in taken:
            self.add(offer)

    def add(self, offer: Offer) -> None:
        """Take an offer up."""
        for key, amount, _ in _claims(offer):
            self.taken[key] += amount

    def remove(self, offer: Offer) -> None:
        """Give one back that was taken."""
        for key, amount, _ in _claims(offer):
            self.taken[key] -= amount

    def fits(self, offer: Offer) -> bool:
        """Whether an offer can be taken beside the others."""
        return all(
            self.taken[key] + amount <= self.capacity.get(name, 1)
            for key, amount, name in _claims(offer)
        )


def _claims(offer: Offer) -> Iterator[tuple[object, int, str]]:
    """What an offer claims: key, amount and the name whose capacity counts."""
    for name, amount in offer.uses.items():
        yield name, amount, name
    for name, amount in offer.takes.items():
        for quarter in offer.quarters:
            yield (name, quarter), amount, name
