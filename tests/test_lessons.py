"""Truth: lesson times against the civil calendar, and what no lesson may touch.

Source: days of 23 and 25 hours by Directive 2000/84/EC (last Sundays of March and October), from
memory; clock times by hand.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hours import demonstration_brief
from lesson_world import policy

from wxgate.lessons import LocalSpan, Student
from wxgate.lessons.ground import Ground
from wxgate.lessons.planning import deadlines
from wxgate.lessons.slots import inside, slots, starts
from wxgate.profiles import Skill
from wxgate.verdict import Grade

pytestmark = pytest.mark.truth

QUARTER = timedelta(minutes=15)


# ---------------------------------------------------------------------- local time


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [("Europe/London", (2025, 10, 26), 25), ("Europe/London", (2026, 3, 29), 23),
     ("Asia/Kathmandu", (2026, 6, 1), 24), ("Australia/Lord_Howe", (2026, 4, 5), 24.5),
     ("Pacific/Auckland", (2026, 9, 27), 23)],
)  # fmt: skip
def test_a_local_day_has_as_many_starts_as_it_has_steps(
    zone: str, day: tuple[int, int, int], hours: float
) -> None:
    tz = ZoneInfo(zone)
    first = datetime(*day, tzinfo=tz).astimezone(UTC)
    last = (datetime(*day, tzinfo=tz) + timedelta(days=1)).astimezone(UTC)
    brief = demonstration_brief()
    begin = first.replace(minute=0) - timedelta(hours=1)
    spans = [replace(brief.hours[0], start=begin + timedelta(hours=n),
                     end=begin + timedelta(hours=n + 1)) for n in range(28)]  # fmt: skip
    moved = replace(brief, hours=tuple(spans), now=begin)
    found = [s for s in starts(moved.hours, begin, QUARTER, tz) if first <= s < last]
    assert len(found) == hours * 4
    assert len(set(found)) == len(found)


def test_a_decision_is_told_by_the_local_clock() -> None:
    """Date line: 2 July 07:00 in Taveuni (UTC+12) is 1 July 19:00 UTC."""
    tz = ZoneInfo("Pacific/Fiji")
    start = datetime(2026, 7, 1, 21, tzinfo=UTC)
    look, decide = deadlines(start, tz, policy(), start - timedelta(days=2))
    assert look.astimezone(tz) == datetime(2026, 7, 1, 18, tzinfo=tz)
    assert decide.astimezone(tz) == datetime(2026, 7, 2, 6, tzinfo=tz)
    early = start - timedelta(hours=2)  # 07:00 local: two hours before is 05:00
    assert deadlines(early, tz, policy(), start - timedelta(days=2))[1] == early - timedelta(
        hours=2
    )


def test_a_span_is_local_and_closed_at_its_end() -> None:
    tz = ZoneInfo("Asia/Kathmandu")
    morning = (LocalSpan(frozenset({0}), time(9), time(12)),)
    begin = datetime(2026, 6, 1, 9, tzinfo=tz)  # a Monday
    assert inside(morning, begin, begin + timedelta(hours=3), tz)
    assert not inside(morning, begin, begin + timedelta(hours=3, minutes=15), tz)
    assert not inside(morning, begin + timedelta(days=1), begin + timedelta(days=1, hours=1), tz)


# ---------------------------------------------------------------------- on graded hours


def student(minutes: int = 20) -> Student:
    return Student("a", "a", Skill.NOVICE, "light-249g", minutes, height=60.0)


@pytest.mark.law
def test_no_slot_touches_an_hour_that_is_not_go_or_marginal() -> None:
    ground = Ground((demonstration_brief(),), policy())
    found, blocked = slots(ground, student(), ZoneInfo("Europe/London"))
    assert found
    assert blocked
    pad = ground.policy.padding
    for one in found:
        since, until = one.flying_start - pad, one.flying_end + pad
        touched = [v for v in ground.brief.hours if v.start < until and v.end > since]
        assert one.grade >= max(v.grade for v in touched)
        assert one.grade <= Grade.MARGINAL
        assert touched[0].start <= one.flying_start - pad
        assert touched[-1].end >= one.flying_end + pad


@pytest.mark.law
@pytest.mark.parametrize("grade", [Grade.NO_GO, Grade.UNKNOWN])
def test_worse_hours_never_add_a_slot(grade: Grade) -> None:
    brief = demonstration_brief()
    zone = ZoneInfo("Europe/London")
    before = {s.start for s in slots(Ground((brief,), policy()), student(), zone)[0]}
    for n in range(12):
        hours = [replace(v, grade=max(v.grade, grade)) if i == n else v
                 for i, v in enumerate(brief.hours)]  # fmt: skip
        worse = Ground((replace(brief, hours=tuple(hours)),), policy())
        assert {s.start for s in slots(worse, student(), zone)[0]} <= before
    nothing = [replace(v, grade=grade) for v in brief.hours]
    assert not slots(Ground((replace(brief, hours=tuple(nothing)),), policy()), student(), zone)[0]


def test_polar_night_is_told_as_no_daylight() -> None:
    """Tromso on 21 December: the sun stays below the horizon (noon elevation about -3 degrees)."""
    brief = demonstration_brief()
    begin = datetime(2026, 12, 21, 0, tzinfo=UTC)
    hours = [replace(brief.hours[4], grade=Grade.GO, start=begin + timedelta(hours=n),
                     end=begin + timedelta(hours=n + 1)) for n in range(24)]  # fmt: skip
    site = replace(brief.site, latitude=69.65, longitude=18.96)
    night = replace(brief, hours=tuple(hours), now=begin, site=site)
    found, blocked = slots(Ground((night,), policy()), student(), ZoneInfo("Europe/Oslo"))
    assert not found
    assert "no daylight" in {b.word for b in blocked}
    assert {b.word for b in blocked} <= {"no daylight", "unknown"}
