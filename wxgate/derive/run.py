"""Run the recipes in the order of their needs, on one forecast for one site, aircraft, height."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from graphlib import TopologicalSorter
from typing import Any

import numpy as np

from wxgate.derive.figures import derivation
from wxgate.derive.recipe import Inputs, Recipe
from wxgate.derive.site_height import at_site_height
from wxgate.errors import UsageError
from wxgate.forecast import AT_SITE_HEIGHT, Field, Forecast
from wxgate.profiles import Aircraft, Site
from wxgate.quantities import QUANTITIES, Kind

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
        thermals,
        thunder,
        visibility,
        wind,
        wind_signs,
    )

    modules = (
        sun, geomagnetic, terrain, wind, wind_signs, gust, thermals, moisture, fog, visibility,
        icing, precipitation, thunder, air, energy, people,
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


def derive(
    forecast: Forecast,
    *,
    site: Site,
    aircraft: Aircraft,
    height: float,
    wanted: frozenset[str] | None = None,
) -> Forecast:
    """The forecast with every derived quantity that its fields allow.

    ``height`` is the planned flight height in m above ground. A recipe whose needs are not there
    is left out, and its quantity is then missing. So is one that would look at a fetched quantity
    which was not asked for (``wanted``; None: everything was): it would stand on a substitute where
    nothing is amiss. Temperature, moisture and ceiling are moved to the site's height first, once:
    what was derived may be derived anew. UsageError for a height that no small drone flies at.
    """
    check_height(height)
    fields, note = _alike(forecast), ""
    if not forecast.attributes.get(AT_SITE_HEIGHT):
        fields, note = at_site_height(fields, site, derivation().site)
    shared: dict[str, Any] = {}
    left_out: set[str] = set()
    for recipe in recipes():
        looks_at = (*recipe.needs, *recipe.uses)
        if wanted is not None and any(_is_not_wanted(n, wanted, left_out) for n in looks_at):
            left_out.add(recipe.name)
        elif all(need in fields for need in recipe.needs):
            made = recipe.make(Inputs(forecast.time, fields, site, aircraft, height, shared))
            if made is not None:
                fields[recipe.name] = made
    whole = forecast.with_fields(fields).with_notes(*([note] if note else []))
    whole = replace(whole, attributes={**whole.attributes, AT_SITE_HEIGHT: True})
    if forecast.earlier is None:
        return whole
    earlier = derive(forecast.earlier, site=site, aircraft=aircraft, height=height, wanted=wanted)
    return replace(whole, earlier=earlier)


def _is_not_wanted(name: str, wanted: frozenset[str], left_out: set[str]) -> bool:
    return name in left_out or (not QUANTITIES[name].derived and name not in wanted)


def _alike(forecast: Forecast) -> dict[str, Field]:
    """The fields, each with the member dimension where one of them has it."""
    if len(forecast.attributes.get("grid", {}).get("dims", ())) != 1:
        return dict(forecast.fields)
    sizes = [f.values.shape[-1] for f in forecast.fields.values() if f.values.ndim > _own(f)]
    if not sizes:
        return dict(forecast.fields)
    return {
        name: f if f.values.ndim > _own(f) or f.kind is Kind.CONSTANT
        else _repeated(f, max(sizes))
        for name, f in forecast.fields.items()
    }  # fmt: skip


def _repeated(field: Field, members: int) -> Field:
    """A field without members with so many alike, its origin among them."""
    origin = field.origin
    if origin is not None:
        origin = np.repeat(origin[..., None], members, axis=-1)
    values = np.repeat(field.values[..., None], members, axis=-1)
    return replace(field, values=values, origin=origin)


def _own(field: Field) -> int:
    return (field.kind is not Kind.CONSTANT) + (field.levels is not None)
