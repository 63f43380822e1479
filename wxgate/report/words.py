"""Numbers, times and grades as people read them; local time is made here and in no other place."""

from __future__ import annotations

import math
from datetime import datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from wxgate.errors import UsageError
from wxgate.forecast import Provenance
from wxgate.quantities import NO_CEILING, quantity
from wxgate.report.display import METRIC, Display, pair, printed, strict
from wxgate.verdict import Reason

CAUTIONS = (
    "Weather only: airspace, NOTAM, local law and permissions are not checked.",
    "Forecasts can be wrong: look, and measure on the field; the pilot decides.",
)
#: Heights of cloud, for which the largest value stands for none.
_CLOUD = {"ceiling_height": 0.0, "cloud_base_height": 0.0, "ceiling_clearance": 1000.0}


def zone(name: str) -> ZoneInfo:
    """The time zone of this name; UsageError when there is none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UsageError(
            f"time zone {name!r} is not known", remedy="Write one such as Europe/London or UTC."
        ) from error


def shown(name: str, value: float | None, *, display: Display = METRIC) -> str:
    """A value of a quantity with its unit, as a person reads it; 'missing' for None."""
    if value is None:
        return "missing"
    row = quantity(name)
    if row.units == "flag" and value in (0, 1):
        return "yes" if value else "no"
    if name in _CLOUD and value >= NO_CEILING - _CLOUD[name]:
        return "none"
    number = display.number(row, value)
    return _with_unit(printed(number, display.digits(row, number)), display.spelt(row))


def _with_unit(text: str, unit: str) -> str:
    return text + unit if unit in ("%", "°") else f"{text} {unit}".rstrip()


def reason_text(reason: Reason, *, when: str = "", display: Display = METRIC) -> str:
    """One reason in words: the quantity, its number, the hour, and the limit that matters."""
    label = quantity(reason.quantity).label
    at = f" at {when}" if when else ""
    if reason.limit is None or reason.limit_grade is None:
        return f"{reason.note or label}{at}"
    if reason.value is None:
        return f"{label} is missing{at}"
    if quantity(reason.quantity).units == "flag":
        return f"{label}{at}" if reason.value >= 0.5 else f"no {label}{at}"
    value, limit = value_and_limit(reason, display=display)
    return f"{label} {value}{_storm_class(reason)}{at}, {reason.limit_grade.word} {limit}"


def _storm_class(reason: Reason) -> str:
    """The class of storm of a K index, by which bulletins name it; "" where there is none."""
    if reason.quantity != "planetary_k_index" or reason.value is None:
        return ""
    from wxgate.derive.geomagnetic import g_class

    found = int(g_class(np.asarray(reason.value)))
    return f" (storm class G{found})" if found else ""


def value_and_limit(reason: Reason, *, display: Display = METRIC) -> tuple[str, str]:
    """The value of a reason, and its limit with its word; "" where there is none.

    They are rounded so that a passed limit never looks kept, nor a kept one passed.
    """
    row = quantity(reason.quantity)
    value = shown(reason.quantity, reason.value, display=display)
    if reason.limit is None:
        return value, ""
    limit = limit_shown(reason.quantity, reason.limit, reason.limit_word, display=display)
    if reason.value is not None and row.units != "flag" and value != "none":
        number, held = (display.number(row, v) for v in (reason.value, reason.limit))
        digits = display.digits(row, number), display.digits(row, held)
        texts = pair(number, held, reason.limit_word, digits)
        value, limit = (_with_unit(text, display.spelt(row)) for text in texts)
    return value, f"{reason.limit_word} {limit}"


def limit_shown(name: str, limit: float, word: str, *, display: Display = METRIC) -> str:
    """A limit with its unit, rounded to its strict side; ``word`` is above, at least, ..."""
    row = quantity(name)
    if row.units == "flag":
        return shown(name, limit)
    number = display.number(row, limit)
    digits = display.digits(row, number)
    return _with_unit(printed(strict(number, digits, word), digits), display.spelt(row))


def room_left(margin: float) -> str:
    """What is left to a limit as a share of it, in %; one that is passed never reads as 0%."""
    percent = round(100 * margin) if margin >= 0 else math.floor(round(100 * margin, 6))
    return f"{percent}%"


def clock(when: datetime, tz: ZoneInfo, *, display: Display = METRIC) -> str:
    """Local time of day, as 06:00 or 6:00 am; 12:00 noon, for 12 am and pm are read both ways."""
    local = when.astimezone(tz)
    if not display.twelve:
        return f"{local:%H:%M}"
    hour, half = local.hour % 12 or 12, "am" if local.hour < 12 else "pm"
    if hour == 12 and local.minute == 0:
        half = "midnight" if local.hour == 0 else "noon"
    return f"{hour}:{local:%M} {half}"


def hour_mark(when: datetime, tz: ZoneInfo, *, display: Display = METRIC) -> str:
    """The local hour in two letters, for a strip: 06, or 6, nn (noon) and mn (midnight)."""
    local = when.astimezone(tz)
    if not display.twelve:
        return f"{local:%H}"
    return {0: "mn", 12: "nn"}.get(local.hour, f"{local.hour % 12:2d}")


def day(when: datetime, tz: ZoneInfo) -> str:
    """Local day, as Tue 15 Sep."""
    local = when.astimezone(tz)
    return f"{local:%a} {local.day} {local:%b}"


def span(start: datetime, end: datetime, tz: ZoneInfo, *, display: Display = METRIC) -> str:
    """A local span with its zone, as Tue 15 Sep 10:00-12:00 BST."""
    first, last = start.astimezone(tz), end.astimezone(tz)
    tail = clock(end, tz, display=display)
    if first.date() != last.date():
        tail = f"{day(end, tz)} {tail}"
    names = f"{first:%Z}" if first.tzname() == last.tzname() else f"{first:%Z}/{last:%Z}"
    return f"{day(start, tz)} {clock(start, tz, display=display)}-{tail} {names}"


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
