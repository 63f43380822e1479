"""Verdicts paired with the observations of their hours, one row for each verdict."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from wxgate.forecast import to_datetime64
from wxgate.hindsight.alike import answerable, categories
from wxgate.hindsight.observed import DIRECTION, WORST, Observed
from wxgate.journal import IssuedBrief, Journal, Selection
from wxgate.profiles import Aircraft, Skill
from wxgate.rulebook import Rulebook
from wxgate.verdict import Grade
from wxgate.verify.cases import Array
from wxgate.verify.gusts import gust_bounds

#: Arrays of :class:`Pairs` with a row for each verdict.
ROWS = ("site", "height", "start", "made", "lead_h", "issued", "limiting", "chance", "forecast",
        "observed", "observed_low", "observed_high")  # fmt: skip
#: A gust that is not told is taken as so many means: the gust factor of open country outside
#: storms (2 s over 10 minutes, about 1.40: J. Appl. Meteor. Climatol. 48(3), 534).
GUST_FACTOR = 1.40


@dataclass(frozen=True, slots=True)
class Pairs:
    """One row for each verdict on an hour that was observed; arrays (row,), NaN or 2: unknown.

    ``issued`` is the grade as it was told, ``limiting`` the rule that made it. ``forecast`` and
    ``observed`` are categories of the 10 m values by the rules that both can answer;
    ``observed_low`` and ``observed_high`` with the least and the greatest gust that a report
    without one leaves open.
    """

    site: Array
    height: Array  #: m, of the flight that was asked about
    start: Array  #: datetime64[s]
    made: Array
    lead_h: Array
    issued: Array
    limiting: Array
    chance: Array
    forecast: Array
    observed: Array
    observed_low: Array
    observed_high: Array
    values: Mapping[str, Array]  #: forecast at 10 m and the surface
    seen: Mapping[str, Array]  #: observed
    left_out: tuple[str, ...]  #: rules that no report can answer
    other_rules: int = 0  #: briefs that were graded by other rules than those given
    others: int = 0  #: briefs for another aircraft or another pilot's skill; none of them is here

    def __len__(self) -> int:
        return len(self.start)

    def take(self, rows: Array) -> Pairs:
        """The rows of a mask or of indices."""
        return replace(
            self,
            **{name: getattr(self, name)[rows] for name in ROWS},
            values={n: a[rows] for n, a in self.values.items()},
            seen={n: a[rows] for n, a in self.seen.items()},
        )


def pair_up(
    journal: Journal, observed: Observed, rulebook: Rulebook, *, which: Selection,
    aircraft: Aircraft, skill: Skill,
) -> Pairs:  # fmt: skip
    """Every verdict of the briefs asked for whose hour was observed.

    Of the briefs for this aircraft and skill: limits of another's would be held against them.
    Verdicts made after their hour had begun are left out: they are no forecasts.
    """
    rules, left_out = answerable(rulebook)
    parts: list[dict[str, Array]] = []
    other_rules = others = 0
    for brief in journal.briefs(which):
        if (brief.aircraft, brief.skill) != (aircraft.id, skill.value):
            others += 1
            continue
        found = _of_brief(journal, brief, observed, rules, aircraft, skill)
        if found is not None:
            parts.append(found)
            other_rules += brief.rulebook_sha256 != rulebook.hash
    return replace(_joined(parts), left_out=left_out, other_rules=other_rules, others=others)


def _of_brief(
    journal: Journal, brief: IssuedBrief, observed: Observed, rules: Rulebook,
    aircraft: Aircraft, skill: Skill,
) -> dict[str, Array] | None:  # fmt: skip
    numbers = journal.quantities(brief.id)
    if numbers is None or not numbers.start:
        return None
    time = np.array([to_datetime64(t) for t in numbers.start])
    seen = observed.at(time)
    hours = {h.start: h for h in journal.hours(brief=brief.id, which=Selection(demonstration=True))}
    issued = [hours.get(t) for t in numbers.start]
    lead = (time - to_datetime64(brief.made)) / np.timedelta64(3600, "s")
    # One instant more than hours: it closes the last one.
    instants = len(time) + 1
    values = {n: _numbers(numbers.at_start.get(n), instants) for n in (*WORST, DIRECTION)}
    low, high = gust_bounds(seen["wind_speed"], seen["gust"])
    estimate = np.where(
        np.isfinite(seen["gust"]), seen["gust"], np.minimum(GUST_FACTOR * seen["wind_speed"], high)
    )
    same = {"rulebook": rules, "aircraft": aircraft, "skill": skill, "height": brief.height,
            "latitude": brief.latitude, "start": time[0]}  # fmt: skip
    told = {
        "forecast": categories(values, instants=True, **same)[:-1],
        **{
            name: categories({**seen, "gust": gust}, instants=False, **same)
            for name, gust in (
                ("observed", estimate), ("observed_low", low), ("observed_high", high),
            )
        },
    }  # fmt: skip
    rows = np.isfinite(seen["wind_speed"]) & (lead >= 0)
    if not rows.any():
        return None
    grades = np.array([int(Grade.UNKNOWN) if h is None else int(h.grade) for h in issued])
    chances = np.array([np.nan if h is None or h.chance is None else h.chance for h in issued])
    made = np.full(len(time), to_datetime64(brief.made))
    whole = {
        "site": np.full(len(time), brief.site), "height": np.full(len(time), brief.height),
        "start": time, "made": made, "lead_h": lead, "issued": grades,
        "limiting": np.array([(h and h.limiting) or "" for h in issued]), "chance": chances,
        **told,
        **{f"values.{n}": a[:-1] for n, a in values.items()},
        **{f"seen.{n}": a for n, a in seen.items()},
    }  # fmt: skip
    return {name: array[rows] for name, array in whole.items()}


def _numbers(told: Iterable[float | None] | None, length: int) -> Array:
    if told is None:
        return np.full(length, np.nan)
    return np.array([np.nan if value is None else value for value in told], float)


def _joined(parts: list[dict[str, Array]]) -> Pairs:
    names = parts[0] if parts else ROWS
    whole = {n: np.concatenate([p[n] for p in parts]) if parts else np.array([]) for n in names}
    values = {n.removeprefix("values."): a for n, a in whole.items() if n.startswith("values.")}
    seen = {n.removeprefix("seen."): a for n, a in whole.items() if n.startswith("seen.")}
    rows: dict[str, Any] = {n: whole[n] for n in ROWS}
    return Pairs(**rows, values=values, seen=seen, left_out=())
