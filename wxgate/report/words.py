"""Numbers, times and grades as people read them; local time is made here and in no other place."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from wxgate.errors import UsageError
from wxgate.forecast import Provenance
from wxgate.quantities import quantity
from wxgate.units import convert
from wxgate.verdict import Reason

CAUTIONS = (
    "Weather only: airspace, NOTAM, local law and permissions are not checked.",
    "Forecasts can be wrong: look, and measure on the field; the pilot decides.",
)
_SPELT = {"m s-1": "m/s", "mm h-1": "mm/h", "degC": "°C", "K": "K", "degree": "°", "1": "",
          "points": "points", "flag": "", "Kp": "", "J kg-1": "J/kg", "kg m-3": "kg/m³",
          "W m-2": "W/m²", "ug m-3": "µg/m³"}  # fmt: skip


def zone(name: str) -> ZoneInfo:
    """The time zone of this name; UsageError when there is none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UsageError(
            f"time zone {name!r} is not known", remedy="Write one such as Europe/London or UTC."
        ) from error


def shown(name: str, value: float | None) -> str:
    """A value of a quantity with its unit, as a person reads it; 'missing' for None."""
    if value is None:
        return "missing"
    row = quantity(name)
    if row.units == "flag" and value in (0, 1):
        return "yes" if value else "no"
    number = convert(value, row.units, row.shown_units, difference=row.difference)
    text = f"{number:.{row.digits}f}"
    if row.shown_units == "km" and number < 1:
        text = f"{number:.2f}"
    if float(text) == 0:
        text = text.lstrip("-")
    unit = _SPELT.get(row.shown_units, row.shown_units)
    return text + unit if unit in ("%", "°") else f"{text} {unit}".rstrip()


def reason_text(reason: Reason, *, when: str = "") -> str:
    """One reason in words: the quantity, its number, the hour, and the limit that matters."""
    label = quantity(reason.quantity).label
    at = f" at {when}" if when else ""
    if reason.limit is None or reason.limit_grade is None:
        return f"{reason.note or label}{at}"
    if reason.value is None:
        return f"{label} is missing{at}"
    if quantity(reason.quantity).units == "flag":
        return f"{label}{at}" if reason.value >= 0.5 else f"no {label}{at}"
    limit = f"{reason.limit_word} {shown(reason.quantity, reason.limit)}"
    return f"{label} {shown(reason.quantity, reason.value)}{at}, {reason.limit_grade.word} {limit}"


def clock(when: datetime, tz: ZoneInfo) -> str:
    """Local time of day, as 06:00."""
    return when.astimezone(tz).strftime("%H:%M")


def day(when: datetime, tz: ZoneInfo) -> str:
    """Local day, as Tue 15 Sep."""
    local = when.astimezone(tz)
    return f"{local:%a} {local.day} {local:%b}"


def span(start: datetime, end: datetime, tz: ZoneInfo) -> str:
    """A local span with its zone, as Tue 15 Sep 10:00-12:00 BST."""
    first, last = start.astimezone(tz), end.astimezone(tz)
    tail = clock(end, tz) if first.date() == last.date() else f"{day(end, tz)} {clock(end, tz)}"
    names = f"{first:%Z}" if first.tzname() == last.tzname() else f"{first:%Z}/{last:%Z}"
    return f"{day(start, tz)} {clock(start, tz)}-{tail} {names}"


def age(hours: float) -> str:
    """An age in words: 40 min, 5 h, 3 days."""
    if hours < 1:
        return f"{round(hours * 60)} min"
    return f"{round(hours)} h" if hours < 72 else f"{round(hours / 24)} days"


def provenance_text(p: Provenance, now: datetime) -> str:
    """Where numbers came from, in one line: the run or the fetch, and its age."""
    when = p.fetched if p.run is None else p.run
    what = f"fetched {when:%d %b %H:%MZ}" if p.run is None else f"run {when:%d %b %HZ}"
    hours = (now - when).total_seconds() / 3600
    told = f"{age(hours)} old" if hours >= 0 else "which is after now: check this computer's clock"
    return f"{p.title}, {what}, {told}"
