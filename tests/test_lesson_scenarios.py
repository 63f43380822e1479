"""Truth: lesson slots of whole forecasts, as the scenario table of the science notes has them.

Source: wxgate science notes, section 11, scenarios 13 to 16 (computed by us); the weather
is that of tests/scenario_table.py, graded by every rule that ships. The five days are ours.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lesson_world import graded, policy, rulebook, student
from scenario_table import DATE_LINE, MID, MINI, POLAR_DAY, POLAR_NIGHT, SOUTH, SUMMER_TIME
from scenarios import Cast, Scenario, write_file

from wxgate.lessons.ground import Ground
from wxgate.lessons.planning import deadlines
from wxgate.lessons.records import Slot
from wxgate.lessons.slots import slots
from wxgate.profiles import Skill
from wxgate.verdict import Grade

pytestmark = pytest.mark.truth

Run = Callable[..., tuple[int, str, str]]


def spread(scenario: Scenario, first: int, last: int) -> Scenario:
    """The scenario with a file that reaches over these hours of its day."""
    return replace(scenario, casts=(Cast(MID, "novice", 40, {first: "", last: ""}),))


def found_at(
    scenario: Scenario, first: float, hours: int, *, skill: str = "novice", height: float = 40,
    aircraft: str = MID, minutes: int = 20, **figures: timedelta,
) -> tuple[dict[datetime, Slot], set[str]]:  # fmt: skip
    """The slots by local start, and the words of what is in the way elsewhere."""
    brief = graded(scenario, first, hours, aircraft=aircraft, skill=skill, height=height)
    zone = ZoneInfo(scenario.site["zone"])
    who = student(skill=Skill(skill), aircraft=aircraft, minutes=minutes, height=height)
    free, shut = slots(Ground((brief,), replace(policy(), **figures)), who, zone)
    return {s.start.astimezone(zone): s for s in free}, {b.word for b in shut}


def test_13_the_lesson_of_nine_on_the_day_that_summer_time_ends() -> None:
    """London, 26 October 2025: 09:00 is 09Z, where the gust is 6 m/s; at 08Z it is 11 m/s.

    The flying part begins at 09:30, so that its padding of 30 min begins at 09:00.
    """
    day = spread(SUMMER_TIME, 5, 14)
    zone = ZoneInfo("Europe/London")
    found, _ = found_at(day, 5, 10, skill="intermediate", set_up=timedelta(minutes=20))
    at_nine = datetime(2025, 10, 26, 9, tzinfo=zone)
    assert at_nine in found
    assert at_nine.astimezone(UTC).hour == 9
    assert found[at_nine].grade is Grade.GO
    # A quarter before, the padding would reach into the hour of 11 m/s.
    assert min(found) == at_nine


def test_14_polar_night_has_no_lesson_and_polar_day_has_one_at_midnight() -> None:
    """Tromso: the noon sun of 21 December stands at -3.1 degrees; at 23:00 of 21 June at 3."""
    night, words = found_at(spread(POLAR_NIGHT, 8, 16), 8, 9)
    assert not night
    assert "no daylight" in words
    experienced, _ = found_at(spread(POLAR_NIGHT, 8, 16), 8, 9, skill="experienced")
    assert not experienced  # a pilot may fly by civil twilight, a lesson is by day
    day, words = found_at(spread(POLAR_DAY, 18, 30), 18, 12, aircraft=MINI)
    late = datetime(2026, 6, 21, 23, tzinfo=ZoneInfo("Europe/Oslo"))
    assert day[late].grade is Grade.GO
    assert late + timedelta(hours=2) in day
    assert "no daylight" not in words


def test_15_a_morning_lesson_at_sydney_and_none_after_the_sea_breeze() -> None:
    """15 January: go 07-10 local, no-go after 13."""
    found, _ = found_at(spread(SOUTH, 6, 18), 6, 12, height=50)
    go = [s for s, x in found.items() if x.grade is Grade.GO]
    assert min(go).strftime("%d %H:%M") <= "15 07:15"
    assert all(s.hour < 10 for s in go)
    ends = [x.flying_end.astimezone(s.tzinfo) for s, x in found.items()]
    assert max(ends).hour < 13
    best = min(found.values(), key=lambda x: x.key)
    assert best.start.astimezone(ZoneInfo("Australia/Sydney")).hour < 10


def test_16_a_lesson_across_the_date_line() -> None:
    """Taveuni, 2 July 07:00 local is 1 July 19:00 UTC: marginal by the gust, Kp slot 18-21 UTC.

    The padding begins at 07:00 with 20 min of set-up; in the hour before the sun is down.
    """
    found, _ = found_at(spread(DATE_LINE, 5, 12), 5, 7, skill="intermediate",
                        set_up=timedelta(minutes=20))  # fmt: skip
    assert min(found).strftime("%d %H:%M") == "02 07:00"
    seven = datetime(2026, 7, 2, 7, tzinfo=ZoneInfo("Pacific/Fiji"))
    slot = found[seven]
    assert slot.start == datetime(2026, 7, 1, 19, tzinfo=UTC)
    assert slot.grade is Grade.MARGINAL
    assert slot.limiting in {"gust", "gust-on-the-way"}
    _, decide = deadlines(slot.start, seven.tzinfo, policy(), slot.start - timedelta(days=2))
    assert decide.astimezone(seven.tzinfo).strftime("%d %H:%M") == "02 05:00"


# ---------------------------------------------------------------------- rules that are tightened


@cache
def sydney_slots(*more: Path) -> dict[datetime, Grade]:
    book = rulebook(*more)
    brief = graded(spread(SOUTH, 6, 18), 6, 12, aircraft=MID, skill="novice", height=50, book=book)
    ground = Ground((brief,), policy())
    free, _ = slots(ground, student(aircraft=MID, height=50), ZoneInfo("Australia/Sydney"))
    return {s.start: s.grade for s in free}


RULE = """\
rulebook: {{name: own, version: '1', layer: operator, about: tighter}}
rules:
  - id: own-limit
    quantity: {quantity}
    word: above
    marginal: {marginal} {unit}
    no-go: {no_go} {unit}
    missing: unknown
    because: the school asked for it
    source: common practice, no source
    proof:
      - {{value: {below} {unit}, grade: go}}
      - {{value: {between} {unit}, grade: marginal}}
      - {{value: {above} {unit}, grade: no-go}}
      - {{value: missing, grade: unknown}}
"""


@pytest.mark.law
@settings(max_examples=12, deadline=None)
@given(
    kind=st.sampled_from([("gust_layer_maximum", "m/s", 1.0, 15.0), ("wind_speed", "m/s", 0.5, 9.0),
                          ("air_temperature", "degC", 15.0, 30.0),
                          ("gust_spread", "m/s", 0.5, 6.0)]),
    at=st.floats(0, 1),
    apart=st.floats(0.1, 2.0),
)  # fmt: skip
def test_tightening_a_rule_never_adds_a_slot(
    kind: tuple[str, str, float, float], at: float, apart: float,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:  # fmt: skip
    quantity, unit, low, high = kind
    marginal = round(low + at * (high - low), 2)
    no_go = round(marginal + apart, 2)
    path = tmp_path_factory.mktemp("rules") / "own.yaml"
    path.write_text(RULE.format(quantity=quantity, unit=unit, marginal=marginal, no_go=no_go,
                                below=round(marginal - 0.1, 2), above=round(no_go + 0.1, 2),
                                between=round((marginal + no_go) / 2, 3)))  # fmt: skip
    before, after = sydney_slots(), sydney_slots(path)
    assert before
    assert all(start in before and grade >= before[start] for start, grade in after.items())


# ---------------------------------------------------------------------- five days from a file

DAYS = 5
#: By hour of the plan: day 1 blows, day 2 is fair, day 3 has a windy noon, the others rain.
WEEK = Scenario(
    "five days",
    "2026-06-08",  # a Monday
    {"latitude": 52.0, "longitude": -1.5, "zone": "Europe/London", "altitude": "100 m"},
    {"flux": 20.0,
     "u10": {0: 6, 22: 6, 28: 2, 50: 2, 57: 2.2, 60: 5, 66: 5, 70: 2, 120: 2},
     "gust": {0: 11, 22: 11, 28: 3, 50: 3, 57: 3.4, 60: 9, 66: 9, 70: 3, 120: 3},
     "precipitation": dict.fromkeys(range(72, 120), 0.6),
     "wet_neighbours": dict.fromkeys(range(72, 120), 0.9)},
    (Cast(MINI, "novice", 40, {0: "", 119: ""}),),
)  # fmt: skip
PLAN = """\
lesson-plan:
  id: week
  fields: [field.yaml]
  instructors:
    - id: instructor-1
      skill: experienced
      available: [{days: every, from: 08:00, to: 18:00}]
  aircraft: [{id: light-249g, count: 2}]
  batteries: [{aircraft: light-249g, packs: 6, charger: true}]
  students:
    - {id: student-1, skill: first-flight, aircraft: light-249g, minutes: 15, height: 20 m}
    - {id: student-2, skill: novice, aircraft: light-249g, minutes: 20, height: 30 m,
       preferred: [{days: [wed], from: 08:00, to: 10:00}]}
    - {id: student-3, skill: intermediate, aircraft: mid-900g, minutes: 30, height: 60 m}
"""


def test_a_week_from_a_file_and_one_limit_changed(wx: Run, tmp_path: Path) -> None:
    """What an instructor does: plan five days, then ask for a calmer class, and read why."""
    forecast, plan = write_file(WEEK, tmp_path / "week.nc"), tmp_path / "plan.yaml"
    (tmp_path / "field.yaml").write_text(WEEK.site_text())
    plan.write_text(PLAN)
    ask = ("lessons", plan, "--forecast", forecast, "--at", "2026-06-08T00:00+01:00",
           "--hours", "119")  # fmt: skip
    code, out, err = wx(*ask, "--json")
    assert code == 0, err
    first = json.loads(out)
    assert len(first["lessons"]) == 3
    days = {x["student"]: datetime.fromisoformat(x["start"]).day for x in first["lessons"]}
    assert set(days.values()) <= {9, 10}, "Tuesday and Wednesday are the days to fly"
    assert all(x["grade"] == "go" for x in first["lessons"])
    assert all(0.4 < x["chance"] < 1 and x["chance_needed"] for x in first["lessons"])
    rules = tmp_path / "own.yaml"
    rules.write_text(RULE.format(quantity="gust_layer_maximum", unit="m/s", marginal=2.0,
                                 no_go=3.0, below=1.9, between=2.5, above=3.1))  # fmt: skip
    code, out, err = wx(*ask, "--rules", rules)
    assert code == 0, err
    told = " ".join(out.split("Since the plan before:")[1].split())
    for name in days:
        assert f"{name}: the lesson of" in told
    assert "no-go above 3.0 m/s" in told
    assert max(map(len, out.splitlines())) <= 80
