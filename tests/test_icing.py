"""Truth: icing in the bands of the authorities; what could decide and is missing is told."""

from __future__ import annotations

import numpy as np
import pytest
from hours import MID, SITE, forecast_of
from hypothesis import given
from hypothesis import strategies as st

from wxgate.derive import icing as module
from wxgate.derive.figures import derivation
from wxgate.derive.moisture import wet_bulb_temperature
from wxgate.derive.recipe import Inputs
from wxgate.quantities import NO_CEILING, Kind

pytestmark = pytest.mark.truth

FIGURES = derivation()

ZERO = 273.15
DRY_DAY = {
    "air_temperature": 5.0, "dew_point_spread": 5.0, "visibility": 24000.0,
    "cloud_base_height": NO_CEILING, "precipitation": 0.0, "categorical_rain": 0.0,
    "categorical_freezing_rain": 0.0, "categorical_ice_pellets": 0.0, "categorical_snow": 0.0,
}  # fmt: skip


def flag(height: float = 60.0, **changes: float | None) -> float:
    """The icing flag of an hour with these values at both ends; temperatures in degC.

    The wet bulb follows from temperature and spread at 1000 hPa unless it is given; None takes a
    field away.
    """
    values = {k: v for k, v in (DRY_DAY | changes).items() if v is not None}
    if "wet_bulb_temperature" not in changes and "air_temperature" in values:
        t = np.asarray(values["air_temperature"] + ZERO)
        spread = values.get("dew_point_spread", np.nan)
        values["wet_bulb_temperature"] = float(wet_bulb_temperature(np.asarray(1e5), t, t - spread))
        values["wet_bulb_temperature"] -= ZERO
    for name in ("air_temperature", "wet_bulb_temperature"):
        if name in values:
            values[name] += ZERO
    forecast = forecast_of({k: [v, v] for k, v in values.items()})
    made = module.RECIPES[0].make(Inputs(forecast.time, forecast.fields, SITE, MID, height))
    assert made is not None
    assert made.kind is Kind.MAXIMUM
    return float(made.values[0])


@pytest.mark.parametrize(
    ("celsius", "ices"),
    [(3.0, 0), (1.5, 1), (0.0, 1), (-8.0, 1), (-12.0, 1), (-19.9, 1), (-20.5, 0), (-41.0, 0)],
)
def test_cloud_ices_from_zero_to_minus_twenty(celsius: float, ices: int) -> None:
    """Almost all icing lies between 0 and -20 degC, none below -40: FAA AC 00-6B par. 18.3.4.

    Below about -20 degC accretion is usually negligible: FAA AC 91-74 ch. 3 (both read 2026-11).
    The margin to +2 degC for the suction side of blades is common practice, no source.
    """
    assert flag(air_temperature=celsius, cloud_base_height=40.0, height=1.0) == ices


@pytest.mark.parametrize(("base", "ices"), [(121.0, 0), (119.0, 1), (60.0, 1), (0.0, 1)])
def test_cloud_within_sixty_metres_ices(base: float, ices: int) -> None:
    """Common practice, no source."""
    assert flag(air_temperature=-5.0, cloud_base_height=base, height=60.0) == ices


def test_the_air_at_flight_height_is_colder() -> None:
    """6.5 K/km (ICAO Doc 7488), arithmetic: 2.5 degC at the ground is 1.7 degC at 120 m."""
    assert flag(air_temperature=2.5, cloud_base_height=100.0, height=120.0) == 1
    assert flag(air_temperature=2.5, cloud_base_height=10.0, height=10.0) == 0


def test_freezing_fog() -> None:
    """An instructor's case, common practice, no source: -2.0/-2.2 degC, visibility 400 m."""
    assert flag(air_temperature=-2.0, dew_point_spread=0.2, visibility=400.0) == 1
    # Smoke or snow of the same visibility in dry air is no fog.
    assert flag(air_temperature=-2.0, dew_point_spread=4.0, visibility=400.0) == 0
    assert flag(air_temperature=4.0, dew_point_spread=0.2, visibility=400.0) == 0


def test_drizzle_in_dry_air_above_zero_ices() -> None:
    """An instructor's case, common practice, no source: 3/-6 degC with 0.2 mm/h of drizzle."""
    assert flag(air_temperature=3.0, dew_point_spread=9.0, precipitation=0.2) == 1
    assert flag(air_temperature=3.0, dew_point_spread=9.0) == 0
    assert flag(air_temperature=3.0, dew_point_spread=0.5, precipitation=0.2) == 0


def test_freezing_rain_by_temperature_and_by_flag() -> None:
    """Liquid drops in air below 0 degC are FZDZ or FZRA: FAA AIM, icing terms, read 2026-11."""
    assert flag(air_temperature=-1.0, precipitation=0.5, categorical_rain=1.0) == 1
    assert flag(air_temperature=-6.0, precipitation=0.1, categorical_rain=1.0) == 1
    assert flag(air_temperature=6.0, categorical_freezing_rain=1.0) == 1
    assert flag(air_temperature=-6.0, precipitation=0.3, categorical_ice_pellets=1.0) == 1


def test_dry_snow_is_no_icing_and_wet_snow_is() -> None:
    """Dry snow below -3 degC is a matter of water; common practice, no source."""
    assert flag(air_temperature=-8.0, precipitation=0.4, categorical_snow=1.0) == 0
    assert flag(air_temperature=-1.5, precipitation=0.4, categorical_snow=1.0) == 1


@pytest.mark.law
def test_cold_precipitation_without_a_flag_cannot_be_told() -> None:
    """Snow, or freezing drizzle?"""
    assert np.isnan(flag(air_temperature=-8.0, precipitation=0.4))
    assert np.isnan(
        flag(
            air_temperature=-8.0, precipitation=0.4, categorical_rain=None, categorical_snow=None,
            categorical_freezing_rain=None, categorical_ice_pellets=None,
        )
    )  # fmt: skip


@pytest.mark.law
@pytest.mark.parametrize("missing", ["precipitation", "cloud_base_height", "visibility"])
def test_what_could_decide_and_is_missing_is_told(missing: str) -> None:
    """At 12 degC nothing freezes, whatever is missing; at -2 degC in saturated air it decides."""
    assert flag(air_temperature=12.0, dew_point_spread=0.1, **{missing: None}) == 0
    assert np.isnan(flag(air_temperature=-2.0, dew_point_spread=0.1, **{missing: None}))


@pytest.mark.law
@pytest.mark.parametrize("wet", [{"precipitation": 0.4}, {"visibility": 400.0}])
def test_moisture_that_is_missing_is_told(wet: dict[str, float]) -> None:
    """Without the spread there is no wet bulb for rain and no humidity for fog."""
    assert np.isnan(flag(air_temperature=1.0, dew_point_spread=None, **wet))


@pytest.mark.law
def test_what_is_missing_does_not_hide_what_decides() -> None:
    assert flag(air_temperature=-2.0, precipitation=0.4, cloud_base_height=None,
                visibility=None) == 1  # fmt: skip
    assert flag(air_temperature=None, wet_bulb_temperature=np.nan,
                categorical_freezing_rain=1.0) == 1  # fmt: skip
    assert np.isnan(flag(air_temperature=np.nan, precipitation=0.4))


values = st.fixed_dictionaries(
    {
        "air_temperature": st.floats(-25, 8),
        "dew_point_spread": st.floats(0, 8),
        "visibility": st.sampled_from([300.0, 3000.0, 24000.0]),
        "cloud_base_height": st.sampled_from([50.0, 400.0, NO_CEILING]),
        "precipitation": st.sampled_from([0.0, 0.02, 0.3]),
        "categorical_snow": st.sampled_from([0.0, 1.0]),
        "categorical_rain": st.sampled_from([0.0, 1.0]),
        "categorical_freezing_rain": st.sampled_from([0.0, 0.0, 1.0]),
        "categorical_ice_pellets": st.sampled_from([0.0, 0.0, 1.0]),
    }
)
BENIGN = {
    "visibility": 24000.0, "cloud_base_height": NO_CEILING, "precipitation": 0.0,
    "categorical_rain": 0.0, "categorical_freezing_rain": 0.0, "categorical_ice_pellets": 0.0,
}  # fmt: skip


@pytest.mark.law
@given(values, st.sampled_from(sorted(BENIGN)))
def test_what_is_missing_never_looks_better_than_what_is_benign(
    hour: dict[str, float], name: str
) -> None:
    benign = flag(**(hour | {name: BENIGN[name]}))
    missing = flag(**(hour | {name: None}))
    assert np.isnan(missing) or missing >= benign
    # And where it says no, no value of what is missing would have said yes.
    if missing == 0 and not name.startswith("categorical"):
        assert flag(**hour) == 0


@pytest.mark.law
def test_a_point_equals_its_cell() -> None:
    rng = np.random.default_rng(11)
    shape = (6, 5)
    arrays = {
        "temperature": rng.uniform(255, 278, shape), "wet_bulb": rng.uniform(255, 278, shape),
        "fog": rng.choice([0, 1, np.nan], shape), "cloud": rng.choice([0, 1, np.nan], shape),
        "precipitation": rng.choice([0, 1, np.nan], shape),
        "freezing_rain": rng.choice([0, np.nan], shape),
    }  # fmt: skip
    grid = module.icing(**arrays, height=60.0, figures=FIGURES.icing)
    for at in np.ndindex(shape):
        one = module.icing(
            **{k: v[at] for k, v in arrays.items()}, height=60.0, figures=FIGURES.icing
        )
        np.testing.assert_array_equal(one, grid[at])
