"""What the plots show: numbers on the hours of a brief, their limits, where they are missing."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wxgate.brief import Brief
from wxgate.forecast import Field, Forecast, to_datetime64
from wxgate.quantities import Kind, quantity
from wxgate.report.display import METRIC, Display
from wxgate.report.panelrecords import Level, Line, Numbers, Panel
from wxgate.report.spread import HELD, between
from wxgate.report.words import clock, day, limit_shown, shown, zone
from wxgate.spread import SHARES
from wxgate.units import convert
from wxgate.verdict import Grade

#: What a band holds where several sources are asked and no weathers are known.
SOURCES = "the sources"


@dataclass(frozen=True, slots=True)
class _Plan:
    title: str
    names: tuple[str, ...]
    least: float | None = None  #: the axis ends here at the earliest, in the quantity's unit
    most: float | None = None  #: and here at the latest
    low: float = 0.0
    bars: bool = False
    worst: str = "largest"


_PLANS = (
    _Plan("Gust at flight height", ("gust_at_flight_height", "wind_speed_at_flight_height"),
          least=8.0),
    _Plan("Wind at flight height", ("wind_speed_at_flight_height",), least=8.0),
    _Plan("Chance of precipitation", ("precipitation_probability",), least=1.0, most=1.0),
    _Plan("Precipitation in the hour", ("precipitation",), least=1.0, bars=True),
    _Plan("Dew-point spread", ("dew_point_spread",), least=6.0, most=10.0, worst="smallest"),
    _Plan("Visibility", ("visibility",), least=10000.0, most=10000.0, worst="smallest"),
    _Plan("Cloud above flight height", ("ceiling_clearance",), least=300.0, most=300.0,
          worst="smallest"),
    _Plan("Planetary K index", ("planetary_k_index",), least=9.0, most=9.0),
    _Plan("Elevation of the sun", ("solar_elevation_angle",), least=10.0, low=-15.0,
          worst="smallest"),
)  # fmt: skip


def panels(brief: Brief, *, display: Display = METRIC) -> tuple[Panel, ...]:
    """The plots of a brief. A quantity that no source has is a plot without a line, and says so."""
    return tuple(_panel(brief, plan, display) for plan in _PLANS)


def wind_panel(brief: Brief, *, display: Display = METRIC) -> Panel:
    """The plot of wind and gust alone."""
    return _panel(brief, _PLANS[0], display)


def _panel(brief: Brief, plan: _Plan, display: Display) -> Panel:
    lines = tuple(_line(brief, name, display, plan.worst) for name in plan.names)
    levels = tuple(_levels(brief, plan.names[0], display))
    row = quantity(plan.names[0])

    def screen(value: float) -> float:
        return display.number(row, value)

    every = np.concatenate([a for n in lines for a in (n.values, n.upper) if a is not None])
    top = max([*every[np.isfinite(every)], *(v.number for v in levels), -math.inf])
    high = max(top * 1.08, screen(plan.least or 0.0))
    if plan.most is not None:
        high = screen(plan.most)
    return Panel(
        title=plan.title,
        unit=display.spelt(row),
        lines=lines,
        levels=levels,
        low=screen(plan.low),
        high=high,
        clipped=bool(top > high),
        bars=plan.bars,
        told=" ".join(_told(brief, line, plan, display) for line in lines),
        limits=_limits_told(levels),
    )


# ---------------------------------------------------------------------- numbers


def _line(brief: Brief, name: str, display: Display, worst: str) -> Line:
    """The worst of the sources that speak for each instant; missing where one of them lacks it."""
    row = quantity(name)
    found = [f for forecast in brief.forecasts if (f := forecast.get(name)) is not None]
    points = any(f.kind is Kind.POINT for f in found)
    steps = row.kind not in (Kind.POINT, Kind.MINIMUM) or not points
    size = len(brief.hours) + (0 if steps else 1)
    stack = np.array([_on_hours(f, f.get(name), brief)[:size] for f in brief.forecasts])
    speaks = np.array([_speaks(f, brief)[:size] for f in brief.forecasts])
    heard = speaks.sum(axis=0)
    lacks = (heard == 0) | (speaks & np.isnan(stack)).any(axis=0)
    lower = np.where(lacks, np.nan, np.where(speaks, stack, np.inf).min(axis=0, initial=np.inf))
    upper = np.where(lacks, np.nan, np.where(speaks, stack, -np.inf).max(axis=0, initial=-np.inf))

    def screen(values: Numbers) -> Numbers:
        return np.array([display.number(row, float(v)) for v in values], dtype=np.float64)

    line = Line(name, row.label, screen(upper if worst == "largest" else lower), steps)
    spread = _spread(brief, name, size)
    if spread is not None:
        return replace(line, lower=screen(spread[:, 0]), upper=screen(spread[:, -1]), held=HELD)
    if (heard > 1).any():
        return replace(line, lower=screen(lower), upper=screen(upper), held=SOURCES)
    return line


def _spread(brief: Brief, name: str, size: int) -> Numbers | None:
    """The quantiles (instant or hour, share) of a line; None where none of them is known."""
    if brief.chances is None or name not in brief.chances.spread:
        return None
    starts = [*(v.start for v in brief.hours), *(v.end for v in brief.hours[-1:])][:size]
    told = [brief.chances.quantiles(name, start) for start in starts]
    found = np.array([[math.nan] * len(SHARES) if t is None else t for t in told], np.float64)
    return found if np.isfinite(found).any() else None


def _speaks(forecast: Forecast, brief: Brief) -> NDArray[np.bool_]:
    """Whether a forecast speaks for the hour that begins at each instant; the last closes one."""
    since, until = forecast.speaks_for
    starts = np.array([to_datetime64(v.start) for v in brief.hours], dtype="datetime64[s]")
    speaks = (starts >= since) & (starts < until)
    return np.append(speaks, speaks[-1:])


def _on_hours(forecast: Forecast, found: Field | None, brief: Brief) -> Numbers:
    """The values at the instants of the brief, the closing one included; NaN for what lacks."""
    starts = [*(v.start for v in brief.hours), *(v.end for v in brief.hours[-1:])]
    values = np.full(len(starts), np.nan)
    if found is None or found.values.ndim > 1:
        return values
    if found.kind is Kind.CONSTANT or found.values.ndim == 0:
        return np.full(len(starts), float(found.values))
    at = {int(t): i for i, t in enumerate(forecast.time.astype(np.int64))}
    for n, start in enumerate(starts):
        index = at.get(int(to_datetime64(start).astype(np.int64)))
        if index is not None:
            values[n] = float(found.values[index])
    return values


# ---------------------------------------------------------------------- limits


def _levels(brief: Brief, name: str, display: Display) -> Iterator[Level]:
    """The strictest limit of each grade that always holds for this pilot and aircraft."""
    constants: Mapping[str, Any] = {
        key: float(f.values)
        for key, f in brief.forecast.fields.items()
        if f.kind is Kind.CONSTANT and f.values.ndim == 0
    }
    found: dict[tuple[Grade, bool], tuple[float, str]] = {}
    for rule in brief.rulebook.rules:
        always = all(c.quantity is None and not c.months for c in rule.when)
        for_us = all(c.for_whom(brief.pilot.skill, brief.aircraft) for c in rule.when)
        if rule.quantity != name or not always or not for_us or rule.before or rule.after:
            continue
        for grade, limit in rule.limits.items():
            value = limit.resolve(brief.pilot.skill, brief.aircraft, constants.get)
            if value is not None:
                one = (float(value), rule.word.value)
                stricter = min if rule.word.upward else max
                key = (grade, rule.word.upward)
                found[key] = stricter(one, found.get(key, one))
    row = quantity(name)
    for (grade, _), (number, word) in sorted(found.items()):
        text = limit_shown(name, number, word, display=display)
        short = text.removesuffix(display.spelt(row)).rstrip()
        yield Level(name, grade, display.number(row, number), word, short, text)


# ---------------------------------------------------------------------- words


def _told(brief: Brief, line: Line, plan: _Plan, display: Display) -> str:
    """One line of a plot in words: its worst number, when, and the hours that lack it."""
    label = line.label[0].upper() + line.label[1:]
    known = np.flatnonzero(np.isfinite(line.values))
    if not known.size:
        return f"{label}: missing in all hours."
    pick = np.argmax if plan.worst == "largest" else np.argmin
    index = int(known[pick(line.values[known])])
    hours = brief.hours
    when = hours[index].start if index < len(hours) else hours[-1].end
    number = _shown(line, index, display)
    told = f"{label}: {plan.worst} {number} at {_moment(brief, when, display)}"
    told += _held(line, index, display)
    gone = [v.start for v, lacks in zip(hours, line.missing, strict=True) if lacks]
    return f"{told}; {_missing(brief, gone, display)}." if gone else f"{told}."


def _held(line: Line, index: int, display: Display) -> str:
    """Between which values the band lies there; and that it is not known where the line is."""
    if line.lower is None or line.upper is None:
        return ""
    ends = [_own(line, float(a[index]), display) for a in (line.lower, line.upper)]
    if not all(map(math.isfinite, ends)):
        return f", {line.held} not known"
    return f", {line.held} {between(line.name, *ends, display=display)}"


def _limits_told(levels: Sequence[Level]) -> str:
    """The limits in words: No-go above 8.0 m/s, marginal above 5.9 m/s."""
    parts = [f"{v.grade.word} {v.word} {v.text}" for v in sorted(levels, key=lambda v: -v.grade)]
    told = ", ".join(parts)
    return f"{told[0].upper()}{told[1:]}." if told else ""


def _shown(line: Line, index: int, display: Display) -> str:
    return shown(line.name, _own(line, float(line.values[index]), display), display=display)


def _own(line: Line, number: float, display: Display) -> float:
    """A number on screen in the quantity's own unit."""
    row = quantity(line.name)
    return convert(number, display.unit(row), row.units, difference=row.difference)


def _missing(brief: Brief, gone: Sequence[datetime], display: Display) -> str:
    return f"missing in {len(gone)} h from {_moment(brief, gone[0], display)}"


def _moment(brief: Brief, when: datetime, display: Display) -> str:
    tz = zone(brief.site.zone)
    return f"{day(when, tz)} {clock(when, tz, display=display)}"


# ---------------------------------------------------------------------- the axis of time


def ticks(brief: Brief, *, display: Display = METRIC) -> Iterator[tuple[int, str, bool]]:
    """Marks on the axis of time: hours from the start, the text, and whether a new day begins.

    Every sixth local hour for up to three days, the days alone beyond that.
    """
    tz = zone(brief.site.zone)
    hours = len(brief.hours)
    for n, verdict in enumerate(brief.hours):
        local = verdict.start.astimezone(tz)
        twice = n and (verdict.start - timedelta(hours=1)).astimezone(tz).hour == local.hour
        if local.hour == 0 and not twice:
            yield n, f"{local:%a} {local.day}", True
        elif hours <= 72 and local.hour % (6 if hours <= 48 else 12) == 0 and not twice:
            text = f"{local:%H}" if not display.twelve else f"{local.hour % 12 or 12}"
            yield n, text if not display.twelve else text + ("a" if local.hour < 12 else "p"), False
