"""Lessons as text and JSON: the slots of one student, or the plan of several.

The file is long because both forms stand together: what is told in one is told in the other.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from wxgate.lessons.changes import Change
from wxgate.lessons.planning import Found, nearest_blocked, why_not
from wxgate.lessons.records import Blocked, Lesson, Plan, Slot
from wxgate.profiles import Site
from wxgate.report.chance import hundred
from wxgate.report.display import METRIC, Display
from wxgate.report.words import CAUTIONS, clock, day, reason_text, room_left, span, zone
from wxgate.units import counted
from wxgate.verdict import Grade, Reason

SCHEMA = 1


def plan_text(
    plan: Plan, found: Sequence[Found], told: Sequence[Change] | None, site: Site,
    sources: Sequence[str], *, display: Display = METRIC,
) -> str:  # fmt: skip
    """The plan in plain text, ending in a newline: how many fly, then who, then who does not.

    ``told``: what has changed, None where there was no plan before; ``sources``: where the numbers
    come from. Times are local at each lesson's field; ``site`` lends its zone to the rest.
    """
    total = len(plan.lessons) + len(plan.unassigned)
    counts = [(g, sum(x.grade is g for x in plan.lessons)) for g in (Grade.GO, Grade.MARGINAL)]
    times = ", ".join(f"{n} {grade.word.upper()}" for grade, n in counts if n) or "NO TIME"
    lines = _wrapped("", f"{times} for {counted(total, 'lesson')} (plan {plan.id})", display)
    for lesson in plan.lessons:
        lines += lesson_lines(lesson, display)
    by_id = {f.student.id: f for f in found}
    for student, why in plan.unassigned:
        lines += _wrapped(
            f"no lesson  {student.id}: ", _why_not(by_id[student.id], why, site, display), display
        )
    if told is not None:
        lines += ["Since the plan before:"] if told else ["Since the plan before: no change."]
        for change in told:
            lines += _wrapped("  ", change_text(change, site, display), display)
    lines += _foot(plan.until, plan.notes, site, sources, display)
    return "\n".join(lines) + "\n"


def lesson_lines(lesson: Lesson, display: Display = METRIC) -> list[str]:
    """One lesson: when, who, with what; what limits it; when to look again and decide."""
    tz = zone(lesson.site.zone)
    when = span(lesson.start, lesson.end, tz, display=display)
    head = f"{when}, {lesson.student.id}, {lesson.instructor}"
    flying = _clocks(lesson.flying_start, lesson.flying_end, lesson.site, display)
    facts = [f"flying {flying}", f"up to {display.length(lesson.height)}"]
    facts += lesson.student.all_aircraft
    if lesson.skill is not None and lesson.skill is not lesson.student.skill:
        facts.append(f"dual control: graded as {lesson.skill}")
    if lesson.slot is not None:
        facts += _packs(lesson.slot)
        facts += _chance(lesson.slot)
    lines = [
        *_wrapped(f"{lesson.grade.word:11}", head, display),
        *_wrapped(" " * 11, ", ".join(facts), display),
    ]
    if lesson.choice:
        lines += _wrapped(" " * 11, lesson.choice, display)
    lines += _wrapped(
        " " * 11, _limits(lesson.reason, lesson.limiting, lesson.slot, display), display
    )
    lines += _wrapped(
        " " * 11, deadline_text(lesson.recheck_at, lesson.decide_by, lesson.site, display), display
    )
    if lesson.alternative is not None:
        other = span(lesson.alternative.start, lesson.alternative.end, tz, display=display)
        lines += _wrapped(
            " " * 11, f"other day: {other} ({lesson.alternative.grade.word})", display
        )
    return lines


def slots_text(
    found: Found, best: Sequence[Slot], other: Slot | None,
    deadlines: Sequence[tuple[datetime, datetime]], until: datetime, notes: Sequence[str],
    site: Site, sources: Sequence[str], *, display: Display = METRIC,
) -> str:  # fmt: skip
    """The best slots for one student, each with what limits it and when it is decided."""
    tz, student = zone(site.zone), found.student
    head = (
        f"{student.skill} with {student.aircraft}, {student.minutes} min of flying at {site.name}"
    )
    if not best:
        lines = _wrapped("NO LESSON: ", head, display)
        lines += _wrapped("Why: ", _why_not(found, why_not(found), site, display), display)
    else:
        lines = _wrapped(
            f"{best[0].grade.word.upper()}: ",
            f"{span(best[0].start, best[0].end, tz, display=display)}, {head}",
            display,
        )
        for n, (slot, (look, decide)) in enumerate(zip(best, deadlines, strict=True), 1):
            when = span(slot.start, slot.end, tz, display=display)
            flying = _clocks(slot.flying_start, slot.flying_end, site, display)
            facts = [f"{slot.grade.word} {when}", f"flying {flying}", *_chance(slot)]
            lines += _wrapped(f"{n}. ", ", ".join(facts), display)
            lines += _wrapped("   ", _limits(slot.reason, slot.limiting, slot, display), display)
            lines += _wrapped("   ", deadline_text(look, decide, site, display), display)
        if other is not None:
            when = span(other.start, other.end, tz, display=display)
            lines += _wrapped("Other day: ", f"{other.grade.word} {when}", display)
        else:
            lines.append("Other day: none that can be flown.")
    lines += _foot(until, notes, site, sources, display)
    return "\n".join(lines) + "\n"


def _packs(slot: Slot) -> list[str]:
    several = len(slot.packs) > 1
    return [
        f"{n} pack{'s' if n > 1 else ''}{f' of {aircraft}' if several else ''}"
        for aircraft, n in slot.packs
    ]


def _chance(slot: Slot) -> list[str]:
    """The chance of the padded flying part, rounded down, and what it has to be."""
    if slot.chance is None or slot.chance_needed is None:
        return []
    return [f"chance {hundred(slot.chance)}% ({slot.chance_needed:.0%} needed)"]


def _clocks(start: datetime, end: datetime, site: Site, display: Display) -> str:
    first, last = (clock(t, zone(site.zone), display=display) for t in (start, end))
    return f"{first}-{last}"


def deadline_text(look: datetime, decide: datetime, site: Site, display: Display = METRIC) -> str:
    """When to look again and to decide, by the local clock."""
    tz = zone(site.zone)
    first = f"{day(look, tz)} {clock(look, tz, display=display)}"
    last = f"{day(decide, tz)} {clock(decide, tz, display=display)}"
    return f"decide by {last}" if look == decide else f"look again {first}, decide by {last}"


def change_text(change: Change, site: Site, display: Display = METRIC) -> str:
    """One change with its reason: student-2: moved from Tue 10:00 to Wed 08:00: gust ..."""
    tz = zone(site.zone)

    def at(when: datetime) -> str:
        return f"{day(when, tz)} {clock(when, tz, display=display)}"

    if change.before is None:
        assert change.lesson is not None  # noqa: S101
        return f"{change.student}: now has a lesson, {at(change.lesson.start)}"
    why = change.why if change.blocked is None else _blocked(change.blocked, display)
    if change.lesson is None:
        head = f"the lesson of {at(change.before)} is gone"
    elif change.lesson.start == change.before:
        head = at(change.before)
    else:
        head = f"moved from {at(change.before)} to {at(change.lesson.start)}"
    return f"{change.student}: {head}: {why}"


def _why_not(found: Found, why: str, site: Site, display: Display) -> str:
    nearest = None if found.offers else nearest_blocked(found)
    if nearest is None:
        return why
    tz = zone(site.zone)
    at = f"{day(nearest.start, tz)} {clock(nearest.start, tz, display=display)}"
    return f"{_blocked(nearest, display)} (nearest to flyable: {at})"


def _blocked(blocked: Blocked, display: Display) -> str:
    told = blocked.text if blocked.reason is None else reason_text(blocked.reason, display=display)
    return f"{blocked.word}: {told}"


def _limits(reason: Reason | None, rule: str | None, slot: Slot | None, display: Display) -> str:
    if reason is None:
        return f"limited by {rule or 'nothing that is told'}"
    text = f"limited by {reason_text(reason, display=display)}"
    if reason.grade is Grade.GO and reason.margin is not None:
        text += f" ({room_left(reason.margin)} room)"
    if slot is not None:
        text += "".join(f"; {note}" for note in slot.notes)
        text += "".join(f"; {name} could not be told" for name in slot.missing)
    return text


def _foot(
    until: datetime, notes: Sequence[str], site: Site, sources: Sequence[str], display: Display
) -> list[str]:
    tz = zone(site.zone)
    lines = [f"Looked at until {day(until, tz)} {clock(until, tz, display=display)}"
             f" {until.astimezone(tz):%Z}."]  # fmt: skip
    lines += _wrapped("Data: ", "; ".join(sources) + ".", display) if sources else []
    lines += (
        _wrapped("Notes: ", "; ".join(n.rstrip(".") for n in notes) + ".", display) if notes else []
    )
    return [*lines, *(line for told in CAUTIONS for line in _wrapped("", told, display))]


def _wrapped(label: str, text: str, display: Display) -> list[str]:
    return textwrap.wrap(
        " ".join(text.split()), display.width, initial_indent=label,
        subsequent_indent=" " * min(max(len(label), 2), 11), break_on_hyphens=False,
    )  # fmt: skip


# ---------------------------------------------------------------------- JSON


def plan_json(
    plan: Plan, found: Sequence[Found], told: Sequence[Change] | None, site: Site, *,
    demonstration: bool = False,
) -> dict[str, Any]:  # fmt: skip
    """The plan for programs; times in UTC, units in the names."""
    by_id = {f.student.id: f for f in found}
    return {
        "schema": SCHEMA,
        "demonstration": demonstration,
        "plan": plan.id,
        "made_at": plan.made_at.isoformat(),
        "until": plan.until.isoformat(),
        "tightest_margin": _number(plan.tightest),
        "lessons": [_lesson_json(x) for x in plan.lessons],
        "unassigned": [
            {"student": s.id, "why": _why_not(by_id[s.id], why, site, METRIC)}
            for s, why in plan.unassigned
        ],
        "changes": None if told is None else [change_text(c, site) for c in told],
        "notes": list(plan.notes),
        "cautions": list(CAUTIONS),
    }


def _lesson_json(lesson: Lesson) -> dict[str, Any]:
    assert lesson.slot is not None  # noqa: S101
    return {
        "student": lesson.student.id,
        "members": list(lesson.student.members),
        "instructor": lesson.instructor,
        "site": lesson.site.id,
        "zone": lesson.site.zone,
        "aircraft": list(lesson.student.all_aircraft),
        "graded_as": None if lesson.skill is None else str(lesson.skill),
        "height_m": lesson.height,
        **slot_json(lesson.slot),
        "look_again_at": lesson.recheck_at.isoformat(),
        "decide_by": lesson.decide_by.isoformat(),
        "reasons": list(lesson.reasons),
        "choice": lesson.choice or None,
        "other_day": None if lesson.alternative is None else slot_json(lesson.alternative),
    }


def slot_json(slot: Slot) -> dict[str, Any]:
    """One slot for programs."""
    c = slot.criteria
    return {
        "start": slot.start.isoformat(),
        "flying_start": slot.flying_start.isoformat(),
        "flying_end": slot.flying_end.isoformat(),
        "end": slot.end.isoformat(),
        "grade": slot.grade.word,
        "margin": _number(slot.margin),
        "limiting": slot.limiting,
        "limited_by": None if slot.reason is None else reason_text(slot.reason),
        "chance": _number(slot.chance),
        "chance_needed": _number(slot.chance_needed),
        "packs": dict(slot.packs),
        "criteria": {"steadiness": c.steadiness, "comfort": c.comfort, "glare": c.glare,
                     "preference": c.preference},
        "missing": [*slot.missing, *slot.notes],
    }  # fmt: skip


def slots_json(
    found: Found, best: Sequence[Slot], other: Slot | None,
    deadlines: Sequence[tuple[datetime, datetime]], until: datetime, notes: Sequence[str],
    site: Site, *, demonstration: bool = False,
) -> dict[str, Any]:  # fmt: skip
    """The best slots of one student for programs."""
    return {
        "schema": SCHEMA,
        "demonstration": demonstration,
        "site": site.id,
        "zone": site.zone,
        "skill": str(found.student.skill),
        "aircraft": found.student.aircraft,
        "minutes": found.student.minutes,
        "height_m": found.student.height,
        "until": until.isoformat(),
        "slots": [
            {**slot_json(s), "look_again_at": look.isoformat(), "decide_by": decide.isoformat()}
            for s, (look, decide) in zip(best, deadlines, strict=True)
        ],
        "other_day": None if other is None else slot_json(other),
        "why_not": None if best else _why_not(found, why_not(found), site, METRIC),
        "notes": list(notes),
        "cautions": list(CAUTIONS),
    }


def _number(value: float | None) -> float | None:
    return None if value is None or value in (float("inf"), float("-inf")) else round(value, 4)
