"""Verdicts paired with the observations of their hours, one row for each verdict."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from wxgate.forecast import HOUR, to_datetime64
from wxgate.hindsight.alike import answerable, categories
from wxgate.hindsight.observed import DIRECTION, WORST, Observed
from wxgate.journal import IssuedBrief, IssuedHour, Journal, Selection, Spread
from wxgate.journal.taken import SPREAD
from wxgate.profiles import Aircraft, Skill
from wxgate.rulebook import Rulebook
from wxgate.spread import SHARES
from wxgate.verdict import Grade
from wxgate.verify.cases import Array
from wxgate.verify.gusts import gust_bounds

#: Arrays of :class:`Pairs` with a row for each verdict.
ROWS = ("site", "height", "start", "made", "lead_h", "issued", "limiting", "chance", "forecast",
        "observed", "observed_low", "observed_high")  # fmt: skip
#: A gust that is not told is taken as so many means: the gust factor of open country outside
#: storms (2 s over 10 minutes, about 1.40: J. Appl. Meteor. Climatol. 48(3), 534).
GUST_FACTOR = 1.40
#: So many briefs are graded at once: as few steps of the grader as for one.
AT_ONCE = 256


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
    #: The quantiles (row, share) of ``spread.SHARES`` by quantity; NaN where none was kept.
    spread: Mapping[str, Array] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.start)

    def take(self, rows: Array) -> Pairs:
        """The rows of a mask or of indices."""
        return replace(
            self,
            **{name: getattr(self, name)[rows] for name in ROWS},
            values={n: a[rows] for n, a in self.values.items()},
            seen={n: a[rows] for n, a in self.seen.items()},
            spread={n: a[rows] for n, a in self.spread.items()},
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
    same = {"rulebook": rules, "aircraft": aircraft, "skill": skill}
    waiting: dict[Hashable, list[_Told]] = {}
    parts: list[dict[str, Array]] = []
    other_rules = others = 0
    for place, brief in enumerate(journal.briefs(which)):
        if (brief.aircraft, brief.skill) != (aircraft.id, skill.value):
            others += 1
            continue
        told = _told(journal, brief, place, observed)
        if told is None:
            continue
        other_rules += brief.rulebook_sha256 != rulebook.hash
        group = waiting.setdefault(told.kind, [])
        group.append(told)
        if len(group) == AT_ONCE:
            parts.append(_rows(group, observed, same))
            group.clear()
    parts += [_rows(group, observed, same) for group in waiting.values() if group]
    return replace(_joined(parts), left_out=left_out, other_rules=other_rules, others=others)


@dataclass(frozen=True, slots=True)
class _Told:
    """What one brief told of hours of which one was observed, and begins after the brief."""

    place: int  #: among the briefs
    brief: IssuedBrief
    time: Array  #: (hour,)
    hours: Sequence[IssuedHour | None]
    values: Mapping[str, Array]  #: (hour + 1,): one instant more closes the last hour
    spread: Mapping[str, Array]  #: (hour,), by quantity and share

    @property
    def kind(self) -> Hashable:
        """Briefs alike in this are graded at once: what else they differ in is a value."""
        hours = self.time[0] + np.arange(len(self.time)) * HOUR
        months = hours.astype("datetime64[M]").astype(int) % 12
        return self.brief.height, self.brief.latitude, months.tobytes()

    @property
    def lead_h(self) -> Array:
        """Hours (hour,) from the brief to the start of each hour."""
        return (self.time - to_datetime64(self.brief.made)) / HOUR


def _told(journal: Journal, brief: IssuedBrief, place: int, observed: Observed) -> _Told | None:
    numbers = journal.quantities(brief.id)
    if numbers is None or not numbers.start:
        return None
    time = np.array([int(t.timestamp()) for t in numbers.start], "datetime64[s]")
    hours = {h.start: h for h in journal.hours(brief=brief.id, which=Selection(demonstration=True))}
    values = {n: _numbers(numbers.at_start.get(n), len(time) + 1) for n in (*WORST, DIRECTION)}
    spread = _spread(journal.spread(brief.id), len(time))
    told = _Told(place, brief, time, [hours.get(t) for t in numbers.start], values, spread)
    rows = np.isfinite(observed.at(time)["wind_speed"]) & (told.lead_h >= 0)
    return told if rows.any() else None


def _rows(briefs: Sequence[_Told], observed: Observed, same: Mapping[str, Any]) -> dict[str, Array]:
    """The rows of briefs of one kind, brief by brief; arrays are (hour, brief) until then."""
    time = np.stack([told.time for told in briefs], axis=1)
    seen = observed.at(time)
    low, high = gust_bounds(seen["wind_speed"], seen["gust"])
    estimate = np.where(
        np.isfinite(seen["gust"]), seen["gust"], np.minimum(GUST_FACTOR * seen["wind_speed"], high)
    )
    values = {n: np.stack([told.values[n] for told in briefs], axis=1) for n in briefs[0].values}
    first = briefs[0].brief
    same = {**same, "height": first.height, "latitude": first.latitude, "start": time[0, 0]}
    hours = [told.hours for told in briefs]
    lead = np.stack([told.lead_h for told in briefs], axis=1)
    whole: dict[str, Any] = {
        "place": [told.place for told in briefs], "site": [told.brief.site for told in briefs],
        "height": first.height, "start": time, "lead_h": lead,
        "made": [to_datetime64(told.brief.made) for told in briefs],
        "issued": _each(hours, lambda h: int(Grade.UNKNOWN if h is None else h.grade)),
        "limiting": _each(hours, lambda h: (h and h.limiting) or ""),
        "chance": _each(hours, lambda h: np.nan if h is None or h.chance is None else h.chance),
        "forecast": categories(values, instants=True, **same)[:-1],
        **{
            name: categories({**seen, "gust": gust}, instants=False, **same)
            for name, gust in (
                ("observed", estimate), ("observed_low", low), ("observed_high", high),
            )
        },
        **{f"values.{n}": a[:-1] for n, a in values.items()},
        **{f"seen.{n}": a for n, a in seen.items()},
        **{
            f"spread.{n}": np.stack([told.spread[n] for told in briefs], axis=1)
            for n in briefs[0].spread
        },
    }  # fmt: skip
    rows = np.isfinite(seen["wind_speed"]) & (lead >= 0)
    return {name: np.broadcast_to(array, rows.shape).T[rows.T] for name, array in whole.items()}


def _each(
    hours: Sequence[Sequence[IssuedHour | None]], of: Callable[[IssuedHour | None], Any]
) -> Array:
    """One thing of each verdict, (hour, brief)."""
    return np.array([[of(hour) for hour in brief] for brief in hours]).T


def _spread(told: Spread | None, hours: int) -> dict[str, Array]:
    """The quantiles (hour,) at the start of each hour by "quantity/number of the share"."""
    found = {}
    for name in SPREAD:
        columns = None if told is None or told.shares != SHARES else told.at_start.get(name)
        for n in range(len(SHARES)):
            column = None if columns is None else columns[n]
            found[f"{name}/{n}"] = _numbers(column, hours + 1)[:hours]
    return found


def _numbers(told: Iterable[float | None] | None, length: int) -> Array:
    if told is None:
        return np.full(length, np.nan)
    return np.array([np.nan if value is None else value for value in told], float)


def _joined(parts: list[dict[str, Array]]) -> Pairs:
    whole = {n: np.array([]) for n in ROWS}
    if parts:  # in the order of the briefs again; a million verdicts are kept once, not twice
        order = np.argsort(np.concatenate([p.pop("place") for p in parts]), kind="stable")
        whole = {n: np.concatenate([p.pop(n) for p in parts])[order] for n in list(parts[0])}
    values = {n.removeprefix("values."): a for n, a in whole.items() if n.startswith("values.")}
    seen = {n.removeprefix("seen."): a for n, a in whole.items() if n.startswith("seen.")}
    spread = {
        name: np.stack([whole[f"spread.{name}/{n}"] for n in range(len(SHARES))], axis=-1)
        for name in SPREAD if parts
    }  # fmt: skip
    rows: dict[str, Any] = {n: whole[n] for n in ROWS}
    return Pairs(**rows, values=values, seen=seen, left_out=(), spread=spread)
