"""Truth: extinction and line of sight against published formulas; visibility takes the lowest."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from hours import MID, SITE, forecast_of
from hypothesis import given
from hypothesis import strategies as st

from wxgate.derive import visibility as module
from wxgate.derive.figures import derivation
from wxgate.derive.precipitation import Hydrometeor
from wxgate.derive.recipe import Inputs
from wxgate.derive.visibility import (
    FOG,
    METEOROLOGICAL_RANGE,
    UNRESTRICTED,
    attitude_line_of_sight,
    hydrometeor_extinction,
    precipitation_extinction,
    rain_extinction,
    required_visibility,
    smoke_extinction,
    snow_extinction,
    visibility,
    visibility_from_extinction,
    visual_radius,
    visual_range,
)
from wxgate.forecast import Field
from wxgate.quantities import Kind

pytestmark = pytest.mark.truth

# The functions below, with the figures that ship.
FIGURES = derivation()
precipitation_extinction = partial(precipitation_extinction, figures=FIGURES.sight)
smoke_extinction = partial(smoke_extinction, humid=FIGURES.sight.humid)
snow_extinction = partial(snow_extinction, fall=FIGURES.sight.snow_fall)
visibility = partial(visibility, likely=FIGURES.fog.likely)

ZERO = 273.15


def a(value: float) -> np.ndarray:
    return np.asarray(value, float)


def made(fields: dict, name: str = "visibility") -> Field | None:
    forecast = forecast_of(fields)
    return module.RECIPES[0].make(Inputs(forecast.time, forecast.fields, SITE, MID, 60.0))


# ---------------------------------------------------------------------- published formulas


def test_koschmieder_at_two_percent_contrast() -> None:
    """3.912 / sigma: AMS Glossary, "meteorological range" (-ln 0.02), read 2026-11."""
    found = visibility_from_extinction(a(1.0), METEOROLOGICAL_RANGE)
    assert found == pytest.approx(-np.log(0.02) * 1000, abs=0.5)


@pytest.mark.parametrize(
    ("of", "content", "kilometres"),
    [
        ("cloud water", 0.01, 1.556), ("cloud water", 0.05, 0.3774), ("cloud water", 0.10, 0.2051),
        ("rain", 0.5, 2.937), ("rain", 1.0, 1.746), ("cloud ice", 0.05, 0.2387),
        ("snow", 0.1, 2.263), ("snow", 0.5, 0.6473),
    ],
)  # fmt: skip
def test_stoelinga_warner(of: str, content: float, kilometres: float) -> None:
    """Figures computed by us from the coefficients in NOAA-EMC/UPP, CALVIS.f (read 2026-11)."""
    extinction = hydrometeor_extinction(a(content), of)
    found = visibility_from_extinction(extinction, METEOROLOGICAL_RANGE)
    assert found / 1000 == pytest.approx(kilometres, rel=0.005)


def test_extinctions_add_up() -> None:
    """Cloud 0.01 and rain 0.1 g/m3: 1.343 km (computed by us, coefficients as above)."""
    both = hydrometeor_extinction(a(0.01), "cloud water") + hydrometeor_extinction(a(0.1), "rain")
    found = visibility_from_extinction(both, METEOROLOGICAL_RANGE)
    assert found / 1000 == pytest.approx(1.343, rel=0.005)


@pytest.mark.parametrize(
    ("rate", "low", "high"), [(1, 9.5, 13.5), (2, 5.5, 8.5), (5, 3.25, 4.35), (10, 2.05, 2.75)]
)
def test_visibility_in_rain(rate: float, low: float, high: float) -> None:
    """10-13, 6-8, 3.3-4.3 and 2.1-2.7 km for contrasts of 3.0 and 3.912.

    Computed by us from the content 0.072 R^0.88; half a printed digit is allowed.
    """
    for contrast in (3.0, METEOROLOGICAL_RANGE):
        assert low <= visibility_from_extinction(rain_extinction(a(rate)), contrast) / 1e3 <= high


@pytest.mark.parametrize(
    ("celsius", "coefficient"), [(-10, 10), (-2, 10), (-1.5, 8), (-1, 6), (1, 6)]
)
def test_snow_coefficient_by_temperature(celsius: float, coefficient: float) -> None:
    """10 dry to 6 wet between 271.15 and 272.15 K: NOAA-EMC/UPP, CALVIS_GSD.f, read 2026-11."""
    content = 0.5  # g/m3 from 1.8 mm/h falling at 1 m/s
    found = snow_extinction(a(1.8), a(celsius + ZERO))
    assert found == pytest.approx(coefficient * content, rel=1e-6)


@pytest.mark.parametrize(("celsius", "product"), [(-5, 1.1), (0, 1.8)])
def test_visibility_in_snow(celsius: float, product: float) -> None:
    """1.1 km mm/h dry and 1.8 wet over the rate: computed by us from the row above."""
    for rate in (0.4, 1.0, 3.0):
        found = visibility_from_extinction(snow_extinction(a(rate), a(celsius + ZERO)))
        assert found / 1000 * rate == pytest.approx(product, rel=0.02)


@pytest.mark.parametrize(
    ("particles", "kilometres"), [(55, 12), (100, 6.5), (150, 4.4), (250, 2.6)]
)
def test_visibility_in_dry_smoke(particles: float, kilometres: float) -> None:
    """From memory: 0.012 + 0.0045 PM2.5 in dry air, half of it in air above 80 %."""
    dry = visibility_from_extinction(smoke_extinction(a(particles), a(0.4))) / 1000
    assert dry == pytest.approx(kilometres, abs=0.5 if kilometres == 12 else 0.05)
    for humid in (0.85, np.nan):
        found = visibility_from_extinction(smoke_extinction(a(particles), a(humid))) / 1000
        assert found == pytest.approx(dry / 2)


@pytest.mark.parametrize(
    ("dimension", "metres"), [(0.36, 138), (0.44, 164), (0.6, 216), (0.9, 314), (1.2, 412)]
)
def test_attitude_line_of_sight(dimension: float, metres: float) -> None:
    """327 CD + 20 m: EASA method as published at en.droneregler.dk, read 2026-11; arithmetic."""
    assert attitude_line_of_sight(a(dimension)) == pytest.approx(metres, abs=0.5)


def test_line_of_sight_is_the_shorter_of_two() -> None:
    """By hand: in fog of 300 m aircraft are seen in time at 90 m; from 460 m on size decides."""
    assert visual_range(a(0.44), a(300.0)) == pytest.approx(90)
    assert visual_range(a(0.36), a(5000.0)) == pytest.approx(138, abs=0.5)
    assert required_visibility(a(0.36)) == pytest.approx(460, abs=5)
    assert required_visibility(a(1.2)) == pytest.approx(1400, abs=30)


def test_fog_begins_below_one_kilometre() -> None:
    """WMO and ICAO Annex 3; AMS Glossary, "fog"; UK MET.TR.205, read 2026-11."""
    assert FOG == 1000


def test_clear_air_is_fifteen_statute_miles() -> None:
    """24.135 km: NOAA-EMC/UPP, CALVIS.f, read 2026-11; 15 statute miles are 24140 m."""
    assert pytest.approx(15 * 1609.344, abs=6) == UNRESTRICTED


# ---------------------------------------------------------------------- the lowest of them


def still(**fields: list[float]) -> dict[str, list[float]]:
    """Three dry hours at 10/4 degC that the model calls clear."""
    plain = {
        "visibility_in_air": [24135.0] * 4, "precipitation": [0.0] * 4, "fog_points": [0.0] * 4,
        "air_temperature": [10 + ZERO] * 4, "dew_point_spread": [6.0] * 4,
        "wet_bulb_temperature": [7 + ZERO] * 4,
    }  # fmt: skip
    return plain | fields


def test_fog_that_the_model_sees_stays() -> None:
    """An instructor's case, common practice, no source: fog at dawn, model visibility 300 m."""
    field = made(still(visibility_in_air=[300.0, 300.0, 24135.0, 24135.0]))
    assert field is not None
    assert field.kind is Kind.MINIMUM
    # The hour in which it lifts is still that of its worse end; beyond the last row nothing is.
    np.testing.assert_allclose(field.values[:3], [300, 300, 24135])
    assert np.isnan(field.values[3])


@pytest.mark.law
def test_fog_points_count_only_without_the_models_visibility() -> None:
    seen = made(still(fog_points=[6.0] * 4))
    unseen = made(still(visibility_in_air=[np.nan] * 4, fog_points=[6.0, 6.0, 2.0, 2.0]))
    assert seen is not None
    assert unseen is not None
    assert seen.values[0] == 24135
    np.testing.assert_allclose(unseen.values[:3], [FOG, FOG, UNRESTRICTED])
    assert unseen.origins[unseen.origin[0]] == "estimated from rain, fog and smoke"
    assert seen.origins[seen.origin[0]] == "direct"


@pytest.mark.law
@pytest.mark.parametrize("name", ["precipitation", "fog_points"])
def test_without_the_models_visibility_all_the_rest_is_needed(name: str) -> None:
    fields = still(visibility_in_air=[np.nan] * 4) | {name: [0.0, np.nan, 0.0, 0.0]}
    field = made(fields)
    assert field is not None
    assert np.isnan(field.values[1])
    assert field.values[2] == UNRESTRICTED
    del fields[name]
    without = made(fields)
    assert without is None or np.isnan(without.values).all()


def test_snow_shower() -> None:
    """An instructor's case, common practice, no source: -1.5 degC, 0.4 mm/h give about 2.7 km."""
    field = made(still(precipitation=[0.0, 0.4, 0.0, 0.0], air_temperature=[-2.0 + ZERO] * 4,
                       wet_bulb_temperature=[-2.5 + ZERO] * 4))  # fmt: skip
    assert field is not None
    assert field.values[1] == pytest.approx(2700, rel=0.02)
    # The hours beside the shower are not in it.
    np.testing.assert_allclose(field.values[[0, 2]], 24135)


def test_smoke() -> None:
    """An instructor's case, common practice, no source: PM2.5 of 120 gives about 5.5 km."""
    field = made(still(pm2p5=[120.0] * 4, air_temperature=[29 + ZERO] * 4))
    assert field is not None
    assert field.values[0] == pytest.approx(5500, rel=0.02)


@pytest.mark.law
def test_precipitation_that_cannot_be_told_is_snow_unless_it_is_warm() -> None:
    unknown, dry = a(np.nan), rain_extinction(a(1.0))
    assert precipitation_extinction(a(1.0), a(5 + ZERO), unknown) == dry
    for temperature in (3 + ZERO, np.nan):
        assert precipitation_extinction(a(1.0), a(temperature), unknown) > dry
    for kind in (Hydrometeor.RAIN, Hydrometeor.FREEZING_RAIN, Hydrometeor.ICE_PELLETS):
        assert precipitation_extinction(a(1.0), a(-1 + ZERO), a(kind)) == dry


mechanisms = st.fixed_dictionaries(
    {
        "visibility_in_air": st.floats(50, 50000),
        "precipitation": st.floats(0, 20),
        "fog_points": st.integers(0, 8).map(float),
        "pm2p5": st.floats(0, 500),
        "air_temperature": st.floats(250, 300),
        "dew_point_spread": st.floats(0, 10),
        "wet_bulb_temperature": st.floats(250, 300),
    }
)
BENIGN = {"visibility_in_air": 90000.0, "precipitation": 0.0, "fog_points": 0.0, "pm2p5": 0.0}


@pytest.mark.law
@given(mechanisms, st.sampled_from(sorted(BENIGN)))
def test_what_is_missing_never_looks_better_than_what_is_benign(
    values: dict[str, float], name: str
) -> None:
    benign = made({k: [v] * 2 for k, v in (values | {name: BENIGN[name]}).items()})
    missing = made({k: [v] * 2 for k, v in (values | {name: np.nan}).items()})
    assert benign is not None
    assert missing is not None
    assert np.isnan(missing.values[0]) or missing.values[0] <= benign.values[0] * (1 + 1e-6)


@pytest.mark.law
@given(mechanisms, st.sampled_from(["precipitation", "fog_points", "pm2p5"]), st.floats(0, 8),
       st.booleans())  # fmt: skip
def test_more_of_it_never_clears_the_air(
    values: dict[str, float], name: str, more: float, has_model: bool
) -> None:
    if not has_model:
        values = values | {"visibility_in_air": np.nan}
    less = made({k: [v] * 2 for k, v in values.items()})
    worse = made({k: [v] * 2 for k, v in (values | {name: values[name] + more}).items()})
    assert less is not None
    assert worse is not None
    assert worse.values[0] <= less.values[0] * (1 + 1e-6)


@pytest.mark.law
def test_a_point_equals_its_cell() -> None:
    rng = np.random.default_rng(7)
    shape = (5, 6)
    arrays = (rng.uniform(50, 5e4, shape), rng.uniform(0, 3, shape), rng.uniform(0, 1, shape),
              rng.integers(0, 8, shape).astype(float))  # fmt: skip
    grid = visibility(*arrays)
    for at in np.ndindex(shape):
        assert visibility(*(v[at] for v in arrays)) == grid[at]
    assert np.isnan(visibility(a(np.nan), a(np.nan), a(0.1), a(0.0)))


def test_line_of_sight_at_flight_height() -> None:
    # By hand: 3-4-5; an aircraft 0.36 m across is seen to 138 m, at 60 m height to 124 m around.
    assert visual_radius(np.array(100.0), 60.0) == pytest.approx(80)
    assert visual_radius(visual_range(np.array(0.36), np.array(2e4)), 60.0) == pytest.approx(
        124, abs=0.5
    )
    assert visual_radius(np.array(90.0), 120.0) == 0
    # The EASA figures the other way round: at 200 m overhead 0.3 V must be 200 m.
    assert required_visibility(np.array(0.36), 200.0) == pytest.approx(200 / 0.3)
    assert required_visibility(np.array(0.36), 60.0) == required_visibility(np.array(0.36))


@pytest.mark.law
@given(st.floats(0, 1e4), st.floats(1, 500))
def test_an_aircraft_is_never_seen_farther_out_than_away(sight: float, height: float) -> None:
    out = visual_radius(np.array(sight), height)
    assert out <= sight
    assert (out == 0) == (sight <= height) or out < 1e-3
