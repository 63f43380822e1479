"""What cold and wind take from a flight: battery, power, the way home, drift without a link.

Every function takes plain arrays of any broadcastable shape in SI units and degrees, and gives
NaN where an input is NaN. An answer that does not exist (no way home) is NaN too, never a number.
"""

from __future__ import annotations

import numpy as np

from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field, worst_kind

Number = Array | float

#: Air temperature (K) and usable share of a lithium-polymer pack that took off warm.
#: From memory and common practice: no published curve agrees with the others. Where a range is
#: told (0.5 to 0.6 at -20 degC) this is its lower end; -40 degC is a cell's share without warming.
BATTERY_CURVE: tuple[tuple[float, float], ...] = (
    (233.15, 0.05),
    (253.15, 0.50),
    (263.15, 0.70),
    (273.15, 0.85),
    (283.15, 0.95),
    (298.15, 1.00),
)

# Common practice, no source.
_CALM, _POWER_PER_SPEED_SQUARED = 4.0, 0.01
_GUSTY_SPREAD, _GUSTY_FACTOR = 4.0, 1.05


def battery_factor(
    temperature: Array, curve: tuple[tuple[float, float], ...] = BATTERY_CURVE
) -> Array:
    """Usable share of the battery's energy at an air temperature (K), linear between the points.

    Beyond the curve its end points hold.
    """
    at, share = np.array(curve).T
    factor: Array = np.interp(temperature, at, share)
    return factor


def wind_power_factor(wind_speed: Array, gust_spread: Array) -> Array:
    """Power in wind against still air: 1 % for each (m/s)2 above 4 m/s, 5 % more in gusty air.

    ``gust_spread`` is gust less mean wind in m/s; gusty is more than 4. Common practice, no source.
    """
    factor: Array = 1.0 + _POWER_PER_SPEED_SQUARED * np.maximum(wind_speed - _CALM, 0.0) ** 2
    gusty = np.where(gust_spread > _GUSTY_SPREAD, _GUSTY_FACTOR, 1.0)
    return factor * np.where(np.isnan(gust_spread), np.nan, gusty)


def wind_triangle(
    airspeed: Number, course: Number, wind_speed: Number, wind_from: Number
) -> tuple[Array, Array]:
    """Heading (degrees) that holds a course, and the ground speed (m/s) along it.

    NaN both where the course cannot be held: the wind across it is as fast as the aircraft, or
    the wind along it stops the aircraft. Source: the wind triangle of air navigation.
    """
    angle = np.radians(np.subtract(wind_from, course))
    across, against = wind_speed * np.sin(angle), wind_speed * np.cos(angle)
    with np.errstate(invalid="ignore", divide="ignore"):
        correction = np.arcsin(across / airspeed)
        ground_speed = np.sqrt(airspeed**2 - across**2) - against
    can = (np.abs(across) < airspeed) & (ground_speed > 0)
    heading = (course + np.degrees(correction)) % 360.0
    return np.where(can, heading, np.nan), np.where(can, ground_speed, np.nan)


def return_ground_speed(airspeed: Number, wind_speed: Number, wind_angle: Number = 0.0) -> Array:
    """Ground speed (m/s) on the way home.

    ``wind_angle`` is the angle in degrees between the way home and where the wind comes from; 0,
    the headwind, is the worst. NaN where the airspeed is not above the wind speed: from some
    directions there is no way home then.
    """
    speed = wind_triangle(airspeed, 0.0, wind_speed, wind_angle)[1]
    return np.where(np.greater(airspeed, wind_speed), speed, np.nan)


def out_and_back_reach(duration: Number, airspeed: Number, wind_speed: Number) -> Array:
    """Farthest distance (m) out and back along the wind within ``duration`` (s).

    0 where the airspeed is not above the wind speed: there is no way back.
    """
    reach = duration * (airspeed**2 - wind_speed**2) / (2.0 * airspeed)
    return np.maximum(reach, 0.0)


def airspeed_margin(airspeed: Number, wind_speed: Array) -> Array:
    """Airspeed of the automatic return less the mean wind at flight height (m/s).

    The ground speed straight into the wind; zero or less means no way home.
    """
    return airspeed - wind_speed


def drift_distance(height: Number, descent_speed: Number, wind_speed: Array) -> Array:
    """How far (m) an aircraft that holds no position drifts while it descends from ``height``.

    The wind at flight height counts all the way down, which overstates the drift. NaN where the
    descent speed is not above zero.
    """
    can = np.greater(descent_speed, 0)
    duration = np.where(can, height / np.where(can, descent_speed, 1.0), np.nan)
    return wind_speed * duration


def drift_sector(wind_from: Array, half_width: float = 30.0) -> tuple[Array, Array]:
    """First and last bearing (degrees, clockwise) of the sector that the drift goes into.

    The default half width is common practice, no source.
    """
    downwind = wind_from + 180.0
    return (downwind - half_width) % 360.0, (downwind + half_width) % 360.0


def _battery(inputs: Inputs) -> Field:
    air = inputs.fields["air_temperature"]
    return make_field("battery_factor", battery_factor(air.values), kind=air.kind)


def _margin(inputs: Inputs) -> Field:
    wind = inputs.fields["wind_speed_at_flight_height"]
    values = airspeed_margin(inputs.aircraft.airspeed, wind.values)
    return make_field(
        "airspeed_margin", values, kind=worst_kind(wind), origin=wind.origin, origins=wind.origins
    )


RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "battery_factor", ("air_temperature",), _battery,
        "usable share of a pack that took off warm, linear between points of a curve",
        "from memory and common practice; published curves disagree",
        validity="-40 to 25 degC; beyond, the end points hold",
    ),
    Recipe(
        "airspeed_margin", ("wind_speed_at_flight_height",), _margin,
        "airspeed of the automatic return less the mean wind at flight height",
        "kinematics: ground speed straight into the wind",
    ),
)  # fmt: skip
