"""The plan file: students, instructors, fields and batteries out of YAML, every fault placed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wxgate.errors import ProfileError
from wxgate.lessons.keys import PLAN_KEYS, Fleet, Group, PlanField
from wxgate.lessons.records import Batteries, Instructor, Student
from wxgate.profiles import Skill
from wxgate.strictyaml import Faults, Node, nearest
from wxgate.yamlkeys import read_file, read_keys

MOST_STUDENTS = 500


@dataclass(frozen=True, slots=True)
class PlanFile:
    """What a plan file says; sites and aircraft by the names that it gives them."""

    id: str
    fields: tuple[PlanField, ...]
    instructors: tuple[Instructor, ...]
    students: tuple[Student, ...]
    groups: tuple[Group, ...] = ()
    batteries: tuple[Batteries, ...] = ()
    aircraft: tuple[Fleet, ...] = ()  #: those of which there is more than one
    about: str = ""
    lessons_at_once: int = 1  #: that a field has room for, where it does not say so itself

    def capacity(self) -> dict[str, int]:
        """How much there is of each field and aircraft, by the names that offers claim them by."""
        found = {
            f"field:{f.id}": self.lessons_at_once if f.lessons_at_once is None
            else f.lessons_at_once for f in self.fields
        }  # fmt: skip
        return found | {f"aircraft:{a.id}": a.count for a in self.aircraft}

    def lessons(self) -> tuple[Student, ...]:
        """The students one by one, and each group as the one student that rules its lesson.

        The weakest skill counts, the greatest height, and all minutes together for each aircraft
        that several share. Times that suit one suit all only where nobody else asks for others:
        the preferred times are those of the first who names some.
        """
        by_id = {s.id: s for s in self.students}
        grouped = {member for g in self.groups for member in g.students}
        alone = [s for s in self.students if s.id not in grouped]
        return (*alone, *(_as_one(g, [by_id[m] for m in sorted(g.students)]) for g in self.groups))


def _as_one(group: Group, members: Sequence[Student]) -> Student:
    minutes: Counter[str] = Counter()
    for student in members:
        minutes[student.aircraft] += student.minutes
    dates = [s.last_cancelled for s in members if s.last_cancelled]
    return Student(
        id=group.id,
        name=" + ".join(s.id for s in members),
        skill=min((s.skill for s in members), key=list(Skill).index),
        aircraft=min(minutes),
        minutes=max(minutes.values()),
        preferred=next((s.preferred for s in members if s.preferred), ()),
        last_cancelled=max(dates, default=None),
        height=max(s.height for s in members),
        field=next((s.field for s in members if s.field), None),
        dual_control=all(s.dual_control for s in members),
        members=tuple(s.id for s in members),
        flown=tuple(sorted(minutes.items())),
    )


def load_plan(path: Path) -> PlanFile:
    """The plan of a file; ProfileError with every fault and its place."""
    found = read_file(path, "plan", _read_plan, ProfileError)
    return PlanFile(**{key.replace("-", "_"): value for key, value in found.items()})


def _read_plan(root: Node, faults: Faults) -> dict[str, Any]:
    body = read_keys(root, {"lesson-plan": lambda n, _: n}, {"lesson-plan"}, faults)
    if not body:
        return {}
    node, needed = body["lesson-plan"], {"id", "fields", "instructors", "students"}
    found = read_keys(node, PLAN_KEYS, needed, faults)
    if not len(faults):
        _agree(found, node, faults)
    return found


def _agree(found: Mapping[str, Any], node: Node, faults: Faults) -> None:
    """Ids once each, and nobody named who is not there."""
    students, groups = found["students"], found.get("groups", ())
    if len(students) > MOST_STUDENTS:
        faults.add(node.place, f"{len(students)} students", f"{MOST_STUDENTS} are allowed")
    for kind, ids in (
        ("student or group", [*(s.id for s in students), *(g.id for g in groups)]),
        ("instructor", [i.id for i in found["instructors"]]),
        ("field", [f.id for f in found["fields"]]),
        ("aircraft", [a.id for a in found.get("aircraft", ())]),
        ("battery stock of aircraft", [b.aircraft for b in found.get("batteries", ())]),
    ):
        for name, count in Counter(ids).items():
            if count > 1:
                faults.add(node.place, f"the {kind} {name!r} comes {count} times", "each once",
                           "give it another id")  # fmt: skip
    _groups_agree(groups, {s.id: s for s in students}, node, faults)
    places = {f.id for f in found["fields"]}
    for who in (*students, *found["instructors"]):
        asked = set(who.fields) if isinstance(who, Instructor) else {who.field or ""} - {""}
        for name in sorted(asked - places):
            faults.add(node.place, f"{who.id!r} names the field {name!r}, not one of the plan",
                       f"fields: {', '.join(sorted(places))}", nearest(name, places))  # fmt: skip


def _groups_agree(
    groups: Sequence[Group], known: Mapping[str, Student], node: Node, faults: Faults
) -> None:
    """Each member is in the plan and in one group, and a group asks for one field at most."""
    for name, count in Counter(m for g in groups for m in g.students).items():
        if name not in known:
            faults.add(node.place, f"a group names the student {name!r}, who is not in the plan",
                       "", nearest(name, known))  # fmt: skip
        elif count > 1:
            faults.add(node.place, f"the student {name!r} is in {count} groups", "one is allowed")
    for group in groups:
        if len({known[m].field for m in group.students if m in known} - {None}) > 1:
            faults.add(node.place, f"the students of {group.id!r} ask for different fields", "",
                       "give them one field, or separate lessons")  # fmt: skip
