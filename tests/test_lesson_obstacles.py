"""Law: what stands in the way of a lesson, each obstacle alone on hours made by hand.

Figures are those of rules/lessons.yaml (common practice, no source); where a number is expected it
is worked out beside the check. Clearing of fog: science notes 3.2 ("winter 3-6 h or all day").
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hours import MID, SITE
from hypothesis import given, settings
from hypothesis import strategies as st
from lesson_world import BEGIN, HOUR, brief_by_hand, ground, school, student

from wxgate.brief import Brief
from wxgate.lessons.fog import mornings
from wxgate.lessons.ground import Ground
from wxgate.lessons.planning import find, flown_as, make_plan
from wxgate.lessons.records import Batteries, Blocked, Instructor, LocalSpan, Slot, Student
from wxgate.lessons.slots import slots
from wxgate.profiles import Skill
from wxgate.rulebook import Rulebook
from wxgate.verdict import Grade

pytestmark = pytest.mark.law

UTC_ZONE = ZoneInfo("UTC")
NAN = float("nan")
LIGHT = replace(MID, id="light")


def laid(place: Ground, who: Student | None = None, **more: Any) -> dict[datetime, Slot | Blocked]:
    found, blocked = slots(place, who or student(), UTC_ZONE, **more)
    return {x.start: x for x in (*found, *blocked)}


def word(one: Slot | Blocked) -> str:
    return one.grade.word if isinstance(one, Slot) else one.word


def at(hour: int, minute: int = 0) -> datetime:
    return BEGIN.replace(hour=hour, minute=minute)


# ---------------------------------------------------------------------- thunder


def test_thunder_within_the_guard_blocks_and_beyond_it_does_not() -> None:
    """A lesson at 09:00 flies 09:25-09:45; with an hour of guard the hours 08 to 10 count."""
    for hour, expected in ((7, "go"), (8, "thunder"), (10, "thunder"), (11, "go")):
        chances = [0.0] * 13
        chances[hour - 6] = 0.2
        # The value stands at both ends of neighbouring hours: let it be that of the hour alone.
        brief = hourly(brief_by_hand(), "thunder_probability", chances[:12])
        assert word(laid(ground(brief))[at(9)]) == expected, hour


def test_a_chance_just_below_the_limit_flies() -> None:
    below = hourly(brief_by_hand(), "thunder_probability", [0.199] * 12)
    assert word(laid(ground(below))[at(9)]) == "go"
    at_it = hourly(brief_by_hand(), "thunder_probability", [0.2] * 12)
    assert word(laid(ground(at_it))[at(9)]) == "thunder"


def hourly(brief: Brief, name: str, values: list[float]) -> Brief:
    """The brief with a quantity that stands for whole hours."""
    import numpy as np

    from wxgate.forecast import make_field
    from wxgate.quantities import Kind

    one = brief.forecasts[0]
    padded = np.asarray([*values, *[0.0] * (one.time.size - len(values))])
    field = make_field(name, padded, kind=Kind.MAXIMUM)
    return replace(brief, forecasts=(one.with_fields({name: field}),))


@pytest.mark.parametrize(
    ("declared", "expected"),
    [(Grade.MARGINAL, "marginal"), (Grade.UNKNOWN, "thunder"), (Grade.NO_GO, "thunder"),
     (None, "marginal"), (Grade.GO, "marginal")],
)  # fmt: skip
def test_missing_thunder_is_worth_what_the_rules_declare(
    declared: Grade | None, expected: str
) -> None:
    """In the guard before the brief begins; missing is never go."""
    brief = brief_by_hand(beside=2)
    rules = tuple(replace(r, missing=declared) if r.quantity == "thunder_probability" else r
                  for r in brief.rulebook.rules)  # fmt: skip
    assert rules != brief.rulebook.rules or declared is Grade.MARGINAL
    book: Rulebook = replace(brief.rulebook, rules=rules)
    lost = hourly(replace(brief, rulebook=book), "thunder_probability",
                  [0.0, NAN, *[0.0] * 14])  # fmt: skip
    # 06:00 flies 06:25; its guard reaches back to 05:25, into the hour that is lost.
    assert word(laid(ground(lost, padding=timedelta(0)))[at(6)]) == expected
    assert word(laid(ground(lost))[at(9)]) == "go"


# ---------------------------------------------------------------------- fog


def winter(points: list[float]) -> Ground:
    """21 December at 52 N from 06:00 UTC; the sun rises at 08:07 and stands at 14.6 at noon."""
    begin = datetime(2026, 12, 21, 6, tzinfo=UTC)
    site = replace(SITE, latitude=52.0, longitude=0.0)
    return ground(brief_by_hand(begin=begin, site=site, fog_points=points))


def test_fog_blocks_until_the_sun_has_cleared_it() -> None:
    """1 June, 50 N: the noon sun at 62 degrees clears it in 1.5 h (science notes 3.2: 1-2 h)."""
    rise = datetime(2026, 6, 1, 3, 20, tzinfo=UTC)
    begin = datetime(2026, 6, 1, 1, tzinfo=UTC)
    foggy = brief_by_hand(begin=begin, fog_points=[5.0] * 4 + [0.0] * 9)
    (fog,) = mornings(foggy, ground().policy)
    assert fog.clear - rise.timestamp() == pytest.approx(1.5 * 3600, abs=900)
    found = laid(ground(foggy))
    words = {s.hour * 60 + s.minute: word(x) for s, x in found.items()}
    assert words[4 * 60] == "fog"  # flies 04:25
    assert words[5 * 60] == "go"  # flies 05:25
    clear = brief_by_hand(begin=begin, fog_points=[4.9] * 13)
    assert not mornings(clear, ground().policy)


@pytest.mark.parametrize(
    ("morning", "first"),
    [
        ([0.0] * 10, "14:07"),  # the night alone is foggy: six hours after sunrise
        ([5.0, *[0.0] * 9], None),  # at 09:00 it is likely still
        ([0.0, NAN, *[0.0] * 8], None),  # it cannot be told
        ([4.9, 4.9, *[0.0] * 8], "14:07"),
    ],
)
def test_under_a_low_winter_sun_the_morning_tells_whether_it_stays(
    morning: list[float], first: str | None
) -> None:
    # 06, 07, 08 are foggy; their values stand at instants, so that 08-09 ends with the first.
    place = winter([5.0, 5.0, 5.0, *morning])
    free = [x.flying_start for x in laid(place).values() if isinstance(x, Slot)]
    if first is None:
        assert not free
    else:
        assert min(free).strftime("%H:%M") >= first
        assert min(free) < datetime(2026, 12, 21, 14, 30, tzinfo=UTC)


def test_fog_of_the_night_that_cannot_be_told_counts() -> None:
    place = winter([NAN, *[0.0] * 12])
    assert "fog" in {word(x) for x in laid(place).values()}


# ---------------------------------------------------------------------- batteries


def packs_needed(who: Student, place: Ground, packs: int) -> str | int:
    one = laid(place, who, packs={MID.id: packs})[at(9)]
    return dict(one.packs)[MID.id] if isinstance(one, Slot) else one.word


def test_packs_last_down_to_the_reserve() -> None:
    """1500 s less 30 % are 17.5 min: 20 min need two packs, 36 min need three."""
    assert packs_needed(student(), ground(), 2) == 2
    assert packs_needed(student(), ground(), 1) == "batteries"
    assert packs_needed(student(minutes=36), ground(), 3) == 3
    assert packs_needed(student(minutes=36), ground(), 2) == "batteries"


def test_a_cold_pack_counts_by_its_worst_hour() -> None:
    """At half the flight time in the padding alone (08:00), 20 min need three packs of 8.75."""
    cold = ground(brief_by_hand(usable_flight_time=[1500.0] * 2 + [750.0] + [1500.0] * 10))
    assert packs_needed(student(), cold, 3) == 3
    unknown = ground(brief_by_hand(usable_flight_time=[1500.0] * 3 + [NAN] + [1500.0] * 9))
    assert packs_needed(student(), unknown, 99) == "batteries"


# ---------------------------------------------------------------------- how sure


def with_chance(brief: Brief, share: float | None) -> Brief:
    told = SimpleNamespace(session=lambda start, end: share)
    return replace(brief, chances=told)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("skill", "needed"),
    [(Skill.FIRST_FLIGHT, 0.6), (Skill.NOVICE, 0.6), (Skill.INTERMEDIATE, 0.5),
     (Skill.EXPERIENCED, 0.4)],
)  # fmt: skip
def test_a_lesson_has_to_be_sure_enough_for_the_skill(skill: Skill, needed: float) -> None:
    for share, expected in ((needed, "go"), (needed - 0.001, "chance"), (NAN, "marginal")):
        brief = with_chance(brief_by_hand(skill=skill), share)
        one = laid(ground(brief), student(skill=skill))[at(9)]
        assert word(one) == expected
        if isinstance(one, Slot) and expected == "go":
            assert (one.chance, one.chance_needed) == (share, needed)


def test_a_chance_that_cannot_be_told_takes_the_go_away() -> None:
    one = laid(ground(with_chance(brief_by_hand(), None)))[at(9)]
    assert word(one) == "marginal"
    assert isinstance(one, Slot)
    assert "cannot be told" in one.notes[0]


def test_the_chance_asked_for_is_that_of_the_padded_flying_part() -> None:
    asked = []
    told = SimpleNamespace(session=lambda start, end: asked.append((start, end)) or 0.9)
    laid(ground(replace(brief_by_hand(), chances=told)))  # type: ignore[arg-type]
    assert (at(8, 55), at(10, 15)) in asked  # 09:00: flies 09:25-09:45


# ---------------------------------------------------------------------- groups


def group() -> Student:
    return student("pair", flown=(("light", 20), (MID.id, 20)), aircraft="light", members=("x",))


@pytest.mark.parametrize("worse", [0, 1])
@pytest.mark.parametrize(
    ("series", "expected"),
    [({"thunder_probability": 0.3}, "thunder"), ({"thunder_probability": NAN}, "marginal"),
     ({"usable_flight_time": NAN}, "batteries"), ({"usable_flight_time": 60.0}, "batteries"),
     ({"grades": [Grade.NO_GO] * 12}, "limits"), ({"grades": [Grade.UNKNOWN] * 12}, "unknown"),
     ({"grades": [Grade.MARGINAL] * 12}, "marginal"), ({}, "go")],
)  # fmt: skip
def test_of_a_group_the_worst_aircraft_rules_whichever_it_is(
    worse: int, series: dict[str, Any], expected: str
) -> None:
    crafts = [LIGHT, MID]
    briefs = [brief_by_hand(aircraft=c, **(series if n == worse else {}))
              for n, c in enumerate(crafts)]  # fmt: skip
    place = ground(*briefs)
    one = laid(place, group(), packs={"light": 9, MID.id: 9})[at(9)]
    assert word(one) == expected


def test_of_a_group_the_worst_criteria_and_the_least_chance_count() -> None:
    """The one in the wind is unsteady, the other cold; both count, and the smaller chance."""
    cold = with_chance(brief_by_hand(aircraft=LIGHT, wind_chill=263.0), 0.7)
    windy = with_chance(brief_by_hand(glare_angle=10.0), 0.8)
    both = laid(ground(cold, windy), group())[at(9)]
    alone = [laid(ground(b))[at(9)] for b in (cold, windy)]
    assert isinstance(both, Slot)
    assert both.chance == 0.7
    for one in alone:
        assert isinstance(one, Slot)
        assert all(a >= b for a, b in
                   zip(both.criteria.ranked, one.criteria.ranked, strict=True))  # fmt: skip
    assert both.criteria.comfort > 0
    assert both.criteria.glare > 0


def test_of_a_group_each_aircraft_has_packs_of_its_own() -> None:
    place = ground(brief_by_hand(aircraft=LIGHT), brief_by_hand())
    who = replace(group(), flown=(("light", 20), (MID.id, 36)), minutes=36)
    one = laid(place, who, packs={"light": 2, MID.id: 3})[at(9)]
    assert isinstance(one, Slot)
    assert one.packs == (("light", 2), (MID.id, 3))
    for packs in ({"light": 1, MID.id: 3}, {"light": 2, MID.id: 2}):
        assert word(laid(place, who, packs=packs)[at(9)]) == "batteries"


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from(list(Grade)), min_size=12, max_size=12),
       st.lists(st.sampled_from(list(Grade)), min_size=12, max_size=12))  # fmt: skip
def test_a_second_aircraft_never_adds_a_slot(one: list[Grade], other: list[Grade]) -> None:
    first, second = brief_by_hand(one, aircraft=LIGHT), brief_by_hand(other)
    alone = {s: x.grade for s, x in laid(ground(first)).items() if isinstance(x, Slot)}
    both = {s: x.grade for s, x in laid(ground(first, second)).items() if isinstance(x, Slot)}
    assert all(s in alone and grade >= alone[s] for s, grade in both.items())


# ---------------------------------------------------------------------- who teaches


def key(skill: Skill = Skill.NOVICE) -> tuple[str, tuple[str, ...], Skill, float]:
    return (SITE.id, (MID.id,), skill, 30.0)


@pytest.mark.parametrize(
    ("skill", "teacher", "dual", "expected"),
    [
        (Skill.FIRST_FLIGHT, Skill.EXPERIENCED, True, Skill.NOVICE),  # one row, not more
        (Skill.FIRST_FLIGHT, Skill.EXPERIENCED, False, Skill.FIRST_FLIGHT),
        (Skill.NOVICE, Skill.NOVICE, True, Skill.NOVICE),  # the teacher has not that row
        (Skill.NOVICE, Skill.INTERMEDIATE, True, Skill.INTERMEDIATE),
        (Skill.EXPERIENCED, Skill.EXPERIENCED, True, Skill.EXPERIENCED),  # there is none above
    ],
)
def test_dual_control_lifts_by_one_row(
    skill: Skill, teacher: Skill, dual: bool, expected: Skill
) -> None:
    """Science notes 2.6: the instructor's skill lifts one row, for dual-control flights alone."""
    who = student(skill=skill, dual_control=dual)
    assert flown_as(who, Instructor("t", "t", teacher)) is expected


def test_a_lesson_lies_within_the_instructors_time() -> None:
    """Monday 08:00-10:00 UTC holds starts 08:00 to 09:05: a lesson of 20 min takes 55."""
    there = LocalSpan(frozenset({0}), time(8), time(10))
    teacher = Instructor("t", "t", Skill.EXPERIENCED, available=(there,))
    (found,) = find(school([student()], {key(): ground()}, [teacher]))
    begins = sorted(o.slot.start for o in found.offers)
    assert (begins[0], begins[-1]) == (at(8), at(9))
    assert "instructor" in {b.word for b in found.blocked}
    tuesday = replace(teacher, available=(replace(there, days=frozenset({1})),))
    (none,) = find(school([student()], {key(): ground()}, [tuesday]))
    assert not none.offers


def test_a_shared_aircraft_is_flown_by_one_at_a_time() -> None:
    teachers = [Instructor(t, t, Skill.EXPERIENCED) for t in "tu"]
    many = [student(n) for n in "abcd"]
    for count in (1, 2):
        capacity = {f"field:{SITE.id}": 9, f"aircraft:{MID.id}": count}
        plan, _ = make_plan(
            school(many, {key(): ground()}, teachers, capacity=capacity), "p", now=BEGIN
        )
        most = max(sum(y.start <= x.start < y.end for y in plan.lessons) for x in plan.lessons)
        assert len(plan.lessons) == 4
        assert most == count


def test_packs_of_the_day_bound_the_lessons_of_a_day() -> None:
    """Two packs a lesson of 20 min: of five without a charger two lessons can be flown."""
    many = [student(n) for n in "abc"]
    for charger, expected in ((False, 2), (True, 3)):
        stock = Batteries(MID.id, 5, charger)
        plan, _ = make_plan(school(many, {key(): ground()}, batteries=[stock]), "p", now=BEGIN)
        assert len(plan.lessons) == expected
        assert all("packs" in why for _, why in plan.unassigned)


def test_the_weakest_fly_in_the_go_hours_and_the_plan_says_so() -> None:
    grades = [Grade.GO] * 3 + [Grade.MARGINAL] * 9  # one start alone is go: 06:00 to 06:55
    grounds = {key(s): ground(brief_by_hand(grades, skill=s, margin=0.1 if s is Skill.NOVICE
                                            else 0.9)) for s in Skill}  # fmt: skip
    many = [student("weak"), student("able", skill=Skill.EXPERIENCED)]
    plan, _ = make_plan(school(many, grounds), "p", now=BEGIN)
    lessons = {x.student.id: x for x in plan.lessons}
    assert lessons["weak"].grade is Grade.GO
    if lessons["able"].grade is Grade.MARGINAL:
        assert "weak" in lessons["able"].choice
        assert "weaker skill" in lessons["able"].choice
    assert "go times are given to the weakest skill first" in plan.notes
    anyhow, _ = make_plan(school(many, grounds, weakest_first=False), "p", now=BEGIN)
    assert not any("weakest" in note for note in anyhow.notes)


def test_no_go_hours_give_no_plan_and_say_why() -> None:
    shut = ground(brief_by_hand([Grade.NO_GO] * 12))
    plan, _ = make_plan(school([student()], {key(): shut}), "p", now=BEGIN)
    assert not plan.lessons
    ((_, why),) = plan.unassigned
    assert why.startswith("limits: ")


def test_a_lesson_beyond_the_forecast_is_no_slot() -> None:
    place = ground()
    last = max(s for s, x in laid(place).items() if isinstance(x, Slot))
    policy = place.policy
    over = last + policy.flying_after() + timedelta(minutes=20) + policy.padding
    assert BEGIN + 12 * HOUR - timedelta(minutes=15) < over <= BEGIN + 12 * HOUR
