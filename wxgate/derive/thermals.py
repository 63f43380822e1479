"""What stirs the air: thermals by the sun, and shear against stable layers.

The formulas stand in :mod:`wxgate.derive.turbulence`; here they meet the fields of a forecast.
"""

from __future__ import annotations

import numpy as np

from wxgate.derive.column import Column, beside, column_of, level_of, speed_of, wind_at
from wxgate.derive.hours import larger_end
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field, worst_kind
from wxgate.derive.turbulence import (
    STANDARD_PRESSURE,
    bulk_richardson,
    convective_velocity,
    heat_flux_from_sun,
)
from wxgate.derive.wind import REFERENCE_HEIGHT, surface_components
from wxgate.quantities import Kind

SCREEN_HEIGHT = 2.0  #: m, where the air temperature holds


def _thermals(inputs: Inputs) -> Field:
    air = inputs.fields["air_temperature"].values
    flux = inputs.get("surface_upward_sensible_heat_flux")
    kind = worst_kind(flux)
    heat = np.broadcast_to(beside(None if flux is None else flux.values, air.shape), air.shape)
    estimated = np.isnan(heat)
    figures = inputs.figures.thermals
    if estimated.any():
        estimate = heat_flux_from_sun(
            beside(inputs.values("solar_elevation_angle"), air.shape),
            beside(inputs.values("cloud_area_fraction"), air.shape),
            heat_share=figures.heat_share,
        )
        if kind is not Kind.POINT:
            estimate = larger_end(np.broadcast_to(estimate, air.shape))
        heat = np.where(estimated, estimate, heat)
    depth = beside(inputs.values("atmosphere_boundary_layer_thickness"), air.shape)
    pressure = beside(inputs.values("surface_air_pressure"), air.shape)
    scale = convective_velocity(
        heat,
        np.where(np.isnan(depth), figures.depth, depth),
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
    low, high = inputs.figures.thermals.lowest_top, inputs.figures.thermals.highest_top
    usable = aloft.levels[(aloft.levels >= low) & (aloft.levels <= high)]
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


RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "convective_velocity_scale", ("air_temperature",), _thermals,
        "w* from the heat flux; without one from sun and cloud over dry grass",
        "AMS Glossary, convective velocity scale; Haurwitz 1945; Kasten & Czeplak 1980",
        uses=(
            "surface_upward_sensible_heat_flux", "atmosphere_boundary_layer_thickness",
            "surface_air_pressure", "solar_elevation_angle", "cloud_area_fraction",
        ),
        validity="by day over land; without a flux from the model within a third or so",
    ),
    Recipe(
        "bulk_richardson_number",
        ("eastward_wind", "northward_wind", "air_temperature", "air_temperature_at_heights"),
        _richardson,
        "stratification over shear squared between the ground and the highest level up to "
        "{thermals-highest-top}",
        "Stull 1988; MetPy gradient_richardson_number",
        uses=(
            "eastward_wind_on_levels", "northward_wind_on_levels",
            "geopotential_height_on_levels", "surface_altitude",
        ),
        validity="{thermals-lowest-top} to {thermals-highest-top}; means little by day; missing "
        "without a temperature aloft",
    ),
)  # fmt: skip
