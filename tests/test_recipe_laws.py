"""Law: what must hold for every recipe and every input.

Random weather (``recipe_inputs``) on the hours of a site, of an ensemble and of a map. Units cannot
matter here: a recipe sees canonical units alone, and the scenarios are tried in others.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from recipe_inputs import CRAFT, SITE, field_of, forecast, weather

from wxgate.derive.recipe import Inputs, Recipe
from wxgate.derive.run import derive, recipes
from wxgate.forecast import Field
from wxgate.profiles import Site
from wxgate.quantities import QUANTITIES, Kind

pytestmark = pytest.mark.law

HOURS, HEIGHT = 30, 60.0
#: Behind the time: nothing, members, and a map.
SHAPES: dict[str, tuple[int, ...]] = {"site": (), "ensemble": (5,), "map": (3, 4)}

RECIPES = [pytest.param(r, id=r.name) for r in recipes()]


@cache
def fetched(behind: tuple[int, ...]) -> dict[str, Field]:
    """Random weather with one value in nine missing, the terrain and the roughness apart."""
    random = np.random.default_rng(7)
    fields = weather(HOURS, behind, seed=3)
    for name, found in fields.items():
        if found.kind is not Kind.CONSTANT:
            holes = random.random(found.values.shape) < 1 / 9
            fields[name] = found.with_values(np.where(holes, np.float32(np.nan), found.values))
    return fields


def derived(fields: Mapping[str, Field], site: Site = SITE) -> Mapping[str, Field]:
    return derive(forecast(fields, HOURS), site=site, aircraft=CRAFT, height=HEIGHT).fields


@cache
def of_shape(behind: tuple[int, ...]) -> Mapping[str, Field]:
    return derived(fetched(behind))


def cell(found: Field, behind: tuple[int, ...], at: tuple[int, ...]) -> Field:
    """The field of one member or cell."""

    def of(values: Any) -> Any:
        return values[(..., *at)] if values.ndim >= len(behind) and at and (
            values.shape[-len(behind):] == behind) else values  # fmt: skip

    origin = None if found.origin is None else of(found.origin)
    return replace(found, values=of(found.values), origin=origin)


@pytest.mark.parametrize("name", [n for n in SHAPES if n != "site"])
def test_a_point_equals_the_same_cell_bit_for_bit(name: str) -> None:
    behind = SHAPES[name]
    at = tuple(size - 2 for size in behind)
    # On a map the model's ground counts, at a site its own altitude: here it has none.
    site = replace(SITE, altitude=None)
    whole = derived(fetched(behind), site)
    alone = derived({n: cell(f, behind, at) for n, f in fetched(behind).items()}, site)
    assert alone.keys() == whole.keys()
    made = [r for r in recipes() if r.name in whole]
    assert len(made) > len(recipes()) - 2
    for recipe in made:
        point, same = alone[recipe.name], cell(whole[recipe.name], behind, at)
        np.testing.assert_array_equal(point.values, same.values, err_msg=recipe.name)
        assert point.values.dtype == same.values.dtype == np.float32, recipe.name
        assert point.kind is same.kind
        assert point.origins == same.origins
        if point.origin is not None:
            assert same.origin is not None
            np.testing.assert_array_equal(point.origin, same.origin, err_msg=recipe.name)


@pytest.mark.parametrize("behind", SHAPES.values(), ids=SHAPES)
def test_every_recipe_makes_its_quantity(behind: tuple[int, ...]) -> None:
    """As its row tells: derived, of the kind of the row, on time; each substitute has a name."""
    found = of_shape(behind)
    for recipe in recipes():
        row, made = QUANTITIES[recipe.name], found[recipe.name]
        assert row.derived, recipe.name
        # A gust of the hour has made the values of the hour out of instants.
        kinds = {row.kind, Kind.MAXIMUM} if "gust" in (*recipe.needs, recipe.name) else {row.kind}
        kinds |= {Kind.MAXIMUM} if "gust" in recipe.name or "gust_spread" in recipe.needs else set()
        assert made.kind in kinds, recipe.name
        constant = made.kind is Kind.CONSTANT
        assert made.values.shape[:1] == (HOURS,) or constant, recipe.name
        assert made.values.ndim <= len(behind) + (not constant), recipe.name
        if made.origin is not None:
            assert made.origin.shape == made.values.shape, recipe.name
            assert made.origin.max() < len(made.origins), recipe.name


@pytest.mark.parametrize("recipe", RECIPES)
def test_a_recipe_says_what_it_needs_who_says_so_and_where_it_holds(recipe: Recipe) -> None:
    assert recipe.says
    assert recipe.citation
    assert recipe.validity, "what holds, and what happens when an input is missing"
    assert not set(recipe.needs) & set(recipe.uses)
    assert {*recipe.needs, *recipe.uses} <= QUANTITIES.keys()


@pytest.mark.parametrize("recipe", RECIPES)
def test_a_recipe_looks_at_nothing_but_what_it_tells(recipe: Recipe) -> None:
    """With all else taken away it makes the same: needs and uses are the whole truth."""
    fields = of_shape(())
    told = {n: fields[n] for n in (*recipe.needs, *recipe.uses) if n in fields}
    time = forecast({}, HOURS).time
    narrow = recipe.make(Inputs(time, told, SITE, CRAFT, HEIGHT))
    assert narrow is not None
    np.testing.assert_array_equal(narrow.values, fields[recipe.name].values)


def test_what_is_made_of_one_quantity_tells_how_that_was_had() -> None:
    """A substitute that rules may cap stays one: hour by hour and by name."""
    fields, handed_on = of_shape(()), 0
    for recipe in recipes():
        looks_at = [fields[n] for n in (*recipe.needs, *recipe.uses)]
        if len(looks_at) == 1 and looks_at[0].origin is not None and looks_at[0].origin.any():
            handed_on += 1
            made = fields[recipe.name]
            assert made.origins == looks_at[0].origins, recipe.name
            np.testing.assert_array_equal(made.origin, looks_at[0].origin, err_msg=recipe.name)
    assert handed_on > 4


NEEDS = [pytest.param(r, n, id=f"{r.name} without {n}") for r in recipes() for n in r.needs]


@pytest.mark.parametrize(("recipe", "lost"), NEEDS)
def test_what_is_missing_never_gives_a_number(recipe: Recipe, lost: str) -> None:
    """A need that is NaN gives NaN, or a substitute by name, or what any value would have given.

    The last is how flags combine: without moisture there is no icing, whatever the temperature.
    """
    whole = of_shape(())[lost]
    gone = whole.with_values(np.full_like(whole.values, np.nan))
    found = made_with(recipe, {lost: gone})
    substituted = np.zeros(found.values.shape, bool) if found.origin is None else found.origin > 0
    told = ~np.isnan(found.values) & ~substituted
    random = np.random.default_rng(11)
    for _ in range(12 if told.any() else 0):
        other = made_with(recipe, {lost: anything(lost, whole, random)}).values
        known = told & ~np.isnan(other)
        np.testing.assert_array_equal(found.values[known], other[known])


def made_with(wanted: Recipe, given: Mapping[str, Field]) -> Field:
    """What a recipe makes where some quantity is another one, with all that is made of that."""
    time = forecast({}, HOURS).time
    shared: dict[str, Any] = {}
    fields = {**fetched(()), **given}
    for recipe in recipes():
        if recipe.name not in given:
            made = recipe.make(Inputs(time, fields, SITE, CRAFT, HEIGHT, shared))
            assert made is not None, recipe.name
            fields[recipe.name] = made
        if recipe.name == wanted.name:
            break
    return fields[wanted.name]


def anything(name: str, found: Field, random: np.random.Generator) -> Field:
    """Other values of a quantity: drawn like weather, or from those that it has."""
    row = QUANTITIES[name]
    if not row.derived:
        return found.with_values(
            field_of(name, HOURS, (), random).values.reshape(found.values.shape)
        )
    known = found.values[np.isfinite(found.values)]
    values = random.choice(known, found.values.shape) if known.size else found.values
    return found.with_values(values.astype(np.float32))


@pytest.mark.parametrize("recipe", RECIPES)
def test_a_recipe_of_nothing_known_says_nothing(recipe: Recipe) -> None:
    """All that it needs and uses is NaN: NaN."""
    if not recipe.needs:
        return
    fields = of_shape(())
    blank = {
        n: fields[n].with_values(np.full_like(fields[n].values, np.nan))
        for n in (*recipe.needs, *recipe.uses)
        if n in fields
    }
    found = recipe.make(Inputs(forecast({}, HOURS).time, blank, SITE, CRAFT, HEIGHT))
    assert found is None or np.isnan(found.values).all()


def test_a_site_that_states_nothing_is_left_as_the_model_has_it() -> None:
    """Hill, shelter, coast and flight direction raise, lower and flag nothing where none is."""
    plain = replace(SITE, hill=None, shelter=None, coast=False, flight_direction=None)
    found = derived(fetched(()), plain)
    np.testing.assert_array_equal(found["launch_wind_speed"].values, found["wind_speed"].values)
    for name in ("lee_separation", "wake_turbulence", "sea_breeze_onset"):
        assert np.nanmax(found[name].values) == 0, name
    assert np.nanmin(found["glare_angle"].values) > 25
