"""What moved since the last brief, in the site's time and the units shown."""

from __future__ import annotations

from wxgate.changes import Changes
from wxgate.quantities import quantity
from wxgate.report.display import METRIC, Display, spelt
from wxgate.report.words import clock, span, zone
from wxgate.units import convert

#: Changes of mind from run to run that are worth telling.
TURNS_TOLD = 2


def since_parts(found: Changes, zone_name: str, *, display: Display = METRIC) -> list[str]:
    """The parts to tell, the most important first; none where nothing moved."""
    tz = zone(zone_name)
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
    return parts


def moved_text(name: str, by: float, *, display: Display = METRIC) -> str:
    """A signed change in the unit on screen, as +1.2 m/s; "" for one that rounds to nothing."""
    row = quantity(name)
    unit = display.unit(row)
    size = convert(by, row.units, unit, difference=True)
    digits = display.digits(row, max(abs(size), 1.0))
    if round(abs(size), digits) == 0:
        return ""
    return f"{size:+.{digits}f} {spelt(unit)}".rstrip()
