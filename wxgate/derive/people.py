"""How the weather feels to the people on the ground: wind chill, heat index, apparent temperature.

Every function takes plain arrays of any broadcastable shape: temperatures in K, wind at 10 m in
m/s, humidity as a share. Outside the domain that its authors gave an index, the index here is
the air temperature, so that it is defined everywhere; a wind or humidity that is missing matters
only inside the domain. A missing temperature gives NaN.
"""

from __future__ import annotations

import numpy as np

from wxgate.derive.hours import fields_aligned, origin_of
from wxgate.derive.moisture import relative_humidity
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field

_WARMEST_CHILL = 283.15  # 10 degC
_CALMEST_CHILL = 3 * 0.44704  # 3 mph
_COOLEST_HEAT = 80.0  # degF


def wind_chill(temperature: Array, wind_speed: Array) -> Array:
    """Wind chill (K) from temperature (K) and 10 m wind (m/s).

    The index where it is at most 10 degC with wind above 3 mph, the air temperature elsewhere
    (the step at 10 degC is the index's own). Source: Environment Canada and US National Weather
    Service, index of 2001; domain of the US Federal Coordinator for Meteorology, FCM-R19-2003.
    """
    celsius = temperature - 273.15
    power = (3.6 * wind_speed) ** 0.16
    index = 273.15 + 13.12 + 0.6215 * celsius - 11.37 * power + 0.3965 * celsius * power
    outside = (temperature > _WARMEST_CHILL) | (wind_speed <= _CALMEST_CHILL)
    return np.where(outside, temperature, index)


def heat_index(temperature: Array, relative_humidity: Array) -> Array:
    """Heat index (K) from temperature (K) and relative humidity (share).

    The index from 80 degF on, the air temperature below. Source: US National Weather Service,
    Weather Prediction Center, "The heat index equation": the simple formula where it stays below
    80 degF, else the regression of Rothfusz (1990, SR 90-23) with both adjustments.
    """
    t = (temperature - 273.15) * 1.8 + 32.0
    r = 100.0 * relative_humidity
    simple = 0.5 * (t + 61.0 + 1.2 * (t - 68.0) + 0.094 * r)
    full = _rothfusz(t, r) + _humidity_adjustment(t, r)
    index = np.where(simple < _COOLEST_HEAT, simple, full)
    return np.where(t < _COOLEST_HEAT, temperature, (index - 32.0) / 1.8 + 273.15)


def _rothfusz(t: Array, r: Array) -> Array:
    """The regression in degF and percent."""
    linear = -42.379 + 2.04901523 * t + 10.14333127 * r - 0.22475541 * t * r
    square = -6.83783e-3 * t**2 - 5.481717e-2 * r**2
    cubic = 1.22874e-3 * t**2 * r + 8.5282e-4 * t * r**2
    return linear + square + cubic - 1.99e-6 * t**2 * r**2


def _humidity_adjustment(t: Array, r: Array) -> Array:
    """What the Weather Prediction Center adds in dry and in very humid air, degF."""
    is_dry = (r < 13) & (t >= 80) & (t <= 112)
    dry = -(13 - r) / 4 * np.sqrt(np.maximum(17 - np.abs(t - 95), 0) / 17)
    is_humid = (r > 85) & (t >= 80) & (t <= 87)
    humid = (r - 85) / 10 * (87 - t) / 5
    return np.where(is_dry, dry, np.where(is_humid, humid, 0.0))


def apparent_temperature(temperature: Array, relative_humidity: Array, wind_speed: Array) -> Array:
    """Apparent temperature in the shade (K) of the Australian Bureau of Meteorology.

    Source: AT = T + 0.33 e - 0.70 V - 4.00 (degC, hPa, m/s at 10 m), after Steadman 1994. Not used
    by a recipe: kept as the reference of what wind and moisture do, against which the wind chill
    and the heat index are held: they go the same way.
    """
    t = temperature - 273.15
    vapour = relative_humidity * 6.105 * np.exp(17.27 * t / (237.7 + t))
    apparent: Array = temperature + 0.33 * vapour - 0.70 * wind_speed - 4.0
    return apparent


def _chill(inputs: Inputs) -> Field:
    temperature, wind_speed = fields_aligned(inputs, "air_temperature", "wind_speed")
    values = wind_chill(temperature, wind_speed)
    origin, origins = origin_of(inputs.get("wind_speed"))
    if origin is not None:
        behind = (1,) * (values.ndim - origin.ndim)
        origin = np.broadcast_to(origin.reshape(origin.shape + behind), values.shape)
    return make_field("wind_chill", values, origin=origin, origins=origins)


def _heat(inputs: Inputs) -> Field:
    temperature, spread = fields_aligned(inputs, "air_temperature", "dew_point_spread")
    humidity = relative_humidity(temperature, temperature - spread)
    return make_field("heat_index", heat_index(temperature, humidity))


RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "wind_chill", ("air_temperature", "wind_speed"), _chill,
        "wind chill index of 2001 from temperature and 10 m wind; else the temperature",
        "Environment Canada and US National Weather Service, 2001",
        validity="10 degC or colder with wind above 3 mph; elsewhere the air temperature",
    ),
    Recipe(
        "heat_index", ("air_temperature",), _heat,
        "regression of Rothfusz with its adjustments; below 80 degF the temperature",
        "US National Weather Service, Weather Prediction Center, The heat index equation",
        uses=("dew_point_spread",),
        validity="80 degF (26.7 degC) or warmer; elsewhere the air temperature",
    ),
)  # fmt: skip
