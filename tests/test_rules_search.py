"""Law: a search for counter-examples over random hours with holes, through the whole grader.

A hundred thousand hours over all skills and aircraft in CI; set WXGATE_SEARCH_HOURS for more. By
hand, a million were searched without a counter-example (computed by us).
"""

from __future__ import annotations

import os
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hours import forecast_of
from rule_texts import shipped_aircraft

from wxgate import places
from wxgate.forecast import Field, Forecast, make_field
from wxgate.grade import grade
from wxgate.profiles import Aircraft, Skill
from wxgate.quantities import Kind, quantity
from wxgate.rulebook import Rulebook, load_rulebook
from wxgate.verdict import Grade

pytestmark = pytest.mark.law

AIRCRAFT = shipped_aircraft()
RULES = places.shipped("rules")
BOOK = load_rulebook([RULES / "practice", RULES / "law" / "us-part-107.yaml"], aircraft=AIRCRAFT)
CAST = list(product(Skill, AIRCRAFT.values()))
HOURS = int(os.environ.get("WXGATE_SEARCH_HOURS", 108_000)) // len(CAST)

HOLES = 0.003  #: share of values that are missing from the start

#: Where fair and foul weather lie, so that every grade comes about; other ranges would be no-go
#: in nearly every hour.
SPREAD = {
    "gust_at_flight_height": (0, 16), "gust_layer_maximum": (0, 16), "gust_spread": (0, 11),
    "wind_speed_at_flight_height": (0, 13), "wind_step": (0, 7), "visibility": (500, 30_000),
    "convective_velocity_scale": (0, 2.5), "precipitation_probability": (0, 0.6),
    "thunder_probability": (0, 0.22), "precipitation": (0, 0.12), "air_temperature": (255, 318),
    "density_altitude": (-500, 5500), "airspeed_margin": (0, 15), "wind_chill": (255, 300),
    "heat_index": (280, 316), "planetary_k_index": (0, 9), "forecast_age": (0, 50),
    "forecast_age_in_cycles": (0, 2.5), "dew_point_spread": (0, 15), "fog_points": (0, 5),
    "ceiling_clearance": (0, 3000), "solar_elevation_angle": (-8, 60),
    "geomagnetic_latitude": (-70, 70), "wind_speed": (0, 12), "visual_radius": (0, 150),
    "glare_angle": (0, 180), "bulk_richardson_number": (-1, 3), "terrain_difference": (0, 400),
    "airspeed_to_gust_ratio": (0.5, 3),
}  # fmt: skip


#: Both ends of these are worse for one rule or another.
TWO_SIDED = {
    "solar_elevation_angle", "air_temperature", "flight_height", "geomagnetic_latitude",
    "wind_speed",  # a light wind leaves room for dust devils
}  # fmt: skip


def looked_at() -> list[str]:
    names = {r.quantity for r in BOOK.rules}
    for rule in BOOK.rules:
        names |= {c.quantity for c in (*rule.when, *rule.missing_when) if c.quantity}
    return sorted((names | {"geomagnetic_latitude"}) - {"flight_height"})


def random_hours(seed: int, *, calm: float) -> Forecast:
    """Random hours; ``calm`` draws them towards the fair end of each range."""
    draw = np.random.default_rng(seed)
    fields: dict[str, Field] = {}
    worse_up = {r.quantity: r.word.upward for r in BOOK.rules}
    for name in looked_at():
        row = quantity(name)
        low, high = SPREAD.get(name, (row.low, row.high))
        share = draw.random(1 if row.kind is Kind.CONSTANT else HOURS)
        fair = share ** (1 + calm)
        if name not in TWO_SIDED:
            share = fair if worse_up.get(name, True) else 1 - fair
        values = low + (high - low) * share
        if row.units == "flag":
            values = (share > 0.9).astype(float)
        made = values[0] if row.kind is Kind.CONSTANT else values
        if row.kind is not Kind.CONSTANT:
            made = np.where(draw.random(HOURS) < HOLES, np.nan, made)
        fields[name] = make_field(name, np.asarray(made))
    axis = {"air_density": np.full(HOURS, 1.2)}
    return forecast_of({**axis, **fields})


def codes(forecast: Forecast, skill: Skill, craft: Aircraft, book: Rulebook = BOOK) -> np.ndarray:
    return grade(forecast, book, aircraft=craft, skill=skill, height=60.0, latitude=52.0).codes


@pytest.mark.parametrize(("skill", "craft"), CAST, ids=lambda v: getattr(v, "id", str(v)))
def test_no_counter_example(skill: Skill, craft: Aircraft) -> None:
    seed = CAST.index((skill, craft))
    draw = np.random.default_rng(1000 + seed)
    whole = random_hours(seed, calm=8.0)
    before = codes(whole, skill, craft)
    # The search must see every grade, or it proves nothing.
    assert {Grade.GO, Grade.MARGINAL, Grade.UNKNOWN, Grade.NO_GO} <= set(before.tolist())

    # The order of rules is irrelevant.
    mixed = replace(BOOK, rules=tuple(draw.permutation(np.array(BOOK.rules, object))))
    assert np.array_equal(codes(whole, skill, craft, mixed), before)

    # What gets worse never betters a grade.
    one_sided = {r.quantity: r.word.upward for r in BOOK.rules}
    for name in sorted(set(one_sided) - TWO_SIDED):
        field = whole.fields[name]
        step = draw.random(field.values.shape).astype(np.float32) * (
            quantity(name).high * 0.05 + 0.1
        )
        values = field.values + step if one_sided[name] else field.values - step
        foul = whole.with_fields({name: field.with_values(values.astype(np.float32))})
        assert np.all(codes(foul, skill, craft) >= before), name

    # A hole in what every hour needs is never go.
    for rule in BOOK.rules:
        if rule.when or rule.missing is None or rule.quantity == "flight_height":
            continue
        field = whole.fields[rule.quantity]
        hole = draw.random(HOURS) < 0.3
        holed = field.with_values(np.where(hole, np.float32(np.nan), field.values))
        after = codes(whole.with_fields({rule.quantity: holed}), skill, craft)
        assert np.any(before[hole] == Grade.GO), rule.id
        assert not np.any(after[hole] == Grade.GO), rule.id
