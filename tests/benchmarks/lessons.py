"""A plan of 200 students over 14 days against a bare assignment of the same size.

``python tests/benchmarks/lessons.py [--small]``: against scipy's linear_sum_assignment on a random
matrix of students by instructor slots, which knows nothing of grades, skills or shared aircraft.
Weather is random.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from scipy.optimize import linear_sum_assignment

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.measure import Row, in_turn, tell

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


def rows(*, small: bool = False) -> Iterator[Row]:
    """One instructor; two of them, and aircraft that students share."""
    students, days = (20, 3) if small else (200, 14)
    for name, teachers, shared in (
        ("one instructor", 1, False),
        ("two instructors, aircraft shared", 2, True),
    ):
        given = offers(students, days, teachers, shared=shared)
        # Four skills; every third student was cancelled some days ago.
        names = {o.student: int(o.student[1:]) for o in given}
        skills = {s: n % 4 for s, n in names.items()}
        cancelled = {s: n for s, n in names.items() if n % 3 == 0}
        matrix = np.random.default_rng(1).random((students, days * 12 * teachers + students))
        mine, bare = in_turn(
            1 if small else 5,
            lambda g=given, s=skills, c=cancelled: assign(g, skills=s, cancelled=c),
            lambda m=matrix: linear_sum_assignment(m),
        )  # fmt: skip
        yield Row(f"lessons of {students} students over {days} days, {name}", mine / bare,
                  "a bare assignment of that size", mine, f"{len(given)} offers")  # fmt: skip


if __name__ == "__main__":
    tell(rows(small="--small" in sys.argv))
