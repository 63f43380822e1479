"""One hour laid open: what every rule said, and how each quantity was made from what."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from datetime import timedelta

import numpy as np

from wxgate.brief import Brief, targets_of
from wxgate.derive.figures import with_figures
from wxgate.derive.recipe import Recipe
from wxgate.derive.run import recipes
from wxgate.forecast import Field, to_datetime64
from wxgate.quantities import QUANTITIES, Kind, quantity
from wxgate.report.credits import full_credits, provenance_of
from wxgate.report.display import METRIC, Display, printed
from wxgate.report.observed import reports_text
from wxgate.report.spread import spread_lines
from wxgate.report.text import hour_text
from wxgate.report.words import CAUTIONS, shown
from wxgate.verdict import Verdict


def explain_text(brief: Brief, verdict: Verdict, *, display: Display = METRIC) -> str:
    """Reasons of the hour, then fetched values with their source, then every recipe."""
    whole = hour_text(brief, verdict, display=display)
    lines = [whole, *_spread(brief, verdict, display)]
    lines += _wrap("Fetched (start of the hour, end of the hour):", display)
    lines += _fetched(brief, verdict, display)
    lines.append("\nDerived:")
    for recipe in recipes():
        lines += _derived(brief, verdict, recipe, display)
    lines += ["", *reports_text(brief, display=display).splitlines()]
    for credit in full_credits(provenance_of(brief)):
        lines += _wrap(f"Credit: {credit}", display)
    lines += [line for told in CAUTIONS for line in _wrap(told, display)]
    return "\n".join(lines) + "\n"


def _spread(brief: Brief, verdict: Verdict, display: Display) -> Iterator[str]:
    told = spread_lines(brief, verdict, display=display)
    if told:
        yield from _wrap(
            "Weathers: 1, 5 and 9 of 10 are at most (start of the hour; end of the hour):", display
        )
        for line in told:
            yield from _wrap(f"  {line}", display)
        yield ""


def _fetched(brief: Brief, verdict: Verdict, display: Display) -> Iterator[str]:
    for name, row in QUANTITIES.items():
        found = brief.forecast_of(verdict).get(name)
        if not row.derived and found is not None:
            source = f"  [{found.source}]" if found.source else ""
            told = _values(brief, name, found, verdict, display)
            yield from _wrap(f"  {name}: {told}{source}", display)


def _derived(brief: Brief, verdict: Verdict, recipe: Recipe, display: Display) -> Iterator[str]:
    found = brief.forecast_of(verdict).get(recipe.name)
    if found is None:
        lacking = [n for n in recipe.needs if brief.forecast_of(verdict).get(n) is None]
        if recipe.name not in targets_of(brief.rulebook):
            yield from _wrap(f"  {recipe.name}: not there; no rule in force asks for it", display)
            return
        why = f"needs {', '.join(lacking)}" if lacking else "its inputs do not allow it"
        yield from _wrap(f"  {recipe.name}: missing, {why}", display)
        return
    yield from _wrap(
        f"  {recipe.name}: {_values(brief, recipe.name, found, verdict, display)}", display
    )
    yield from _wrap(f"      how: {with_figures(recipe.says)}", display)
    used = [
        n for n in (*recipe.needs, *recipe.uses) if brief.forecast_of(verdict).get(n) is not None
    ]
    if used:
        yield from _wrap(f"      from: {', '.join(used)}", display)
    yield from _wrap(f"      says who: {recipe.citation}", display)
    if recipe.validity:
        yield from _wrap(f"      valid: {with_figures(recipe.validity)}", display)


def _values(brief: Brief, name: str, found: Field, verdict: Verdict, display: Display) -> str:
    """The values at both ends of the hour, of the hour itself, or of what never changes."""
    if found.kind is Kind.CONSTANT:
        return _one(name, found, found.values, display)
    times = [verdict.start]
    if found.kind is Kind.POINT:
        times.append(verdict.start + timedelta(hours=1))
    texts = []
    for when in times:
        index = np.flatnonzero(brief.forecast_of(verdict).time == to_datetime64(when))
        if not index.size:
            texts.append("missing")
            continue
        text = _one(name, found, found.values[index[0]], display)
        if found.origin is not None and len(found.origins) > 1:
            text += f" ({found.origins[int(found.origin[index[0]])]})"
        texts.append(text)
    return ", ".join(texts)


def _one(name: str, found: Field, at: object, display: Display) -> str:
    numbers = np.atleast_1d(np.asarray(at, dtype=np.float64))
    if found.levels is None:
        number = float(numbers.reshape(-1)[0])
        return shown(name, number if math.isfinite(number) else None, display=display)
    row = quantity(name)
    columns = []
    for level, value in zip(found.levels, numbers, strict=True):
        told = "missing"
        if math.isfinite(value):
            number = display.number(row, float(value))
            told = printed(number, display.digits(row, number))
        columns.append(f"{_level(float(level), found, display)} {told}")
    unit = display.spelt(row)
    return "; ".join(columns) + (f" ({unit})" if unit else "")


def _level(level: float, found: Field, display: Display) -> str:
    """A level of a column: a height above ground, or a pressure, which all people tell in hPa."""
    if found.levels is not None and float(np.max(found.levels)) > 2000:
        return f"{level / 100:g} hPa"
    return display.length(level)


def _wrap(line: str, display: Display) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(
        line, display.width, subsequent_indent=indent, break_on_hyphens=False, drop_whitespace=True
    )
