"""Between which values the weathers lie: words for people, and the same for programs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

from wxgate.brief import Brief
from wxgate.quantities import Kind, quantity
from wxgate.report.display import METRIC, Display
from wxgate.report.words import shown
from wxgate.verdict import Verdict

#: What the outer two of ``spread.SHARES`` hold between them.
HELD = "8 of 10 weathers"
_KEYS = ("p10", "p50", "p90")


def between(name: str, low: float, high: float, *, display: Display = METRIC) -> str:
    """Two values of a quantity with one unit, as "6.1 to 10.3 m/s"; "none" for no cloud."""
    first, last = (shown(name, value, display=display) for value in (low, high))
    if first == last:
        return first
    unit = display.spelt(quantity(name))
    return f"{first.removesuffix(unit).rstrip()} to {last}" if unit and unit in last else (
        f"{first} to {last}"
    )  # fmt: skip


def spread_parts(brief: Brief, hour: Verdict, *, display: Display = METRIC) -> list[str]:
    """Between which values 8 of 10 weathers lie at the start of an hour; none where not known."""
    return [
        f"{quantity(name).label} {between(name, found[0], found[-1], display=display)}"
        for name, found in _known(brief, hour.start)
    ]


def spread_lines(brief: Brief, hour: Verdict, *, display: Display = METRIC) -> list[str]:
    """The quantiles of an hour in full, a line each: at both of its ends, or over it."""
    found = brief.chances
    if found is None:
        return []
    lines = []
    for name in found.spread:
        row = quantity(name)
        whole = row.kind not in (Kind.POINT, Kind.MINIMUM)
        ends = [hour.start] if whole else [hour.start, hour.start + timedelta(hours=1)]
        told = [_three(brief, name, at, display) for at in ends]
        lines.append(f"{name}: {'; '.join(told)}")
    return lines


def _three(brief: Brief, name: str, at: datetime, display: Display) -> str:
    found = None if brief.chances is None else brief.chances.quantiles(name, at)
    if found is None:
        return "cannot be told"
    return ", ".join(shown(name, value, display=display) for value in found)


def _known(brief: Brief, at: datetime) -> Iterator[tuple[str, tuple[float, ...]]]:
    found = brief.chances
    for name in () if found is None else found.spread:
        told = None if found is None else found.quantiles(name, at)
        if told is not None:
            yield name, told


def spread_json(brief: Brief, hour: Verdict) -> dict[str, Any] | None:
    """The quantiles of an hour by quantity, in its own unit; null where one cannot be told."""
    if brief.chances is None:
        return None
    return {
        name: _by_key(brief.chances.quantiles(name, hour.start)) for name in brief.chances.spread
    }


def _by_key(found: tuple[float, ...] | None) -> dict[str, float] | None:
    if found is None or not all(map(math.isfinite, found)):
        return None
    return {key: float(f"{value:.6g}") for key, value in zip(_KEYS, found, strict=True)}
