"""NOAA GFS, 0.25 degree, global: hourly steps to 120 h, three-hourly to 384 h."""

from __future__ import annotations

from contextlib import ExitStack
from datetime import datetime

from wxgate.forecast import Forecast, Provenance, hours_axis, to_datetime
from wxgate.grid import KM_PER_DEGREE, NEIGHBOUR_CELLS
from wxgate.sources.base import Request, Source, Toolbox
from wxgate.sources.crop import Crop, box_around
from wxgate.sources.endpoints import Entry
from wxgate.sources.gribfile import forecast_from_grib
from wxgate.sources.kept import Kept
from wxgate.sources.mirror import Mirror
from wxgate.sources.modelrun import RunFetcher, Timetable
from wxgate.sources.place import Place, read_service
from wxgate.sources.sampler import Sampler
from wxgate.sources.sitefields import (
    MOST_NEARBY,
    RAIN,
    SHARE_NEARBY,
    needed,
    notes_on,
    place_text,
    read_site_rules,
    site_fields,
)
from wxgate.sources.wanted import Wanted, read_wanted

NAME = "gfs"

__all__ = ["NAME", "SOURCE", "fetch", "forecast_from_grib", "read_timetable"]


def fetch(request: Request, tools: Toolbox) -> Forecast:
    """The newest run that reaches to the request's end, at the grid point nearest to the site.

    By crop or from a mirror, as the endpoints say. DataError when no run of the last day can be
    had, or the site lies outside.
    """
    endpoints = Entry(tools.endpoints, "")
    entry = endpoints.entry(NAME)
    rules = read_site_rules(entry)
    wanted = read_wanted(entry, needed(request.wanted))
    time = hours_axis(request.start, request.hours)

    def sampler(run: datetime) -> Sampler:
        return Sampler(
            request.latitude, request.longitude, run, wanted,
            nearby=frozenset({RAIN}), radius_km=rules.radius_km,
        )  # fmt: skip

    kept = Kept(tools.cache, NAME, request.now)
    with ExitStack() as stack:
        places = _places(request, tools, endpoints, wanted, kept, stack)
        fetcher = RunFetcher(places, read_timetable(entry), sampler, tools.progress)
        found = fetcher.fetch(request.now, to_datetime(time[0]), to_datetime(time[-1]))
    fields = site_fields(found.sampler, found.steps, time, rules, NAME)
    fields = {name: f for name, f in fields.items() if request.wants(name)}
    notes = (*found.notes, *notes_on(found.sampler, found.steps, request.wanted), *kept.faults)
    provenance = Provenance(
        source=NAME,
        title=entry.text("title", SOURCE.title),
        run=found.run,
        fetched=request.now,
        sha256=found.sampler.sha256,
        credit=entry.text("credit", SOURCE.credit),
        licence=entry.text("licence", SOURCE.licence),
        cycle_h=entry.entry("runs").number("every_h"),
        place=place_text(found.sampler.spot),
        notes=notes,
        quantities=tuple(fields),
    )
    return Forecast(time, fields, (provenance,), tuple(f"{NAME}: {note}" for note in notes))


def read_timetable(entry: Entry) -> Timetable:
    """A model's timetable from its entry."""
    runs = entry.entry("runs")
    return Timetable(
        runs.whole("every_h"),
        runs.number("first_step_after_h"),
        runs.number("give_up_after_h"),
        tuple((row.whole("until_h"), row.whole("every_h")) for row in entry.rows("steps")),
    )


def _places(
    request: Request, tools: Toolbox, endpoints: Entry, wanted: tuple[Wanted, ...],
    kept: Kept, stack: ExitStack,
) -> list[Place]:  # fmt: skip
    """The places in the order in which they are to be asked, one client a service."""
    entry = endpoints.entry(NAME)
    mirrors = dict(entry.entries("mirrors"))
    clients = {}
    places: list[Place] = []
    for name in entry.texts("order"):
        if name != "crop" and name not in mirrors:
            raise entry.fault("order", f"names {name!r}, which is neither crop nor a mirror")
        own = entry.entry("crop") if name == "crop" else mirrors[name]
        service = own.text("service")
        if service not in clients:
            clients[service] = stack.enter_context(tools.client(read_service(endpoints, service)))
        client = clients[service]
        if name == "crop":
            cell = own.number("cell_deg")
            # All cells that Grid.neighbours can ask for must be inside.
            radius = entry.entry("neighbourhood").number("radius_km")
            around = max(radius, NEIGHBOUR_CELLS * cell * KM_PER_DEGREE)
            margin = max(own.number("margin_km"), around)
            box = box_around(request.latitude, request.longitude, margin, cell)
            places.append(Crop(own, client, kept, box, wanted, offline=tools.offline))
        else:
            places.append(
                Mirror(name, own, entry, client, kept, now=request.now, offline=tools.offline)
            )
    return places


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
)  # fmt: skip
