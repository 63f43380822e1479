"""Gusts: at 10 m, at flight height, and their spread over the mean wind.

Models mean different things by a gust. A POINT gust is what could come down at that instant; a
MAXIMUM is the strongest of an interval and belongs to all of it. A gust that covers an interval is
combined with the wind at both ends of each hour, and the worse of the two stands for the hour.
The gust itself is never scaled with height: what grows is the wind beneath it.

The file is long for its recipes alone: each carries its reason, source and range with it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wxgate.derive.column import (
    WIND_ORIGINS,
    Column,
    beside,
    column_of,
    level_of,
    speed_of,
    wind_at,
)
from wxgate.derive.gust_factors import gust_factor
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field, worst_kind
from wxgate.derive.surface_layer import UNSTABLE_WIND, maybe_unstable, surely_stable
from wxgate.derive.turbulence import (
    DEPTH,
    STANDARD_PRESSURE,
    bulk_richardson,
    convective_velocity,
    heat_flux_from_sun,
    turbulence_intensity,
)
from wxgate.derive.wind import REFERENCE_HEIGHT, surface_components
from wxgate.quantities import Kind

GUST_ORIGINS = ("direct", "estimated from turbulence")
ESTIMATED = 1
#: Roughness where neither site nor model states one, m: "roughly open". Its factor of 1.65 is that
#: of the in-land class over 10 minutes (1.66, WMO/TD-No. 1555 table 1.1).
ROUGHNESS = 0.1
#: City centres (Davenport class 8); the formula fails where the roughness nears 10 m.
LARGEST_ROUGHNESS = 2.0
#: Least excess over the mean wind when the sun makes thermals, m/s (common practice, no source).
SUNNY_EXCESS = 2.0

#: Least turbulence intensity aloft by stability (common practice, no source).
LEAST_STABLE, LEAST_NEUTRAL, LEAST_UNSTABLE = 0.05, 0.10, 0.15
#: m/s; intensity times wind where unstable air goes over into neutral, at an intensity of 0.12.
FADING = 0.12 * UNSTABLE_WIND

#: m; the bulk Richardson number takes its upper temperature from the highest level in between.
LEAST_TOP, TOP_OF_LAYER = 20.0, 120.0
SCREEN_HEIGHT = 2.0  #: m, where the air temperature holds


def gust_from_turbulence(wind: ArrayLike, roughness: ArrayLike, sun: ArrayLike,
                         cloud: ArrayLike) -> Array:  # fmt: skip
    """An estimate of the 10 m gust from the 10 m wind (m/s): U (1 + 3 / ln(10 / z0)).

    At least 2 m/s over the wind unless a sun of 10 degrees or less, or 5/8 of cloud, rule thermals
    out. Source: EN 1991-1-4 (4.7) with a peak factor of 3.
    """
    u, s, c = (np.asarray(x, dtype=np.float64) for x in (wind, sun, cloud))
    z0 = np.minimum(np.asarray(roughness, dtype=np.float64), LARGEST_ROUGHNESS)
    gust = u * gust_factor(turbulence_intensity(10.0, z0))
    may_be_sunny = ~((s <= 10) | (c >= 5 / 8))
    return np.where(may_be_sunny, np.maximum(gust, u + SUNNY_EXCESS), gust)


def least_intensity(sun: ArrayLike, cloud: ArrayLike, wind: ArrayLike) -> Array:
    """The least turbulence intensity to count with aloft, by sun (degrees), cloud and 10 m wind.

    0.15 unless unstable air is ruled out, 0.05 where stable air is proven, else 0.10. The wind of
    6 m/s that rules unstable air out is a band from 4.8 to 7.2 m/s, in which intensity times wind
    stays the same: what thermals stir up does not end with more wind. Source: common practice, no
    source; the band is ours.
    """
    u = np.asarray(wind, dtype=np.float64)
    weaker = np.minimum(u, np.nextafter(UNSTABLE_WIND, 0.0))
    with np.errstate(divide="ignore"):
        stirred = np.clip(FADING / u, LEAST_NEUTRAL, LEAST_UNSTABLE)
    least = np.where(maybe_unstable(sun, cloud, weaker), stirred, LEAST_NEUTRAL)
    return np.where(surely_stable(sun, cloud, wind), LEAST_STABLE, least)


def gust_aloft(wind: ArrayLike, surface_wind: ArrayLike, surface_gust: ArrayLike,
               intensity: ArrayLike, share: float = 1.0) -> Array:  # fmt: skip
    """The gust at a height where the mean wind is ``wind``, m/s; NaN if anything is NaN.

    The largest of: the wind there and ``share`` of the gust's excess at 10 m, which hardly changes
    with height; the 10 m gust; and the wind there with three times its least turbulence.
    Source: near-constant velocity variance in the surface layer (textbooks, from memory).
    """
    u, u10, g10 = (np.asarray(x, dtype=np.float64) for x in (wind, surface_wind, surface_gust))
    carried = np.maximum(u + share * (g10 - u10), g10)
    return np.maximum(carried, u * gust_factor(intensity))


# -- the two ends of an hour ---------------------------------------------------------------------


def other_end(values: ArrayLike) -> Array:
    """Point values at the second end of each hour, time first; NaN behind the last."""
    first = np.asarray(values, dtype=np.float64)
    return np.concatenate([first[1:], np.full((1, *first.shape[1:]), np.nan)])


def larger_end(values: ArrayLike) -> Array:
    """The larger of the point values at both ends of each hour; NaN where either is missing."""
    return np.maximum(np.asarray(values, dtype=np.float64), other_end(values))


# -- recipes -------------------------------------------------------------------------------------


def _gust(inputs: Inputs) -> Field:
    wind = inputs.fields["wind_speed"].values
    model, hourly = inputs.get("wind_speed_of_gust"), inputs.get("wind_speed_maximum")
    whole_hour = worst_kind(model, hourly) is not Kind.POINT
    gust = np.broadcast_to(beside(None if model is None else model.values, wind.shape), wind.shape)
    if whole_hour and model is not None and model.kind is Kind.POINT:
        gust = larger_end(gust)
    estimated = np.isnan(gust)
    if estimated.any():
        estimate = gust_from_turbulence(
            wind,
            _roughness(inputs),
            beside(inputs.values("solar_elevation_angle"), wind.shape),
            beside(inputs.values("cloud_area_fraction"), wind.shape),
        )
        gust = np.where(estimated, larger_end(estimate) if whole_hour else estimate, gust)
    gust = np.maximum(gust, larger_end(wind) if whole_hour else wind)
    if hourly is not None:  # an hour without it is not worse known than a model without it
        largest = beside(hourly.values, wind.shape)
        gust = np.where(largest > gust, largest, gust)
    return make_field(
        "gust",
        gust,
        kind=Kind.MAXIMUM if whole_hour else Kind.POINT,
        origin=estimated.astype(np.uint8),
        origins=GUST_ORIGINS,
    )


def _roughness(inputs: Inputs) -> Array:
    """The site's own roughness, else the model's, else that of roughly open country."""
    own = inputs.site.roughness_length
    found = inputs.values("surface_roughness_length") if own is None else np.asarray(own)
    if found is None:
        return np.asarray(ROUGHNESS)
    return np.where(np.isnan(found), ROUGHNESS, found.astype(np.float64))


def _ends(inputs: Inputs, wind_name: str) -> list[tuple[Array, Array]]:
    """Gust and wind on high, at the instant, or at both ends for a gust of the whole hour."""
    gust, surface = inputs.fields["gust"], inputs.fields["wind_speed"].values
    aloft = inputs.fields[wind_name].values
    intensity = np.broadcast_to(
        least_intensity(
            beside(inputs.values("solar_elevation_angle"), surface.shape),
            beside(inputs.values("cloud_area_fraction"), surface.shape),
            surface,
        ),
        surface.shape,
    )
    if gust.kind is Kind.POINT:
        return [(gust_aloft(aloft, surface, gust.values, intensity), aloft)]
    # Nobody knows when in the hour the gust came: its excess is taken over the weaker wind.
    weaker = np.minimum(np.asarray(surface, dtype=np.float64), other_end(surface))
    return [
        (gust_aloft(u, weaker, gust.values, i), u)
        for u, i in ((aloft, intensity), (other_end(aloft), other_end(intensity)))
    ]


def _worst(parts: list[Array]) -> Array:
    return parts[0] if len(parts) == 1 else np.maximum(parts[0], parts[1])


def _carried(name: str, wind_name: str, inputs: Inputs) -> Field:
    """A gust on high: estimated where the 10 m gust is, else had as the wind there was had."""
    gust, wind = inputs.fields["gust"], inputs.fields[wind_name]
    origin = _origin_of(wind, gust.kind)
    if gust.origin is not None:
        origin = np.where(gust.origin == ESTIMATED, len(WIND_ORIGINS), origin).astype(np.uint8)
    values = _worst([g for g, _ in _ends(inputs, wind_name)])
    return make_field(
        name,
        values,
        kind=gust.kind,
        origin=origin,
        origins=(*WIND_ORIGINS, GUST_ORIGINS[ESTIMATED]),
    )


def _origin_of(wind: Field, kind: Kind) -> NDArray[np.uint8]:
    """The origin of a wind at each instant, or the poorer of both ends of the hour."""
    own = np.zeros(wind.values.shape, np.uint8) if wind.origin is None else wind.origin
    if kind is Kind.POINT:
        return own
    poorer: NDArray[np.uint8] = np.maximum(own, np.concatenate([own[1:], own[-1:]]))
    return poorer


def _gust_at_flight_height(inputs: Inputs) -> Field:
    return _carried("gust_at_flight_height", "wind_speed_at_flight_height", inputs)


def _gust_layer(inputs: Inputs) -> Field:
    return _carried("gust_layer_maximum", "wind_speed_layer_maximum", inputs)


def _spread(inputs: Inputs) -> Field:
    gust = inputs.fields["gust"]
    spread = _worst([g - u for g, u in _ends(inputs, "wind_speed_at_flight_height")])
    return make_field(
        "gust_spread", spread, kind=gust.kind, origin=gust.origin, origins=gust.origins
    )


def _thermals(inputs: Inputs) -> Field:
    air = inputs.fields["air_temperature"].values
    flux = inputs.get("surface_upward_sensible_heat_flux")
    kind = worst_kind(flux)
    heat = np.broadcast_to(beside(None if flux is None else flux.values, air.shape), air.shape)
    estimated = np.isnan(heat)
    if estimated.any():
        estimate = heat_flux_from_sun(
            beside(inputs.values("solar_elevation_angle"), air.shape),
            beside(inputs.values("cloud_area_fraction"), air.shape),
        )
        if kind is not Kind.POINT:
            estimate = larger_end(np.broadcast_to(estimate, air.shape))
        heat = np.where(estimated, estimate, heat)
    depth = beside(inputs.values("atmosphere_boundary_layer_thickness"), air.shape)
    pressure = beside(inputs.values("surface_air_pressure"), air.shape)
    scale = convective_velocity(
        heat,
        np.where(np.isnan(depth), DEPTH, depth),
        air,
        np.where(np.isnan(pressure), STANDARD_PRESSURE, pressure),
    )
    return make_field(
        "convective_velocity_scale",
        scale,
        kind=kind,
        origin=estimated.astype(np.uint8),
        origins=("direct", "estimated from sun and cloud"),
    )


def _wind_on_level(inputs: Inputs, column: Column, height: float) -> tuple[Array, Array]:
    """Eastward and northward wind at a height, from its own level if the forecast has one."""
    u, v = (level_of(inputs.get(f"{way}ward_wind"), height) for way in ("east", "north"))
    if u is not None and v is not None:
        return u, v
    wind = wind_at(column, height)
    return wind.eastward, wind.northward


def _richardson(inputs: Inputs) -> Field | None:
    aloft, column = inputs.fields["air_temperature_at_heights"], column_of(inputs)
    surface = surface_components(inputs)
    if aloft.levels is None or column is None or surface is None:
        return None
    usable = aloft.levels[(aloft.levels >= LEAST_TOP) & (aloft.levels <= TOP_OF_LAYER)]
    if usable.size == 0:
        return None
    top = float(usable.max())
    wind = _wind_on_level(inputs, column, top)
    warm = aloft.values[:, int(np.flatnonzero(aloft.levels == top)[0])].astype(np.float64)
    below = inputs.fields["air_temperature"].values.astype(np.float64)
    number = bulk_richardson(
        warm - below,
        top - SCREEN_HEIGHT,
        speed_of(wind[0] - surface[0], wind[1] - surface[1]),
        top - REFERENCE_HEIGHT,
        (warm + below) / 2,
    )
    return make_field("bulk_richardson_number", number)


_AIR = ("solar_elevation_angle", "cloud_area_fraction")
_HIGH = (
    "near-constant velocity variance in the surface layer (from memory); turbulence: "
    "EN 1991-1-4 (4.7)"
)

RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "gust", ("wind_speed",), _gust,
        "the model's gust, at least the wind and the largest wind of the hour; without one "
        "U10 (1 + 3 / ln(10 / z0))",
        "NOAA UPP CALGUST.f (not clipped there); estimate: EN 1991-1-4 (4.7)",
        uses=("wind_speed_of_gust", "wind_speed_maximum", "surface_roughness_length", *_AIR),
        validity="a model's gust says nothing about a jet above a shallow night-time layer",
    ),
    Recipe(
        "gust_at_flight_height", ("gust", "wind_speed", "wind_speed_at_flight_height"),
        _gust_at_flight_height,
        "largest of wind at height + gust excess at 10 m, gust at 10 m, wind at height with "
        "three times its least turbulence",
        _HIGH, uses=_AIR, validity="10 to 120 m",
    ),
    Recipe(
        "gust_layer_maximum", ("gust", "wind_speed", "wind_speed_layer_maximum"), _gust_layer,
        "as the gust at flight height, over the strongest wind of the layer",
        _HIGH, uses=_AIR, validity="10 to 120 m",
    ),
    Recipe(
        "gust_spread", ("gust", "wind_speed", "wind_speed_at_flight_height"), _spread,
        "gust less mean wind at flight height", _HIGH, uses=_AIR,
        validity="10 to 120 m; a gust of the whole hour is held against the weaker wind",
    ),
    Recipe(
        "convective_velocity_scale", ("air_temperature",), _thermals,
        "w* from the heat flux; without one from sun and cloud over dry grass",
        "AMS Glossary, convective velocity scale; Haurwitz 1945; Kasten & Czeplak 1980",
        uses=(
            "surface_upward_sensible_heat_flux", "atmosphere_boundary_layer_thickness",
            "surface_air_pressure", *_AIR,
        ),
        validity="by day over land; without a flux from the model within a third or so",
    ),
    Recipe(
        "bulk_richardson_number",
        ("eastward_wind", "northward_wind", "air_temperature", "air_temperature_at_heights"),
        _richardson,
        "stratification over shear squared between the ground and the highest level up to 120 m",
        "Stull 1988; MetPy gradient_richardson_number",
        uses=(
            "eastward_wind_on_levels", "northward_wind_on_levels",
            "geopotential_height_on_levels", "surface_altitude",
        ),
        validity="20 to 120 m; means little by day; missing without a temperature aloft",
    ),
)  # fmt: skip
