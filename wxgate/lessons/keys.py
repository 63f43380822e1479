"""The keys of a plan file, each with its reader; every fault has its place."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from wxgate.lessons.records import Batteries, Instructor, LocalSpan, Student
from wxgate.profiles import Skill
from wxgate.strictyaml import Faults, Node, Scalar
from wxgate.yamlkeys import (
    Figure,
    Reader,
    boolean_of,
    choice_of,
    clock_of,
    days_of,
    figure_of,
    list_of,
    record_of,
    text_of,
    whole_of,
    word_of,
)

LEAST_MINUTES, MOST_MINUTES, LONGEST_NAME, MOST_AT_ONCE = 5, 240, 60, 20


@dataclass(frozen=True, slots=True)
class Group:
    """Students who are taught together."""

    id: str
    students: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlanField:
    """A field of the plan by its name or file."""

    id: str
    lessons_at_once: int | None = None  #: that it has room for; None: as the plan says


@dataclass(frozen=True, slots=True)
class Fleet:
    """How many aircraft of one kind there are."""

    id: str
    count: int


def _date(node: Node, faults: Faults) -> date | None:
    text = text_of(node, faults)
    if text is None:
        return None
    try:
        if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.ASCII):
            raise ValueError(text)
        return date.fromisoformat(text)
    except ValueError:
        faults.add(node.place, f"the date {text[:40]!r}", "a day such as 2026-09-01 is allowed")
        return None


def _name(node: Node, faults: Faults) -> str | None:
    text = text_of(node, faults)
    if text is not None and (len(text) > LONGEST_NAME or not text.isprintable()):
        faults.add(node.place, f"the name {text[:40]!r}",
                   f"up to {LONGEST_NAME} letters that can be printed are allowed")  # fmt: skip
        return None
    return text


def _skill(node: Node, faults: Faults) -> Skill | None:
    word = choice_of(*Skill)(node, faults)
    return None if word is None else Skill(word)


_read_span = record_of(
    LocalSpan,
    {"days": days_of, "from": clock_of, "to": clock_of},
    called={"start": "from", "end": "to"},
)


def _span(node: Node, faults: Faults) -> LocalSpan | None:
    found: LocalSpan | None = _read_span(node, faults)
    if found is not None and not found.start < found.end:
        faults.add(node.place, "a span that does not end after its start on the same day", "",
                   "split a span over midnight in two")  # fmt: skip
        return None
    return found


def _fields_of(node: Node, faults: Faults) -> frozenset[str] | None:
    found = list_of(text_of)(node, faults)
    return None if found is None else frozenset(found)


_STUDENT_KEYS: Mapping[str, Reader] = {
    "id": word_of,
    "name": _name,
    "skill": _skill,
    "aircraft": word_of,
    "minutes": whole_of(LEAST_MINUTES, MOST_MINUTES, "minutes"),
    "preferred": list_of(_span),
    "last-cancelled": _date,
    "height": figure_of(Figure("m", 1, 500)),
    "field": text_of,
    "dual-control": boolean_of,
}
_INSTRUCTOR_KEYS: Mapping[str, Reader] = {
    "id": word_of,
    "name": _name,
    "skill": _skill,
    "available": list_of(_span),
    "fields": _fields_of,
}
_BATTERY_KEYS: Mapping[str, Reader] = {
    "aircraft": word_of,
    "packs": whole_of(1, 99, "number of packs"),
    "charger": boolean_of,
}
_read_field = record_of(
    PlanField, {"id": text_of, "lessons-at-once": whole_of(1, MOST_AT_ONCE, "lessons at once")}
)


def _field(node: Node, faults: Faults) -> PlanField | None:
    """A name alone, or a name with what the field has room for."""
    if isinstance(node, Scalar):
        name = text_of(node, faults)
        return None if name is None else PlanField(name)
    found: PlanField | None = _read_field(node, faults)
    return found


_NAMELESS = {"name": "id"}  #: a name that is not told is the id
PLAN_KEYS: Mapping[str, Reader] = {
    "id": word_of,
    "about": text_of,
    "fields": list_of(_field),
    "aircraft": list_of(
        record_of(Fleet, {"id": word_of, "count": whole_of(1, 99, "number of aircraft")})
    ),
    "instructors": list_of(record_of(Instructor, _INSTRUCTOR_KEYS, else_as=_NAMELESS)),
    "students": list_of(record_of(Student, _STUDENT_KEYS, else_as=_NAMELESS)),
    "lessons-at-once": whole_of(1, MOST_AT_ONCE, "lessons at once"),
    "groups": list_of(record_of(Group, {"id": word_of, "students": list_of(word_of)})),
    "batteries": list_of(record_of(Batteries, _BATTERY_KEYS)),
}
