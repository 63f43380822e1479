"""Air density and what it takes from a multirotor: density altitude and hover power.

Heights of the standard atmosphere are geopotential metres; up to 3000 m they differ from metres
by less than 1.5 m. Every function takes plain arrays of any broadcastable shape in SI units, and
gives NaN where an input is NaN.
"""

from __future__ import annotations

import numpy as np

from wxgate.derive.hours import Flags, fields_aligned
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field

# ICAO Doc 7488/3: sea level, lapse rate of the troposphere, gravity, gas constant of dry air.
SEA_LEVEL_TEMPERATURE = 288.15
SEA_LEVEL_PRESSURE = 101325.0
SEA_LEVEL_DENSITY = 1.225
LAPSE_RATE = 0.0065
GRAVITY = 9.80665
DRY_AIR = 287.05287
_EXPONENT = GRAVITY / (DRY_AIR * LAPSE_RATE)

#: Gas constant of dry air over that of water vapour.
_EPSILON = 0.62198

_ORIGINS = (
    "direct",
    "pressure of the standard atmosphere",
    "saturated air",
    "pressure of the standard atmosphere, saturated air",
)
_STANDARD_PRESSURE, _SATURATED = 1, 2


def standard_temperature(altitude: Array) -> Array:
    """Temperature (K) of the standard atmosphere at an altitude (m), below 11 km; ICAO Doc 7488.

    Kept as the reference of :func:`standard_pressure`, which must agree with it by the gas law.
    """
    return SEA_LEVEL_TEMPERATURE - LAPSE_RATE * altitude


def standard_pressure(altitude: Array) -> Array:
    """Pressure (Pa) of the standard atmosphere at an altitude (m), below 11 km; ICAO Doc 7488."""
    share = 1.0 - LAPSE_RATE / SEA_LEVEL_TEMPERATURE * altitude
    return SEA_LEVEL_PRESSURE * share**_EXPONENT


def standard_density(altitude: Array) -> Array:
    """Density (kg/m3) of the standard atmosphere at an altitude (m), below 11 km; Doc 7488.

    Kept as the reference of :func:`density_altitude`, its inverse.
    """
    share = 1.0 - LAPSE_RATE / SEA_LEVEL_TEMPERATURE * altitude
    return SEA_LEVEL_DENSITY * share ** (_EXPONENT - 1.0)


def density_altitude(density: Array) -> Array:
    """Altitude (m) of the standard atmosphere that has this density (kg/m3).

    The exact inverse of :func:`standard_density`, moist air included through its density. The
    rule of 120 ft per kelvin gives 10 to 50 m more. Source: ICAO Doc 7488/3, inverted.
    """
    share = (density / SEA_LEVEL_DENSITY) ** (1.0 / (_EXPONENT - 1.0))
    return SEA_LEVEL_TEMPERATURE / LAPSE_RATE * (1.0 - share)


def vapour_pressure(dew_point: Array) -> Array:
    """Vapour pressure (Pa) of air with this dew point (K); Bolton 1980, Mon. Wea. Rev. 108, eq. 10.

    Over water at all temperatures, which is how models define the dew point.
    """
    celsius = dew_point - 273.15
    pressure: Array = 611.2 * np.exp(17.67 * celsius / (celsius + 243.5))
    return pressure


def air_density(pressure: Array, temperature: Array, dew_point: Array) -> Array:
    """Density (kg/m3) of moist air from station pressure (Pa), temperature and dew point (K).

    Dew point above temperature counts as saturated. Source: ideal gas law with virtual
    temperature, AMS Glossary of Meteorology.
    """
    vapour = vapour_pressure(np.minimum(dew_point, temperature))
    density: Array = (pressure - (1.0 - _EPSILON) * vapour) / (DRY_AIR * temperature)
    return density


def pressure_at_altitude(pressure: Array, temperature: Array, climb: Array) -> Array:
    """Pressure (Pa) ``climb`` metres above where it is ``pressure``.

    ``temperature`` (K) is that of the air between. Source: hypsometric equation.
    """
    lifted: Array = pressure * np.exp(-GRAVITY * climb / (DRY_AIR * temperature))
    return lifted


def hover_power_factor(density: Array) -> Array:
    """Power to hover against sea level in the standard atmosphere: (1.225 / density) ** 0.5.

    Momentum theory of an ideal rotor of the same aircraft; rotor speed grows by the same factor.
    """
    return (SEA_LEVEL_DENSITY / density) ** 0.5


def _station_pressure(inputs: Inputs, pressure: Array, temperature: Array) -> tuple[Array, Flags]:
    """Pressure at the ground of the site, and where it is the standard atmosphere's."""
    terrain, altitude = inputs.values("surface_altitude"), inputs.site.altitude
    # On a map the terrain of each cell counts; the altitude of one site says nothing there.
    on_map = terrain is not None and terrain.size > 1
    if altitude is not None and terrain is not None and not on_map:
        climb = np.nan_to_num(altitude - terrain)
        pressure = pressure_at_altitude(pressure, temperature, climb)
    ground = terrain if altitude is None or on_map else np.asarray(altitude)
    missing = np.isnan(pressure)
    if ground is None:
        return pressure, np.zeros_like(missing)
    return np.where(missing, standard_pressure(ground), pressure), missing


def _density(inputs: Inputs) -> Field:
    temperature, spread, pressure = fields_aligned(
        inputs, "air_temperature", "dew_point_spread", "surface_air_pressure"
    )
    pressure, standard = _station_pressure(inputs, pressure, temperature)
    unknown = np.isnan(spread)
    # Saturated air is the lightest that a missing dew point allows.
    density = air_density(pressure, temperature, temperature - np.where(unknown, 0.0, spread))
    origin = np.asarray(_STANDARD_PRESSURE * standard + _SATURATED * unknown, np.uint8)
    origin = np.broadcast_to(origin, density.shape)
    return make_field("air_density", density, origin=origin, origins=_ORIGINS)


def _from_density(inputs: Inputs, name: str, values: Array) -> Field:
    made_of = inputs.fields["air_density"]
    return make_field(name, values, origin=made_of.origin, origins=made_of.origins)


def _density_altitude(inputs: Inputs) -> Field:
    values = density_altitude(inputs.fields["air_density"].values)
    return _from_density(inputs, "density_altitude", values)


def _hover_power(inputs: Inputs) -> Field:
    values = hover_power_factor(inputs.fields["air_density"].values)
    return _from_density(inputs, "hover_power_factor", values)


RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "air_density", ("air_temperature",), _density,
        "moist air: (pressure - 0.378 vapour pressure) / (287.05 temperature), at the ground",
        "ideal gas law with virtual temperature; vapour pressure by Bolton 1980, eq. 10",
        uses=("surface_air_pressure", "dew_point_spread", "surface_altitude"),
        validity="no pressure: standard atmosphere at the ground; no dew point: saturated air",
    ),
    Recipe(
        "density_altitude", ("air_density",), _density_altitude,
        "altitude of the standard atmosphere that has this density",
        "ICAO Doc 7488/3, inverted", validity="-5 to 11 km",
    ),
    Recipe(
        "hover_power_factor", ("air_density",), _hover_power,
        "(1.225 / density) ** 0.5", "momentum theory of an ideal rotor",
        validity="the same aircraft in a hover",
    ),
)  # fmt: skip
