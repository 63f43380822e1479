"""Law: thunder needs instability and a trigger; what is missing never lowers its chance."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from hours import MID, SITE, forecast_of
from hypothesis import given
from hypothesis import strategies as st

from wxgate.derive import thunder
from wxgate.derive.figures import derivation
from wxgate.derive.recipe import Inputs
from wxgate.derive.thunder import chance_with_trigger, k_index, thunder_probability
from wxgate.forecast import Field

pytestmark = pytest.mark.law

# The functions below, with the figures that ship.
FIGURES = derivation()
chance_with_trigger = partial(chance_with_trigger, figures=FIGURES.thunder)
thunder_probability = partial(thunder_probability, figures=FIGURES.thunder)

CAPE = "convective_available_potential_energy"
CONVECTIVE = "lwe_thickness_of_convective_precipitation_amount"
AROUND = "precipitation_neighbourhood_maximum"


def made(**fields: list[float]) -> Field:
    plain = {
        "precipitation": [0.0] * 4, CONVECTIVE: [0.0] * 4, AROUND: [0.0] * 4, CAPE: [0.0] * 4,
    }  # fmt: skip
    given_fields = {k: v for k, v in (plain | fields).items() if v is not None}
    forecast = forecast_of(given_fields)
    field = thunder.RECIPES[0].make(Inputs(forecast.time, forecast.fields, SITE, MID, 60.0))
    assert field is not None
    return field


@pytest.mark.parametrize(
    ("cape", "chance"),
    [(0, 0.02), (49, 0.02), (50, 0.1), (150, 0.25), (400, 0.4), (799, 0.4), (800, 0.5),
     (3000, 0.5), (np.nan, 0.5)],
)  # fmt: skip
def test_chance_saturates_near_800(cape: float, chance: float) -> None:
    """Lightning saturates near 800 J/kg (Westermayer et al.); the steps are common practice."""
    assert chance_with_trigger(np.asarray(cape)) == chance


def test_thunder_afternoon() -> None:
    """An instructor's case, common practice, no source: CAPE 1500, chance nearby 0.45.

    Go below 0.05 and no-go from 0.2 on are the usual limits.
    """
    found = thunder_probability(np.asarray(0.45), np.asarray(1500.0), np.asarray(np.nan))
    assert found == pytest.approx(0.225)
    storm = made(**{CAPE: [1500.0] * 4, CONVECTIVE: [0.0, 2.0, 2.0, 0.0], AROUND: [0.0, 9, 9, 0]})
    assert (storm.values[1:3] >= 0.2).all()


def test_instability_without_rain_and_rain_without_instability() -> None:
    assert made(**{CAPE: [2500.0] * 4}).values[1] < 0.05
    layered = {"precipitation": [2.0] * 4, AROUND: [3.0] * 4, CAPE: [20.0] * 4}
    assert made(**layered).values[1] < 0.05


def test_model_lightning_is_at_least_one_half() -> None:
    assert made(lightning=[0.0, 1.0, 0.0, 0.0]).values.tolist()[1] == 0.5
    assert made(lightning=[0.0, 1.0, 0.0, 0.0], **{CAPE: [np.nan] * 4}).values[1] >= 0.5
    missing = {"precipitation": [np.nan] * 4, CONVECTIVE: None}
    found = made(lightning=[0.0, 1.0, 0.0, 0.0], **missing).values
    assert found[1] == 0.5
    assert np.isnan(found[0])


def test_substitutes_are_named() -> None:
    total = made(**{CONVECTIVE: None})
    assert total.origins[total.origin[0]] == "total for convective precipitation"
    both = made(**{CONVECTIVE: None, CAPE: None})
    assert both.origins[both.origin[0]] == "CAPE missing, total for convective precipitation"
    assert made().origins[made().origin[0]] == "direct"


def test_cape_counts_at_both_ends_of_the_hour() -> None:
    field = made(**{CAPE: [0.0, 1500.0, 0.0, 0.0], CONVECTIVE: [1.0] * 4, AROUND: [1.0] * 4})
    assert field.values[0] == field.values[1] > field.values[2]


def test_a_cape_that_is_missing_at_either_end_is_told() -> None:
    field = made(**{CAPE: [0.0, 0.0, np.nan, 0.0]})
    told = [field.origins[code] for code in field.origin[:3]]
    assert told == ["direct", "CAPE missing", "CAPE missing"]


hour = st.fixed_dictionaries(
    {
        "precipitation": st.floats(0, 5),
        CONVECTIVE: st.floats(0, 5),
        AROUND: st.floats(0, 5),
        CAPE: st.floats(0, 3000),
    }
)


@given(hour, st.sampled_from([CONVECTIVE, AROUND, CAPE]))
def test_what_is_missing_never_looks_better_than_what_is_benign(
    values: dict[str, float], name: str
) -> None:
    benign = made(**{k: [v] * 4 for k, v in (values | {name: 0.0}).items()})
    missing = made(**{k: [v] * 4 for k, v in (values | {name: np.nan}).items()})
    assert missing.values[1] >= benign.values[1]


@given(hour, st.sampled_from([CONVECTIVE, AROUND, CAPE]), st.floats(0, 2000))
def test_more_never_lowers_the_chance(values: dict[str, float], name: str, more: float) -> None:
    less = made(**{k: [v] * 4 for k, v in values.items()})
    step = more if name == CAPE else more / 1000
    worse = made(**{k: [v] * 4 for k, v in (values | {name: values[name] + step}).items()})
    assert worse.values[1] >= less.values[1]
    assert 0 < worse.values[1] < 1


def test_k_index() -> None:
    """T 16, 6, -10 degC and Td 12, 0 degC give 32 (George 1960, from memory)."""
    t = [np.asarray(c + 273.15) for c in (16, 6, -10, 12, 0)]
    assert k_index(*t) == pytest.approx(32)


def test_k_index_agrees_with_metpy() -> None:
    """MetPy 1.7.1 on the same three levels."""
    import metpy.calc as mpcalc
    from metpy.units import units

    pressure = np.array([850, 700, 500]) * units.hPa
    t, td = np.array([18.0, 7.5, -12.0]), np.array([13.0, 1.0, -30.0])
    theirs = mpcalc.k_index(pressure, t * units.degC, td * units.degC).m_as("degC")
    kelvin = [np.asarray(c + 273.15) for c in (*t, *td[:2])]
    assert k_index(*kelvin) == pytest.approx(float(theirs), abs=1e-6)
