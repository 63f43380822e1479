"""Moisture at the ground: dew-point spread, wet bulb, dew, condensation level and cloud base.

Plain arrays of any broadcastable shape in SI units; NaN in gives NaN out. Saturation is over
water at all temperatures (Bolton 1980), which is how models define dew point and humidity, and
the dew point is its exact inverse: air of 100 % has no spread.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from wxgate.derive.air import standard_pressure, vapour_pressure
from wxgate.derive.figures import Cloud, Dew, Mist
from wxgate.derive.hours import all_of, fields_aligned, flag, origin_of
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field
from wxgate.quantities import NO_CEILING

FREEZING = 273.15

#: A dew point that lies further above the temperature than packing explains is an error, K.
DEW_POINT_NOISE = 0.3
#: Air this moist has no spread (share): packing and unlike formulas hide the last 0.1 %.
SATURATED = 0.999

# Heat capacities of dry air and vapour (J kg-1 K-1), ratio of gas constants, gravity.
_CP_DRY, _CP_VAPOUR, _EPSILON, _GRAVITY = 1004.7, 1860.0, 0.62198, 9.80665
_NEWTON_STEPS = 8


def relative_humidity(temperature: Array, dew_point: Array) -> Array:
    """Relative humidity over water (share, at most 1) from temperature and dew point (K)."""
    return np.minimum(vapour_pressure(dew_point) / vapour_pressure(temperature), 1.0)


def dew_point_from_humidity(temperature: Array, humidity: Array) -> Array:
    """Dew point (K) from temperature (K) and relative humidity (share, 0 gives NaN).

    The exact inverse of Bolton 1980 (Mon. Wea. Rev. 108), eq. 10. Air of ``SATURATED`` or more
    counts as saturated.
    """
    x = np.log(np.where(humidity > 0, humidity, np.nan) * vapour_pressure(temperature) / 611.2)
    dew_point = 243.5 * x / (17.67 - x) + FREEZING
    return np.where(humidity >= SATURATED, temperature, np.minimum(dew_point, temperature))


def dew_point_spread(temperature: Array, dew_point: Array) -> Array:
    """Temperature less dew point, K, never below 0.

    NaN where the dew point lies more than ``DEW_POINT_NOISE`` above the temperature: one of the
    two is wrong then. Smaller excess is packing noise and counts as 0.
    """
    spread = temperature - dew_point
    return np.where(spread >= -DEW_POINT_NOISE, np.maximum(spread, 0.0), np.nan)


def lcl_temperature(temperature: Array, dew_point: Array) -> Array:
    """Temperature (K) at the lifting condensation level; Bolton 1980, eq. 15."""
    dry = np.log(temperature / dew_point) / 800.0
    return 1.0 / (1.0 / (dew_point - 56.0) + dry) + 56.0


def lcl_height(temperature: Array, dew_point: Array) -> Array:
    """Height (m above ground) at which rising surface air condenses: the base of cumulus.

    Dry-adiabatic ascent from the temperature to :func:`lcl_temperature`. It is not the base of
    stratus or of cloud that was blown in.
    """
    return (temperature - lcl_temperature(temperature, dew_point)) * (_CP_DRY / _GRAVITY)


def wet_bulb_temperature(pressure: Array, temperature: Array, dew_point: Array) -> Array:
    """Isobaric wet-bulb temperature (K) from pressure (Pa), temperature and dew point (K).

    What a wet thermometer, a drop or a wet rotor blade takes on: the heat balance
    cp (T - Tw) = L(Tw) (saturated mixing ratio at Tw - mixing ratio), solved by Newton steps from
    the warm side, where they cannot overshoot. Always over water. Source: AMS Glossary of
    Meteorology, "wet-bulb temperature" (isobaric); latent heat of Bolton 1980, eq. 2.
    """
    p, t, td = (np.asarray(a, np.float64) for a in (pressure, temperature, dew_point))
    vapour = vapour_pressure(np.minimum(td, t))
    ratio = _EPSILON * vapour / (p - vapour)
    heat = _CP_DRY + ratio * _CP_VAPOUR
    wet = np.broadcast_to(t, np.broadcast_shapes(p.shape, t.shape, td.shape))
    for _ in range(_NEWTON_STEPS):
        at_wet = vapour_pressure(wet)
        saturated = _EPSILON * at_wet / (p - at_wet)
        slope = 17.67 * 243.5 / (wet - FREEZING + 243.5) ** 2 * saturated * p / (p - at_wet)
        latent = 2.501e6 - 2370.0 * (wet - FREEZING)
        excess = heat * (t - wet) - latent * (saturated - ratio)
        wet = wet + excess / (heat + latent * slope)
    return np.minimum(wet, t)


def cumulus_regime(
    sun_elevation: Array, low_cloud: Array, spread: Array, *, figures: Cloud
) -> Array:
    """Flag: is what cloud there is fair-weather cumulus, whose base is the condensation level?

    Sun and spread above theirs, low cloud between its two figures: daytime and not much cover are
    what makes it unstable. NaN where that cannot be told. Source: common practice, no source.
    """
    low, high = figures.cumulus_least, figures.cumulus_most
    return all_of(
        flag(sun_elevation > figures.cumulus_sun, sun_elevation),
        flag((low_cloud >= low) & (low_cloud < high), low_cloud),
        flag(spread > figures.cumulus_spread, spread),
    )


def cloud_base_height(
    ceiling: Array,
    low_cloud: Array,
    is_cumulus: Array,
    condensation_level: Array,
    *,
    figures: Cloud,
) -> tuple[Array, NDArray[np.uint8]]:
    """Cloud base (m above ground) and where it is from: an index into ``CLOUD_BASE_ORIGINS``.

    In order: the model's ceiling; where there is hardly any low cloud, the lowest base of middle
    cloud; in a cumulus regime the condensation level; else NaN.
    """
    ways = [~np.isnan(ceiling), low_cloud < figures.cumulus_least, is_cumulus == 1]
    middle = np.full_like(low_cloud, figures.middle_base)
    base = np.select(ways, [ceiling, middle, condensation_level], np.nan)
    origin = np.select(ways, [0, 1, 2], 3)
    return base, origin.astype(np.uint8)


CLOUD_BASE_ORIGINS = ("direct", "no low cloud", "condensation level", "unknown")


def ceiling_clearance(cloud_base: Array, height: float) -> Array:
    """Cloud base less flight height, m; "no ceiling" stays the largest value there is."""
    return np.where(cloud_base >= NO_CEILING, NO_CEILING, cloud_base - height)


def dew_flag(
    spread: Array, sun_elevation: Array, wind_speed: Array, cloud: Array, *, figures: Dew
) -> Array:
    """Flag: dew on aircraft, lens and grass. Ingredients that are missing count as favouring it.

    All four must be below their figures. NaN only where the spread is. Source: common practice, no
    source.
    """
    ruled_out = (
        (sun_elevation >= figures.sun) | (wind_speed >= figures.wind) | (cloud >= figures.cloud)
    )
    return flag((spread < figures.spread) & ~ruled_out, spread)


def condensation_flag(dew_point: Array, *, figures: Mist) -> Array:
    """Flag: an aircraft that comes from indoors mists over in air of this dew point (K).

    Until it is warmer than the dew point; a margin in hand. Source: definition of the dew point.
    """
    return flag(dew_point > figures.indoors - figures.margin, dew_point)


# ---------------------------------------------------------------------- recipes

_FROM_HUMIDITY = ("direct", "from relative humidity")


def _spread(inputs: Inputs) -> Field:
    names = ("air_temperature", "dew_point_temperature", "relative_humidity")
    temperature, dew_point, humidity = fields_aligned(inputs, *names)
    direct = dew_point_spread(temperature, dew_point)
    substitute = temperature - dew_point_from_humidity(temperature, humidity)
    used = np.isnan(dew_point) & ~np.isnan(substitute)
    values = np.where(used, substitute, direct)
    return make_field(
        "dew_point_spread", values, origin=used.astype(np.uint8), origins=_FROM_HUMIDITY
    )


def _wet_bulb(inputs: Inputs) -> Field:
    temperature, spread, pressure = fields_aligned(
        inputs, "air_temperature", "dew_point_spread", "surface_air_pressure"
    )
    ground: Any = inputs.values("surface_altitude")
    if ground is None:
        ground = np.nan if inputs.site.altitude is None else inputs.site.altitude
    substitute = standard_pressure(np.asarray(ground, np.float32))
    used = np.isnan(pressure)
    values = wet_bulb_temperature(
        np.where(used, substitute, pressure), temperature, temperature - spread
    )
    return make_field(
        "wet_bulb_temperature", values,
        origin=np.broadcast_to(used, values.shape).astype(np.uint8),
        origins=("direct", "pressure of the standard atmosphere"),
    )  # fmt: skip


def _cloud_base(inputs: Inputs) -> Field | None:
    names = ("ceiling_height", "low_type_cloud_area_fraction", "solar_elevation_angle",
             "dew_point_spread", "air_temperature")  # fmt: skip
    if inputs.get(names[0]) is None and inputs.get(names[1]) is None:
        return None
    ceiling, low_cloud, sun, spread, temperature = fields_aligned(inputs, *names)
    figures = inputs.figures.cloud
    base, origin = cloud_base_height(
        ceiling, low_cloud, cumulus_regime(sun, low_cloud, spread, figures=figures),
        lcl_height(temperature, temperature - spread), figures=figures,
    )  # fmt: skip
    return make_field("cloud_base_height", base, origin=origin, origins=CLOUD_BASE_ORIGINS)


def _clearance(inputs: Inputs) -> Field:
    base = inputs.fields["cloud_base_height"]
    origin, origins = origin_of(base)
    values = ceiling_clearance(base.values, inputs.height)
    return make_field("ceiling_clearance", values, origin=origin, origins=origins)


def _dew(inputs: Inputs) -> Field:
    names = ("dew_point_spread", "solar_elevation_angle", "wind_speed", "cloud_area_fraction")
    dew = dew_flag(*fields_aligned(inputs, *names), figures=inputs.figures.dew)
    return make_field("dew_on_surfaces", dew)


def _condensation(inputs: Inputs) -> Field:
    temperature, spread = fields_aligned(inputs, "air_temperature", "dew_point_spread")
    origin, origins = origin_of(inputs.get("dew_point_spread"))
    values = condensation_flag(temperature - spread, figures=inputs.figures.mist)
    return make_field("condensation_on_aircraft", values, origin=origin, origins=origins)


RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "dew_point_spread", ("air_temperature",), _spread,
        "temperature less dew point, not below 0; a dew point 0.3 K above the temperature is wrong",
        "definition; dew point from relative humidity by Bolton 1980, eq. 10",
        uses=("dew_point_temperature", "relative_humidity"),
        validity="saturation over water, also below 0 degC; missing without dew point and humidity",
    ),
    Recipe(
        "wet_bulb_temperature", ("air_temperature", "dew_point_spread"), _wet_bulb,
        "heat balance of a wet thermometer at constant pressure",
        "AMS Glossary, wet-bulb temperature; saturation by Bolton 1980",
        uses=("surface_air_pressure", "surface_altitude"),
        validity="over water, also below 0 degC; without a pressure the standard atmosphere's",
    ),
    Recipe(
        "cloud_base_height", (), _cloud_base,
        "the model's ceiling; else {cloud-middle-base} where low cloud covers less than "
        "{cloud-cumulus-least}; else the "
        "condensation level under fair-weather cumulus",
        "condensation level by Bolton 1980, eq. 15; the order is common practice, no source",
        uses=("ceiling_height", "low_type_cloud_area_fraction", "solar_elevation_angle",
              "dew_point_spread", "air_temperature"),
        validity="a ceiling field can be blind to fog; fog points and visibility tell of fog; "
        "humidity on levels is not read, so that layers of cloud are not looked for there",
    ),
    Recipe(
        "ceiling_clearance", ("cloud_base_height",), _clearance,
        "cloud base less flight height", "definition",
        validity="20000 m says that there is no ceiling",
    ),
    Recipe(
        "dew_on_surfaces", ("dew_point_spread",), _dew,
        "spread below {dew-spread}, sun below {dew-sun}, wind below {dew-wind}, cloud below "
        "{dew-cloud}",
        "common practice, no source",
        uses=("solar_elevation_angle", "wind_speed", "cloud_area_fraction"),
        validity="an ingredient that is missing counts as favouring dew",
    ),
    Recipe(
        "condensation_on_aircraft", ("air_temperature", "dew_point_spread"), _condensation,
        "dew point above {mist-indoors} less {mist-margin}: an aircraft from a room or car of that "
        "mists over; give it 15 to 20 minutes in the open",
        "definition of the dew point; the room and the waiting time common practice, no source",
        validity="an aircraft that was kept colder mists over in drier air too",
    ),
)  # fmt: skip
