"""From students and their slots to a plan: who flies when, and why somebody does not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from wxgate.lessons.assignment import Assignment, assign
from wxgate.lessons.ground import Ground
from wxgate.lessons.offers import Occupancy, Offer
from wxgate.lessons.policy import Policy
from wxgate.lessons.records import Batteries, Blocked, Instructor, Lesson, Plan, Slot, Student
from wxgate.lessons.slots import inside, slots
from wxgate.profiles import Aircraft, Site, Skill
from wxgate.verdict import Grade

_ROWS = tuple(Skill)


@dataclass(frozen=True, slots=True)
class School:
    """Who teaches what with what, where; ``ground`` gives the graded hours for a lesson."""

    students: tuple[Student, ...]
    instructors: tuple[Instructor, ...]
    sites: Mapping[str, Site]
    aircraft: Mapping[str, Aircraft]
    grounds: Mapping[tuple[str, tuple[str, ...], Skill, float], Ground]
    policy: Policy
    batteries: tuple[Batteries, ...] = ()
    capacity: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Found:
    """What was found for one student before anybody was given anything."""

    student: Student
    offers: tuple[Offer, ...]
    blocked: tuple[Blocked, ...]

    @property
    def best(self) -> tuple[Slot, ...]:
        """The slots from the best down, each once."""
        return tuple(dict.fromkeys(o.slot for o in sorted(self.offers, key=lambda o: o.slot.key)))


def flown_as(student: Student, instructor: Instructor) -> Skill:
    """The skill that a lesson is graded for.

    One row above the student's where the flight is declared dual-control and the instructor has
    that row at least; else the student's own.
    """
    row = _ROWS.index(student.skill) + 1
    lifted = student.dual_control and row < len(_ROWS) and _ROWS.index(instructor.skill) >= row
    return _ROWS[row] if lifted else student.skill


def needed_grounds(
    students: Iterable[Student], instructors: Sequence[Instructor], sites: Iterable[str]
) -> list[tuple[str, tuple[str, ...], Skill, float]]:
    """Which graded hours the lessons need: site, aircraft, skill and height, each once."""
    found = {
        (site, s.all_aircraft, flown_as(s, i), s.height)
        for s in students for i in instructors for site in sites if _teaches(s, i, site)
    }  # fmt: skip
    return sorted(found)


def _teaches(student: Student, instructor: Instructor, site: str) -> bool:
    at = not instructor.fields or site in instructor.fields
    return at and (student.field is None or student.field == site)


def find(school: School) -> tuple[Found, ...]:
    """Every offer for every student, by the ids of the students."""
    made: dict[tuple[object, ...], tuple[tuple[Slot, ...], tuple[Blocked, ...]]] = {}
    packs = {b.aircraft: b.packs for b in school.batteries}
    found = []
    for student in sorted(school.students, key=lambda s: s.id):
        offers: list[Offer] = []
        blocked: list[Blocked] = []
        for site in sorted(school.sites.values(), key=lambda s: s.id):
            zone = ZoneInfo(site.zone)
            for instructor in sorted(school.instructors, key=lambda i: i.id):
                if not _teaches(student, instructor, site.id):
                    continue
                skill = flown_as(student, instructor)
                key = (site.id, student.all_aircraft, skill, student.height)
                once = (*key, student.flown, student.minutes, student.preferred)
                if once not in made:
                    made[once] = slots(school.grounds[key], student, zone, packs=packs)
                free, shut = made[once]
                blocked += shut
                for slot in free:
                    if _is_there(instructor, slot, zone):
                        offers.append(_offer(school, student, slot, instructor, zone))
                    else:
                        text = f"{instructor.id} is not available"
                        blocked.append(Blocked(slot.start, "instructor", text, None, 8))
        found.append(Found(student, tuple(offers), tuple(blocked)))
    return tuple(found)


def _is_there(instructor: Instructor, slot: Slot, zone: ZoneInfo) -> bool:
    there = instructor.available
    return not there or inside(there, slot.start, slot.end, zone)


def _offer(
    school: School, student: Student, slot: Slot, instructor: Instructor, zone: ZoneInfo
) -> Offer:
    takes = {f"instructor:{instructor.id}": 1, f"field:{slot.site}": 1}
    takes |= {f"aircraft:{a}": 1 for a in student.all_aircraft}
    uses = {}
    charged = {b.aircraft for b in school.batteries if b.charger}
    for aircraft, packs in slot.packs:
        if aircraft in charged:  # full again for the next lesson, but not for one meanwhile
            takes[f"packs:{aircraft}"] = packs
        else:
            uses[f"packs:{aircraft}:{slot.start.astimezone(zone).date()}"] = packs
    return Offer(student.id, slot, instructor.id, takes, uses)


def _capacity(school: School, offers: Iterable[Offer]) -> dict[str, int]:
    """Of fields and aircraft what the school has of them, and of each stock of packs."""
    stock = {b.aircraft: b.packs for b in school.batteries}
    found = dict(school.capacity)
    for offer in offers:
        for name in (*offer.takes, *offer.uses):
            if name.startswith("packs:"):
                found[name] = stock[name.split(":")[1]]
    return found


def make_plan(school: School, plan_id: str, *, now: datetime) -> tuple[Plan, tuple[Found, ...]]:
    """The plan, and what it was chosen from."""
    found = find(school)
    offers = [o for f in found for o in f.offers]
    capacity = _capacity(school, offers)
    first = school.policy.weakest_first
    given = assign(
        offers,
        cancelled={s.id: s.last_cancelled.toordinal() if s.last_cancelled else 0
                   for s in school.students},
        capacity=capacity,
        skills={s.id: _ROWS.index(s.skill) for s in school.students} if first else None,
    )  # fmt: skip
    lessons = [
        _lesson(school, f, given, capacity, now) for f in found if f.student.id in given.taken
    ]
    without = [(f.student, why_not(f)) for f in found if f.student.id not in given.taken]
    grounds = school.grounds.values()
    plan = Plan(
        id=plan_id,
        lessons=tuple(sorted(lessons, key=lambda x: (x.start, x.student.id))),
        unassigned=tuple(without),
        made_at=now,
        until=max((g.verdicts[-1].end for g in grounds if g.verdicts), default=now),
        tightest=min((x.margin for x in lessons), default=None),
        notes=_notes(school, given),
    )
    return plan, found


def _notes(school: School, given: Assignment) -> tuple[str, ...]:
    notes = list(given.notes)
    if not any(g.has_chances for g in school.grounds.values()):
        notes.append("no chances were worked out: slots are ranked without them")
    if len({s.skill for s in school.students}) > 1 and school.policy.weakest_first:
        notes.append("go times are given to the weakest skill first")
    return tuple(notes)


def _lesson(
    school: School, found: Found, given: Assignment, capacity: Mapping[str, int], now: datetime
) -> Lesson:
    student, offer = found.student, given.taken[found.student.id]
    slot = offer.slot
    site = school.sites[slot.site]
    instructor = next(i for i in school.instructors if i.id == offer.instructor)
    recheck, decide = deadlines(slot.start, ZoneInfo(site.zone), school.policy, now)
    others = [o for s, o in given.taken.items() if s != student.id]
    because = () if slot.reason is None else (slot.reason.because,)
    lacking = tuple(f"{name} could not be told" for name in slot.missing)
    return Lesson(
        student=student, site=site, aircraft=school.aircraft[student.aircraft],
        instructor=offer.instructor, start=slot.start, flying_start=slot.flying_start,
        flying_end=slot.flying_end, end=slot.end, grade=slot.grade,
        margin=float("-inf") if slot.margin is None else slot.margin,
        limiting=slot.limiting, chance=slot.chance, decide_by=decide, recheck_at=recheck,
        alternative=other_day(found, slot, ZoneInfo(site.zone), Occupancy(capacity, others)),
        reasons=(*because, *slot.notes, *lacking), height=student.height, reason=slot.reason,
        slot=slot, skill=flown_as(student, instructor),
        choice=why_not_go(school, found, offer, others),
    )  # fmt: skip


def why_not_go(school: School, found: Found, offer: Offer, others: Sequence[Offer]) -> str:
    """Of a lesson that is marginal though its student could have had go: who has the go times."""
    go = [o for o in found.offers if o.is_go]
    if offer.is_go or not go:
        return ""
    skill = {s.id: _ROWS.index(s.skill) for s in school.students}
    takers = sorted({
        o.student for o in others
        if any(o.quarters.start < g.quarters.stop and g.quarters.start < o.quarters.stop
               and set(o.takes) & set(g.takes) for g in go)
    })  # fmt: skip
    weaker = [t for t in takers if skill[t] < skill[found.student.id]]
    if weaker and school.policy.weakest_first:
        return f"its go times went first to {', '.join(weaker)}, of a weaker skill"
    if takers:
        return f"its go times went to {', '.join(takers)}, so that most lessons can be held"
    return "its go times would take what others need on that day"


def other_day(
    found: Found, slot: Slot, zone: ZoneInfo, free: Occupancy | None = None
) -> Slot | None:
    """The best slot on another local day that is free beside the others' lessons; or None."""
    day = slot.start.astimezone(zone).date()
    for offer in sorted(found.offers, key=lambda o: o.slot.key):
        elsewhere = offer.slot.start.astimezone(zone).date() != day
        if elsewhere and (free is None or free.fits(offer)):
            return offer.slot
    return None


def deadlines(
    start: datetime, zone: ZoneInfo, policy: Policy, now: datetime
) -> tuple[datetime, datetime]:
    """When to look again (the evening before) and when to decide (that morning); UTC.

    Both by the local clock. An early lesson is decided ``decide_before`` its start. Neither is
    before ``now``, and the look is never after the decision.
    """
    day = start.astimezone(zone).date()
    decide = min(_at(day, policy.decide, zone), start - policy.decide_before)
    recheck = _at(day - timedelta(days=1), policy.look_again, zone)
    decide = max(decide, now)
    return min(max(recheck, now), decide), decide


def _at(day: date, after_midnight: timedelta, zone: ZoneInfo) -> datetime:
    """A local time of day as an instant; 24:00 is the next midnight."""
    days, rest = divmod(int(after_midnight.total_seconds()), 86400)
    clock = time(rest // 3600, rest % 3600 // 60)
    return datetime.combine(day + timedelta(days=days), clock, zone).astimezone(UTC)


def why_not(found: Found) -> str:
    """Why a student has no lesson, in a few words."""
    if found.offers:
        best = min(found.offers, key=lambda o: o.slot.key).slot
        count = len({o.slot.start for o in found.offers})
        word = "start" if count == 1 else "starts"
        grade = "go" if best.grade is Grade.GO else "marginal"
        return (f"{count} {word} would do (the best is {grade}), but instructor, aircraft, field"
                " or packs are taken by others")  # fmt: skip
    nearest = nearest_blocked(found)
    if nearest is None:
        return "no instructor teaches at a field that will do"
    return f"{nearest.word}: {nearest.text}"


def nearest_blocked(found: Found) -> Blocked | None:
    """What stands in the way where a lesson is nearest to being possible."""
    return max(found.blocked, key=lambda b: (b.nearness, -b.start.timestamp()), default=None)
