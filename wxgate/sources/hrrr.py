"""NOAA HRRR, 3 km, contiguous US: hourly to 18 h, the main runs to 48 h; and others on its grid."""

from __future__ import annotations

from wxgate.errors import DataError
from wxgate.forecast import Forecast
from wxgate.sources.base import Plan, Request, Source, Toolbox
from wxgate.sources.domain import check_domain, read_lambert
from wxgate.sources.gridmodel import GridModel
from wxgate.sources.modelrun import Fetched
from wxgate.sources.plan import plan_model
from wxgate.sources.quarters import with_quarters
from wxgate.sources.sitefields import MOST_NEARBY, SHARE_NEARBY, notes_on, site_fields

NAME = "hrrr"
QUARTERS = "quarters"


def fetch_regional(source: Source, request: Request, tools: Toolbox) -> Forecast:
    """The run that reaches furthest into the request, the newest of such, at the nearest cell.

    Winds are turned from the grid's axes to east and north; gust, visibility and precipitation
    rate are the worst of the quarters within half an hour, where the model tells them. DataError
    when no run can be had, or the site lies outside the model's domain.
    """
    with GridModel(source, request, tools) as model:
        check_covered(model)
        found = model.fetch_newest()
        fields = site_fields(found.sampler, found.steps, model.time, model.rules, source.name)
        notes = [*found.notes, *notes_on(found.sampler, found.steps, request.wanted)]
        samplers = [found.sampler]
        if model.has_product(QUARTERS):
            try:
                quarters = _fetch_quarters(model, found)
            except DataError as error:
                notes.append(f"without the quarters between the full hours ({error.what})")
            else:
                fields = with_quarters(fields, quarters.sampler, model.time, found.run)
                notes += [f"quarters of an hour: {note}" for note in quarters.notes]
                samplers.append(quarters.sampler)
        return model.forecast(found.run, fields, samplers, notes)


def check_covered(model: GridModel) -> None:
    """DataError for a site outside the model's domain."""
    domain = read_lambert(model.entry.entry("domain"))
    request = model.request
    check_domain(domain, model.source.title, request.latitude, request.longitude)


def _fetch_quarters(model: GridModel, found: Fetched) -> Fetched:
    """The files of the run's quarters, of each hour of the request that has them."""
    reach = model.timetable(QUARTERS).steps(found.run, model.first, model.last)
    # A file holds the quarters of the hour that it ends: that of the first instant tells nothing.
    steps = [step for step in reach[1:] if step <= found.steps[-1]]
    if not steps:
        raise DataError("the run has them for earlier hours only")
    return model.fetcher(QUARTERS).fetch_run(found.run, steps)


def regional(name: str, title: str, *, resolution: str, runs: str) -> Source:
    """A model of NCEP on a Lambert grid, its entry of this name in the endpoints."""

    def fetch(request: Request, tools: Toolbox) -> Forecast:
        return fetch_regional(source, request, tools)

    def plan(request: Request, tools: Toolbox) -> Plan:
        return plan_model(source, request, tools, check=check_covered)

    source = Source(
        name=name,
        title=title,
        gives=(
            "eastward_wind", "northward_wind", "eastward_wind_on_levels",
            "northward_wind_on_levels", "air_temperature_on_levels",
            "geopotential_height_on_levels", "wind_speed_of_gust", "wind_speed_maximum",
            "eastward_wind_at_maximum", "northward_wind_at_maximum", "air_temperature",
            "dew_point_temperature", "surface_air_pressure", "visibility_in_air",
            "ceiling_height", "cloud_area_fraction", "low_type_cloud_area_fraction",
            "lwe_thickness_of_precipitation_amount", "lwe_precipitation_rate",
            "categorical_rain", "categorical_freezing_rain", "categorical_ice_pellets",
            "categorical_snow", "lightning", "convective_available_potential_energy",
            "convective_inhibition", "atmosphere_boundary_layer_thickness",
            "surface_upward_sensible_heat_flux", "surface_roughness_length",
            "surface_altitude", SHARE_NEARBY, MOST_NEARBY,
        ),
        resolution=resolution,
        runs=runs,
        licence="US government work, open through NOAA Open Data Dissemination",
        credit=(
            "Contains data of the US National Oceanic and Atmospheric Administration (NOAA), "
            "modified by wxgate. NOAA does not endorse this tool."
        ),
        fetch=fetch,
        plan=plan,
    )  # fmt: skip
    return source


SOURCE = regional(
    NAME,
    "NOAA HRRR",
    resolution="3 km, contiguous US, hourly to 18 h (48 h at 00, 06, 12 and 18 UTC)",
    runs="every hour, out about 1 h later",
)
