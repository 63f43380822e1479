"""One hour laid open: what every rule said, and how each quantity was made from what."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from datetime import timedelta

import numpy as np

from wxgate.brief import Brief
from wxgate.derive.recipe import Recipe
from wxgate.derive.run import recipes
from wxgate.forecast import Field, to_datetime64
from wxgate.quantities import QUANTITIES, Kind, quantity
from wxgate.report.text import WIDTH, hour_text
from wxgate.report.words import CAUTIONS, shown
from wxgate.verdict import Verdict


def explain_text(brief: Brief, verdict: Verdict) -> str:
    """Reasons of the hour, then fetched values with their source, then every recipe."""
    lines = [hour_text(brief, verdict), "Fetched (start of the hour, end of the hour):"]
    lines += _fetched(brief, verdict)
    lines.append("\nDerived:")
    for recipe in recipes():
        lines += _derived(brief, verdict, recipe)
    lines += ["", *CAUTIONS]
    return "\n".join(lines) + "\n"


def _fetched(brief: Brief, verdict: Verdict) -> Iterator[str]:
    for name, row in QUANTITIES.items():
        found = brief.forecast.get(name)
        if not row.derived and found is not None:
            source = f"  [{found.source}]" if found.source else ""
            yield from _wrap(f"  {name}: {_values(brief, name, found, verdict)}{source}")


def _derived(brief: Brief, verdict: Verdict, recipe: Recipe) -> Iterator[str]:
    found = brief.forecast.get(recipe.name)
    if found is None:
        lacking = [n for n in recipe.needs if brief.forecast.get(n) is None]
        why = f"needs {', '.join(lacking)}" if lacking else "its inputs do not allow it"
        yield from _wrap(f"  {recipe.name}: missing, {why}")
        return
    yield from _wrap(f"  {recipe.name}: {_values(brief, recipe.name, found, verdict)}")
    yield from _wrap(f"      how: {recipe.says}")
    used = [n for n in (*recipe.needs, *recipe.uses) if brief.forecast.get(n) is not None]
    if used:
        yield from _wrap(f"      from: {', '.join(used)}")
    yield from _wrap(f"      says who: {recipe.citation}")
    if recipe.validity:
        yield from _wrap(f"      valid: {recipe.validity}")


def _values(brief: Brief, name: str, found: Field, verdict: Verdict) -> str:
    """The values at both ends of the hour, of the hour itself, or of what never changes."""
    if found.kind is Kind.CONSTANT:
        return _one(name, found, found.values)
    times = [verdict.start]
    if found.kind is Kind.POINT:
        times.append(verdict.start + timedelta(hours=1))
    texts = []
    for when in times:
        index = np.flatnonzero(brief.forecast.time == to_datetime64(when))
        if not index.size:
            texts.append("missing")
            continue
        text = _one(name, found, found.values[index[0]])
        if found.origin is not None and len(found.origins) > 1:
            text += f" ({found.origins[int(found.origin[index[0]])]})"
        texts.append(text)
    return ", ".join(texts)


def _one(name: str, found: Field, value: object) -> str:
    numbers = np.atleast_1d(np.asarray(value, dtype=np.float64))
    if found.levels is None:
        number = float(numbers.reshape(-1)[0])
        return shown(name, number if math.isfinite(number) else None)
    unit, divide = ("hPa", 100.0) if float(np.max(found.levels)) > 2000 else ("m", 1.0)
    row = quantity(name)
    columns = [
        f"{level / divide:g} {unit} "
        + (f"{number:.{row.digits}f}" if math.isfinite(number) else "missing")
        for level, number in zip(found.levels, numbers, strict=True)
    ]
    return "; ".join(columns) + f" ({row.units})"


def _wrap(line: str) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(
        line, WIDTH, subsequent_indent=indent, break_on_hyphens=False, drop_whitespace=True
    )
