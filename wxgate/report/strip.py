"""The hours of a brief in a strip of two letters each, under a terminal's and a mail's width."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable
from datetime import datetime, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

from wxgate.brief import Brief
from wxgate.quantities import quantity
from wxgate.report.display import Display
from wxgate.report.words import hour_mark, zone
from wxgate.verdict import Grade, Verdict

#: Each grade is a word of two letters, told apart by case as well.
MARKS = {Grade.GO: "GO", Grade.MARGINAL: "ma", Grade.NO_GO: "no", Grade.UNKNOWN: "??"}
LEGEND = "GO go, ma marginal, no no-go, ?? unknown"
LEAST_LINES = 4  #: hours, one day, how many more there are, the legend

_GUST = "gust_at_flight_height"
_LABEL = 7  #: letters of the name of a day, or of "gust"

Style = Callable[[str, Grade], str]


def plain(text: str, grade: Grade) -> str:
    """No colour: the words carry the grade."""
    return text


def strip_lines(brief: Brief, room: int, style: Style, display: Display) -> list[str]:
    """The strip in at most ``room`` lines (four at least): with the gusts where they fit.

    A terminal too narrow for a whole day in one row gets it whole, however many lines that takes.
    """
    tz = zone(brief.site.zone)
    days = _days(brief, tz)
    full = _full(days, tz, style, _gusts(brief, display), display)
    narrow = _hours_in_a_row(display) < 24
    return full if narrow or len(full) <= room else _compact(days, tz, style, room, display)


def _hours_in_a_row(display: Display) -> int:
    """Each takes two letters and a blank, behind the name of the day."""
    return min((display.width - _LABEL + 1) // 3, 24)


def _days(brief: Brief, tz: ZoneInfo) -> list[tuple[Verdict, ...]]:
    """The hours by local day."""
    by_day = groupby(brief.hours, key=lambda v: v.start.astimezone(tz).date())
    return [tuple(group) for _, group in by_day]


def _full(
    days: list[tuple[Verdict, ...]],
    tz: ZoneInfo,
    style: Style,
    gusts: dict[datetime, str],
    display: Display,
) -> list[str]:
    """Each local day in three rows: hours, grades, gusts; a day of 25 hours takes them twice."""
    most = _hours_in_a_row(display)
    parts = [day[n : n + most] for day in days for n in range(0, len(day), most)]
    lines = [row for part in parts for row in _rows(part, tz, style, gusts, display)]
    unit = display.spelt(quantity(_GUST))
    more = "; nn noon, mn midnight" if display.twelve else " at flight height"
    legend = f"{LEGEND}; gust in {unit}{more}"
    return [*lines, *textwrap.wrap(legend, display.width, break_on_hyphens=False)]


def _compact(
    days: list[tuple[Verdict, ...]], tz: ZoneInfo, style: Style, room: int, display: Display
) -> list[str]:
    """One row a day below common hours; an hour that comes twice shows the worse of both."""
    midnight = datetime(2000, 1, 1, tzinfo=tz)
    hours = (midnight + timedelta(hours=n) for n in range(24))  # on the local clock
    lines = [f"{'':7}" + " ".join(hour_mark(h, tz, display=display) for h in hours)]
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
    verdicts: tuple[Verdict, ...],
    tz: ZoneInfo,
    style: Style,
    gusts: dict[datetime, str],
    display: Display,
) -> list[str]:
    hours = " ".join(hour_mark(v.start, tz, display=display) for v in verdicts)
    marks = " ".join(style(MARKS[v.grade], v.grade) for v in verdicts)
    numbers = " ".join(gusts[v.start] for v in verdicts)
    return [f"{_day_label(verdicts[0], tz)}{hours}", f"{'':7}{marks}", f"gust   {numbers}"]


def _gusts(brief: Brief, display: Display) -> dict[datetime, str]:
    """The largest gust at flight height in each hour, rounded up so that it never flatters."""
    row, found = quantity(_GUST), {}
    for verdict in brief.hours:
        value = largest_gust(verdict)
        number = 0.0 if value is None else display.number(row, value)
        up = min(math.ceil(round(number, 3)), 99)  # two letters; 99 of any unit ends the flying
        found[verdict.start] = " ?" if value is None else f"{up:2d}"
    return found


def largest_gust(verdict: Verdict) -> float | None:
    """The largest gust at flight height of an hour in m/s, None where none is known."""
    values = [r.value for r in verdict.reasons if r.quantity == _GUST and r.value is not None]
    return max(values, default=None)
