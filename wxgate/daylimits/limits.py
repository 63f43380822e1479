"""The limits of the day for one lesson or window, put together once; reports render them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from wxgate.brief import Brief
from wxgate.daylimits import ground
from wxgate.daylimits.figures import Figures, figures_of
from wxgate.daylimits.glare import Glare, glare
from wxgate.daylimits.ground import Drift, Return, Room, Wind
from wxgate.daylimits.heights import HeightCap, height_cap
from wxgate.daylimits.meter import StopNumbers, stop_numbers
from wxgate.daylimits.span import worst
from wxgate.errors import UsageError
from wxgate.verdict import Grade, Verdict


@dataclass(frozen=True, slots=True)
class DayLimits:
    """What holds on the field from ``start`` to ``end`` (UTC)."""

    start: datetime
    end: datetime
    grade: Grade  #: the worst of the hours; unknown where the brief does not reach them all
    hours: tuple[Verdict, ...]
    height: HeightCap
    room: Room
    stops: StopNumbers
    wind: Wind
    returns: tuple[Return, ...]
    drift: Drift
    pack_time: float | None  #: s of flight on one pack down to the landing charge
    figures: Figures
    glare: Glare
    by_rules: bool = True  #: no hour is graded worse than by the worst of its rules

    @property
    def flyable(self) -> bool:
        """Whether there is a lesson at all: every hour is go or marginal."""
        return self.grade <= Grade.MARGINAL

    @property
    def height_limit(self) -> float | None:
        """The height (m) that the lesson stays under; None where it does not fly.

        Go hours may bear more than was planned; marginal ones are never given more.
        """
        if self.grade is Grade.GO:
            return self.height.go
        if self.grade is Grade.MARGINAL and self.height.flyable is not None:
            return min(self.height.planned, self.height.flyable)
        return None

    @property
    def go_below(self) -> float | None:
        """Of marginal hours: the height (m) up to which they are go, if that is lower.

        None too where something else than the rules speaks against the hours: no height mends that.
        """
        go = self.height.go
        lower = self.grade is Grade.MARGINAL and go is not None and go < self.height.planned
        return go if lower and self.by_rules else None


def day_limits(
    brief: Brief,
    start: datetime,
    end: datetime,
    *,
    radius: float | None = None,
    figures: Figures | None = None,
    no_better_than: Grade = Grade.GO,
) -> DayLimits:
    """The limits for [start, end), aware times within the brief; ``radius`` (m) as planned.

    ``no_better_than`` is what else is known of the hours, such as a lesson's grade by its chance.
    The numbers hold for the brief's flight height. UsageError when ``end`` is not after ``start``.
    """
    if not end > start:
        raise UsageError("the lesson ends before it starts", remedy="Give an end after the start.")
    if radius is not None and not 0 < radius < 10_000:
        raise UsageError(
            f"a flight radius of {radius:g} m cannot be planned", remedy="Write for example 20 m."
        )
    told = figures_of(brief.rulebook) if figures is None else figures
    hours = tuple(v for v in brief.hours if v.start < end and v.end > start)
    grade = max((v.grade for v in hours), default=Grade.UNKNOWN)
    reached = bool(hours) and hours[0].start <= start and hours[-1].end >= end
    grade = max(grade if reached else max(grade, Grade.UNKNOWN), no_better_than)
    room = ground.room(brief, start, end, told, radius)
    flight_time = worst(brief.forecasts, "usable_flight_time", start, end, np.min)
    used = max(1.0 - told.value("landing-charge", "1"), 0.0)
    return DayLimits(
        start=start,
        end=end,
        grade=grade,
        hours=hours,
        height=height_cap(brief, start, end, told),
        room=room,
        stops=stop_numbers(brief, start, end, told),
        wind=ground.wind(brief, start, end),
        returns=ground.returns(brief, start, end, told, room.radius or room.planned_radius),
        drift=ground.drift(brief, start, end, told),
        pack_time=None if flight_time is None else flight_time * used,
        figures=told,
        glare=glare(brief, start, end),
        by_rules=no_better_than is Grade.GO and all(map(_by_rules, hours)),
    )


def _by_rules(hour: Verdict) -> bool:
    return hour.grade is max((r.grade for r in hour.reasons), default=Grade.UNKNOWN)
