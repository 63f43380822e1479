"""Law: more rain never lowers a chance of rain; classes and units against published tables."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from hours import MID, SITE, forecast_of
from hypothesis import given
from hypothesis import strategies as st

from wxgate.derive import precipitation as module
from wxgate.derive.figures import derivation
from wxgate.derive.precipitation import (
    Hydrometeor,
    nearby_probability,
    precipitation_kind,
    precipitation_probability,
    rain_class,
    smoothed_exceedance,
)
from wxgate.derive.recipe import Inputs
from wxgate.forecast import Field
from wxgate.units import convert

pytestmark = pytest.mark.law

# The functions below, with the figures that ship.
FIGURES = derivation()
nearby_probability = partial(nearby_probability, wet=FIGURES.rain.wet_hour, figures=FIGURES.rain)
precipitation_kind = partial(precipitation_kind, snow_wet_bulb=FIGURES.rain.snow_wet_bulb)
precipitation_probability = partial(precipitation_probability, figures=FIGURES.rain)

AMOUNT, RATE = "lwe_thickness_of_precipitation_amount", "lwe_precipitation_rate"
NAN = np.nan


def made(name: str, fields: dict) -> Field | None:
    forecast = forecast_of(fields)
    recipe = next(r for r in module.RECIPES if r.name == name)
    return recipe.make(Inputs(forecast.time, forecast.fields, SITE, MID, 60.0))


# ---------------------------------------------------------------------- amount


def test_amount_as_it_was_fetched_else_from_the_rate() -> None:
    fields = {AMOUNT: [0.3, NAN, NAN, NAN], RATE: [9.0, 0.0, 2.0, 0.5]}
    field = made("precipitation", fields)
    assert field is not None
    # The worse end of each hour; the last hour's other end is not there.
    np.testing.assert_allclose(field.values, [0.3, 2.0, 2.0, NAN], rtol=1e-6)
    assert [field.origins[i] for i in field.origin] == [
        "direct", "from rate", "from rate", "direct",
    ]  # fmt: skip
    assert made("precipitation", {"air_temperature": [280.0]}) is None


def test_rate_units() -> None:
    """1 kg m-2 s-1 is 3600 mm/h, and 6.944e-4 of it 2.5 mm/h (arithmetic)."""
    assert convert(1.0, "kg m-2 s-1", "mm h-1") == 3600
    assert convert(6.944e-4, "kg m-2 s-1", "mm h-1") == pytest.approx(2.5, abs=1e-3)


# ---------------------------------------------------------------------- chances


@pytest.mark.parametrize(("count", "total", "chance"), [(0, 10, 0.045), (0, 30, 0.016)])
def test_smoothed_exceedance(count: int, total: int, chance: float) -> None:
    """(k + 1/2) / (n + 1), computed by us; a tie of 9 in 20 is 0.45."""
    assert smoothed_exceedance(np.asarray(count), np.asarray(total)) == pytest.approx(
        chance, abs=5e-4
    )
    assert smoothed_exceedance(np.asarray(9), np.asarray(20)) == pytest.approx(9.5 / 21)


def chance(hours: list[float], around: list[float]) -> float:
    return float(precipitation_probability(np.array(hours, float), np.array(around, float))[1])


def test_chance_against_the_usual_limits() -> None:
    """Go below 0.15 and no-go above 0.5 are the usual limits (common practice, no source)."""
    dry, nothing_known = [0.0] * 3, [NAN] * 3
    assert 0 < chance(dry, dry) < 0.05
    assert 0 < chance(dry, nothing_known) < 0.15
    assert chance([0, 0.1, 0], dry) > 0.5
    assert chance([0, 0.1, 0], nothing_known) > 0.5
    assert 0.15 < chance(dry, [0.3] * 3) < 0.5
    assert 0.15 < chance([0.5, 0, 0], dry) < 0.5
    assert chance([3, 3, 3], [1, 1, 1]) > 0.9


def test_nearby_chance_against_the_chance_here() -> None:
    dry = np.zeros(3)
    assert nearby_probability(dry, dry)[1] < 0.05
    assert nearby_probability(dry, np.full(3, np.nan))[1] < 0.15
    assert nearby_probability(dry, np.array([0.0, 2.0, 0.0]))[1] > 0.7
    # A shower two cells away is more likely to come nearby than to hit the field.
    assert nearby_probability(dry, np.array([0.0, 2.0, 0.0]))[1] > chance([0, 0, 0], [0, 0.2, 0])


amounts = st.lists(st.one_of(st.floats(0, 5), st.just(0.0)), min_size=3, max_size=3)
shares = st.lists(st.floats(0, 1), min_size=3, max_size=3)


@given(amounts, shares, st.integers(0, 5), st.floats(0, 5))
def test_more_rain_never_lowers_a_chance(
    hours: list[float], around: list[float], where: int, more: float
) -> None:
    wetter, wetter_around = list(hours), list(around)
    if where < 3:
        wetter[where] += more
    else:
        wetter_around[where - 3] = min(1.0, around[where - 3] + more)
    before, after = chance(hours, around), chance(wetter, wetter_around)
    assert 0 < before < 1
    assert after >= before - 1e-12
    nearby = nearby_probability(np.array(hours), np.array(around))
    wetter_nearby = nearby_probability(np.array(wetter), np.array(wetter_around))
    assert (wetter_nearby >= nearby - 1e-12).all()


@given(amounts, shares, st.integers(1, 5))
def test_what_is_missing_never_looks_better_than_dry(
    hours: list[float], around: list[float], where: int
) -> None:
    dry, missing = [*hours, *around], [*hours, *around]
    dry[where], missing[where] = 0.0, np.nan
    found = chance(missing[:3], missing[3:])
    assert np.isnan(found) if where == 1 else found >= chance(dry[:3], dry[3:]) - 1e-12


@given(amounts, shares)
def test_rain_nearby_is_at_least_as_likely_as_rain_here(
    hours: list[float], around: list[float]
) -> None:
    fields = {
        "precipitation": hours, "precipitation_neighbourhood_fraction": around,
        "precipitation_neighbourhood_maximum": hours,
    }  # fmt: skip
    here = made("precipitation_probability", fields)
    nearby = made("precipitation_nearby_probability", fields | {"precipitation_probability": here})
    assert here is not None
    assert nearby is not None
    assert (nearby.values >= here.values).all()


def test_rain_that_the_amount_has_rounded_away_is_seen_in_the_rate() -> None:
    fields = {"precipitation": [0.0] * 4, RATE: [0.0, 0.0, 0.4, 0.0]}
    field = made("precipitation_probability", fields)
    assert field is not None
    assert (field.values[[1, 2]] > 0.5).all()
    assert field.values[0] < 0.5
    assert field.origins[field.origin[0]] == "site alone"


def test_neighbours_are_direct_where_they_are_known() -> None:
    share = "precipitation_neighbourhood_fraction"
    field = made("precipitation_probability", {"precipitation": [0.0] * 3, share: [0, NAN, 0]})
    assert field is not None
    assert field.origin.tolist() == [0, 1, 0]
    assert field.values[1] > field.values[0]


def test_a_point_equals_its_cell() -> None:
    rng = np.random.default_rng(13)
    hours = rng.choice([0, 0.05, 0.4, 3.0], (6, 4)).astype(np.float32)
    around = rng.uniform(0, 1, (6, 4)).astype(np.float32)
    for function in (precipitation_probability, nearby_probability):
        grid = function(hours, around)
        for cell in range(4):
            np.testing.assert_array_equal(function(hours[:, cell], around[:, cell]), grid[:, cell])


# ---------------------------------------------------------------------- kind and class


def kind(amount: float, wet_bulb: float, *flags: float) -> float:
    freezing, pellets, snow = (np.asarray(f) for f in (flags or (NAN, NAN, NAN)))
    return float(
        precipitation_kind(np.asarray(amount), np.asarray(wet_bulb), freezing, pellets, snow)
    )


def test_kind_by_flags_and_else_by_wet_bulb() -> None:
    assert kind(0.0, 280) == Hydrometeor.NOTHING
    assert kind(1.0, 280) == Hydrometeor.RAIN
    assert kind(1.0, 273.15) == Hydrometeor.SNOW
    assert kind(1.0, 272, 1, 0, 1) == Hydrometeor.FREEZING_RAIN
    assert kind(1.0, 272, 0, 0.2, 0) == Hydrometeor.ICE_PELLETS
    assert kind(1.0, 276, 0, 0, 1) == Hydrometeor.SNOW
    assert np.isnan(kind(1.0, NAN))
    assert np.isnan(kind(NAN, 280, 1, 0, 0))


@pytest.mark.truth
@pytest.mark.parametrize(
    ("scheme", "rate", "word"),
    [
        # RAIN-01: AMS Glossary, "rain" (oldid 6456), read 2026-11.
        ("AMS", 2.5, "light"), ("AMS", 2.6, "moderate"), ("AMS", 7.6, "moderate"),
        ("AMS", 7.7, "heavy"),
        # RAIN-03: UK Met Office usage at llansadwrn-wx.co.uk/glaw/info.html, read 2026-11.
        ("UK rain", 0.4, "slight"), ("UK rain", 0.5, "moderate"), ("UK rain", 4.0, "moderate"),
        ("UK rain", 4.1, "heavy"),
        ("UK shower", 1.9, "slight"), ("UK shower", 2.0, "moderate"),
        ("UK shower", 9.9, "moderate"), ("UK shower", 10.1, "heavy"), ("UK shower", 50.0, "heavy"),
        ("UK shower", 50.1, "violent"),
        # RAIN-02: WMO-No. 8, from memory.
        ("WMO", 2.4, "slight"), ("WMO", 2.5, "moderate"), ("WMO", 9.9, "moderate"),
        ("WMO", 10.1, "heavy"), ("WMO", 49.9, "heavy"), ("WMO", 50.0, "violent"),
    ],
)  # fmt: skip
def test_rain_class_names_its_scheme(scheme: str, rate: float, word: str) -> None:
    assert rain_class(rate, scheme) == word


@pytest.mark.truth
@pytest.mark.parametrize(("six_minutes", "word"), [(0.25, "light"), (0.76, "moderate")])
def test_ams_classes_in_six_minutes(six_minutes: float, word: str) -> None:
    # RAIN-04: AMS Glossary, read 2026-11: the most of a class in mm in 6 min, a tenth of an hour.
    assert rain_class(10 * six_minutes, "AMS") == word
    assert rain_class(10 * six_minutes + 0.1, "AMS") != word


def test_a_bound_that_a_source_gives_to_both_words_has_the_heavier() -> None:
    assert rain_class(10.0, "UK shower") == rain_class(10.0, "WMO") == "heavy"


def test_what_is_no_rate_has_no_word_and_no_rain_none() -> None:
    for scheme in module.RAIN_CLASSES:
        assert rain_class(0.0, scheme) == "none"
        assert rain_class(NAN, scheme) == rain_class(-1.0, scheme) == "unknown"


def test_a_wet_hour_is_the_least_of_rain_and_a_heavy_hour_not_heavy_rain() -> None:
    """An hour of our figures as a rate: both err on the early side in every scheme."""
    for scheme, classes in module.RAIN_CLASSES.items():
        least = classes[0][0]
        assert rain_class(FIGURES.rain.wet_hour, scheme) == least
        assert rain_class(FIGURES.rain.heavy_hour, scheme) in (least, "moderate")
