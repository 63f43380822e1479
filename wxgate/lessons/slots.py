"""Slots: where a lesson can be laid over graded hours, and what stands in the way elsewhere.

A lesson is set-up, briefing, flying and pack-up. The weather has to hold for the flying part and
for the padding on both sides of it: each hour that this overlaps, however little, counts in full.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from wxgate.lessons.criteria import CHILL, CLOUD, DIRECTION, GLARE, HEAT, SPREAD, WIND
from wxgate.lessons.fog import FOG
from wxgate.lessons.ground import FLIGHT_TIME, THUNDER, Ground
from wxgate.lessons.obstacles import (
    Laid,
    by_chance,
    by_daylight,
    by_fog,
    by_limits,
    by_packs,
    by_thunder,
)
from wxgate.lessons.policy import QUARTER, Policy
from wxgate.lessons.records import Blocked, LocalSpan, Slot, Student
from wxgate.lessons.series import overlapped, seconds
from wxgate.verdict import Grade, Verdict

#: A marginal slot comes after every go slot, whatever its room.
_MARGINAL_BELOW = 1_000_000
_NO_ROOM = -100_000
#: What slots need beside what a brief tells anyway.
NEEDS = frozenset({THUNDER, FLIGHT_TIME, FOG, WIND, DIRECTION, SPREAD, CHILL, HEAT, GLARE, CLOUD})


def starts(
    hours: Sequence[Verdict], now: datetime, step: timedelta, zone: ZoneInfo
) -> Iterator[datetime]:
    """Every moment of the hours that is a full step of the local clock, not before ``now``.

    Counted in quarters of UTC, so that a local day of 23 or 25 hours has as many steps as it has.
    """
    if not hours:
        return
    quarter = seconds(QUARTER)
    minutes = seconds(step) // 60
    first = max(now, hours[0].start).timestamp()
    last = int(hours[-1].end.timestamp())
    for at in range(math.ceil(first / quarter) * quarter, last, quarter):
        when = datetime.fromtimestamp(at, UTC)
        local = when.astimezone(zone)
        if (local.hour * 60 + local.minute) % minutes == 0:
            yield when


def inside(spans: Sequence[LocalSpan], start: datetime, end: datetime, zone: ZoneInfo) -> bool:
    """Whether [start, end) lies within one of the spans, by the local clock."""
    first, last = start.astimezone(zone), end.astimezone(zone)
    if first.date() != last.date():
        return False
    return any(
        first.weekday() in s.days and s.start <= first.time() and last.time() <= s.end
        for s in spans
    )


def slots(
    ground: Ground, student: Student, zone: ZoneInfo, *, packs: Mapping[str, int] | None = None
) -> tuple[tuple[Slot, ...], tuple[Blocked, ...]]:
    """All slots for a student's lesson, in order of time, and why the other starts are none.

    ``packs``: by aircraft, how many there are; an aircraft that is not named has its packs not
    counted. What cannot be told stands in the way: no slot touches an hour that is unknown or not
    there.
    """
    found: list[Slot] = []
    blocked: list[Blocked] = []
    for when in starts(ground.verdicts, ground.brief.now, ground.policy.step, zone):
        laid = _lay(ground, student, when, packs or {})
        if isinstance(laid, Blocked):
            blocked.append(laid)
            continue
        wished = not student.preferred or inside(student.preferred, laid.start, laid.end, zone)
        criteria = replace(laid.criteria, preference=0 if wished else 1)
        found.append(replace(laid, criteria=criteria))
    return tuple(found), tuple(blocked)


def _lay(
    ground: Ground, student: Student, start: datetime, packs: Mapping[str, int]
) -> Slot | Blocked:
    """The slot that begins at ``start``, or the first thing that stands in its way."""
    policy = ground.policy
    laid = Laid.of(start, student, policy)
    if timedelta(minutes=student.minutes) < policy.least_flying:
        return Blocked(start, "too short", f"{student.minutes} min of flying are too few")
    if dark := by_daylight(ground, laid):
        return dark
    graded = by_limits(ground, laid)
    if isinstance(graded, Blocked):
        return graded
    if fog := by_fog(ground, laid):
        return fog
    thunder = by_thunder(ground, laid)
    if isinstance(thunder, Blocked):
        return thunder
    chance = by_chance(ground, laid)
    if isinstance(chance, Blocked):
        return chance
    needed = by_packs(ground, student, laid, packs)
    if isinstance(needed, Blocked):
        return needed
    notes = tuple(note for note in (thunder, chance.note) if note)
    grade = max(graded.grade, Grade.MARGINAL) if notes else graded.grade
    criteria, missing = ground.criteria(overlapped(laid.fly, laid.land))
    return Slot(
        start=start, flying_start=laid.flying_start, flying_end=laid.flying_end, end=laid.end,
        grade=grade, margin=graded.margin, limiting=graded.hour.limiting,
        reason=graded.hour.limiting_reason, criteria=criteria, chance=chance.share,
        chance_needed=chance.needed, site=ground.brief.site.id, missing=missing, notes=notes,
        packs=tuple(needed.items()), level=level(grade, graded.margin, policy),
    )  # fmt: skip


def level(grade: Grade, margin: float | None, policy: Policy) -> int:
    """Grade and room as one number: go before marginal, then bins of room, rounded down."""
    room = _NO_ROOM if margin is None else math.floor(margin / policy.bin + 1e-6)
    return room if grade is Grade.GO else room - _MARGINAL_BELOW
