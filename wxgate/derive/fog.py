"""Radiation fog by its ingredients, and when the sun clears it.

Models see fog poorly and a ceiling field can be blind to it, so the ingredients are counted.
An ingredient that is missing counts as being there; only a spread that is missing makes the
points NaN. Arrays have time first (one row an hour), SI units.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wxgate.derive.figures import Fog
from wxgate.derive.hours import (
    all_of,
    any_in_last,
    any_of,
    fields_aligned,
    flag,
    lowest_in_last,
    shifted,
)
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field
from wxgate.derive.sun import HORIZON


def night_or_just_after(sun_elevation: Array, *, figures: Fog) -> Array:
    """Flag: the sun is down, or rose no longer ago than the figures tell."""
    down = flag(sun_elevation <= HORIZON, sun_elevation)
    return any_in_last(down, int(figures.after_sunrise))


def clear_sky_before(low_cloud: Array, *, figures: Fog) -> Array:
    """Flag: hardly any low cloud now and for some hours before."""
    cloudy = flag(low_cloud >= figures.clear_sky, low_cloud)
    return 1.0 - any_in_last(cloudy, int(figures.clear_for))


def light_wind(wind_speed: Array, *, figures: Fog) -> Array:
    """Flag: a light 10 m wind. Calm favours dew, stronger wind mixes fog out."""
    low, high = figures.lightest_wind, figures.strongest_wind
    return flag((wind_speed >= low) & (wind_speed <= high), wind_speed)


def cooling_to_fog(
    spread: Array, sun_elevation: Array, temperature: Array, dew_point: Array, *, figures: Fog
) -> Array:
    """Flag: the night is cooling into fog, told in one of two ways.

    Within the last night's hours the spread fell fast in an hour of low sun; or their lowest
    temperature lies well below the lowest dew point of the afternoon, by the crossover
    temperature (Baker, Cramer and Peters 2002).
    """
    night = int(figures.night)
    fall = shifted(spread, -1) - spread
    fell = all_of(
        flag(fall > figures.fall_of_spread, fall),
        flag(sun_elevation <= figures.evening_sun, sun_elevation),
    )
    sinking = sun_elevation < shifted(sun_elevation, -1)
    afternoon = np.where(sinking & (sun_elevation > 0), dew_point, np.nan)
    crossover = lowest_in_last(afternoon, int(figures.day)) - figures.crossover
    coldest = lowest_in_last(temperature, night)
    crossed = flag(coldest <= crossover, crossover, coldest)
    # An hour whose temperature is missing may have been the coldest.
    all_known = any_in_last(flag(np.zeros(temperature.shape, np.bool_), temperature), night)
    return any_of(any_in_last(fell, night), crossed, all_known)


def rain_before(precipitation: Array, *, wet_hour: float, figures: Fog) -> Array:
    """Flag: a wet hour (mm or more) within the last day."""
    return any_in_last(flag(precipitation >= wet_hour, precipitation), int(figures.day))


def fog_points(
    spread: Array,
    ingredients: Sequence[Array],
    *,
    wet_place: bool,
    model_visibility: Array,
    figures: Fog,
) -> Array:
    """Points 0 to 8: fog is likely from ``figures.likely`` on.

    One point for each flag in ``ingredients`` (a flag of NaN counts), one for a ``wet_place`` (a
    valley, or near water), two for a narrow spread or one for a moderate one; 0 where the spread
    is wider than the widest.

    Where the model's own visibility (m) shows fog, it is at least likely. Where it is clear in air
    that is not nearly saturated, fog is no more than possible: the ingredients of fog are those of
    dew too. NaN where the spread is, unless the model shows fog. Source: common practice, no
    source; the ingredients after AMS Glossary, "radiation fog".
    """
    points = np.zeros_like(spread)
    for ingredient in ingredients:
        points = points + (ingredient != 0)
    narrow, moderate = figures.narrow_spread, figures.moderate_spread
    points = points + (spread <= narrow) + (spread <= moderate) + wet_place
    points = np.where(spread > figures.widest_spread, 0.0, points)
    points = np.where(np.isnan(spread), np.nan, points)
    saturated = figures.nearly_saturated
    model_clear = (model_visibility >= figures.model_clear) & (spread > saturated)
    points = np.where(model_clear, np.minimum(points, figures.likely - 1), points)
    shows = model_visibility < figures.model_shows
    return np.where(shows, np.fmax(points, figures.likely), points)


def fog_clearing_hours(noon_elevation: Array, *, figures: Fog) -> Array:
    """Hours after sunrise until the sun has cleared radiation fog, by the height of the noon sun.

    ``noon_elevation`` in degrees, which tells season and latitude in one and holds in both
    hemispheres. Infinite below the first of the figures: fog may stay all day. High cloud delays
    it; sea fog is not cleared by the sun. Source: common practice, no source.
    """
    hours = np.interp(noon_elevation, figures.noon_sun, figures.clearing)
    return np.where(noon_elevation < figures.noon_sun[0], np.inf, hours)


# ---------------------------------------------------------------------- recipe

_USES = ("solar_elevation_angle", "low_type_cloud_area_fraction", "wind_speed",
         "air_temperature", "precipitation", "visibility_in_air")  # fmt: skip


def _points(inputs: Inputs) -> Field:
    spread, sun, cloud, wind, temperature, precipitation, visibility = fields_aligned(
        inputs, "dew_point_spread", *_USES
    )
    figures, wet_hour = inputs.figures.fog, inputs.figures.rain.wet_hour
    ingredients = (
        night_or_just_after(sun, figures=figures),
        clear_sky_before(cloud, figures=figures),
        light_wind(wind, figures=figures),
        cooling_to_fog(spread, sun, temperature, temperature - spread, figures=figures),
        rain_before(precipitation, wet_hour=wet_hour, figures=figures),
    )
    place = inputs.site.valley or inputs.site.coast
    points = fog_points(
        spread, ingredients, wet_place=place, model_visibility=visibility, figures=figures
    )
    counted = np.isnan(sum(ingredients))
    return make_field(
        "fog_points", points,
        origin=np.broadcast_to(counted, points.shape).astype(np.uint8),
        origins=("direct", "missing ingredients counted"),
    )  # fmt: skip


RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "fog_points", ("dew_point_spread",), _points,
        "a point each for night or the {fog-after-sunrise} after sunrise, {fog-clear-for} of "
        "clear sky, light wind, cooling "
        "into fog, a valley or coast, rain in {fog-day}; up to 2 for a small spread; 0 above "
        "{fog-widest-spread}; at least {fog-likely} where the model shows fog, fewer where it "
        "shows none and is not saturated",
        "common practice, no source; ingredients after AMS Glossary, radiation fog; crossover "
        "temperature of Baker, Cramer and Peters 2002; widest spread FAA and AMS",
        uses=_USES,
        validity="radiation fog; not fog from the sea. What is missing counts as being there",
    ),
)  # fmt: skip
