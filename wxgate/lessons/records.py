"""What lesson plans are made of: students, slots, lessons and plans, all frozen."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, time

from wxgate.profiles import Aircraft, Site, Skill
from wxgate.verdict import Grade, Reason


@dataclass(frozen=True, slots=True)
class LocalSpan:
    """A stretch of local time, [start, end), on certain days of the week."""

    days: frozenset[int]  #: 0 is Monday
    start: time
    end: time


@dataclass(frozen=True, slots=True)
class Student:
    """Who is to fly: one person, or a group that is taught together."""

    id: str
    name: str
    skill: Skill  #: of a group that of the weakest
    aircraft: str  #: id
    minutes: int  #: of flying; of a group the most that one aircraft flies
    preferred: tuple[LocalSpan, ...] = ()
    last_cancelled: date | None = None
    height: float = 30.0  #: m above ground
    field: str | None = None  #: id of the only field that will do
    dual_control: bool = False  #: the instructor can take the aircraft over at any moment
    members: tuple[str, ...] = ()  #: ids, of a group
    flown: tuple[tuple[str, int], ...] = ()  #: of a group, each aircraft and its minutes

    @property
    def minutes_by_aircraft(self) -> dict[str, int]:
        """Minutes of flying that each aircraft has to last, by its id."""
        return dict(self.flown) or {self.aircraft: self.minutes}

    @property
    def all_aircraft(self) -> tuple[str, ...]:
        """Ids of every aircraft that is in the air in the lesson."""
        return tuple(self.minutes_by_aircraft)


@dataclass(frozen=True, slots=True)
class Instructor:
    """Who teaches, and when."""

    id: str
    name: str
    skill: Skill
    available: tuple[LocalSpan, ...] = ()  #: empty: always
    fields: frozenset[str] = frozenset()  #: ids; empty: all of the plan


@dataclass(frozen=True, slots=True)
class Batteries:
    """The packs of an aircraft that go to the field."""

    aircraft: str
    packs: int
    charger: bool = False  #: packs are full again for the next lesson of the day


@dataclass(frozen=True, slots=True, order=True)
class Criteria:
    """What ranks slots of equal room, in this order; small is good.

    Each is a number of bins, so that ties are real. What is missing counts as ``WORST``.
    """

    steadiness: int  #: gust spread, trend of the wind and swing of its direction
    comfort: int  #: cold or heat beyond what a class bears well
    glare: int
    preference: int  #: 0 inside the preferred times, 1 outside

    @property
    def ranked(self) -> tuple[int, ...]:
        """The criteria in their order, which compares as they do, and faster."""
        return self.steadiness, self.comfort, self.glare, self.preference


WORST = 99  #: bins; of a criterion that could not be told


@dataclass(frozen=True, slots=True)
class Slot:
    """A lesson that the weather allows: [start, end), flying in [flying_start, flying_end), UTC."""

    start: datetime
    flying_start: datetime
    flying_end: datetime
    end: datetime
    grade: Grade  #: the worst hour that the padded flying part overlaps: go or marginal
    margin: float | None
    limiting: str | None  #: rule
    reason: Reason | None  #: of the limiting rule, in the hour that limits
    criteria: Criteria
    chance: float | None = None  #: that every hour of the padded flying part can be flown
    chance_needed: float | None = None  #: of it, for the skill that is graded
    site: str = ""
    missing: tuple[str, ...] = ()  #: criteria that could not be told, with what they lack
    notes: tuple[str, ...] = ()  #: what stood in the way of a better grade beside the rules
    packs: tuple[tuple[str, int], ...] = ()  #: by aircraft, where they are counted
    level: int = 0  #: grade and room as one number, larger is better; compared for the bottleneck

    @property
    def key(self) -> tuple[object, ...]:
        """The order of preference: the smallest key is the best slot."""
        return (-self.level, self.criteria.ranked, self.start, self.site)


@dataclass(frozen=True, slots=True)
class Blocked:
    """Why a start is no slot: the first thing that stands in the way."""

    start: datetime
    word: str  #: kind, such as "limits", "no daylight", "fog"
    text: str  #: in a few words
    reason: Reason | None = None
    nearness: float = 0.0  #: larger is nearer to a slot, for telling the most hopeful one


@dataclass(frozen=True, slots=True)
class Lesson:
    """A planned lesson. Times are UTC."""

    student: Student
    site: Site
    aircraft: Aircraft
    instructor: str
    start: datetime
    flying_start: datetime
    flying_end: datetime
    end: datetime
    grade: Grade
    margin: float
    limiting: str | None
    chance: float | None
    decide_by: datetime
    recheck_at: datetime
    alternative: Slot | None  #: the best slot on another local day
    reasons: tuple[str, ...]
    height: float  #: m above ground
    reason: Reason | None = None
    slot: Slot | None = field(default=None, repr=False)
    #: That it was graded for; higher than the student's under dual control.
    skill: Skill | None = None
    choice: str = ""  #: of a marginal lesson whose student could have had go: who has the go times

    @property
    def ground(self) -> tuple[str, tuple[str, ...], Skill, float]:
        """Which graded hours it was laid over: site, aircraft, skill and height."""
        skill = self.skill or self.student.skill
        return self.site.id, self.student.all_aircraft, skill, self.height


@dataclass(frozen=True, slots=True)
class Plan:
    """Lessons for all students that could be placed."""

    id: str
    lessons: tuple[Lesson, ...]  #: in order of time
    unassigned: tuple[tuple[Student, str], ...]  #: with why
    made_at: datetime
    until: datetime  #: so far the forecast was looked at
    tightest: float | None = None  #: the smallest margin of its lessons
    notes: tuple[str, ...] = ()
    changes: tuple[str, ...] = ()  #: since the plan before
