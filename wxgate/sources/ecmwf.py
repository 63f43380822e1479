"""ECMWF IFS open data, 0.25 degree, global: every 3 h to 144 h, then every 6 h.

Neither visibility nor ceiling is published: both stay missing. The gust is the largest since the
step before, so it is laid on every hour of that interval.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from wxgate.errors import DataError
from wxgate.forecast import Field, Forecast
from wxgate.sources.base import Plan, Request, Source, Toolbox
from wxgate.sources.dialect import Dialect
from wxgate.sources.endpoints import Entry
from wxgate.sources.gridmodel import GridModel
from wxgate.sources.jsonindex import find_in_index, index_url, parse_index
from wxgate.sources.plan import plan_model
from wxgate.sources.sitefields import (
    MOST_NEARBY,
    SHARE_NEARBY,
    TERRAIN,
    notes_on,
    site_fields,
)

NAME = "ecmwf"

#: Where the model's terrain is looked for, in this order.
_TERRAIN_PRODUCTS = ("terrain", "terrain_of_aifs")
_NOT_PUBLISHED = ("visibility_in_air", "ceiling_height")


def fetch(request: Request, tools: Toolbox) -> Forecast:
    """The newest run that reaches to the request's end, at the grid point nearest to the site.

    DataError when no run can be had.
    """
    with open_model(SOURCE, request, tools) as model:
        found = model.fetch_newest()
        notes = [*found.notes, *notes_on(found.sampler, found.steps, request.wanted)]
        fields = site_fields(found.sampler, found.steps, model.time, model.rules, NAME)
        fields |= _terrain(model, found.run, notes)
        fields = _above_known_ground(fields, notes)
        notes += not_published(request)
        return model.forecast(found.run, fields, (found.sampler,), notes)


def plan(request: Request, tools: Toolbox) -> Plan:
    """See :func:`wxgate.sources.plan.plan_model`."""
    return plan_model(SOURCE, request, tools, open_model)


def open_model(source: Source, request: Request, tools: Toolbox) -> GridModel:
    """The model with the index and the file names that ECMWF has."""
    entry = Entry(tools.endpoints, "").entry(NAME)

    def parts(run: datetime) -> Mapping[str, str]:
        return {"stream": stream_of(entry, run)}

    return GridModel(source, request, tools, Dialect(index_url, parse_index, find_in_index, parts))


def stream_of(entry: Entry, run: datetime) -> str:
    """What the stream of the high-resolution run is called in the file names of a run."""
    stream = entry.entry("stream")
    try:
        change = datetime.fromisoformat(stream.text("before"))
    except ValueError as error:
        raise stream.fault("before", "must be a time such as 2026-05-12T06:00Z") from error
    earlier = run < (change if change.tzinfo else change.replace(tzinfo=UTC))
    between = run.hour in stream.wholes("of_hours")
    return stream.text("then") if earlier and between else stream.text("now")


def not_published(request: Request) -> list[str]:
    """A note on what the open data never hold, where it is asked for."""
    absent = [name for name in _NOT_PUBLISHED if request.wants(name)]
    return [f"not published by this source: {', '.join(absent)}"] if absent else []


def _terrain(model: GridModel, run: datetime, notes: list[str]) -> dict[str, Field]:
    """The model's terrain at the site; nothing, and a note, where no place has it."""
    products = [name for name in _TERRAIN_PRODUCTS if model.has_product(name)]
    for name in products:
        try:
            found = model.fetcher(name).fetch_run(run, [0])
        except DataError:
            continue
        return site_fields(found.sampler, [0], model.time, model.rules, NAME)
    if products:
        notes.append("the height of the model's terrain could not be had")
    return {}


def _above_known_ground(fields: dict[str, Field], notes: list[str]) -> dict[str, Field]:
    """The fields without those on pressure levels where the ground below them is not known."""
    on_levels = [name for name in fields if name.endswith("_on_levels")]
    if TERRAIN in fields or not on_levels:
        return fields
    notes.append("pressure levels are left out: their height above ground cannot be told")
    return {name: field for name, field in fields.items() if name not in on_levels}


SOURCE = Source(
    name=NAME,
    title="ECMWF IFS open data 0.25 degree",
    gives=(
        "eastward_wind", "northward_wind", "wind_speed_of_gust", "air_temperature",
        "dew_point_temperature", "surface_air_pressure",
        "lwe_thickness_of_precipitation_amount", "categorical_rain",
        "categorical_freezing_rain", "categorical_ice_pellets", "categorical_snow",
        "cloud_area_fraction", "convective_available_potential_energy",
        "eastward_wind_on_levels", "northward_wind_on_levels", "air_temperature_on_levels",
        "geopotential_height_on_levels", "surface_altitude", SHARE_NEARBY, MOST_NEARBY,
    ),
    resolution="28 km (0.25 degree), every 3 h to 144 h, then every 6 h to 360 h",
    runs="00, 06, 12 and 18 UTC, out about 6 h later; 06 and 18 reach to 144 h",
    licence="CC BY 4.0 with the ECMWF Terms of Use",
    credit=(
        "Copyright (c) European Centre for Medium-Range Weather Forecasts (ECMWF), "
        "www.ecmwf.int, CC BY 4.0, modified by wxgate. ECMWF accepts no liability."
    ),
    fetch=fetch,
    plan=plan,
)  # fmt: skip
