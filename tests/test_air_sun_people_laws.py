"""Law: what must hold for every input of air, energy, people, geomagnetic and sun.

NaN in gives NaN out, a cell of a grid equals the same point bit for bit, worse never looks better.
"""

from __future__ import annotations

from functools import partial
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from wxgate.derive import air, daylight, energy, geomagnetic, people, sun
from wxgate.derive.figures import derivation
from wxgate.derive.recipe import Inputs
from wxgate.forecast import make_field
from wxgate.profiles import Aircraft, Site
from wxgate.quantities import QUANTITIES

pytestmark = pytest.mark.law

FIGURES = derivation()

START = np.datetime64("2026-01-01T00:00:00", "s")
SECOND = np.timedelta64(1, "s")
HOUR = 3600 * SECOND

battery_factor = partial(energy.battery_factor, figures=FIGURES.power)
wind_power_factor = partial(energy.wind_power_factor, figures=FIGURES.power)

# Function and a plausible range for each argument.
FUNCTIONS = [
    (air.standard_temperature, [(-400, 9000)]),
    (air.standard_pressure, [(-400, 9000)]),
    (air.standard_density, [(-400, 9000)]),
    (air.density_altitude, [(0.4, 1.6)]),
    (air.vapour_pressure, [(200, 320)]),
    (air.air_density, [(40000, 110000), (220, 330), (200, 320)]),
    (air.pressure_at_altitude, [(40000, 110000), (220, 330), (-800, 800)]),
    (air.hover_power_factor, [(0.4, 1.6)]),
    (battery_factor, [(220, 330)]),
    (wind_power_factor, [(0, 30), (0, 15)]),
    (energy.return_ground_speed, [(12, 25), (0, 11), (0, 360)]),
    (energy.out_and_back_reach, [(60, 2000), (5, 25), (0, 30)]),
    (energy.airspeed_margin, [(5, 25), (0, 30)]),
    (energy.drift_distance, [(1, 120), (0.5, 6), (0, 30)]),
    (people.apparent_temperature, [(220, 330), (0, 1), (0, 30)]),
    (people.heat_index, [(300, 330), (0.01, 1)]),
    (people.wind_chill, [(220, 283), (1.5, 30)]),
    (geomagnetic.geomagnetic_latitude, [(-90, 90), (-180, 360)]),
    (geomagnetic.g_class, [(0, 9)]),
    (sun.glare_angle, [(-90, 90), (0, 360), (-90, 90), (0, 360)]),
]
NAMES = [getattr(function, "func", function).__name__ for function, _ in FUNCTIONS]


def grids(ranges, shape=(5, 13), seed=5):
    rng = np.random.default_rng(seed)
    return [rng.uniform(low, high, shape).astype(np.float32) for low, high in ranges]


@pytest.mark.parametrize(("function", "ranges"), FUNCTIONS, ids=NAMES)
def test_a_point_is_the_cell_of_a_grid(function, ranges):
    arguments = grids(ranges)
    whole = function(*arguments)
    assert whole.shape == (5, 13)
    assert np.isfinite(whole).all()
    for cell in np.ndindex(5, 13):
        alone = function(*(a[cell][None] for a in arguments))
        assert alone.astype(np.float32)[0] == whole.astype(np.float32)[cell]
    turned = function(*(a[:, ::-1] for a in arguments))
    np.testing.assert_array_equal(turned.astype(np.float32)[:, ::-1], whole.astype(np.float32))


@pytest.mark.parametrize(("function", "ranges"), FUNCTIONS, ids=NAMES)
def test_missing_in_gives_missing_out(function, ranges):
    for hole in range(len(ranges)):
        arguments = grids(ranges)
        arguments[hole][2, 3] = np.nan
        found = function(*arguments)
        assert np.isnan(found[2, 3])
        assert np.isnan(found).sum() == 1


temperatures = st.floats(230, 320)
pressures = st.floats(50000, 108000)
winds = st.floats(0, 40)


@given(pressures, temperatures, temperatures, st.floats(0.01, 20))
def test_density_falls_with_heat_moisture_and_height(pressure, temperature, dew_point, more):
    p, t, d, dp = np.array([pressure]), np.array([temperature]), np.array([dew_point]), more * 100
    here = air.air_density(p, t, d)
    assert air.air_density(p, t + more, np.minimum(d, t)) < air.air_density(p, t, np.minimum(d, t))
    assert air.air_density(p, t, d + more) <= here
    assert air.air_density(p - dp, t, d) < here
    assert air.pressure_at_altitude(p, t, more) < p
    # Thinner air never looks better.
    thin = air.air_density(p - dp, t, d)
    assert air.density_altitude(thin) > air.density_altitude(here)
    assert air.hover_power_factor(thin) > air.hover_power_factor(here)


@given(st.floats(-4000, 10900))
def test_density_altitude_inverts_the_standard_atmosphere(height):
    metres = np.array([height])
    np.testing.assert_allclose(
        air.density_altitude(air.standard_density(metres)), metres, atol=1e-6
    )
    # Ideal gas: the three functions of the standard atmosphere are one atmosphere.
    gas = air.standard_pressure(metres) / (air.DRY_AIR * air.standard_temperature(metres))
    np.testing.assert_allclose(air.standard_density(metres), gas, rtol=1e-6)


@given(temperatures, st.floats(0, 40))
def test_battery_never_gains_from_cold(temperature, colder):
    warm, cold = energy.battery_factor(
        np.array([temperature, temperature - colder]), figures=FIGURES.power
    )
    assert 0 < cold <= warm <= 1


@given(st.floats(3, 25), winds, st.floats(0, 10), st.floats(0, 360))
def test_more_wind_never_helps_the_way_home(airspeed, wind, more, angle):
    speeds = np.array([wind, wind + more])
    calm, windy = energy.return_ground_speed(airspeed, speeds)
    assert np.isnan(windy) or windy <= calm
    assert np.isnan(calm) == (not airspeed > wind)
    near, far = energy.out_and_back_reach(600.0, airspeed, speeds)
    assert far <= near
    first, second = energy.airspeed_margin(airspeed, speeds)
    assert second <= first
    # Whatever the direction, the headwind is the worst.
    aside = energy.return_ground_speed(airspeed, np.array([wind]), angle)
    assert np.isnan(aside[0]) or aside[0] >= calm - 1e-9
    power = energy.wind_power_factor(speeds, np.array([3.0, 3.0]), figures=FIGURES.power)
    assert 1 <= power[0] <= power[1]


@given(st.floats(220, 283.15), st.floats(1.35, 40), st.floats(0, 20))
def test_more_wind_never_feels_warmer(temperature, wind, more):
    air_temperature = np.array([temperature])
    light = people.wind_chill(air_temperature, np.array([wind]))
    strong = people.wind_chill(air_temperature, np.array([wind + more]))
    assert strong <= light + 1e-9
    assert light <= air_temperature


@given(st.floats(180, 340), winds, st.floats(0, 1))
def test_outside_its_domain_an_index_is_the_temperature(temperature, wind, humidity):
    t, v, r = np.array([temperature]), np.array([wind]), np.array([humidity])
    if not (temperature <= 283.15 and wind > 3 * 0.44704):
        assert people.wind_chill(t, v) == t
    if temperature < 299.8:
        assert people.heat_index(t, r) == t


@given(st.floats(303, 318), st.floats(0.15, 0.8), st.floats(0.0, 0.04))
def test_more_humidity_never_feels_cooler(temperature, humidity, more):
    t = np.array([temperature])
    dry, humid = (people.heat_index(t, np.array([r])) for r in (humidity, humidity + more))
    assert humid >= dry - 1e-9


@given(st.floats(0, 9), st.floats(0, 9))
def test_g_class_rises_with_kp(one, two):
    low, high = geomagnetic.g_class(np.array(sorted((one, two))))
    assert 0 <= low <= high <= 5


instants = st.integers(0, 5 * 366 * 86400).map(lambda s: START + s * SECOND)
latitudes, longitudes = st.floats(-90, 90), st.floats(-180, 180)


@given(instants, latitudes, longitudes)
def test_sun_is_one_sun(time, latitude, longitude):
    elevation, azimuth = sun.solar_position(time, latitude, longitude)
    assert -90 <= elevation <= 90
    assert 0 <= azimuth <= 360
    again, _ = sun.solar_position(time, latitude, longitude + 360)
    assert again == pytest.approx(elevation, abs=1e-6)
    # The antipode sees it as far below as we see it above.
    below, _ = sun.solar_position(time, -latitude, longitude + 180)
    assert below == pytest.approx(-elevation, abs=1e-6)
    # A zone does not come into it: solar time goes with longitude.
    later, _ = sun.solar_position(time + HOUR, latitude, longitude - 15)
    assert later == pytest.approx(elevation, abs=0.03)


@given(instants, latitudes, longitudes)
def test_the_hour_is_as_dark_as_its_darkest_end(time, latitude, longitude):
    ends = np.array([time, time + HOUR])
    for moment, hour in [
        (sun.civil_twilight, sun.darkest_civil_twilight),
        (sun.fixed_twilight, sun.darkest_fixed_twilight),
    ]:
        assert hour(time, latitude, longitude) >= moment(ends, latitude, longitude).max()
    civil, fixed = (f(ends, latitude, longitude) for f in (sun.civil_twilight, sun.fixed_twilight))
    np.testing.assert_array_equal(civil == sun.DAY, fixed == sun.DAY)


def length(intervals) -> float:
    return float(sum((end - start) / SECOND for start, end in intervals))


@given(instants, st.integers(1, 30), st.floats(-89, 89), longitudes)
def test_intervals_of_light_nest_and_add_up(start, hours, latitude, longitude):
    place = (latitude, longitude)
    middle, end = start + hours * HOUR, start + 2 * hours * HOUR
    day = daylight.daylight(start, end, *place)
    for light in (daylight.civil_light, daylight.fixed_light):
        wide = light(start, end, *place)
        for rise, fall in day:
            assert any(a <= rise and fall <= b for a, b in wide)
        assert all(start <= a < b <= end for a, b in wide)
        assert all(b < c for (_, b), (c, _) in pairwise(wide))
    assert length(daylight.civil_light(start, end, *place)) >= length(day)
    halves = daylight.daylight(start, middle, *place) + daylight.daylight(middle, end, *place)
    # A cut moves the five-minute steps; only a grazing sun shorter than a step can go unseen.
    assume(all((b - a) > 600 * SECOND for a, b in halves + day))
    assert abs(length(day) - length(halves)) <= 600


@given(instants, st.floats(-65, 65), longitudes)
def test_classes_follow_the_intervals(start, latitude, longitude):
    place, end = (latitude, longitude), start + 24 * HOUR
    moments = start + np.arange(0, 24 * 60, 7) * 60 * SECOND
    for light, classes in [
        (daylight.civil_light, sun.civil_twilight),
        (daylight.fixed_light, sun.fixed_twilight),
    ]:
        intervals = light(start, end, *place)
        edges = [edge for pair in intervals for edge in pair]
        found = classes(moments, *place)
        for moment, darkness in zip(moments, found, strict=True):
            # Both routines differ by 0.015 degree: seconds, minutes where the sun grazes.
            if all(abs(moment - edge) > 300 * SECOND for edge in edges):
                lit = any(a <= moment < b for a, b in intervals)
                assert lit == (darkness < sun.NIGHT)


def test_missing_time_or_place_gives_missing_sun():
    nat, nan = np.datetime64("NaT"), float("nan")
    for function in (
        sun.civil_twilight, sun.fixed_twilight, sun.darkest_civil_twilight,
        sun.darkest_fixed_twilight, lambda *a: sun.solar_position(*a)[0],
        lambda *a: sun.solar_position(*a)[1],
    ):  # fmt: skip
        assert np.isnan(function(nat, 50.0, 10.0))
        assert np.isnan(function(START, nan, 10.0))
        assert np.isnan(function(START, 50.0, nan))


def test_sun_over_a_grid_is_the_sun_over_its_points():
    time = START + np.arange(0, 48 * 3600, 3600) * SECOND
    latitude, longitude = np.linspace(-80, 80, 9)[:, None], np.linspace(-180, 179, 7)
    for function in (sun.civil_twilight, sun.darkest_civil_twilight, sun.fixed_twilight,
                     sun.darkest_fixed_twilight, lambda *a: sun.solar_position(*a)[0]):  # fmt: skip
        whole = np.asarray(function(time[:, None, None], latitude, longitude), np.float32)
        assert whole.shape == (48, 9, 7)
        for j, i in np.ndindex(9, 7):
            alone = np.asarray(function(time, latitude[j, 0], longitude[i]), np.float32)
            np.testing.assert_array_equal(alone, whole[:, j, i])


RECIPES = [r for m in (air, energy, people, geomagnetic, sun) for r in m.RECIPES]


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda r: r.name)
def test_a_recipe_of_missing_values_gives_missing(recipe):
    row = QUANTITIES[recipe.name]
    assert row.derived
    assert recipe.says
    assert recipe.citation
    time = START + np.arange(3) * HOUR
    site = Site("field", "Invented field", 52.0, 5.0, "UTC", flight_direction=90.0)
    aircraft = Aircraft(
        "mid-900g", "Invented", 0.9, 12, 0.44, 263.15, 313.15, 13,
        slow_airspeed=8, endurance=2100, descent_speed=3,
    )  # fmt: skip
    fields = {
        n: make_field(n, np.full(() if QUANTITIES[n].kind == "constant" else 3, np.nan))
        for n in recipe.needs
    }
    field = recipe.make(Inputs(time, fields, site, aircraft, 60.0))
    assert field.kind is row.kind
    assert field.values.shape == (() if row.kind == "constant" else (3,))
    assert np.isnan(field.values).all() == bool(recipe.needs)
