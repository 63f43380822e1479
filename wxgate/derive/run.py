"""Run the recipes in the order of their needs, on one forecast for one site, aircraft, height."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from graphlib import TopologicalSorter
from typing import Any

from wxgate.derive.recipe import Inputs, Recipe
from wxgate.errors import UsageError
from wxgate.forecast import Forecast
from wxgate.profiles import Aircraft, Site

LOWEST_HEIGHT, HIGHEST_HEIGHT = 1.0, 500.0


@cache
def recipes() -> tuple[Recipe, ...]:
    """All recipes, each behind those whose quantity it needs or uses."""
    from wxgate.derive import (
        air,
        energy,
        fog,
        geomagnetic,
        gust,
        icing,
        moisture,
        people,
        precipitation,
        sun,
        terrain,
        thunder,
        visibility,
        wind,
        wind_signs,
    )

    modules = (
        sun, geomagnetic, terrain, wind, wind_signs, gust, moisture, fog, visibility, icing,
        precipitation, thunder, air, energy, people,
    )  # fmt: skip
    return in_order(r for m in modules for r in m.RECIPES)


def in_order(unordered: Iterable[Recipe]) -> tuple[Recipe, ...]:
    """Recipes sorted by what they need; ValueError for two of one name, CycleError for a ring."""
    found: dict[str, Recipe] = {}
    for recipe in unordered:
        if recipe.name in found:
            raise ValueError(f"two recipes make {recipe.name!r}")
        found[recipe.name] = recipe
    sorter = TopologicalSorter(
        {name: [n for n in (*r.needs, *r.uses) if n in found] for name, r in found.items()}
    )
    return tuple(found[name] for name in sorter.static_order())


def check_height(height: float) -> None:
    """UsageError for a height (m above ground) that no small drone flies at."""
    if not LOWEST_HEIGHT <= height <= HIGHEST_HEIGHT:
        raise UsageError(
            f"flight height {height:g} m is not between {LOWEST_HEIGHT:g} and {HIGHEST_HEIGHT:g} m",
            remedy="Give the height above ground, such as --height '60 m'.",
        )


def derive(forecast: Forecast, *, site: Site, aircraft: Aircraft, height: float) -> Forecast:
    """The forecast with every derived quantity that its fields allow.

    ``height`` is the planned flight height in m above ground. A recipe whose needs are not there
    is left out, and its quantity is then missing. UsageError for a height that no small drone
    flies at.
    """
    check_height(height)
    fields = dict(forecast.fields)
    shared: dict[str, Any] = {}
    for recipe in recipes():
        if all(need in fields for need in recipe.needs):
            made = recipe.make(Inputs(forecast.time, fields, site, aircraft, height, shared))
            if made is not None:
                fields[recipe.name] = made
    return forecast.with_fields(fields)
