"""The lists of the lesson sheet: when to land at once, and what to check before take-off."""

from __future__ import annotations

import math
from collections.abc import Iterator

from wxgate.daylimits import DayLimits
from wxgate.report.lessonnumbers import Line, Numbers


def stop_rules(limits: DayLimits) -> Iterator[Line]:
    """When to land at once."""
    far, wait = (limits.figures.text(n) for n in ("shower-distance", "thunder-wait"))
    for line in (
        "the meter passes a stop number",
        "the aircraft gives a second strong-wind warning, or it drifts",
        f"thunder heard, or a shower within {far}; then wait {wait}",
        "first drops, mist or cloud near the aircraft",
        "its attitude can no longer be told; cold hands, tired pupil",
        battery(limits),
    ):
        yield "", line


def battery(limits: DayLimits) -> str:
    """When to land for the battery's sake."""
    low, forced, kept = (
        limits.figures.text(n).replace(" %", "%")
        for n in ("low-battery-return", "forced-landing", "landing-charge")
    )
    time = "" if limits.pack_time is None else f" or {math.floor(limits.pack_time / 60)} min"
    return f"battery at {kept}{time} (by itself: home near {low}, landing near {forced})"


def checks(limits: DayLimits, numbers: Numbers) -> Iterator[Line]:
    """What is to be checked that is not the weather."""
    radius = limits.room.radius
    out = "the radius above" if radius is None else numbers.metres_down(radius)
    high = numbers.metres(limits.height.planned)
    for line in (
        "battery full, warm and latched; propellers whole and seated",
        "controller on before the aircraft; home point recorded, and here",
        f"fence set {out} out, {high} up; return height clear of obstacles",
        "people clear, emergency ground named; airspace, NOTAM, permission looked up",
    ):
        yield "", line
