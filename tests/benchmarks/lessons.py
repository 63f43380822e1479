"""A plan of 200 students over 14 days against a bare assignment of the same size.

``python tests/benchmarks/lessons.py [--quick]``: the ratio to scipy's linear_sum_assignment on a
random matrix of students by instructor slots, and the seconds. Weather is random; no time is
asserted.
"""

from __future__ import annotations

import random
import sys
import time
from datetime import UTC, datetime, timedelta

import numpy as np
from scipy.optimize import linear_sum_assignment

from wxgate.lessons import Criteria, Slot
from wxgate.lessons.assignment import assign
from wxgate.lessons.offers import Offer
from wxgate.verdict import Grade

BEGIN = datetime(2026, 6, 1, tzinfo=UTC)


def offers(students: int, days: int, teachers: int, *, shared: bool) -> list[Offer]:
    """Every quarter from 07 to 18 UTC of some days, each flyable by four in ten; 55 minutes."""
    rng = random.Random(1)
    found = []
    for day in range(days):
        for quarter in range(28, 72):
            start = BEGIN + timedelta(days=day, minutes=15 * quarter)
            end = start + timedelta(minutes=55)
            for n in range(students):
                if rng.random() > 0.4:
                    continue
                room, go = rng.randint(0, 15), rng.random() < 0.7
                level = room if go else room - 1_000_000
                grade, criteria = Grade(not go), Criteria(rng.randint(0, 20), 0, 0, 0)
                one = Slot(start, start, end, end, grade, room / 20, "r", None, criteria,
                           level=level)  # fmt: skip
                for t in range(teachers):
                    takes = {f"instructor:{t}": 1}
                    takes |= {f"aircraft:{n % 5}": 1} if shared else {}
                    found.append(Offer(f"s{n:03}", one, f"t{t}", takes))
    return found


def main(quick: bool = False) -> list[tuple[str, float, float]]:
    """Print and give what was measured: the case, the ratio, the seconds."""
    students, days = (20, 3) if quick else (200, 14)
    rows = []
    for name, teachers, shared in (
        ("one instructor", 1, False),
        ("two instructors, aircraft shared", 2, True),
    ):
        given = offers(students, days, teachers, shared=shared)
        start = time.perf_counter()
        # Four skills; every third student was cancelled some days ago.
        names = {o.student: int(o.student[1:]) for o in given}
        plan = assign(
            given, skills={s: n % 4 for s, n in names.items()},
            cancelled={s: n for s, n in names.items() if n % 3 == 0},
        )  # fmt: skip
        took = time.perf_counter() - start
        matrix = np.random.default_rng(1).random((students, days * 12 * teachers + students))
        start = time.perf_counter()
        linear_sum_assignment(matrix)
        bare = time.perf_counter() - start
        rows.append((name, took / bare, took))
        print(f"{name}: {students} students, {days} days, {len(given)} offers, "
              f"{len(plan.taken)} placed: {took:.2f} s, {took / bare:.0f} times a bare assignment"
              f"{''.join('; ' + n for n in plan.notes)}")  # fmt: skip
    return rows


if __name__ == "__main__":
    main("--quick" in sys.argv)
