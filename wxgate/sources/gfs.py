"""NOAA GFS, 0.25 degree, global: hourly steps to 120 h, three-hourly to 384 h."""

from __future__ import annotations

from wxgate.forecast import Forecast
from wxgate.sources.base import Plan, Request, Source, Toolbox
from wxgate.sources.gridmodel import fetch_model
from wxgate.sources.plan import plan_model
from wxgate.sources.sitefields import MOST_NEARBY, SHARE_NEARBY

NAME = "gfs"


def fetch(request: Request, tools: Toolbox) -> Forecast:
    """See :func:`wxgate.sources.gridmodel.fetch_model`."""
    return fetch_model(SOURCE, request, tools)


def plan(request: Request, tools: Toolbox) -> Plan:
    """See :func:`wxgate.sources.plan.plan_model`."""
    return plan_model(SOURCE, request, tools)


SOURCE = Source(
    name=NAME,
    title="NOAA GFS 0.25 degree",
    gives=(
        "eastward_wind", "northward_wind", "eastward_wind_on_levels", "northward_wind_on_levels",
        "air_temperature_on_levels", "geopotential_height_on_levels",
        "air_temperature_at_heights", "wind_speed_of_gust", "air_temperature",
        "dew_point_temperature", "surface_air_pressure", "visibility_in_air", "ceiling_height",
        "cloud_area_fraction", "low_type_cloud_area_fraction",
        "lwe_thickness_of_precipitation_amount",
        "lwe_thickness_of_convective_precipitation_amount", "lwe_precipitation_rate",
        "categorical_rain", "categorical_freezing_rain", "categorical_ice_pellets",
        "categorical_snow", "convective_available_potential_energy", "convective_inhibition",
        "atmosphere_boundary_layer_thickness", "surface_upward_sensible_heat_flux",
        "surface_roughness_length", "surface_altitude", SHARE_NEARBY, MOST_NEARBY,
    ),
    resolution="28 km (0.25 degree), hourly to 120 h, then every 3 h to 384 h",
    runs="00, 06, 12 and 18 UTC, out about 4 h later",
    licence="US government work, open through NOAA Open Data Dissemination",
    credit=(
        "Contains data of the US National Oceanic and Atmospheric Administration (NOAA), "
        "modified by wxgate. NOAA does not endorse this tool."
    ),
    fetch=fetch,
    plan=plan,
)  # fmt: skip
