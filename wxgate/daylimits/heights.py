"""How high the hours bear: they are graded again at other flight heights."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from wxgate.brief import Brief
from wxgate.daylimits.figures import Figures
from wxgate.daylimits.span import parts_of
from wxgate.derive.run import HIGHEST_HEIGHT, LOWEST_HEIGHT, derive
from wxgate.forecast import HOUR
from wxgate.grade import grade
from wxgate.verdict import Grade

LEAST_STEP = 1.0  #: m; every step is derived and graded anew


@dataclass(frozen=True, slots=True)
class HeightCap:
    """Up to which flight height (m above ground) hours keep a grade.

    A height counts only if every step below it, from the planned height or else from the lowest
    step, keeps the grade too. None: no height does.
    """

    planned: float
    go: float | None  #: highest at which every hour is go
    flyable: float | None  #: highest at which no hour is worse than marginal


def grade_at(brief: Brief, height: float, start: datetime, end: datetime) -> Grade:
    """The worst grade of the hours that [start, end) overlaps, graded for another height (m).

    An hour that a forecast does not reach is unknown.
    """
    parts = parts_of(brief.forecasts, start, end)
    worst = Grade.GO if parts else Grade.UNKNOWN
    for part in parts:
        made = part.forecast
        if height != brief.height:
            made = derive(made, site=brief.site, aircraft=brief.aircraft, height=height)
        graded = grade(
            made, brief.rulebook, aircraft=brief.aircraft, skill=brief.pilot.skill, height=height,
            latitude=brief.site.latitude,
        )  # fmt: skip
        codes = graded.codes[part.inside(graded.time)]
        worst = max(worst, Grade(int(codes.max(initial=0))))
        if codes.size < int((part.last - part.first) / HOUR):
            worst = max(worst, Grade.UNKNOWN)
    return worst


def height_cap(brief: Brief, start: datetime, end: datetime, figures: Figures) -> HeightCap:
    """The heights that the hours of [start, end) bear.

    Steps and the highest height looked at are figures of the rules files. A worse grade at any
    height never raises either cap.
    """
    step = max(figures.value("height-step", "m"), LEAST_STEP)
    lowest = max(figures.value("lowest-height", "m"), LOWEST_HEIGHT)
    highest = min(figures.value("highest-height", "m"), HIGHEST_HEIGHT)
    steps = [float(h) for h in np.arange(lowest, highest + step / 2, step)]
    graded: dict[float, Grade] = {}

    def grade_of(height: float) -> Grade:
        if height not in graded:
            graded[height] = grade_at(brief, height, start, end)
        return graded[height]

    def cap(at_worst: Grade) -> float | None:
        upward = [brief.height, *(h for h in steps if h > brief.height)]
        if grade_of(brief.height) > at_worst:
            upward = [h for h in steps if h < brief.height]
        found = None
        for height in upward:
            if grade_of(height) > at_worst:
                break
            found = height
        return found

    return HeightCap(brief.height, cap(Grade.GO), cap(Grade.MARGINAL))
