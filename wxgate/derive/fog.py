"""Radiation fog by its ingredients, and when the sun clears it.

Models see fog poorly and a ceiling field can be blind to it, so the ingredients are counted.
An ingredient that is missing counts as being there; only a spread that is missing makes the
points NaN. Arrays have time first (one row an hour), SI units.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wxgate.derive.hours import (
    all_of,
    any_in_last,
    any_of,
    fields_aligned,
    flag,
    lowest_in_last,
    shifted,
)
from wxgate.derive.precipitation import WET_HOUR
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field
from wxgate.derive.sun import HORIZON

#: Points from which fog is likely, and possible. Common practice, no source.
LIKELY, POSSIBLE = 5, 3

#: Fog does not form with a wider spread, K: 5 degF (FAA), 4 degF "seldom" (AMS Glossary, "fog").
WIDEST_SPREAD = 3.0
#: Spreads (K) that give two points and one.
NARROW_SPREAD, MODERATE_SPREAD = 1.0, 2.0
#: The model itself shows fog or nearly so below the first; from the second on it shows none, m.
MODEL_FOG, MODEL_CLEAR = 2000.0, 5000.0
#: ... which is believed as long as its air is not nearly saturated, K.
NEARLY_SATURATED = 0.5

_CLEAR = 0.3
_LIGHT_WIND = (0.3, 2.5)
_FALL_OF_SPREAD = 1.0  # K an hour
_EVENING_SUN = 10.0
_CROSSOVER = 1.7  # K below the lowest dew point of the afternoon
_AFTER_SUNRISE_H, _CLEAR_H, _NIGHT_H, _DAY_H = 3, 6, 16, 24  # a long winter night


def night_or_just_after(sun_elevation: Array) -> Array:
    """Flag: the sun is down, or rose less than three hours ago."""
    return any_in_last(flag(sun_elevation <= HORIZON, sun_elevation), _AFTER_SUNRISE_H)


def clear_sky_before(low_cloud: Array) -> Array:
    """Flag: low cloud below 30 % now and for the six hours before."""
    return 1.0 - any_in_last(flag(low_cloud >= _CLEAR, low_cloud), _CLEAR_H)


def light_wind(wind_speed: Array) -> Array:
    """Flag: 10 m wind of 0.3 to 2.5 m/s. Calm favours dew, stronger wind mixes fog out."""
    low, high = _LIGHT_WIND
    return flag((wind_speed >= low) & (wind_speed <= high), wind_speed)


def cooling_to_fog(
    spread: Array, sun_elevation: Array, temperature: Array, dew_point: Array
) -> Array:
    """Flag: the night is cooling into fog, told in one of two ways.

    Within the last 16 h the spread fell by more than 1 K in an hour of low sun; or the lowest
    temperature of the last 16 h lies 1.7 K below the lowest dew point of the afternoon, the
    crossover temperature (Baker, Cramer and Peters 2002).
    """
    fall = shifted(spread, -1) - spread
    fell = all_of(
        flag(fall > _FALL_OF_SPREAD, fall), flag(sun_elevation <= _EVENING_SUN, sun_elevation)
    )
    sinking = sun_elevation < shifted(sun_elevation, -1)
    afternoon = np.where(sinking & (sun_elevation > 0), dew_point, np.nan)
    crossover = lowest_in_last(afternoon, _DAY_H) - _CROSSOVER
    coldest = lowest_in_last(temperature, _NIGHT_H)
    crossed = flag(coldest <= crossover, crossover, coldest)
    # An hour whose temperature is missing may have been the coldest.
    all_known = any_in_last(flag(np.zeros(temperature.shape, np.bool_), temperature), _NIGHT_H)
    return any_of(any_in_last(fell, _NIGHT_H), crossed, all_known)


def rain_before(precipitation: Array) -> Array:
    """Flag: an hour with 0.1 mm or more within the last 24 h."""
    return any_in_last(flag(precipitation >= WET_HOUR, precipitation), _DAY_H)


def fog_points(
    spread: Array, ingredients: Sequence[Array], *, wet_place: bool, model_visibility: Array
) -> Array:
    """Points 0 to 8: likely from ``LIKELY`` on, possible from ``POSSIBLE`` on.

    One point for each flag in ``ingredients`` (a flag of NaN counts), one for a ``wet_place`` (a
    valley, or near water), two for a spread up to 1 K or one for up to 2 K; 0 where the spread is
    wider than ``WIDEST_SPREAD``.

    Where the model's own visibility (m) is below ``MODEL_FOG`` at least ``LIKELY``. Where it is
    ``MODEL_CLEAR`` or more in air that is not nearly saturated, fog is no more than possible: the
    ingredients of fog are those of dew too. NaN where the spread is, unless the model shows fog.
    Source: common practice, no source; the ingredients after AMS Glossary, "radiation fog".
    """
    points = np.zeros_like(spread)
    for ingredient in ingredients:
        points = points + (ingredient != 0)
    points = points + (spread <= NARROW_SPREAD) + (spread <= MODERATE_SPREAD) + wet_place
    points = np.where(spread > WIDEST_SPREAD, 0.0, points)
    points = np.where(np.isnan(spread), np.nan, points)
    model_clear = (model_visibility >= MODEL_CLEAR) & (spread > NEARLY_SATURATED)
    points = np.where(model_clear, np.minimum(points, LIKELY - 1), points)
    return np.where(model_visibility < MODEL_FOG, np.fmax(points, LIKELY), points)


#: Elevation of the noon sun (degree) in midwinter, at the equinox and in midsummer of the middle
#: latitudes, and the hours after sunrise in which it clears fog; below the first it may not.
_NOON_SUN, _CLEARING_H = (15.0, 38.5, 62.0), (4.5, 2.5, 1.5)


def fog_clearing_hours(noon_elevation: Array) -> Array:
    """Hours after sunrise until the sun has cleared radiation fog, by the height of the noon sun.

    ``noon_elevation`` in degrees, which tells season and latitude in one and holds in both
    hemispheres. Infinite below 15 degrees: fog may stay all day. High cloud delays it; sea fog is
    not cleared by the sun. Source: common practice, no source.
    """
    hours = np.interp(noon_elevation, _NOON_SUN, _CLEARING_H)
    return np.where(noon_elevation < _NOON_SUN[0], np.inf, hours)


# ---------------------------------------------------------------------- recipe

_USES = ("solar_elevation_angle", "low_type_cloud_area_fraction", "wind_speed",
         "air_temperature", "precipitation", "visibility_in_air")  # fmt: skip


def _points(inputs: Inputs) -> Field:
    spread, sun, cloud, wind, temperature, precipitation, visibility = fields_aligned(
        inputs, "dew_point_spread", *_USES
    )
    ingredients = (
        night_or_just_after(sun),
        clear_sky_before(cloud),
        light_wind(wind),
        cooling_to_fog(spread, sun, temperature, temperature - spread),
        rain_before(precipitation),
    )
    place = inputs.site.valley or inputs.site.coast
    points = fog_points(spread, ingredients, wet_place=place, model_visibility=visibility)
    counted = np.isnan(sum(ingredients))
    return make_field(
        "fog_points", points,
        origin=np.broadcast_to(counted, points.shape).astype(np.uint8),
        origins=("direct", "missing ingredients counted"),
    )  # fmt: skip


RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "fog_points", ("dew_point_spread",), _points,
        "a point each for night or the 3 h after sunrise, 6 h of clear sky, light wind, cooling "
        "into fog, a valley or coast, rain in 24 h; up to 2 for a small spread; 0 above 3 K; at "
        "least 5 where the model shows fog, at most 4 where it shows none and is not saturated",
        "common practice, no source; ingredients after AMS Glossary, radiation fog; crossover "
        "temperature of Baker, Cramer and Peters 2002; widest spread FAA and AMS",
        uses=_USES,
        validity="radiation fog; not fog from the sea. What is missing counts as being there",
    ),
)  # fmt: skip
