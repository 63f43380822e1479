"""The brief as plain text: under 20 lines of 80 columns, sufficient without colour."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from wxgate.brief import Brief
from wxgate.quantities import quantity
from wxgate.report.chance import chance_lines, chance_text
from wxgate.report.credits import credits_line
from wxgate.report.display import METRIC, Display
from wxgate.report.disputes import disputed_text
from wxgate.report.observed import observed_lines
from wxgate.report.since import since_parts
from wxgate.report.strip import LEAST_LINES, strip_lines
from wxgate.report.strip import Style as Style
from wxgate.report.strip import plain as plain
from wxgate.report.words import (
    CAUTIONS,
    clock,
    day,
    provenance_text,
    reason_text,
    room_left,
    span,
    zone,
)
from wxgate.verdict import Grade, Reason, Verdict

MOST_LINES = 19

_IS_MISSING = " is missing"


def brief_text(brief: Brief, *, style: Style = plain, display: Display = METRIC) -> str:
    """The brief in plain text, ending in a newline; ``style`` may colour words by grade."""
    tz = zone(brief.site.zone)
    head = [
        *_title(brief, display),
        *_headline(brief, tz, style, display),
        *_now_lines(brief, style, display),
    ]
    # In the order of their weight: where room is short the last are cut first.
    parts = [
        _wrapped("Missing: ", missing_text(brief, display=display), display),
        _wrapped("Disputed: ", disputed_text(brief, tz, display=display), display),
        _since_lines(brief, display),
        observed_lines(brief, display=display),
        _source_lines(brief, display),
        _notes_lines(brief, display),
        _rules_lines(brief, display),
        _wrapped("", credits_line(brief), display),
    ]
    # The chance takes its second line only where all that is there still fits.
    full = len(strip_lines(brief, 99, style, display)) + sum(map(len, parts))
    cautions = [line for told in CAUTIONS for line in _wrapped("", told, display)]
    most = display.lines(MOST_LINES)
    spare = most - len(head) - len(cautions) - full
    head += chance_lines(brief, most=2 if spare >= 2 else 1, display=display)
    room = most - len(head) - len(cautions)
    foot = _fitted(parts, room - LEAST_LINES, display)
    strip = strip_lines(brief, room - len(foot), style, display)
    return "\n".join([*head, *strip, *foot, *cautions]) + "\n"


def _since_lines(brief: Brief, display: Display) -> list[str]:
    told = since_parts(brief, display=display)
    return _wrapped("Since the last: ", "; ".join(told), display) if told else []


def _fitted(parts: Sequence[list[str]], room: int, display: Display) -> list[str]:
    """The lines of all parts in so many lines: the last parts are cut to one line, then left out.

    Whatever is cut ends in " ..."; --json and the page tell it whole.
    """
    kept = [list(part) for part in parts if part]
    for part in reversed(kept):
        if sum(map(len, kept)) > room and len(part) > 1:
            part[:] = [part[0][: display.width - 4].rstrip() + " ..."]
    while sum(map(len, kept)) > room:
        kept.pop()
    return [line for part in kept for line in part]


def _title(brief: Brief, display: Display) -> list[str]:
    up_to = f"up to {display.length(brief.height)}"
    facts = (brief.site.name, brief.aircraft.id, brief.pilot.id, up_to)
    return _wrapped("wxgate: ", ", ".join(facts), display, most=1)


# ---------------------------------------------------------------------- verdict


def _headline(brief: Brief, tz: ZoneInfo, style: Style, display: Display) -> list[str]:
    word = brief.grade.word.upper()
    first, *more = _wrapped(f"{word}: ", headline_text(brief, display=display), display, most=4)
    lines = [first.replace(word, style(word, brief.grade), 1), *more]
    why = why_text(brief, display=display)
    return [*lines, *_wrapped("Why: ", why, display)] if why else lines


def headline_text(brief: Brief, *, display: Display = METRIC) -> str:
    """When the window is, or that there is none, without the grade's word."""
    tz, window = zone(brief.site.zone), brief.window
    if window is None:
        until = brief.hours[-1].end if brief.hours else brief.now
        at = f"{day(until, tz)} {clock(until, tz, display=display)} {until.astimezone(tz):%Z}"
        return f"no window of {brief.minimum_h:g} h can be flown until {at}"
    return f"{span(window.start, window.end, tz, display=display)} ({window.length_h:g} h)"


def why_text(brief: Brief, *, display: Display = METRIC) -> str:
    """The rule that limits the window, or that stands in the way of one; "" for none."""
    tz = zone(brief.site.zone)
    if brief.window is None:
        return _why_not(brief, tz, display)
    tightest = _tightest(brief.window.hours)
    return _why(*tightest, tz, display) if tightest else ""


def _tightest(hours: Iterable[Verdict]) -> tuple[Verdict, Reason] | None:
    """The hour and reason that limit a window: worst grade first, then least room."""
    pairs = [(v, r) for v in hours if (r := v.limiting_reason) is not None]
    if not pairs:
        return None
    return max(pairs, key=lambda p: (p[1].grade, -_room(p[1])))


def _room(reason: Reason) -> float:
    return math.inf if reason.margin is None else reason.margin


def _why(verdict: Verdict, reason: Reason, tz: ZoneInfo, display: Display) -> str:
    text = reason_text(reason, when=clock(verdict.start, tz, display=display), display=display)
    if reason.grade is Grade.GO:
        room = "" if reason.margin is None else f" ({room_left(reason.margin)} room)"
        return f"every rule is kept; the closest is {text}{room}."
    return f"{text}: {reason.because}"


def _why_not(brief: Brief, tz: ZoneInfo, display: Display) -> str:
    """The rule that most often stands in the way, with the hour at which it is nearest."""
    against = [v for v in brief.hours if v.grade is not Grade.GO and v.limiting_reason]
    if not against:
        return "the forecast does not reach these hours."
    rules = [v.limiting for v in against]
    most = max(dict.fromkeys(rules), key=rules.count)
    among = [(v, r) for v in against if v.limiting == most and (r := v.limiting_reason)]
    verdict, reason = max(among, key=lambda p: (-p[1].grade, _room(p[1])))
    when = f"{day(verdict.start, tz)} {clock(verdict.start, tz, display=display)}"
    told = reason_text(reason, when=when, display=display)
    return f"in {len(among)} of {len(brief.hours)} hours, nearest: {told}."


def _now_lines(brief: Brief, style: Style, display: Display) -> list[str]:
    word, grade = brief.hours[0].grade.word, brief.hours[0].grade
    lines = "\n".join(_wrapped("", now_text(brief, display=display), display, most=1))
    return lines.replace(f" {word}", f" {style(word, grade)}", 1).split("\n")


def now_text(brief: Brief, *, display: Display = METRIC) -> str:
    """The hour under way and its grade, in one line."""
    current, tz = brief.hours[0], zone(brief.site.zone)
    head = f"Now ({clock(current.start, tz, display=display)} hour): {current.grade.word}"
    reason = current.limiting_reason
    if reason is None:
        return f"{head}, the forecast does not reach it"
    told = reason_text(reason, display=display)
    # A go needs no limit here; the line must stay one line.
    return f"{head}, {told if reason.grade > Grade.GO else told.split(', ')[0]}"


# ---------------------------------------------------------------------- what is missing, and data


def missing_text(brief: Brief, *, display: Display = METRIC) -> str:
    """What could not be had, the hours that it lacks in, and what stood in for something."""
    tz = zone(brief.site.zone)
    missing: dict[str, list[datetime]] = {}
    for verdict in brief.hours:
        for reason in verdict.reasons:
            if reason.note.endswith(_IS_MISSING):
                label = _with_mend(reason.note.removesuffix(_IS_MISSING), brief)
                missing.setdefault(label, []).append(verdict.start)
    uncovered = [v.start for v in brief.hours if not v.reasons]
    if uncovered:
        missing["the forecast"] = uncovered
    always = [label for label, starts in missing.items() if len(set(starts)) == len(brief.hours)]
    parts = [f"in all hours {', '.join(always)}"] if always else []
    for label, starts in missing.items():
        if label not in always:
            hours = sorted(set(starts))
            when = f"{day(hours[0], tz)} {clock(hours[0], tz, display=display)}"
            parts.append(f"{label} ({len(hours)} h from {when})")
    parts += sorted({r.note for v in brief.hours for r in v.reasons if r.limit is None and r.note})
    return "; ".join(parts) + "." if parts else "nothing."


def _with_mend(label: str, brief: Brief) -> str:
    """What is missing, and what the site's file lacks for it."""
    if brief.site.altitude is None and label == quantity("terrain_difference").label:
        return f"{label} (the site has no altitude)"
    return label


def _source_lines(brief: Brief, display: Display) -> list[str]:
    parts = [provenance_text(p, brief.now) for p in brief.provenance]
    if brief.demonstration:
        parts.insert(0, "INVENTED DEMONSTRATION FORECAST")
    return _wrapped("Data: ", "; ".join(parts) + ".", display)


def _notes_lines(brief: Brief, display: Display) -> list[str]:
    notes = [n.rstrip(".") for n in brief.notes]
    return _wrapped("Notes: ", "; ".join(notes) + ".", display) if notes else []


def _rules_lines(brief: Brief, display: Display) -> list[str]:
    """What was loosened, and since when personal minima stand; no line where there is neither."""
    told = [*brief.rulebook.loosened, *(m.text for m in brief.rulebook.minima)]
    return _wrapped("Rules: ", "; ".join(told) + ".", display) if told else []


def _wrapped(label: str, text: str, display: Display, *, most: int = 2) -> list[str]:
    return textwrap.wrap(
        " ".join(text.split()),
        display.width,
        initial_indent=label,
        subsequent_indent="  ",
        max_lines=display.lines(most),
        placeholder=" ...",
        break_on_hyphens=False,
    )


# ---------------------------------------------------------------------- one hour in full


def hour_text(brief: Brief, verdict: Verdict, *, display: Display = METRIC) -> str:
    """Every reason of one hour: the value, its limit, the room left, why and who says so."""
    tz = zone(brief.site.zone)
    when = span(verdict.start, verdict.end, tz, display=display)
    lines = [f"{when}: {verdict.grade.word.upper()}"]
    if brief.chances is not None:
        for told in chance_text(verdict, display=display):
            lines += textwrap.wrap(told, display.width)
    for reason in by_weight(verdict):
        left = "" if reason.margin is None else f", room {room_left(reason.margin)}"
        lines += textwrap.wrap(
            f"{reason.grade.word:8} {reason.rule}: {reason_text(reason, display=display)}{left}",
            display.width,
            subsequent_indent=" " * 11,
            break_on_hyphens=False,
        )
        lines += textwrap.wrap(
            f"{reason.because} [{reason.source}]",
            display.width,
            initial_indent=" " * 9,
            subsequent_indent=" " * 9,
        )
    return "\n".join(lines) + "\n"


def by_weight(verdict: Verdict) -> list[Reason]:
    """The reasons of an hour, the worst grade first, then the least room."""
    return sorted(verdict.reasons, key=lambda r: (-r.grade, _room(r), r.rule))
