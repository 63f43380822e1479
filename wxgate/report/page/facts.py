"""What stands on the page: a brief's facts turned into words and drawings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import groupby
from zoneinfo import ZoneInfo

import numpy as np

from wxgate import __version__
from wxgate.brief import Brief
from wxgate.quantities import quantity
from wxgate.report import strip, text
from wxgate.report.chance import chance_lines
from wxgate.report.credits import full_credits, provenance_of
from wxgate.report.display import Display
from wxgate.report.disputes import disputed_text
from wxgate.report.observed import nearest_text
from wxgate.report.page.records import Day, Figure, Hour, Page, Row, Told
from wxgate.report.page.svg import plot, shape, shapes, stretches
from wxgate.report.panelrecords import Panel
from wxgate.report.panels import panels, ticks
from wxgate.report.since import since_parts
from wxgate.report.spread import spread_parts
from wxgate.report.words import (
    CAUTIONS,
    clock,
    day,
    hour_mark,
    provenance_text,
    reason_text,
    room_left,
    span,
    value_and_limit,
    zone,
)
from wxgate.verdict import Grade, Reason, Verdict
from wxgate.windows import HOUR, windows

_MOST_WINDOWS = 4
_MANY_DAYS = 4  #: more than these share one row of hours on paper


def facts(brief: Brief, display: Display) -> Page:
    """The words and drawings of the page."""
    tz = zone(brief.site.zone)
    headline = text.headline_text(brief, display=display)
    missing = text.missing_text(brief, display=display)
    days = tuple(_days(brief, display))
    every = panels(brief, display=display)
    made = f"{day(brief.now, tz)} {clock(brief.now, tz, display=display)}"
    return Page(
        title=f"{brief.grade.word.upper()}: {brief.site.name}, {made}",
        shapes=shapes(),
        site=brief.site.name,
        demonstration=brief.demonstration,
        who=(
            ("Aircraft", brief.aircraft.id),
            ("Pilot", brief.pilot.id),
            ("Up to", f"{display.length(brief.height)} above ground"),
            ("Made", f"{made} {brief.now.astimezone(tz):%Z}"),
        ),
        grade=told(brief.grade),
        headline=headline,
        why=text.why_text(brief, display=display),
        sure=" ".join(" ".join(chance_lines(brief, most=9, display=display)).split()),
        now=text.now_text(brief, display=display),
        others=tuple(_other_windows(brief, display)),
        legend=tuple(told(g) for g in (Grade.GO, Grade.MARGINAL, Grade.NO_GO, Grade.UNKNOWN)),
        gust_unit=display.spelt(quantity("gust_at_flight_height")),
        days=days,
        columns=_columns(tz, display) if len(days) > _MANY_DAYS else (),
        figures=tuple(_figures(brief, every, display)),
        bands=tuple(dict.fromkeys(line.held for p in every for line in p.lines if line.held)),
        since="; ".join(since_parts(brief, display=display)),
        missing=missing,
        anything_missing=missing != "nothing.",
        disputed=disputed_text(brief, tz, display=display),
        airport=(
            "" if brief.reports is None else nearest_text(brief.reports, brief.now, display=display)
        ),
        origins=tuple(_origins(brief)),
        credits=tuple(full_credits(provenance_of(brief))),
        notes=brief.notes,
        rules=tuple(_rules(brief)),
        loosened=(*brief.rulebook.loosened, *(m.text for m in brief.rulebook.minima)),
        book=f"Rulebook {brief.rulebook.name} {brief.rulebook.hash[:12]}".rstrip(),
        cautions=CAUTIONS,
        version=__version__,
    )


def told(grade: Grade) -> Told:
    """How a grade is told."""
    return Told(grade.word, f"g-{grade.word}", shape(grade), strip.MARKS[grade])


def _other_windows(brief: Brief, display: Display) -> Iterator[tuple[Told, str]]:
    """The next best windows: those of go hours first, then those that hold marginal hours."""
    ahead = [v for v in brief.hours if v.start >= brief.now]
    tz = zone(brief.site.zone)
    taken = [brief.window] if brief.window is not None else []
    for at_worst in (Grade.GO, Grade.MARGINAL):
        for window in windows(ahead, minimum_h=brief.minimum_h, at_worst=at_worst):
            same = any(w.start <= window.start and window.end <= w.end for w in taken)
            if not same and len(taken) <= _MOST_WINDOWS:
                taken.append(window)
                when = span(window.start, window.end, tz, display=display)
                yield told(window.grade), f"{when} ({window.length_h:g} h)"


# ---------------------------------------------------------------------- hours


def _days(brief: Brief, display: Display) -> Iterator[Day]:
    tz = zone(brief.site.zone)
    number = {v.start: n for n, v in enumerate(brief.hours)}
    for _, group in groupby(brief.hours, key=lambda v: v.start.astimezone(tz).date()):
        hours = tuple(group)
        first, last = hours[0].start.astimezone(tz), hours[-1].end.astimezone(tz)
        note = ""
        if first.utcoffset() != last.utcoffset():
            note = f"the clocks change from {first:%Z} to {last:%Z}"
        yield Day(
            f"{day(first, tz)}",
            note,
            tuple(_hour(brief, v, number[v.start], display) for v in hours),
        )


def _hour(brief: Brief, verdict: Verdict, number: int, display: Display) -> Hour:
    tz = zone(brief.site.zone)
    local = verdict.start.astimezone(tz)
    gust = strip.largest_gust(verdict)
    reason = verdict.limiting_reason
    window = brief.window
    return Hour(
        key=f"hour-{number}",
        mark=_mark(verdict, tz, display),
        column=f"c{local.hour}",
        when=span(verdict.start, verdict.end, tz, display=display),
        grade=told(verdict.grade),
        gust="?" if gust is None else _rounded_up(gust, display),
        why=reason_text(reason, display=display) if reason else "the forecast does not reach it",
        disputed=_by_source(verdict),
        in_window=window is not None and window.start <= verdict.start < window.end,
        sure=_sure(verdict),
        spread="; ".join(spread_parts(brief, verdict, display=display)),
        rows=tuple(_row(r, display) for r in text.by_weight(verdict)),
    )


def _columns(tz: ZoneInfo, display: Display) -> tuple[str, ...]:
    midnight = datetime(2000, 1, 1, tzinfo=tz)
    return tuple(hour_mark(midnight + n * HOUR, tz, display=display) for n in range(24))


def _mark(verdict: Verdict, tz: ZoneInfo, display: Display) -> str:
    """The local hour, as short as it goes; with its zone where the clock shows it twice."""
    told_by = clock(verdict.start, tz, display=display)
    short = told_by.removesuffix(":00").replace(":00 ", " ")
    short = {"12 noon": "noon", "12 midnight": "midnight"}.get(short, short)
    beside = (verdict.start - HOUR, verdict.start + HOUR)
    if any(clock(other, tz, display=display) == told_by for other in beside):
        return f"{short} {verdict.start.astimezone(tz):%Z}"
    return short


def _rounded_up(gust: float, display: Display) -> str:
    """A gust in whole units, rounded up so that it never flatters."""
    number = display.number(quantity("gust_at_flight_height"), gust)
    return f"{np.ceil(round(number, 3)):.0f}"


def _by_source(verdict: Verdict) -> str:
    if not verdict.disputed:
        return ""
    return ", ".join(f"{name} says {grade.word}" for name, grade in verdict.by_source)


def _sure(verdict: Verdict) -> str:
    """How sure an hour is, in words; "" where no chance is known."""
    chance = verdict.chance
    if chance is None:
        return ""
    told_by = f"It can be flown in {min(int(100 * chance.flyable + 1e-9), 99)} of 100 weathers"
    held = f", held back by {chance.limiting}" if chance.limiting else ""
    return f"{told_by}{held}."


def _row(reason: Reason, display: Display) -> Row:
    value, limit = value_and_limit(reason, display=display)
    if reason.limit_grade is not None and limit:
        limit = f"{reason.limit_grade.word} {limit}"
    return Row(
        grade=told(reason.grade),
        rule=reason.rule,
        label=quantity(reason.quantity).label,
        value=f"{value} ({reason.note})" if reason.note and reason.value is not None else value,
        limit=limit or "no limit",
        room="" if reason.margin is None else room_left(reason.margin),
        because=reason.because if reason.grade > Grade.GO else "",
    )


# ---------------------------------------------------------------------- plots


def _figures(brief: Brief, every: Sequence[Panel], display: Display) -> Iterator[Figure]:
    flyable = stretches(np.array([v.grade is Grade.GO for v in brief.hours], bool))
    marks = list(ticks(brief, display=display))
    sun = every[-1].lines[0].values
    night = stretches(sun[: len(brief.hours)] < 0)
    for n, panel in enumerate(every):
        keys = tuple((f"l{i}", line.label.split(" at ")[0]) for i, line in enumerate(panel.lines))
        yield Figure(
            title=panel.title,
            unit=panel.unit,
            drawing=plot(panel, f"plot-{n}", marks, flyable=flyable, night=night),
            told=panel.told,
            limits=panel.limits,
            missing=bool(panel.missing.any()),
            keys=keys if len(keys) > 1 else (),
            clipped=panel.clipped,
        )


# ---------------------------------------------------------------------- where it comes from


def _origins(brief: Brief) -> Iterator[str]:
    for p in brief.provenance:
        told_by = provenance_text(p, brief.now)
        yield f"{told_by}; {p.place}" if p.place else told_by


def _rules(brief: Brief) -> Iterator[tuple[str, str, str]]:
    """Each rule that spoke, why it is there, and who says so; each once."""
    seen: dict[str, Reason] = {}
    for verdict in brief.hours:
        for reason in verdict.reasons:
            seen.setdefault(reason.rule, reason)
    for name, reason in sorted(seen.items()):
        yield name, reason.because, reason.source
