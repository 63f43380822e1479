"""What cold and wind take from a flight: battery, power, the way home, drift without a link.

Every function takes plain arrays of any broadcastable shape in SI units and degrees, and gives
NaN where an input is NaN. An answer that does not exist (no way home) is NaN too, never a number.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from wxgate.derive.figures import Power
from wxgate.derive.hours import fields_aligned
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field, worst_kind

Number = Array | float


def battery_factor(temperature: Array, *, figures: Power) -> Array:
    """Usable share of the battery's energy at an air temperature (K), linear between the points.

    Beyond the curve its end points hold.
    """
    at, share = figures.battery_temperatures, figures.battery_shares
    factor: Array = np.interp(temperature, at, share)
    return factor


def wind_power_factor(wind_speed: Array, gust_spread: Array, *, figures: Power) -> Array:
    """Power in wind against still air: it grows with the square above a calm, and in gusty air.

    ``gust_spread`` is gust less mean wind in m/s. Common practice, no source.
    """
    factor: Array = 1.0 + figures.of_wind * np.maximum(wind_speed - figures.calm, 0.0) ** 2
    gusty = np.where(gust_spread > figures.gusty_spread, figures.gusty_factor, 1.0)
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


def airspeed_to_gust_ratio(airspeed: Number, gust: Array) -> Array:
    """Airspeed of the automatic return over the gust at flight height, at most 1000 (no gust)."""
    with np.errstate(divide="ignore", over="ignore"):
        ratio: Array = np.minimum(airspeed / gust, 1000.0)
    return ratio


def drift_distance(height: Number, descent_speed: Number, wind_speed: Array) -> Array:
    """How far (m) an aircraft that holds no position drifts while it descends from ``height``.

    The wind at flight height counts all the way down, which overstates the drift. NaN where the
    descent speed is not above zero.
    """
    can = np.greater(descent_speed, 0)
    duration = np.where(can, height / np.where(can, descent_speed, 1.0), np.nan)
    return wind_speed * duration


def drift_sector(wind_from: Array, half_width: float) -> tuple[Array, Array]:
    """First and last bearing (degrees, clockwise) of the sector that the drift goes into."""
    downwind = wind_from + 180.0
    return (downwind - half_width) % 360.0, (downwind + half_width) % 360.0


def _battery(inputs: Inputs) -> Field:
    air = inputs.fields["air_temperature"]
    return make_field(
        "battery_factor", battery_factor(air.values, figures=inputs.figures.power), kind=air.kind
    )


def _margin(inputs: Inputs) -> Field:
    wind = inputs.fields["wind_speed_at_flight_height"]
    values = airspeed_margin(inputs.aircraft.airspeed, wind.values)
    return make_field(
        "airspeed_margin", values, kind=worst_kind(wind), origin=wind.origin, origins=wind.origins
    )


def _gust_ratio(inputs: Inputs) -> Field:
    gust = inputs.fields["gust_at_flight_height"]
    values = airspeed_to_gust_ratio(inputs.aircraft.airspeed, gust.values)
    return make_field(
        "airspeed_to_gust_ratio", values, kind=gust.kind, origin=gust.origin, origins=gust.origins
    )


def usable_flight_time(endurance: Number, battery: Array, hover_power: Array,
                       wind_power: Array) -> Array:  # fmt: skip
    """How long (s) a full battery flies: the published time, less what cold, height and wind take.

    ``endurance`` (s) is published for still air at sea level; the factors are those of
    :func:`battery_factor`, of the hover power in thin air and of :func:`wind_power_factor`. No
    reserve is kept. Source: energy is power times time.
    """
    return endurance * battery / (hover_power * wind_power)


def _power(inputs: Inputs) -> Field:
    wind, spread = inputs.fields["wind_speed_at_flight_height"], inputs.fields["gust_spread"]
    values = wind_power_factor(wind.values, spread.values, figures=inputs.figures.power)
    return make_field(
        "wind_power_factor", values, origin=wind.origin, origins=wind.origins,
    )  # fmt: skip


def _time(inputs: Inputs) -> Field | None:
    if inputs.aircraft.endurance is None:
        return None
    power = inputs.fields["wind_power_factor"]
    factors = fields_aligned(inputs, "battery_factor", "hover_power_factor", "wind_power_factor")
    values = usable_flight_time(inputs.aircraft.endurance, *factors)
    return make_field("usable_flight_time", values, origin=power.origin, origins=power.origins)


def _airspeed(name: str, inputs: Inputs) -> float | None:
    """The airspeed of the mode that a quantity is about."""
    craft = inputs.aircraft
    return craft.slow_airspeed if name.endswith("_slow") else craft.airspeed


def _home(name: str) -> Callable[[Inputs], Field | None]:
    def make(inputs: Inputs) -> Field | None:
        airspeed = _airspeed(name, inputs)
        if airspeed is None:
            return None
        wind = inputs.fields[_WIND]
        speed = np.maximum(airspeed_margin(airspeed, wind.values), 0.0)
        return make_field(
            name, speed, kind=worst_kind(wind), origin=wind.origin, origins=wind.origins
        )

    return make


def _reach(name: str) -> Callable[[Inputs], Field | None]:
    def make(inputs: Inputs) -> Field | None:
        airspeed = _airspeed(name, inputs)
        if airspeed is None:
            return None
        time, wind = (inputs.fields[n] for n in ("usable_flight_time", _WIND))
        reach = out_and_back_reach(time.values, airspeed, wind.values)
        return make_field(name, reach, origin=time.origin, origins=time.origins)

    return make


def _drift(inputs: Inputs) -> Field | None:
    if inputs.aircraft.descent_speed is None:
        return None
    wind = inputs.fields[_WIND]
    values = drift_distance(inputs.height, inputs.aircraft.descent_speed, wind.values)
    return make_field(
        "drift_distance", values, kind=worst_kind(wind), origin=wind.origin, origins=wind.origins
    )


def _sector(name: str, end: int) -> Callable[[Inputs], Field]:
    def make(inputs: Inputs) -> Field:
        wind = inputs.fields["wind_from_direction_at_flight_height"]
        # A calm is told as 0 and drifts nowhere.
        bearing = drift_sector(wind.values, inputs.figures.drift.half_width)[end]
        bearing = np.where(wind.values == 0, np.nan, bearing)
        return make_field(name, bearing, origin=wind.origin, origins=wind.origins)

    return make


_WIND = "wind_speed_at_flight_height"
_HEADWIND = "kinematics: ground speed straight into the wind"
_OUT_AND_BACK = "kinematics: out with the wind and back against it"
_MODE = "0 where there is no way home; missing for an aircraft whose maker tells no slow mode"

RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "battery_factor", ("air_temperature",), _battery,
        "usable share of a pack that took off warm, linear between points of a curve",
        "from memory and common practice; published curves disagree",
        validity="-40 to 25 degC; beyond, the end points hold; not for a pack that took off cold",
    ),
    Recipe(
        "airspeed_margin", (_WIND,), _margin,
        "airspeed of the automatic return less the mean wind at flight height", _HEADWIND,
        validity="the wind at flight height counts, though a return may climb above it",
    ),
    Recipe(
        "airspeed_to_gust_ratio", ("gust_at_flight_height",), _gust_ratio,
        "airspeed of the automatic return over the gust at flight height", "definition",
        validity="as the gust at flight height",
    ),
    Recipe(
        "wind_power_factor", (_WIND, "gust_spread"), _power,
        "{power-of-wind} for each (m/s)2 of wind above {power-calm}; {power-gusty-factor} of that "
        "where gusts are {power-gusty-spread} above the wind",
        "common practice, no source",
        validity="missing where the gust spread is",
    ),
    Recipe(
        "usable_flight_time", ("battery_factor", "hover_power_factor", "wind_power_factor"), _time,
        "published endurance times the usable share of the battery, over the power in thin air "
        "and in wind", "energy is power times time",
        validity="the whole battery, no reserve kept; missing where no endurance is published",
    ),
    Recipe(
        "return_ground_speed", (_WIND,), _home("return_ground_speed"),
        "airspeed of the automatic return less the mean wind at flight height, not below 0",
        _HEADWIND, validity="0 where there is no way home",
    ),
    Recipe(
        "return_ground_speed_slow", (_WIND,), _home("return_ground_speed_slow"),
        "airspeed of the slow mode less the mean wind at flight height, not below 0",
        _HEADWIND, validity=_MODE,
    ),
    Recipe(
        "reach", ("usable_flight_time", _WIND), _reach("reach"),
        "time (airspeed2 - wind2) / (2 airspeed) of the mode of the automatic return",
        _OUT_AND_BACK, validity="the whole battery, no reserve kept; 0 where there is no way home",
    ),
    Recipe(
        "reach_slow", ("usable_flight_time", _WIND), _reach("reach_slow"),
        "time (airspeed2 - wind2) / (2 airspeed) of the slow mode", _OUT_AND_BACK, validity=_MODE,
    ),
    Recipe(
        "drift_distance", (_WIND,), _drift,
        "wind at flight height times the time of descent from there", "kinematics",
        validity="overstates: the wind is weaker below; missing without a descent speed",
    ),
    Recipe(
        "drift_sector_start", ("wind_from_direction_at_flight_height",),
        _sector("drift_sector_start", 0), "downwind at flight height less {drift-half-width}",
        "the width is common practice, no source", validity="missing in a calm",
    ),
    Recipe(
        "drift_sector_end", ("wind_from_direction_at_flight_height",),
        _sector("drift_sector_end", 1), "downwind at flight height and {drift-half-width}",
        "the width is common practice, no source", validity="missing in a calm",
    ),
)  # fmt: skip
