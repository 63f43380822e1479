"""How sure the window is: lines for people, and the same for programs."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from wxgate.brief import Brief
from wxgate.quantities import quantity
from wxgate.report.display import METRIC, Display
from wxgate.report.words import clock, day, zone
from wxgate.verdict import Chance, Verdict


def chance_lines(brief: Brief, *, most: int = 2, display: Display = METRIC) -> list[str]:
    """The chance to fly the window, or the surest hour, in at most so many lines.

    What does not fit is left out from the end, a whole part at a time.
    """
    parts = chance_parts(brief, display=display)
    while parts:
        lines = textwrap.wrap(
            "; ".join(parts) + ".", display.width, subsequent_indent="  ", break_on_hyphens=False
        )
        if len(lines) <= display.lines(most):
            return lines
        parts.pop()
    return []


def chance_parts(brief: Brief, *, display: Display = METRIC) -> list[str]:
    """What is told of the chance, the most important part first; none where none is known."""
    hour = hour_that_matters(brief)
    if brief.chances is None or hour is None or hour.chance is None:
        return []
    tz, window = zone(brief.site.zone), brief.window
    start, end = (hour.start, hour.end) if window is None else (window.start, window.end)
    share = brief.chances.session(start, end)
    if share is None:
        return []
    when = f"{clock(start, tz, display=display)}-{clock(end, tz, display=display)}"
    parts = [f"Chance: {when} flies in {hundred(share)} of 100 weathers ({brief.chances.kind})"]
    matter = [hour] if window is None else window.hours
    if brief.by_chance and too_early(brief, matter):
        told = decided_from(brief, matter)
        until = (
            "" if told is None else f" before {day(told, tz)} {clock(told, tz, display=display)}"
        )
        parts.append(f"too early to say go{until}")
    if hour.chance.limiting:
        parts.append(f"held back by {hour.chance.limiting}")
    needed = round(100 * hour.chance.go_from)
    parts.append(f"go needs {needed}" if brief.by_chance else f"go by chance would need {needed}")
    turned = turn_text(hour.chance, display=display)
    if turned:
        parts.append(f"{clock(hour.start, tz, display=display)} turns with {turned}")
    return parts


def hundred(share: float) -> int:
    """A share as whole weathers of a hundred, never all and never more than there are."""
    return min(int(100 * share + 1e-9), 99)


def hour_that_matters(brief: Brief) -> Verdict | None:
    """The least sure hour of the window, or of all hours that cannot be flown the surest."""
    window = brief.window
    hours = [v for v in (brief.hours if window is None else window.hours) if v.chance is not None]
    if not hours:
        return None
    pick = max if window is None else min
    return pick(hours, key=lambda v: 0.0 if v.chance is None else v.chance.flyable)


def chance_json(chance: Chance | None) -> dict[str, Any] | None:
    """The chance of one hour; what would turn it in metric words and in the quantity's own unit."""
    if chance is None:
        return None
    told = {name: getattr(chance, name) for name in Chance.__slots__ if name != "turn"}
    turn = None if chance.turn is None else dict(zip(("quantity", "by"), chance.turn, strict=True))
    return {**told, "flip": turn_text(chance), "turn": turn}


def turn_text(chance: Chance, *, display: Display = METRIC) -> str:
    """What would turn the grade, as "gust at flight height 1.2 m/s more"; "" for nothing."""
    if chance.turn is None:
        return ""
    name, change = chance.turn
    more = "less" if change < 0 else "more"
    return f"{quantity(name).label} {amount(name, change, display=display)} {more}"


def amount(name: str, change: float, *, display: Display = METRIC) -> str:
    """The size of a change in the unit on screen, rounded so that it is enough; never 0."""
    row = quantity(name)
    size = abs(display.difference(row, change))
    digits = display.digits(row, size)
    rounded = max(math.ceil(size * 10**digits - 1e-6), 1) / 10**digits
    return f"{rounded:.{digits}f} {display.spelt_difference(row)}".rstrip()


def chances_json(brief: Brief) -> dict[str, Any] | None:
    """What the chances of a brief were worked out of, and that of its window."""
    found = brief.chances
    if found is None:
        return None
    window = brief.window
    early = None if window is None else too_early(brief, window.hours)
    decided = decided_from(brief, window.hours) if window is not None and early else None
    return {
        "kind": found.kind,
        "members": found.members,
        "graded_by": "chance" if brief.by_chance else "limits",
        "go_from": found.thresholds.go_from,
        "no_go_below": found.thresholds.no_go_below,
        "window": None if window is None else found.session(window.start, window.end),
        "too_early": early,
        "decided_from": None
        if decided is None
        else f"{decided.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "rain": [_rain(brief, v) for v in brief.hours] if found.rain else None,
    }


def too_early(brief: Brief, hours: Sequence[Verdict]) -> bool:
    """Whether one of these hours lies too far ahead for a go by chance."""
    found = brief.chances
    rows = [] if found is None else [found.index(v.start) for v in hours]
    return found is not None and any(at is not None and found.too_early(at) for at in rows)


def decided_from(brief: Brief, hours: Sequence[Verdict]) -> datetime | None:
    """When a go can be told for all of these hours; None where it never can."""
    found = brief.chances
    if found is None:
        return None
    rows = [at for v in hours if (at := found.index(v.start)) is not None]
    told = [found.decided_from(at) for at in rows if found.too_early(at)]
    return max((one for one in told if one is not None), default=None) if None not in told else None


def _rain(brief: Brief, hour: Verdict) -> dict[str, float | None]:
    """NEP and NMEP of an hour, kept apart by name."""
    found = brief.chances
    at = None if found is None else found.index(hour.start)
    if found is None or at is None:
        return {"nep": None, "nmep": None}
    told = {name: float(values[at]) for name, values in found.rain.items()}
    return {name: value if math.isfinite(value) else None for name, value in told.items()}


def chance_text(hour: Verdict, *, display: Display = METRIC) -> list[str]:
    """The chance of one hour, what holds it back, and what would turn its grade, in full."""
    chance = hour.chance
    if chance is None:
        return ["chance to fly: cannot be told, something is missing"]
    words = turn_text(chance, display=display) or "no change of a single quantity"
    turned = f"what would turn the grade: {words}"
    told = f"chance to fly: {hundred(chance.flyable)} of 100 weathers"
    if chance.limiting is not None and chance.without_limiting is not None:
        told += f"; without {chance.limiting} {hundred(chance.without_limiting)}"
    return [told, turned]


__all__ = ["chance_json", "chance_lines", "chance_parts", "chance_text", "chances_json"]
