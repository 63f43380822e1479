"""Truth: standard atmosphere, air density, density altitude and hover power.

Doc 7488 is the ICAO Manual of the standard atmosphere; PHAK is the FAA's Pilot's Handbook of
Aeronautical Knowledge (FAA-H-8083-25).
"""

from __future__ import annotations

import numpy as np
import pytest

from wxgate.derive import air
from wxgate.derive.recipe import Inputs
from wxgate.forecast import make_field
from wxgate.profiles import Aircraft, Site
from wxgate.quantities import Kind

pytestmark = pytest.mark.truth

FOOT = 0.3048


def geopotential(metres: float) -> float:
    """Geopotential height of a geometric height; Doc 7488 eq. 8, earth radius 6356766 m."""
    return 6356766 * metres / (6356766 + metres)


# Geometric height, temperature, pressure, density. Doc 7488/3 table 1, transcribed in ambiance
# tests/table_data.py (read 2026-11).
DOC_7488 = [
    (0, 288.150, 101325.0, 1.22500),
    (1000, 281.651, 89876.3, 1.11166),
    (2000, 275.154, 79501.4, 1.00655),
]


@pytest.mark.parametrize(("metres", "temperature", "pressure", "density"), DOC_7488)
def test_standard_atmosphere(metres, temperature, pressure, density):
    height = geopotential(metres)
    assert air.standard_temperature(height) == pytest.approx(temperature, abs=6e-4)
    assert air.standard_pressure(height) == pytest.approx(pressure, rel=1e-5)
    assert air.standard_density(height) == pytest.approx(density, rel=1e-5)
    assert air.density_altitude(np.float64(density)) == pytest.approx(height, abs=0.1)


def test_us_standard_atmosphere():
    # US Standard Atmosphere 1976 at 4000 m geometric, in fluids tests/test_atmosphere.py, read
    # 2026-11.
    height = geopotential(4000)
    assert air.standard_temperature(height) == pytest.approx(262.17, abs=0.005)
    assert air.standard_pressure(height) == pytest.approx(61660, rel=5e-5)
    assert air.standard_density(height) == pytest.approx(0.81935, rel=5e-5)


def test_standard_atmosphere_against_two_libraries():
    import ambiance
    from fluids import atmosphere

    for metres in (-400.0, 0.0, 340.0, 1800.0, 4500.0, 9000.0):
        theirs, other = ambiance.Atmosphere(metres), atmosphere.ATMOSPHERE_1976(metres)
        height = geopotential(metres)
        assert air.standard_temperature(height) == pytest.approx(theirs.temperature[0], rel=1e-6)
        assert air.standard_pressure(height) == pytest.approx(theirs.pressure[0], rel=1e-5)
        assert air.standard_density(height) == pytest.approx(theirs.density[0], rel=1e-5)
        assert air.standard_density(height) == pytest.approx(other.rho, rel=2e-5)


def test_dry_density():
    # windpowerlib tests/test_density.py (read 2026-11): 267 K at 100 m, 101125 Pa at the ground:
    # 1.30309; its rule is 1 hPa less for every 8 m, and its gas constant 287.058.
    pressure = np.float64(101125 - 100 / 8 * 100)
    bone_dry = air.air_density(pressure, np.float64(267.0), np.float64(120.0))
    assert bone_dry == pytest.approx(1.30309, abs=4e-5)  # 287.05287 against 287.058


def test_moist_density_against_metpy():
    # MetPy 1.7 density, with its own mixing ratio (Ambaum 2020 vapour pressure, ours Bolton 1980:
    # up to 0.4 % of the vapour pressure apart, 0.02 % of the density).
    from metpy import calc
    from metpy.units import units

    pressure = np.array([101325.0, 81500.0, 90000.0, 70000.0, 103000.0, 100000.0])
    temperature = np.array([288.15, 308.15, 303.15, 278.15, 253.15, 313.15])
    dew_point = np.array([283.15, 278.15, 293.15, 270.15, 249.15, 303.15])
    p, t, d = pressure * units.Pa, temperature * units.K, dew_point * units.K
    humidity = calc.specific_humidity_from_dewpoint(p, d)
    theirs = calc.density(p, t, calc.mixing_ratio_from_specific_humidity(humidity))
    ours = air.air_density(pressure, temperature, dew_point)
    np.testing.assert_allclose(ours, theirs.to("kg/m^3").magnitude, rtol=2.5e-4)


def test_vapour_pressure_beside_another_formula():
    # Over water, WMO-No. 8 annex 4.B: 6.112 exp(17.62 t / (243.12 + t)) hPa (coefficients as public
    # codes have them, read 2026-11; the figures computed by us). The two lie up to 0.3 % apart.
    table = {0: 611.2, 10: 1226.0, 20: 2332.6, 30: 4233.7}
    for celsius, pascal in table.items():
        assert air.vapour_pressure(np.float64(celsius + 273.15)) == pytest.approx(pascal, rel=3e-3)


def test_density_altitude_of_the_handbook():
    # PHAK, density altitude chart, sample problem 1: 5883 ft, 70 F, 30.10 inHg: pressure altitude
    # 5718 ft, density altitude about 7700 ft, to 100 ft as a chart is read; copy at
    # flightlearnings.com, read 2026-11.
    pressure = air.standard_pressure(np.float64(5718 * FOOT))
    density = air.air_density(pressure, np.float64(294.261), np.float64(120.0))
    feet = air.density_altitude(density) / FOOT
    assert feet == pytest.approx(7700, abs=100)
    # By the NWS (ASOS) equation 7726 ft; constants from memory.
    asos = 145442.16 * (1 - (17.326 * pressure / 3386.389 / (459.67 + 70)) ** 0.235)
    assert feet == pytest.approx(asos, abs=30)


@pytest.mark.parametrize(
    ("field_ft", "pressure_altitude_ft", "celsius", "rule_ft", "exact_ft"),
    # Worked examples of the rule "120 ft for each kelvin above standard": millionaire-lane.com and
    # ressources.profmarine.fr; read 2026-11. The exact figures are computed by us.
    [(5000, 5470, 35, 9070, 8895), (50, 520, 35, 2932, 2907)],
)
def test_density_altitude_beside_the_rule(
    field_ft, pressure_altitude_ft, celsius, rule_ft, exact_ft
):
    rule = pressure_altitude_ft + 120 * (celsius - (15 - 2 * field_ft / 1000))
    assert rule == pytest.approx(rule_ft, abs=1)
    pressure = air.standard_pressure(np.float64(pressure_altitude_ft * FOOT))
    density = air.air_density(pressure, np.float64(celsius + 273.15), np.float64(120.0))
    exact = air.density_altitude(density) / FOOT
    assert exact == pytest.approx(exact_ft, abs=0.5)
    assert 0 < rule - exact < 180  # the rule always stands a little above


def test_hot_and_high():
    # Computed by us: 815 hPa, 35 degC, dew point 5 degC.
    density = air.air_density(np.float64(81500), np.float64(308.15), np.float64(278.15))
    assert density == pytest.approx(0.918, abs=5e-4)
    assert air.density_altitude(density) == pytest.approx(2909, abs=0.5)
    assert air.hover_power_factor(density) == pytest.approx(1.155, abs=6e-4)


def test_hover_power_by_momentum_theory():
    # Ideal induced power W ** 1.5 / sqrt(2 rho A) (Leishman, from memory): 43.9 W for 1 kg on 0.2
    # m2 at sea level; at 1000, 2000 and 3000 m 1.050, 1.103 and 1.161 times as much.
    def watts(density: float) -> float:
        return 9.80665**1.5 / np.sqrt(2 * density * 0.2)

    assert watts(1.225) == pytest.approx(43.9, abs=0.05)
    for metres, factor in [(0, 1.0), (1000, 1.050), (2000, 1.103), (3000, 1.161)]:
        density = air.standard_density(np.float64(metres))
        assert air.hover_power_factor(density) == pytest.approx(factor, abs=5e-4)
        assert air.hover_power_factor(density) == pytest.approx(watts(density) / watts(1.225))


def test_pressure_between_terrain_and_site():
    # Doc 7488 table 1: from 1000 m to 1500 m the standard pressure falls from 898.76 to 845.60 hPa
    # (the latter from memory of the same table).
    middle = air.standard_temperature(np.float64(1250))
    found = air.pressure_at_altitude(np.float64(89876.3), middle, np.float64(500))
    assert found == pytest.approx(84560, rel=2e-4)


AIRCRAFT = Aircraft("mid-900g", "Invented", 0.9, 12, 0.44, 263.15, 313.15, 13)


def inputs(altitude: float | None = None, **values: object) -> Inputs:
    """Two hours at an invented field."""
    fields = {
        name: make_field(name, np.array(v), kind=Kind.CONSTANT if np.ndim(v) == 0 else None)
        for name, v in values.items()
    }
    site = Site("field", "Invented field", 45.0, -93.0, "UTC", altitude=altitude)
    time = np.datetime64("2026-07-01T12", "s") + np.arange(2) * np.timedelta64(3600, "s")
    return Inputs(time, fields, site, AIRCRAFT, 60.0)


def make(name: str, given: Inputs):
    """Run one recipe of this module."""
    return next(r for r in air.RECIPES if r.name == name).make(given)


@pytest.mark.law
def test_missing_pressure_is_replaced_and_named():
    nan = np.nan
    field = make("air_density", inputs(
        1000.0, air_temperature=[281.65, 281.65], dew_point_spread=[nan, 11.65],
        surface_air_pressure=[nan, 90000.0],
    ))  # fmt: skip
    assert [field.origins[i] for i in field.origin] == [
        "pressure of the standard atmosphere, saturated air",
        "direct",
    ]
    standard = air.standard_pressure(np.float64(1000.0))
    expected = air.air_density(standard, np.float64(281.65), np.float64(281.65))
    assert field.values[0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.law
def test_missing_dew_point_takes_the_lighter_air():
    bare = make("air_density", inputs(
        air_temperature=[303.15, 303.15], surface_air_pressure=[1e5, 1e5]))  # fmt: skip
    told = make("air_density", inputs(
        air_temperature=[303.15, 303.15], surface_air_pressure=[1e5, 1e5],
        dew_point_spread=[23.0, 3.0]))  # fmt: skip
    assert (bare.values < told.values).all()
    assert bare.origins[bare.origin[0]] == "saturated air"


@pytest.mark.law
def test_nothing_to_replace_the_pressure_gives_missing():
    field = make("air_density", inputs(air_temperature=[281.65, 281.65]))
    assert np.isnan(field.values).all()


def test_pressure_moves_from_model_terrain_to_the_site():
    values = {"air_temperature": [281.0, 281.0], "dew_point_spread": [70.0, 70.0]}
    low = inputs(1500.0, surface_air_pressure=[9e4, 9e4], surface_altitude=1000.0, **values)
    unknown = inputs(None, surface_air_pressure=[9e4, 9e4], surface_altitude=1000.0, **values)
    ratio = make("air_density", low).values / make("air_density", unknown).values
    # By hand: exp(-500 / 8225), the scale height R T / g being 287.05 x 281 / 9.80665 = 8225 m.
    np.testing.assert_allclose(ratio, np.exp(-500 / 8225), rtol=1e-4)


@pytest.mark.parametrize(("metres", "density"), [(500, 1.16727), (1500, 1.05807), (3000, 0.90912)])
def test_standard_density_of_round_heights(metres, density):
    # Computed by us from the formulas of Doc 7488, which the tables above anchor; geopotential m.
    assert air.standard_density(np.float64(metres)) == pytest.approx(density, abs=5e-6)


def test_density_altitude_of_the_handbook_exactly():
    # PHAK sample problem: pressure altitude 5718 ft, 70 degF; dry air; computed by us: 7709 ft.
    pressure = air.standard_pressure(np.float64(5718 * FOOT))
    dry = air.air_density(pressure, np.float64(273.15 + 21.11), np.float64(150.0))
    assert air.density_altitude(dry) / FOOT == pytest.approx(7709, abs=0.5)
