"""Which quantities have to be fetched so that given ones can be told as well as they ever can."""

from __future__ import annotations

from collections.abc import Iterable

from wxgate.derive.run import recipes
from wxgate.derive.site_height import (
    ALOFT,
    CEILING,
    DEW_POINT,
    HUMIDITY,
    TEMPERATURE,
    TERRAIN,
)
from wxgate.quantities import QUANTITIES
from wxgate.rulebook import Condition, Rulebook

#: What is moved to the site's height, by the model's terrain and its temperature.
_MOVED = (TEMPERATURE, DEW_POINT, HUMIDITY, ALOFT)


def fetched_for(names: Iterable[str]) -> frozenset[str]:
    """The fetched quantities that these need, those that a substitute would use among them.

    ``names`` are quantities of the vocabulary, fetched or derived. What a recipe needs and what it
    merely uses is followed alike, so that no substitute is lost and no value is had by another way
    than it would be with everything there.
    """
    made_by = {recipe.name: recipe for recipe in recipes()}
    seen: set[str] = set()
    waiting = list(names)
    while waiting:
        name = waiting.pop()
        if name not in seen:
            seen.add(name)
            recipe = made_by.get(name)
            if recipe is not None:
                waiting += (*recipe.needs, *recipe.uses)
            elif name in _MOVED:
                waiting += (TERRAIN, TEMPERATURE)
            elif name == CEILING:
                waiting.append(TERRAIN)
    return frozenset(name for name in seen if not QUANTITIES[name].derived)


def named_by(rulebook: Rulebook) -> frozenset[str]:
    """The quantities that a rulebook looks at: in rules, bands, conditions and substitutes."""
    names: set[str] = set()
    conditions: list[Condition] = []
    for rule in rulebook.rules:
        names.add(rule.quantity)
        conditions += (*rule.when, *rule.missing_when)
        bands = (getattr(limit, "quantity", None) for limit in rule.limits.values())
        names.update(band for band in bands if band is not None)
    for substitute in rulebook.substitutes:
        names.add(substitute.quantity)
        conditions += substitute.when
    return frozenset(names.union(c.quantity for c in conditions if c.quantity is not None))
