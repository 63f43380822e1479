"""Contract: what ``wxgate lessons`` promises, and what a plan file may not say."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from wxgate import places
from wxgate.errors import ProfileError
from wxgate.lessonplan import load_plan

pytestmark = pytest.mark.contract

PLAN = places.shipped("rules") / "plans" / "demo-week.yaml"


def test_three_slots_for_one_student(wx: Callable[..., tuple[int, str, str]]) -> None:
    code, out, err = wx("lessons", "--demo")
    assert code == 0, err
    assert out.startswith("GO: Tue 15 Sep")
    assert all(f"\n{n}. " in out for n in (1, 2, 3))
    assert "decide by" in out
    assert max(map(len, out.splitlines())) <= 80
    assert out.endswith("the pilot decides.\n")


def test_a_plan_tells_why_it_changes(
    wx: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    first = json.loads(wx("lessons", "demo-week", "--demo", "--json")[1])
    assert first["changes"] is None
    assert {x["student"] for x in (*first["lessons"], *first["unassigned"])} == {
        f"student-{n}" for n in range(1, 6)
    }
    assert all(u["why"] for u in first["unassigned"])
    again = json.loads(wx("lessons", "demo-week", "--demo", "--json")[1])
    assert again["changes"] == []
    assert again["lessons"] == first["lessons"]
    rules = tmp_path / "own.yaml"
    rules.write_text(
        "rulebook:\n  name: own\n  version: '1'\n  layer: operator\n  about: a calmer day\n"
        "rules:\n  - id: own-gust\n    quantity: gust_layer_maximum\n    word: above\n"
        "    no-go: 6 m/s\n    missing: unknown\n    because: the class asked for a calmer day\n"
        "    source: common practice, no source\n    proof:\n"
        "      - {value: 5 m/s, grade: go}\n      - {value: 7 m/s, grade: no-go}\n"
        "      - {value: missing, grade: unknown}\n"
    )
    code, out, err = wx("lessons", "demo-week", "--demo", "--rules", rules)
    assert code == 0, err
    told = out.split("Since the plan before:")[1]
    assert "gust up to flight height" in told
    assert "no-go above 6.0 m/s" in " ".join(told.split())
    assert max(map(len, out.splitlines())) <= 80


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("minutes: 15", "minutes: 0", "minutes '0'"),
        ("minutes: 15", "minutes: -20", "minutes '-20'"),
        ("minutes: 15", "minutes: 99999999999999999999", "5 to 240"),
        ("id: student-2", "id: student-1", "comes 2 times"),
        ("skill: novice", "skill: nervous", "allowed: first-flight"),
        ("      minutes: 15", "      minutes: 15\n      minutes: 15", "minutes"),
        ("id: student-1", 'id: student-1\n      name: "a\\x07b"', "name"),
        ("id: student-1", "id: student-1\n      name: a\u202eb", "plan.yaml:"),
        ("from: 07:00, to: 18:00", "from: 18:00, to: 07:00", "does not end after its start"),
        ("last-cancelled: 2026-09-08", "last-cancelled: 2026-02-30", "date"),
        ("packs: 3", "packs: 0", "number of packs"),
        ("  students:", "  groups: [{id: g, students: [nobody]}]\n  students:", "nobody"),
        ("minutes: 15", "minutes: 15\n      field: elsewhere", "elsewhere"),
    ],
)  # fmt: skip
def test_a_hostile_plan_is_refused_with_its_place(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    text = PLAN.read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "plan.yaml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ProfileError) as refused:
        load_plan(path)
    assert told in str(refused.value)
    assert "plan.yaml:" in str(refused.value)


def test_a_group_is_ruled_by_its_weakest(tmp_path: Path) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(PLAN.read_text().replace(
        "  students:\n    - id", "  groups: [{id: pair, students: [student-4, student-2]}]\n"
        "  students:\n    - id", 1))  # fmt: skip
    lessons = {s.id: s for s in load_plan(path).lessons()}
    assert set(lessons) == {"student-1", "student-3", "student-5", "pair"}
    pair = lessons["pair"]
    assert (pair.skill, pair.height, pair.minutes) == ("novice", 60.0, 30)
    assert pair.all_aircraft == ("light-249g", "mid-900g")


def test_sheet_and_calendar(wx: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    ics, page = tmp_path / "lessons.ics", tmp_path / "lesson.txt"
    code, _, err = wx("lessons", "demo-week", "--demo", "--calendar", ics, "--sheet", page)
    assert code == 0, err
    assert ics.read_text().count("BEGIN:VEVENT") == len(list(tmp_path.glob("lesson-*.txt"))) > 1


@pytest.mark.parametrize("option", [("--minutes", "20"), ("--height", "30 m"), ("--lat", "50"),
                                    ("--pilot", "novice")])  # fmt: skip
def test_what_a_plan_says_is_not_said_twice(
    wx: Callable[..., tuple[int, str, str]], option: tuple[str, str]
) -> None:
    code, out, err = wx("lessons", "demo-week", "--demo", *option)
    assert (code, out) == (2, "")
    assert f"{option[0]} and a plan file were both given" in err


def test_a_slip_of_the_pen_is_told_the_plans(wx: Callable[..., tuple[int, str, str]]) -> None:
    code, _, err = wx("lessons", "demo-wek", "--demo")
    assert code != 0
    assert "Plans: demo-week." in err


def test_fields_and_aircraft_say_how_many(tmp_path: Path) -> None:
    path = tmp_path / "plan.yaml"
    text = PLAN.read_text().replace(
        "fields: [demo-field]",
        "fields: [demo-field, {id: other, lessons-at-once: 5}]\n"
        "  aircraft: [{id: mid-900g, count: 3}]",
    )
    path.write_text(text)
    told = load_plan(path).capacity()
    assert told == {"field:demo-field": 2, "field:other": 5, "aircraft:mid-900g": 3}
    path.write_text(text.replace("count: 3", "count: 0"))
    with pytest.raises(ProfileError, match="number of aircraft"):
        load_plan(path)
    path.write_text(text.replace("{id: other,", "{id: demo-field,"))
    with pytest.raises(ProfileError, match="comes 2 times"):
        load_plan(path)


def test_a_plan_that_cannot_be_kept_is_told_all_the_same(
    wx: Callable[..., tuple[int, str, str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("WXGATE_STATE", str(tmp_path / "file"))
    code, out, err = wx("lessons", "demo-week", "--demo")
    assert code == 0, err
    assert re.match(r"(\d+ GO|\d+ MARGINAL|NO TIME).* for \d+ lessons? \(plan ", out)
    assert "the plan could not be kept" in " ".join(out.split())


def test_two_runs_at_once_leave_a_plan_that_can_be_read(tmp_path: Path) -> None:
    """Eight threads keep plans under the lock; what is left is one of them whole."""
    from concurrent.futures import ThreadPoolExecutor
    from datetime import UTC, datetime

    from wxgate.lessons import Plan
    from wxgate.lessons.changes import keep, load_kept
    from wxgate.report.calendarrecord import locked

    path = tmp_path / "lessons" / "p.json"
    now = datetime(2026, 6, 1, tzinfo=UTC)

    def run(n: int) -> None:
        with locked(path):
            assert load_kept(path) in (None, {})
            keep(path, Plan("p", (), (), now, now))

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(run, range(40)))
    assert load_kept(path) == {}
    assert {f.name for f in path.parent.iterdir()} == {"p.json", "p.json.lock"}


def test_the_text_tells_the_chance_and_the_weakest_first(
    wx: Callable[..., tuple[int, str, str]],
) -> None:
    code, out, err = wx("lessons", "demo-week", "--demo")
    assert code == 0, err
    text = " ".join(out.split())
    assert "(60% needed)" in text
    assert "its go times went first to student-1, of a weaker skill" in text
    told = json.loads(wx("lessons", "demo-week", "--demo", "--json")[1])
    lessons = {x["student"]: x for x in told["lessons"]}
    assert lessons["student-1"]["grade"] == "go"
    assert lessons["student-2"]["choice"]
    assert all(x["chance"] >= x["chance_needed"] for x in lessons.values())


def test_a_group_has_a_sheet_for_each_aircraft(
    wx: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    path, page = tmp_path / "plan.yaml", tmp_path / "sheet.txt"
    path.write_text(PLAN.read_text().replace(
        "  students:\n    - id", "  groups: [{id: pair, students: [student-4, student-5]}]\n"
        "  students:\n    - id", 1))  # fmt: skip
    code, out, err = wx("lessons", path, "--demo", "--sheet", page)
    assert code == 0, err
    assert "heavy-4kg, mid-900g" in " ".join(out.split())
    text = (tmp_path / "sheet-pair.txt").read_text()
    assert text.count("LESSON SHEET:") == 2
    assert "heavy-4kg" in text
    assert "mid-900g" in text
