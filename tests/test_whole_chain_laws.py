"""Law: through derivation and grading, a hole is never go and worse weather is never better.

Hundreds of invented worlds at a time (they lie on a grid dimension, as a map would), for every
skill, three aircraft and three heights, at all times of day and year, with the rules that ship.
The worlds are random and not in balance; a law must hold for them all the same.

One exception is physics and not a fault: fog, dew and dust devils need a light wind, and more wind
mixes them away (AMS Glossary, "radiation fog", "dew", "dust devil"). So more wind may better what
the rules on these three say of an hour, and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import product
from typing import Any

import numpy as np
import pytest

from wxgate import places
from wxgate.derive.run import derive
from wxgate.forecast import Field, Forecast, Provenance, hours_axis, make_field
from wxgate.grade import Graded, grade, with_age
from wxgate.profiles import Aircraft, Site, Skill, known_aircraft
from wxgate.quantities import Kind
from wxgate.rulebook import Rule, Rulebook, load_rulebook
from wxgate.verdict import Grade

pytestmark = pytest.mark.law

RULES = places.shipped("rules")
AIRCRAFT = known_aircraft([RULES / "aircraft"])
SITE = Site("anywhere", "Anywhere (invented)", 52.0, -1.5, "UTC")
WORLDS, INSTANTS = 200, 11
CASTS = list(product(Skill, ("light-249g", "mid-900g", "heavy-4kg"), (10.0, 60.0, 120.0)))

RAIN = "lwe_thickness_of_precipitation_amount"
RATE = "lwe_precipitation_rate"
MOST = "precipitation_neighbourhood_maximum"
SHARE = "precipitation_neighbourhood_fraction"
CONVECTIVE = "lwe_thickness_of_convective_precipitation_amount"
WINDS = ("eastward_wind", "northward_wind", "eastward_wind_on_levels", "northward_wind_on_levels")

Fields = dict[str, Field]
Array = np.ndarray[Any, np.dtype[np.float64]]


@cache
def rulebook() -> Rulebook:
    return load_rulebook(sorted((RULES / "practice").glob("*.yaml")), aircraft=AIRCRAFT)


def worlds(rng: np.random.Generator) -> Fields:
    """Fields of (time, world), columns of (time, level, world)."""
    shape = (INSTANTS, WORLDS)

    def walk(low: float, high: float, step: float) -> Array:
        start = rng.uniform(low, high, (1, WORLDS))
        return np.clip(start + np.cumsum(rng.normal(0, step, shape), axis=0), low, high)

    speed = walk(0, 12, 0.5) * rng.uniform(0.2, 1, (1, WORLDS))
    angle = walk(0, 6.28, 0.15)
    east, north = speed * np.cos(angle), speed * np.sin(angle)
    ones = np.ones(shape)
    higher = np.stack([ones, 1 + rng.uniform(0, 0.8, shape), 1 + rng.uniform(0, 0.9, shape)], 1)
    levels, pressures = np.array([10.0, 80.0, 100.0]), np.array([1e5, 97500, 95000, 92500])
    column = np.full((INSTANTS, 4, WORLDS), 2.0)
    heights = np.array([50.0, 270, 490, 720])[:, None] + 100
    temperature = walk(268, 306, 0.7)
    amount = np.where(rng.random((1, WORLDS)) < 0.3, rng.exponential(0.3, shape), 0.0)
    amount = amount * (rng.random(shape) < 0.6)
    found = {
        "wind_speed_of_gust": speed * rng.uniform(1, 1.8, shape),
        "air_temperature": temperature,
        "dew_point_temperature": temperature - walk(0, 15, 0.5),
        "surface_air_pressure": walk(97000, 103000, 50),
        "visibility_in_air": np.exp(walk(6, 10.5, 0.2)),
        "ceiling_height": np.where(rng.random((1, WORLDS)) < 0.5, 20000, walk(50, 3000, 100)),
        "cloud_area_fraction": walk(0, 1, 0.1),
        "low_type_cloud_area_fraction": walk(0, 1, 0.1),
        RAIN: amount,
        CONVECTIVE: amount * rng.random(shape),
        RATE: amount * rng.uniform(0.5, 2, shape),
        SHARE: np.clip((amount > 0.1) * 0.5 + rng.choice([0, 0, 0.2], shape), 0, 1),
        MOST: amount * 2,
        "categorical_rain": (amount > 0) * 1.0,
        **{f"categorical_{k}": 0 * ones for k in ("freezing_rain", "ice_pellets", "snow")},
        "convective_available_potential_energy":
            np.where(rng.random((1, WORLDS)) < 0.6, 0, walk(0, 1500, 100)),
        "atmosphere_boundary_layer_thickness": walk(200, 2000, 100),
        "surface_upward_sensible_heat_flux": walk(-50, 300, 20),
    }  # fmt: skip
    fields = {name: make_field(name, values) for name, values in found.items()}
    for name, part in (("eastward_wind", east), ("northward_wind", north)):
        fields[name] = make_field(name, part[:, None] * higher, levels=levels)
        name = f"{name}_on_levels"
        fields[name] = make_field(name, part[:, None] * column, levels=pressures)
    fields["geopotential_height_on_levels"] = make_field(
        "geopotential_height_on_levels", heights + 0 * column, levels=pressures
    )
    fields["planetary_k_index"] = make_field("planetary_k_index", np.full(INSTANTS, 2.0))
    for name, value in (("surface_altitude", 100.0), ("surface_roughness_length", 0.1)):
        fields[name] = make_field(name, np.full(WORLDS, value), kind=Kind.CONSTANT)
    return fields


def with_10_m_alone(fields: Fields) -> Fields:
    """As of a source whose only wind is that at 10 m."""
    kept = {name: f for name, f in fields.items() if "on_levels" not in name}
    for name in ("eastward_wind", "northward_wind"):
        column = fields[name]
        assert column.levels is not None
        kept[name] = replace(column, values=column.values[:, :1], levels=column.levels[:1])
    return kept


class Stage:
    """One moment, aircraft, skill and height."""

    def __init__(self, seed: int, skill: Skill, aircraft: str, height: float) -> None:
        self.rng = np.random.default_rng(seed)
        self.skill, self.height = skill, height
        self.aircraft: Aircraft = AIRCRAFT[aircraft]
        month, hour = int(self.rng.integers(1, 13)), int(self.rng.integers(0, 24))
        self.now = datetime(2026, month, 15, hour, tzinfo=UTC)

    def graded(self, fields: Fields, run_age_h: float = 4.0) -> Graded:
        run = self.now - timedelta(hours=run_age_h)
        origin = Provenance("invented", "invented", run, self.now, "0" * 64, cycle_h=6.0)
        time = hours_axis(self.now - timedelta(hours=3), INSTANTS - 1)
        forecast = Forecast(time, fields, (origin,))
        whole = derive(forecast, site=SITE, aircraft=self.aircraft, height=self.height)
        return grade(
            with_age(whole, self.now), rulebook(), aircraft=self.aircraft, skill=self.skill,
            height=self.height, latitude=SITE.latitude,
        )  # fmt: skip


def stages() -> Iterator[Stage]:
    for seed, (skill, aircraft, height) in enumerate(CASTS):
        yield Stage(seed, skill, aircraft, height)


def worst(graded: Graded, *without: str) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """The worst grade of each hour by the rules other than these."""
    codes = np.zeros((INSTANTS, WORLDS), np.uint8)
    for outcome in graded.outcomes:
        if not (isinstance(outcome.rule, Rule) and outcome.rule.id in without):
            codes = np.maximum(codes, outcome.codes)
    return codes[:-1]


def with_hole(found: Field, at: int, value: float) -> Field:
    values = found.values.copy()
    values[at] = value
    # As a source hands it over: what cannot be is NaN.
    return replace(found, values=np.where(np.isfinite(values), values, np.nan).astype(np.float32))


#: The rules on what a light wind makes.
CALM_WEATHER = ("fog", "dew", "dust-devils")
#: Without any of these nobody can say that an hour is flyable.
VITAL = ("eastward_wind", "northward_wind", "wind_speed_of_gust", "visibility_in_air",
         "air_temperature", RAIN, "planetary_k_index")  # fmt: skip


def test_worlds_are_worth_the_trouble() -> None:
    """Every grade must be there often enough, or the laws below would hold for nothing."""
    counts = np.zeros(4)
    for stage in stages():
        counts += np.bincount(stage.graded(worlds(stage.rng)).codes[:-1].ravel(), minlength=4)
    assert (counts[[Grade.GO, Grade.MARGINAL, Grade.NO_GO]] > 500).all(), counts


@pytest.mark.parametrize("name", VITAL)
@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_an_hour_whose_input_is_missing_is_never_go(name: str, value: float) -> None:
    at = INSTANTS // 2
    for stage in stages():
        fields = worlds(stage.rng)
        holed = {**fields, name: with_hole(fields[name], at, value)}
        codes = stage.graded(holed).codes
        hours = [at - 1, at] if fields[name].kind is Kind.POINT else [at]
        assert (codes[hours] > Grade.GO).all()


@pytest.mark.parametrize("name", VITAL)
def test_a_source_that_lacks_it_gives_no_go_hour_at_all(name: str) -> None:
    for stage in stages():
        fields = worlds(stage.rng)
        del fields[name]
        assert (stage.graded(fields).codes > Grade.GO).all()


def factor(fields: Fields, names: tuple[str, ...], by: float) -> Fields:
    scaled = {
        name: fields[name].with_values((fields[name].values * by).astype(np.float32))
        for name in names
        if name in fields
    }
    return {**fields, **scaled}


def never_better(stage: Stage, before: Fields, after: Fields, *but: str) -> None:
    first, then = (worst(stage.graded(fields), *but) for fields in (before, after))
    assert (then >= first).all(), np.argwhere(then < first)[:5]


@pytest.mark.parametrize("sparse", [False, True], ids=["all levels", "10 m alone"])
def test_more_wind_is_never_better_but_for_what_calm_air_makes(sparse: bool) -> None:
    for stage in stages():
        fields = worlds(stage.rng)
        fields = with_10_m_alone(fields) if sparse else fields
        for by in (1.02, 1 + stage.rng.exponential(0.15), 1.5):
            never_better(
                stage, fields, factor(fields, (*WINDS, "wind_speed_of_gust"), by), *CALM_WEATHER
            )


def test_more_gust_is_never_better() -> None:
    for stage in stages():
        fields = worlds(stage.rng)
        by = 1 + stage.rng.exponential(0.2)
        never_better(stage, fields, factor(fields, ("wind_speed_of_gust",), by))


def test_more_rain_is_never_better() -> None:
    for stage in stages():
        fields = worlds(stage.rng)
        by = 1 + stage.rng.exponential(0.2)
        never_better(stage, fields, factor(fields, (RAIN, RATE, MOST, CONVECTIVE), by))
        more = stage.rng.exponential(0.3, (INSTANTS, WORLDS))
        more = more * (stage.rng.random((INSTANTS, WORLDS)) < 0.3)
        wetter = {
            name: fields[name].with_values((fields[name].values + more).astype(np.float32))
            for name in (RAIN, RATE, MOST)
        }
        never_better(stage, fields, {**fields, RAIN: wetter[RAIN]})
        never_better(stage, fields, {**fields, **wetter})
        share = np.minimum(fields[SHARE].values + np.float32(0.1), 1)
        never_better(stage, fields, {**fields, SHARE: fields[SHARE].with_values(share)})


def test_less_visibility_and_a_lower_ceiling_are_never_better() -> None:
    for stage in stages():
        fields = worlds(stage.rng)
        by = 1 / (1 + stage.rng.exponential(0.5))
        never_better(stage, fields, factor(fields, ("visibility_in_air",), by))
        never_better(stage, fields, factor(fields, ("ceiling_height",), by))


def test_moister_air_and_more_instability_are_never_better() -> None:
    cape = "convective_available_potential_energy"
    for stage in stages():
        fields = worlds(stage.rng)
        never_better(stage, fields, factor(fields, (cape,), 1 + stage.rng.exponential(0.5)))
        dew_point = np.minimum(
            fields["dew_point_temperature"].values + np.float32(0.5),
            fields["air_temperature"].values,
        )
        moister = {**fields, "dew_point_temperature":
                   fields["dew_point_temperature"].with_values(dew_point)}  # fmt: skip
        never_better(stage, fields, moister)


def test_an_older_run_is_never_better() -> None:
    for stage in stages():
        fields = worlds(stage.rng)
        before = worst(stage.graded(fields))
        for age, least in ((13, Grade.MARGINAL), (49, Grade.UNKNOWN)):
            after = worst(stage.graded(fields, run_age_h=age))
            assert (after >= np.maximum(before, least)).all()
