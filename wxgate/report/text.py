"""The brief as plain text: under 20 lines of 80 columns, sufficient without colour."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterable
from datetime import datetime
from itertools import groupby
from zoneinfo import ZoneInfo

from wxgate.brief import Brief
from wxgate.report.words import (
    CAUTIONS,
    clock,
    day,
    provenance_text,
    reason_text,
    span,
    zone,
)
from wxgate.verdict import Grade, Reason, Verdict

WIDTH = 80
MOST_LINES = 19
#: In the strip of hours each grade is a word of two letters, told apart by case as well.
MARKS = {Grade.GO: "GO", Grade.MARGINAL: "ma", Grade.NO_GO: "no", Grade.UNKNOWN: "??"}
LEGEND = "GO go, ma marginal, no no-go, ?? unknown"

_IS_MISSING = " is missing"

Style = Callable[[str, Grade], str]


def plain(text: str, grade: Grade) -> str:
    """No colour: the words carry the grade."""
    return text


def brief_text(brief: Brief, *, style: Style = plain) -> str:
    """The brief in plain text, ending in a newline; ``style`` may colour words by grade."""
    tz = zone(brief.site.zone)
    head = [_title(brief), *_headline(brief, tz, style), _now_line(brief, tz, style)]
    foot = [*_missing_lines(brief, tz), *_data_lines(brief), *_rules_lines(brief), *CAUTIONS]
    room = MOST_LINES - len(head) - len(foot)
    days = _days(brief, tz)
    strip = _full(days, tz, style, _gusts(brief))
    if len(strip) > room:
        strip = _compact(days, tz, style, room)
    return "\n".join([*head, *strip, *foot]) + "\n"


def _title(brief: Brief) -> str:
    facts = (brief.site.name, brief.aircraft.id, brief.pilot.id, f"up to {brief.height:g} m")
    return _cut("wxgate: " + ", ".join(facts))


# ---------------------------------------------------------------------- verdict


def _headline(brief: Brief, tz: ZoneInfo, style: Style) -> list[str]:
    word = style(brief.grade.word.upper(), brief.grade)
    window = brief.window
    if window is None:
        until = brief.hours[-1].end if brief.hours else brief.now
        when = f"until {day(until, tz)} {clock(until, tz)} {until.astimezone(tz):%Z}"
        least = f"no window of {brief.minimum_h:g} h can be flown {when}"
        return [f"{word}: {least}", *_wrapped("Why: ", _why_not(brief, tz))]
    length = f"{window.length_h:g} h"
    line = f"{word}: {span(window.start, window.end, tz)} ({length})"
    tightest = _tightest(window.hours)
    return [line, *_wrapped("Why: ", _why(*tightest, tz))] if tightest else [line]


def _tightest(hours: Iterable[Verdict]) -> tuple[Verdict, Reason] | None:
    """The hour and reason that limit a window: worst grade first, then least room."""
    pairs = [(v, r) for v in hours if (r := v.limiting_reason) is not None]
    if not pairs:
        return None
    return max(pairs, key=lambda p: (p[1].grade, -_room(p[1])))


def _room(reason: Reason) -> float:
    return math.inf if reason.margin is None else reason.margin


def _why(verdict: Verdict, reason: Reason, tz: ZoneInfo) -> str:
    text = reason_text(reason, when=clock(verdict.start, tz))
    if reason.grade is Grade.GO:
        room = "" if reason.margin is None else f" ({reason.margin:.0%} room)"
        return f"every rule is kept; the closest is {text}{room}."
    return f"{text}: {reason.because}"


def _why_not(brief: Brief, tz: ZoneInfo) -> str:
    """The rule that most often stands in the way, with the hour at which it is nearest."""
    against = [v for v in brief.hours if v.grade is not Grade.GO and v.limiting_reason]
    if not against:
        return "the forecast does not reach these hours."
    rules = [v.limiting for v in against]
    most = max(dict.fromkeys(rules), key=rules.count)
    among = [(v, r) for v in against if v.limiting == most and (r := v.limiting_reason)]
    verdict, reason = max(among, key=lambda p: (-p[1].grade, _room(p[1])))
    when = f"{day(verdict.start, tz)} {clock(verdict.start, tz)}"
    return (
        f"in {len(among)} of {len(brief.hours)} hours, nearest: {reason_text(reason, when=when)}."
    )


def _now_line(brief: Brief, tz: ZoneInfo, style: Style) -> str:
    current = brief.hours[0]
    head = f"Now ({clock(current.start, tz)} hour): {style(current.grade.word, current.grade)}"
    reason = current.limiting_reason
    if reason is None:
        return f"{head}, the forecast does not reach it"
    told = reason_text(reason)
    # A go needs no limit here; the line must stay one line.
    return _cut(f"{head}, {told if reason.grade > Grade.GO else told.split(', ')[0]}")


# ---------------------------------------------------------------------- strip of hours


def _days(brief: Brief, tz: ZoneInfo) -> list[tuple[Verdict, ...]]:
    """The hours by local day."""
    by_day = groupby(brief.hours, key=lambda v: v.start.astimezone(tz).date())
    return [tuple(group) for _, group in by_day]


def _full(
    days: list[tuple[Verdict, ...]], tz: ZoneInfo, style: Style, gusts: dict[datetime, str]
) -> list[str]:
    """Each local day in three rows: hours, grades, gusts; a day of 25 hours takes them twice."""
    parts = [part for day in days for part in (day[:24], day[24:]) if part]
    lines = [row for part in parts for row in _rows(part, tz, style, gusts)]
    return [*lines, f"{LEGEND}; gust in m/s at flight height"]


def _compact(days: list[tuple[Verdict, ...]], tz: ZoneInfo, style: Style, room: int) -> list[str]:
    """One row a day below common hours; an hour that comes twice shows the worse of both."""
    lines = [f"{'':7}" + " ".join(f"{hour:02d}" for hour in range(24))]
    fitting = len(days) if len(days) + 2 <= room else room - 3
    for verdicts in days[:fitting]:
        worst: dict[int, Grade] = {}
        for v in verdicts:
            hour = v.start.astimezone(tz).hour
            worst[hour] = max(v.grade, worst.get(hour, v.grade))
        marks = [style(MARKS[worst[h]], worst[h]) if h in worst else "  " for h in range(24)]
        lines.append((_day_label(verdicts[0], tz) + " ".join(marks)).rstrip())
    if fitting < len(days):
        lines.append(f"... and {len(days) - fitting} more days, which --json tells.")
    return [*lines, LEGEND]


def _day_label(verdict: Verdict, tz: ZoneInfo) -> str:
    first = verdict.start.astimezone(tz)
    return f"{first:%a} {first.day:<2} "


def _rows(
    verdicts: tuple[Verdict, ...], tz: ZoneInfo, style: Style, gusts: dict[datetime, str]
) -> list[str]:
    hours = " ".join(f"{v.start.astimezone(tz):%H}" for v in verdicts)
    marks = " ".join(style(MARKS[v.grade], v.grade) for v in verdicts)
    numbers = " ".join(gusts[v.start] for v in verdicts)
    return [f"{_day_label(verdicts[0], tz)}{hours}", f"{'':7}{marks}", f"gust   {numbers}"]


def _gusts(brief: Brief) -> dict[datetime, str]:
    """The largest gust at flight height in each hour, rounded up so that it never flatters."""
    found = {}
    for verdict in brief.hours:
        values = [
            r.value
            for r in verdict.reasons
            if r.quantity == "gust_at_flight_height" and r.value is not None
        ]
        found[verdict.start] = f"{math.ceil(round(max(values), 1)):2d}" if values else " ?"
    return found


# ---------------------------------------------------------------------- what is missing, and data


def _missing_lines(brief: Brief, tz: ZoneInfo) -> list[str]:
    """What could not be had, the hours that it lacks in, and what stood in for something."""
    missing: dict[str, list[datetime]] = {}
    for verdict in brief.hours:
        for reason in verdict.reasons:
            if reason.note.endswith(_IS_MISSING):
                missing.setdefault(reason.note.removesuffix(_IS_MISSING), []).append(verdict.start)
    uncovered = [v.start for v in brief.hours if not v.reasons]
    if uncovered:
        missing["the forecast"] = uncovered
    always = [label for label, starts in missing.items() if len(set(starts)) == len(brief.hours)]
    parts = [f"in all hours {', '.join(always)}"] if always else []
    for label, starts in missing.items():
        if label not in always:
            hours = sorted(set(starts))
            when = f"{day(hours[0], tz)} {clock(hours[0], tz)}"
            parts.append(f"{label} ({len(hours)} h from {when})")
    parts += sorted({r.note for v in brief.hours for r in v.reasons if r.limit is None and r.note})
    return _wrapped("Missing: ", "; ".join(parts) + "." if parts else "nothing.")


def _data_lines(brief: Brief) -> list[str]:
    parts = [provenance_text(p, brief.now) for p in brief.provenance]
    if brief.demonstration:
        parts.insert(0, "INVENTED DEMONSTRATION FORECAST")
    disputed = [v for v in brief.hours if v.disputed]
    if disputed:
        names = ", ".join(name for name, _ in disputed[0].by_source)
        parts.append(f"{names} disagree in {len(disputed)} h, the stricter counts")
    lines = _wrapped("Data: ", "; ".join(parts) + ".", most=2)
    notes = [n.rstrip(".") for n in brief.notes]
    return lines + (_wrapped("Notes: ", "; ".join(notes) + ".", most=2) if notes else [])


def _rules_lines(brief: Brief) -> list[str]:
    """What was loosened, and since when personal minima stand; no line where there is neither."""
    told = [*brief.rulebook.loosened, *(m.text for m in brief.rulebook.minima)]
    return _wrapped("Rules: ", "; ".join(told) + ".") if told else []


def _wrapped(label: str, text: str, *, most: int = 2) -> list[str]:
    return textwrap.wrap(
        " ".join(text.split()),
        WIDTH,
        initial_indent=label,
        subsequent_indent="  ",
        max_lines=most,
        placeholder=" ...",
        break_on_hyphens=False,
    )


def _cut(line: str) -> str:
    return line if len(line) <= WIDTH else line[: WIDTH - 4].rstrip() + " ..."


# ---------------------------------------------------------------------- one hour in full


def hour_text(brief: Brief, verdict: Verdict) -> str:
    """Every reason of one hour: the value, its limit, the room left, why and who says so."""
    tz = zone(brief.site.zone)
    lines = [f"{span(verdict.start, verdict.end, tz)}: {verdict.grade.word.upper()}"]
    order = sorted(verdict.reasons, key=lambda r: (-r.grade, _room(r), r.rule))
    for reason in order:
        room = "" if reason.margin is None else f", room {reason.margin:.0%}"
        lines.append(f"{reason.grade.word:8} {reason.rule}: {reason_text(reason)}{room}")
        lines += textwrap.wrap(
            f"{reason.because} [{reason.source}]",
            WIDTH,
            initial_indent=" " * 9,
            subsequent_indent=" " * 9,
        )
    return "\n".join(lines) + "\n"
