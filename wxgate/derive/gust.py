"""Gusts: at 10 m, at flight height, and their spread over the mean wind.

Models mean different things by a gust. A POINT gust is what could come down at that instant; a
MAXIMUM is the strongest of an interval and belongs to all of it. A gust that covers an interval is
combined with the wind at both ends of each hour, and the worse of the two stands for the hour.
The gust itself is never scaled with height: what grows is the wind beneath it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wxgate.derive.column import WIND_ORIGINS, beside
from wxgate.derive.figures import Gust
from wxgate.derive.gust_factors import gust_factor
from wxgate.derive.hours import at_hour_end, larger_end
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field, worst_kind
from wxgate.derive.surface_layer import UNSTABLE_WIND, maybe_unstable, surely_stable
from wxgate.derive.turbulence import turbulence_intensity
from wxgate.quantities import Kind

GUST_ORIGINS = ("direct", "estimated from turbulence")
ESTIMATED = 1
#: City centres (Davenport class 8); the formula fails where the roughness nears 10 m.
LARGEST_ROUGHNESS = 2.0


def gust_from_turbulence(wind: ArrayLike, roughness: ArrayLike, sun: ArrayLike,
                         cloud: ArrayLike, *, figures: Gust) -> Array:  # fmt: skip
    """An estimate of the 10 m gust from the 10 m wind (m/s): U (1 + 3 / ln(10 / z0)).

    At least the sunny excess over the wind unless a low sun or much cloud rule thermals out.
    Source: EN 1991-1-4 (4.7) with a peak factor of 3.
    """
    u, s, c = (np.asarray(x, dtype=np.float64) for x in (wind, sun, cloud))
    z0 = np.minimum(np.asarray(roughness, dtype=np.float64), LARGEST_ROUGHNESS)
    gust = u * gust_factor(turbulence_intensity(10.0, z0))
    may_be_sunny = ~((s <= figures.thermal_sun) | (c >= figures.thermal_cloud))
    return np.where(may_be_sunny, np.maximum(gust, u + figures.sunny_excess), gust)


def least_intensity(sun: ArrayLike, cloud: ArrayLike, wind: ArrayLike, *, figures: Gust) -> Array:
    """The least turbulence intensity to count with aloft, by sun (degrees), cloud and 10 m wind.

    That of unstable air unless it is ruled out, that of stable air where it is proven, else that of
    neutral air. The wind of 6 m/s that rules unstable air out is a band (4.8 to 7.2 m/s by the
    figures that ship), in which intensity times wind stays the same: what thermals stir up does not
    end with more wind. Source: common practice, no source; the band is ours.
    """
    u = np.asarray(wind, dtype=np.float64)
    weaker = np.minimum(u, np.nextafter(UNSTABLE_WIND, 0.0))
    with np.errstate(divide="ignore"):
        fading = figures.fading * UNSTABLE_WIND / u
    stirred = np.clip(fading, figures.least_neutral, figures.least_unstable)
    least = np.where(maybe_unstable(sun, cloud, weaker), stirred, figures.least_neutral)
    return np.where(surely_stable(sun, cloud, wind), figures.least_stable, least)


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
            figures=inputs.figures.gust,
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
    unstated = inputs.figures.gust.roughness
    if found is None:
        return np.asarray(unstated)
    return np.where(np.isnan(found), unstated, found.astype(np.float64))


def _ends(inputs: Inputs, wind_name: str) -> list[tuple[Array, Array]]:
    """Gust and wind on high, at the instant, or at both ends for a gust of the whole hour."""
    gust, surface = inputs.fields["gust"], inputs.fields["wind_speed"].values
    aloft = inputs.fields[wind_name].values
    intensity = np.broadcast_to(
        least_intensity(
            beside(inputs.values("solar_elevation_angle"), surface.shape),
            beside(inputs.values("cloud_area_fraction"), surface.shape),
            surface,
            figures=inputs.figures.gust,
        ),
        surface.shape,
    )
    if gust.kind is Kind.POINT:
        return [(gust_aloft(aloft, surface, gust.values, intensity), aloft)]
    # Nobody knows when in the hour the gust came: its excess is taken over the weaker wind.
    weaker = np.minimum(np.asarray(surface, dtype=np.float64), at_hour_end(surface))
    return [
        (gust_aloft(u, weaker, gust.values, i), u)
        for u, i in ((aloft, intensity), (at_hour_end(aloft), at_hour_end(intensity)))
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
)  # fmt: skip
