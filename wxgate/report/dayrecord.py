"""A day on one page, for an operator's file: what was said, measured and done."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from wxgate import __version__
from wxgate.journal.records import Deed, IssuedBrief, IssuedHour, Observation, Reading
from wxgate.report.display import METRIC, Display
from wxgate.report.words import CAUTIONS, clock, day, shown, span

WIDTH, MOST_LINES = 80, 60


@dataclass(frozen=True, slots=True)
class DayFacts:
    """What the journal holds of one day at one site; ``hours`` are all verdicts on its hours."""

    site: str
    begin: datetime
    end: datetime
    zone: ZoneInfo
    briefs: Sequence[IssuedBrief]
    hours: Sequence[IssuedHour]
    readings: Sequence[Reading]
    deeds: Sequence[Deed]
    reports: Sequence[Observation] = ()


def day_record(facts: DayFacts, *, display: Display = METRIC) -> str:
    """The record in plain text, at most 60 lines of 80 columns, ending in a newline."""
    tz = facts.zone
    head = [f"Record of {day(facts.begin, tz)} {facts.begin.astimezone(tz):%Y}, {facts.site}", ""]
    parts = [
        ("Briefs issued", _briefs(facts, display)),
        ("Flown or not", _deeds(facts, display)),
        ("Measured on the field", _readings(facts, display)),
        ("Station reports", (f"{r.raw}" for r in facts.reports)),
    ]
    foot = ["", *_rules(facts), *CAUTIONS, f"Written by wxgate {__version__} from its journal."]
    room = (MOST_LINES - len(head) - len(foot) - 2 * len(parts)) // len(parts)
    body: list[str] = []
    for title, told in parts:
        body += [title, *_at_most(room, list(told))]
    return "\n".join([*head, *body, *foot]) + "\n"


def _at_most(room: int, told: list[str]) -> list[str]:
    lines = [line for text in told for line in _indented(text)] or ["  none in the journal"]
    if len(lines) <= room:
        return lines
    return [*lines[: room - 1], "  ... more in the journal (wxgate journal export)"]


def _indented(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ")


def _briefs(facts: DayFacts, display: Display) -> Iterator[str]:
    for brief in facts.briefs:
        window = "no window"
        if brief.window is not None:
            window = span(*brief.window, facts.zone, display=display)
        made = f"{day(brief.made, facts.zone)} {clock(brief.made, facts.zone, display=display)}"
        mark = " (invented demonstration)" if brief.demonstration else ""
        yield (
            f"{made}: {brief.grade.word.upper()}, {window}; {brief.aircraft}, {brief.pilot}, up to"
            f" {display.length(brief.height)}{mark}"
        )


def _deeds(facts: DayFacts, display: Display) -> Iterator[str]:
    for deed in facts.deeds:
        when = clock(deed.start, facts.zone, display=display)
        if deed.end is not None:
            when = span(deed.start, deed.end, facts.zone, display=display)
        who = ", ".join(word for word in (deed.aircraft, deed.pilot) if word)
        said = _said(facts, deed, display)
        words = "; ".join(w for w in (who, deed.reason, deed.notes, said) if w)
        yield f"{when}: {deed.done.value.replace('-', ' ')}; {words}"


def _said(facts: DayFacts, deed: Deed, display: Display) -> str:
    """What the last brief before the start had said of the hours that were flown."""
    end = deed.end or deed.start
    last: dict[datetime, IssuedHour] = {}
    for hour in facts.hours:
        within = hour.start <= end and (hour.start - deed.start).total_seconds() > -3600
        if within and hour.made <= deed.start:
            last[hour.start] = hour  # hours come in the order of their making
    if not last:
        return "no verdict had been issued for it"
    told = ", ".join(
        f"{clock(start, facts.zone, display=display)} {hour.grade.word}"
        + (f" ({hour.limiting})" if hour.limiting else "")
        for start, hour in sorted(last.items())
    )
    return f"last verdict: {told}"


def _readings(facts: DayFacts, display: Display) -> Iterator[str]:
    for reading in facts.readings:
        made = clock(reading.made, facts.zone, display=display)
        yield f"{made}: {reading_text(reading, display=display)}"


def reading_text(reading: Reading, *, display: Display = METRIC) -> str:
    """A reading in words: what was measured and seen, and what came of it."""
    speeds = {"mean": reading.mean, "strongest": reading.maximum, "in a hover": reading.hover}
    told = [
        f"{label} {shown('wind_speed', speed, display=display)}"
        for label, speed in speeds.items()
        if speed is not None
    ]
    if reading.height is not None and told:
        told[-1] += f" at {display.length(float(f'{reading.height:.3g}'))}"
    if reading.minutes is not None:
        told.append(f"over {reading.minutes:g} min")
    if reading.beaufort is not None:
        told.append(f"Beaufort {reading.beaufort}")
    told += [reading.surface] if reading.surface else []
    seen = {"sheltered": reading.sheltered, "rain": reading.rain, "thunder": reading.thunder}
    told += [word if flag else f"no {word}".replace("no sheltered", "in the open")
             for word, flag in seen.items() if flag is not None]  # fmt: skip
    if reading.visibility is not None:
        told.append(f"visibility {shown('visibility', reading.visibility, display=display)}")
    if reading.cloud is not None:
        told.append(f"cloud {reading.cloud:.0%}")
    if reading.temperature is not None:
        told.append(shown("air_temperature", reading.temperature, display=display))
    words = ", ".join(told) or "nothing measured"
    said = reading.answer or (reading.grade.word if reading.grade is not None else "")
    return (
        words + (f"; said {said}" if said else "") + (f"; {reading.notes}" if reading.notes else "")
    )


def _minute(text: str) -> str:
    """A time of the journal (ISO, with its zone) to the minute, UTC."""
    return f"{datetime.fromisoformat(text).astimezone(UTC):%Y-%m-%d %H:%MZ}"


def _rules(facts: DayFacts) -> list[str]:
    told = dict.fromkeys(f"{b.rulebook} (sha256 {b.rulebook_sha256[:16]})" for b in facts.briefs)
    sources = dict.fromkeys(
        f"{p['source']} {_minute(p['run'] or p['fetched'])}"
        for b in facts.briefs
        for p in b.provenance
    )
    lines = textwrap.wrap(f"Rules: {'; '.join(told) or 'none'}.", WIDTH, subsequent_indent="  ")
    return [*lines, *textwrap.wrap(f"Forecasts: {', '.join(sources) or 'none'}.", WIDTH,
                                   subsequent_indent="  ", max_lines=4)]  # fmt: skip
