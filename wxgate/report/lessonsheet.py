"""The lesson sheet: one page for the field, as text and as HTML that says the same.

It is a reminder, not a licence. What it says depends on the grade: go hours have the limits of the
day; marginal ones have them under a warning; of anything else there is a page that says "no
flying" and why, and nothing that could be read as leave to fly.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from wxgate.brief import Brief
from wxgate.daylimits import DayLimits
from wxgate.report.display import METRIC, Display
from wxgate.report.lessonlists import checks, stop_rules
from wxgate.report.lessonnumbers import Line, one_line
from wxgate.report.lessonwords import REMINDER, Words
from wxgate.report.words import zone
from wxgate.verdict import Grade

if TYPE_CHECKING:
    from jinja2 import Template

WIDTH, LABEL = 80, 10
#: A longer name is cut, so that it cannot push the limits off the page.
LONGEST_NAME, LONGEST_TITLE = 50, 120
MOST_REASONS = 4
_BANNER = {
    Grade.GO: "WEATHER: GO",
    Grade.MARGINAL: "WEATHER: MARGINAL",
    Grade.UNKNOWN: "NO FLYING: WEATHER UNKNOWN",
    Grade.NO_GO: "NO FLYING: WEATHER NO-GO",
}
_WARNING = {
    Grade.GO: "",
    Grade.MARGINAL: "NOT A GO. Measure first; only if the reason below can be met there.",
    Grade.UNKNOWN: "DO NOT FLY.",
    Grade.NO_GO: "DO NOT FLY.",
}


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and its lines, each with a label where it is not a list."""

    heading: str
    lines: tuple[Line, ...]
    bullet: str = ""  #: of a list: "[ ]" is to be ticked off


@dataclass(frozen=True, slots=True)
class Sheet:
    """The page before it is laid out."""

    title: str
    grade: Grade
    banner: str
    when: str
    warning: str  #: said large; empty for go
    reminder: str  #: that it is not a licence
    sections: tuple[Section, ...]
    foot: tuple[str, ...]


def sheet_of(
    brief: Brief, limits: DayLimits | None, *, title: str = "", display: Display = METRIC,
    lesson_chance: float | None = None,
) -> Sheet:  # fmt: skip
    """The sheet for the limits of one lesson, or without any for a brief that has no window.

    ``title`` takes the place of site, aircraft and pilot; ``display`` is how numbers are shown;
    ``lesson_chance`` is that of a planned lesson, which reaches beyond its flying.
    """
    words = Words(display, brief, zone(brief.site.zone), lesson_chance)
    names = (brief.site.name, brief.aircraft.id, brief.pilot.id)
    # Without a window nothing is flyable, whatever is asked.
    grade = max(brief.grade, Grade.UNKNOWN) if limits is None else limits.grade
    return Sheet(
        title=one_line(title or ", ".join(one_line(n, LONGEST_NAME) for n in names), LONGEST_TITLE),
        grade=grade,
        banner=_BANNER[grade],
        when=words.when(limits),
        warning=_WARNING[grade],
        reminder=REMINDER,
        sections=_why_not(words, limits)
        if limits is None or grade > Grade.MARGINAL
        else _lesson(words, limits),
        foot=words.foot(),
    )


def _why_not(words: Words, limits: DayLimits | None) -> tuple[Section, ...]:
    """Of hours that cannot be flown: the reasons, and no limits at all."""
    found = words.hindrances() if limits is None else words.against(limits.hours)
    told = found[:MOST_REASONS] or ["the forecast does not reach these hours"]
    return (Section("NO FLYING", tuple(("Why", f"{text.rstrip('.')}.") for text in told)),)


def _lesson(words: Words, limits: DayLimits) -> tuple[Section, ...]:
    meter = words.metres(limits.stops.meter_height)
    return (
        Section("LIMITS OF THE DAY", tuple(words.limits(limits))),
        Section(f"HAND-HELD METER AT {meter}", tuple(words.meter(limits))),
        Section("WHERE", tuple(words.where(limits))),
        Section("WAY HOME", tuple(words.way_home(limits))),
        Section("STOP AND LAND IF", tuple(stop_rules(limits)), bullet="-"),
        Section("BEFORE TAKE-OFF", tuple(checks(limits, words)), bullet="[ ]"),
    )


# ---------------------------------------------------------------------- text


def sheet_text(*sheets: Sheet) -> str:
    """Sheets as plain text of 80 columns, each on one page and ending in a newline."""
    return "\n".join(_page(sheet) for sheet in sheets)


def _page(sheet: Sheet) -> str:
    rule = "=" * WIDTH
    lines = [rule, *_wrapped("LESSON SHEET: ", sheet.title), f"{sheet.banner}   {sheet.when}"]
    if sheet.warning:
        lines += [f"*** {line} ***" for line in textwrap.wrap(sheet.warning, WIDTH - 8)]
    lines += [sheet.reminder, rule]
    for section in sheet.sections:
        lines.append(section.heading)
        for label, text in section.lines:
            head = f"{section.bullet} " if section.bullet else f"{label:{LABEL}}"
            lines += _wrapped(head, text)
    lines.append("-" * WIDTH)
    for line in sheet.foot:
        lines += _wrapped("", line)
    return "\n".join(lines) + "\n"


def _wrapped(label: str, text: str) -> list[str]:
    return textwrap.wrap(
        " ".join(text.split()),
        WIDTH,
        initial_indent=label,
        subsequent_indent=" " * min(len(label), LABEL),
        break_on_hyphens=False,
    )


def sheet_note(sheet: Sheet) -> str:
    """The sheet in short lines for a calendar entry, without the age of the data.

    So the entry changes when the weather does, and not with every run.
    """
    head = (f"{sheet.banner}, {sheet.when}", sheet.warning, sheet.reminder)
    lines = [line for line in head if line]
    for section in sheet.sections:
        lines += ["", section.heading]
        lines += [f"{label}: {text}" if label else f"- {text}" for label, text in section.lines]
    return "\n".join([*lines, "", *sheet.foot[1:]])


# ---------------------------------------------------------------------- HTML


def sheet_html(*sheets: Sheet) -> str:
    """Sheets as one HTML file that asks for nothing else: no script, no font, no picture.

    Each is printed on a page of its own.
    """
    return _template().render(sheets=sheets)


@cache
def _template() -> Template:
    from importlib.resources import files

    from jinja2 import Environment, StrictUndefined

    source = files("wxgate.report").joinpath("lessonsheet.html").read_text(encoding="utf-8")
    environment = Environment(
        # Everything is escaped, whatever it is: names come from files.
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.from_string(source)
