"""The graded hours that slots are laid over: one brief for each aircraft of a lesson.

In a group with several aircraft the strictest hour, the likeliest thunder and the least comfort
of all of them count: no aircraft is flown on what holds for another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np

from wxgate.brief import Brief
from wxgate.derive.sun import solar_elevation
from wxgate.lessons.criteria import Weather, criteria_of
from wxgate.lessons.fog import Fog, mornings
from wxgate.lessons.policy import Policy
from wxgate.lessons.records import Criteria
from wxgate.lessons.series import HOUR, Ends, series
from wxgate.verdict import Grade, Verdict
from wxgate.windows import strictest

THUNDER, FLIGHT_TIME = "thunder_probability", "usable_flight_time"
_STEP = 300  #: s, between two looks at the sun
_MISSING: Ends = (math.nan, math.nan)


@dataclass(frozen=True)
class Ground:
    """The briefs of one lesson's aircraft, same place, pilot, height and time; made once for all.

    ValueError without a brief.
    """

    briefs: tuple[Brief, ...]
    policy: Policy

    def __post_init__(self) -> None:
        if not self.briefs:
            raise ValueError("a lesson needs a brief")

    @property
    def brief(self) -> Brief:
        """The first brief, for what all of them share."""
        return self.briefs[0]

    @cached_property
    def verdicts(self) -> tuple[Verdict, ...]:
        """The strictest verdict of each hour."""
        if len(self.briefs) == 1:
            return self.brief.hours
        return strictest({f"{n} {b.aircraft.id}": b.hours for n, b in enumerate(self.briefs)})

    @cached_property
    def hours(self) -> dict[int, Verdict]:
        """The strictest verdicts by the second at which they begin."""
        return {int(v.start.timestamp()): v for v in self.verdicts}

    @cached_property
    def fog(self) -> tuple[Fog, ...]:
        """The foggy mornings by any brief."""
        return tuple(f for b in self.briefs for f in mornings(b, self.policy))

    @cached_property
    def _thunder(self) -> list[dict[int, Ends]]:
        return [series(brief, THUNDER) for brief in self.briefs]

    def thunder(self, hour: int) -> float:
        """The largest chance of thunder in an hour; NaN where any brief lacks it."""
        return float(np.max([told.get(hour, _MISSING) for told in self._thunder]))

    def thunder_missing(self, hour: int) -> Grade:
        """What an hour without a chance of thunder is worth at best, by the rules for thunder."""
        return max(_missing_thunder(brief, hour) for brief in self.briefs)

    @cached_property
    def _flight_time(self) -> dict[str, dict[int, Ends]]:
        return {b.aircraft.id: series(b, FLIGHT_TIME) for b in self.briefs}

    def flight_time(self, aircraft: str, hours: range) -> float:
        """The least seconds that a full pack of an aircraft flies in any hour; or NaN."""
        told = self._flight_time.get(aircraft, {})
        return float(np.min([told.get(h, _MISSING) for h in hours])) if hours else math.nan

    @cached_property
    def _weather(self) -> list[Weather]:
        return [Weather.of(brief) for brief in self.briefs]

    def criteria(self, hours: range) -> tuple[Criteria, tuple[str, ...]]:
        """Each criterion by the aircraft that is worst off, and what could not be told."""
        found = [criteria_of(weather, hours, self.policy) for weather in self._weather]
        worst = [max(row) for row in zip(*(c.ranked for c, _ in found), strict=True)]
        missing = dict.fromkeys(name for _, names in found for name in names)
        return Criteria(*worst), tuple(missing)

    @property
    def has_chances(self) -> bool:
        """Whether any brief tells how sure its hours are."""
        return any(b.chances is not None for b in self.briefs)

    def chance(self, start: datetime, end: datetime) -> float | None:
        """The least chance that every hour of [start, end) is flown; None where one is not told."""
        found = [None if b.chances is None else b.chances.session(start, end) for b in self.briefs]
        told = [f for f in found if f is not None and math.isfinite(f)]
        return min(told) if len(told) == len(found) else None

    @cached_property
    def _sun(self) -> dict[int, float]:
        if not self.verdicts:
            return {}
        first, last = (v.timestamp() for v in (self.verdicts[0].start, self.verdicts[-1].end))
        at = np.arange(int(first), int(last) + 1, _STEP)
        site = self.brief.site
        elevation = solar_elevation(at.astype("datetime64[s]"), site.latitude, site.longitude)
        return dict(zip(at.tolist(), elevation.tolist(), strict=True))

    def lowest_sun(self, start: int, end: int) -> float:
        """The lowest elevation of the sun in [start, end], looked at each five minutes; or NaN.

        Degrees; the looks reach up to five minutes beyond both ends. Times in seconds UTC.
        """
        looks = range(start - start % _STEP, end + -end % _STEP + 1, _STEP)
        return float(np.min([self._sun.get(t, math.nan) for t in looks]))


def _missing_thunder(brief: Brief, hour: int) -> Grade:
    """By the verdict of the hour itself where it was graded, else by what the rules declare.

    Marginal at least: thunder that cannot be told is no go.
    """
    begin = brief.hours[0].start.timestamp() if brief.hours else math.inf
    at = int((hour - begin) // HOUR) if math.isfinite(begin) else -1
    if 0 <= at < len(brief.hours):
        grades = [r.grade for r in brief.hours[at].reasons if r.quantity == THUNDER]
    else:
        rules = [r for r in brief.rulebook.rules if r.quantity == THUNDER]
        grades = [Grade.UNKNOWN if r.missing_when else r.missing or Grade.GO for r in rules]
    return max([Grade.MARGINAL, *grades])
