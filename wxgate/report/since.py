"""What moved since the last brief, in the site's time and the units shown."""

from __future__ import annotations

from wxgate.brief import Brief
from wxgate.quantities import quantity
from wxgate.report.display import METRIC, Display
from wxgate.report.words import age, clock, span, zone

#: Changes of mind from run to run that are worth telling.
TURNS_TOLD = 2


def since_parts(brief: Brief, *, display: Display = METRIC) -> list[str]:
    """The parts to tell, the most important first, and how old the last is; none: nothing moved."""
    found, tz = brief.since, zone(brief.site.zone)
    if found is None:
        return []
    parts = []
    if found.window_moved:
        was, now = (
            "none" if w is None else span(*w, tz, display=display)
            for w in (found.window_before, found.window)
        )
        parts.append(f"the window was {was}, is {now}")
    if found.worse or found.better:
        counts = [(found.worse, "worse"), (found.better, "better")]
        parts.append(", ".join(f"{n} h {word}" for n, word in counts if n))
    if found.turns >= TURNS_TOLD:
        parts.append(f"its hours changed grade {found.turns} times in {found.runs} runs")
    if found.moved is not None:
        change = moved_text(found.moved.quantity, found.moved.by, display=display)
        if change:
            row = quantity(found.moved.quantity)
            parts.append(f"{row.label} at {clock(found.moved.at, tz, display=display)} {change}")
    hours = (brief.now - found.made).total_seconds() / 3600
    return [*parts, f"made {age(hours)} before this one"] if parts else []


def moved_text(name: str, by: float, *, display: Display = METRIC) -> str:
    """A signed change in the unit on screen, as +1.2 m/s; "" for one that rounds to nothing."""
    row = quantity(name)
    size = display.difference(row, by)
    digits = display.digits(row, max(abs(size), 1.0))
    if round(abs(size), digits) == 0:
        return ""
    return f"{size:+.{digits}f} {display.spelt_difference(row)}".rstrip()
