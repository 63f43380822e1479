"""Truth: the assignment against brute force on hundreds of small schools.

Source: brute force tries every way of giving students offers; it shares no code with the solver
(independent). Plans of two or three students are solved by hand. The objective (bottleneck first,
then total) is that of the science notes, section 9.
"""

from __future__ import annotations

import itertools
import random
from collections import Counter
from datetime import UTC, datetime, timedelta

import pytest

from wxgate.lessons import Criteria, Slot
from wxgate.lessons.assignment import assign
from wxgate.lessons.offers import Occupancy, Offer
from wxgate.verdict import Grade

pytestmark = pytest.mark.truth

BEGIN = datetime(2026, 6, 1, 8, tzinfo=UTC)
QUARTER = timedelta(minutes=15)
MARGINAL_BELOW = 1_000_000
CAPACITY = {"field:f": 2, "packs:now": 4, "packs:a:day": 5}
Aims = tuple[tuple[int, ...], int, int]


def slot(start: int, quarters: int, level: int, steadiness: int = 0, *, go: bool = True) -> Slot:
    begin = BEGIN + start * QUARTER
    end = begin + quarters * QUARTER
    grade = Grade.GO if go else Grade.MARGINAL
    return Slot(begin, begin, end, end, grade, level * 0.05, "r", None,
                Criteria(steadiness, 0, 0, 0), level=level - MARGINAL_BELOW * (not go))  # fmt: skip


def offers_of(rng: random.Random, *, equal: bool) -> list[Offer]:
    """A small school: up to four students, two instructors, shared aircraft, field and packs."""
    teachers = ["t1"] if equal else ["t1", "t2"][: rng.randint(1, 2)]
    found = []
    for n in range(rng.randint(1, 4)):
        craft = f"aircraft:a{rng.randint(0, 1)}"
        length = 3 if equal else rng.randint(2, 5)
        for at in rng.sample(range(0, 12, 3 if equal else 1), rng.randint(0, 3)):
            one = slot(at, length, rng.randint(0, 4), rng.randint(0, 2), go=rng.random() < 0.6)
            for teacher in teachers:
                takes = {f"instructor:{teacher}": 1, craft: 1}
                if not equal:
                    takes |= {"field:f": 1, "packs:now": rng.randint(1, 3)}
                uses = {"packs:a:day": rng.randint(1, 3)} if rng.random() < 0.3 else {}
                found.append(Offer(f"s{n}", one, teacher, takes, uses))
    return found


def possible(taken: list[Offer]) -> bool:
    """Whether no resource is taken more often than there is of it, minute by minute."""
    for stock, used in Counter(
        {s: sum(o.uses.get(s, 0) for o in taken) for s in {s for o in taken for s in o.uses}}
    ).items():
        if used > CAPACITY.get(stock, 1):
            return False
    for minute in range(0, 24 * 60, 5):
        now = BEGIN + timedelta(minutes=minute)
        there = [o for o in taken if o.slot.start <= now < o.slot.end]
        for name in {n for o in there for n in o.takes}:
            if sum(o.takes.get(name, 0) for o in there) > CAPACITY.get(name, 1):
                return False
    return True


def aims(offers: list[Offer], taken: list[Offer], skills: dict[str, int]) -> Aims:
    """Lessons and go lessons by skill, the tightest, and the total of places; more is better."""
    keys = sorted({(-o.slot.level, o.slot.criteria, o.slot.start) for o in offers})
    go = Counter(skills[o.student] for o in taken if o.slot.grade is Grade.GO and skills)
    counts = (len(taken), *(go[skill] for skill in sorted(set(skills.values()))))
    total = sum(keys.index((-o.slot.level, o.slot.criteria, o.slot.start)) for o in taken)
    return counts, min((o.slot.level for o in taken), default=0), -total


def brute(offers: list[Offer], skills: dict[str, int]) -> Aims:
    by_student: dict[str, list[Offer | None]] = {}
    for o in offers:
        by_student.setdefault(o.student, [None]).append(o)
    choices = ([o for o in c if o is not None] for c in itertools.product(*by_student.values()))
    return max((aims(offers, c, skills) for c in choices if possible(c)),
               default=aims([], [], skills))  # fmt: skip


@pytest.mark.parametrize("equal", [True, False])
@pytest.mark.parametrize("weakest_first", [True, False])
def test_no_other_assignment_is_better(equal: bool, weakest_first: bool) -> None:
    rng = random.Random(5 + equal + 2 * weakest_first)
    placed = 0
    for case in range(150):
        offers = offers_of(rng, equal=equal)
        skills = {f"s{n}": rng.randint(0, 2) for n in range(4)} if weakest_first else {}
        taken = list(assign(offers, capacity=CAPACITY, skills=skills).taken.values())
        assert possible(taken), case
        assert aims(offers, taken, skills) == brute(offers, skills), case
        placed += len(taken)
    assert placed > 150


def test_a_plan_brought_down_is_possible_and_nobody_alone_can_do_better() -> None:
    """What is promised of plans that are too large to be weighed whole."""
    rng = random.Random(17)
    for case in range(150):
        offers = offers_of(rng, equal=False)
        given = assign(offers, capacity=CAPACITY, most_offers=3)
        taken = list(given.taken.values())
        assert possible(taken), case
        assert len(taken) <= brute(offers, {})[0][0]
        for offer in offers:
            had = given.taken.get(offer.student)
            if had is None or offer.rank < had.rank:
                others = [o for o in taken if o is not had]
                assert not possible([*others, offer]), case


def test_what_fits_is_what_is_possible() -> None:
    rng = random.Random(19)
    seen = Counter[bool]()
    for _ in range(200):
        offers = offers_of(rng, equal=False)
        if len(offers) < 2:
            continue
        *others, last = rng.sample(offers, min(3, len(offers)))
        if not possible(others):
            continue
        fits = Occupancy(CAPACITY, others).fits(last)
        assert fits == possible([*others, last])
        seen[fits] += 1
    assert min(seen[True], seen[False]) > 20


def test_the_order_of_the_file_does_not_matter() -> None:
    rng = random.Random(11)
    for _ in range(60):
        offers = offers_of(rng, equal=rng.random() < 0.5)
        shuffled = offers[:]
        rng.shuffle(shuffled)
        one, other = (assign(o, capacity=CAPACITY).taken for o in (offers, shuffled))
        assert one == other


def test_another_student_never_widens_the_tightest_lesson_of_as_many() -> None:
    """For the plan as a whole: one student's own slot may become better when others move."""
    rng = random.Random(13)
    seen = 0
    for _ in range(120):
        offers = offers_of(rng, equal=False)
        names = sorted({o.student for o in offers})
        if len(names) < 2:
            continue
        fewer = [o for o in offers if o.student != names[-1]]
        before = assign(fewer, capacity=CAPACITY).taken
        after = {s: o for s, o in assign(offers, capacity=CAPACITY).taken.items()
                 if s != names[-1]}  # fmt: skip
        assert len(after) <= len(before)
        if before and len(after) == len(before):
            seen += 1
            tightest = min(o.slot.level for o in after.values())
            assert tightest <= min(o.slot.level for o in before.values())
    assert seen > 20


def test_of_equals_the_one_cancelled_last_comes_first() -> None:
    early, late = slot(0, 3, 4), slot(3, 3, 4, 1)
    takes = {"instructor:t": 1}
    for first, second in (("a", "b"), ("b", "a")):
        offers = [Offer(s, x, "t", takes) for s in "ab" for x in (early, late)]
        taken = assign(offers, cancelled={first: 9, second: 1}).taken
        assert (taken[first].slot, taken[second].slot) == (early, late)


def test_the_weakest_has_the_go_time_and_is_not_left_out_for_it() -> None:
    """Go for the weakest comes after the number of lessons and before the room of all."""
    go, marginal = slot(0, 3, 1), slot(3, 3, 9, go=False)
    takes = {"instructor:t": 1}
    offers = [Offer(s, x, "t", takes) for s in "ab" for x in (go, marginal)]
    for weak, strong in (("a", "b"), ("b", "a")):
        taken = assign(offers, skills={weak: 0, strong: 3}).taken
        assert (taken[weak].slot, taken[strong].slot) == (go, marginal)
    # The weak one has a marginal time as well, the strong one the go time alone: both fly.
    offers = [Offer("weak", go, "t", takes), Offer("weak", marginal, "t", takes),
              Offer("strong", go, "t", takes)]  # fmt: skip
    taken = assign(offers, skills={"weak": 0, "strong": 3}).taken
    assert {s: o.slot.grade.word for s, o in taken.items()} == {"weak": "marginal", "strong": "go"}


def test_packs_of_the_day_are_not_flown_twice() -> None:
    offers = [Offer(s, slot(n * 3, 3, 4), "t", {"instructor:t": 1}, {"packs:a:day": 2})
              for n, s in enumerate("abc")]  # fmt: skip
    assert len(assign(offers, capacity={"packs:a:day": 5}).taken) == 2
    assert len(assign(offers, capacity={"packs:a:day": 6}).taken) == 3


def test_packs_on_a_charger_are_not_flown_by_two_at_once() -> None:
    offers = [Offer(s, slot(n, 3, 4), s, {f"instructor:{s}": 1, "packs:a": 2})
              for n, s in enumerate("ab")]  # fmt: skip
    assert len(assign(offers, capacity={"packs:a": 3}).taken) == 1
    assert len(assign(offers, capacity={"packs:a": 4}).taken) == 2
    later = [offers[0], Offer("b", slot(3, 3, 4), "b", {"instructor:b": 1, "packs:a": 2})]
    assert len(assign(later, capacity={"packs:a": 3}).taken) == 2


def test_an_aircraft_of_which_there_are_two_flies_twice_at_once() -> None:
    offers = [Offer(s, slot(0, 3, 4), s, {f"instructor:{s}": 1, "aircraft:a": 1}) for s in "abc"]
    assert len(assign(offers).taken) == 1
    assert len(assign(offers, capacity={"aircraft:a": 2}).taken) == 2
