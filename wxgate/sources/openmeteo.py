"""Open-Meteo: many models blended for one point, with winds at several heights; worldwide.

The free service is for non-commercial use, so nothing is asked until the endpoints say that this
is one. A gust is the largest of the hour *before* its time, and rain the sum of that hour: both
are laid on the hour that they speak of. The blend does not tell its runs; the oldest run of the
models that the endpoints name stands for them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from wxgate.errors import DataError
from wxgate.forecast import Field, Forecast, hours_axis, make_field, to_datetime
from wxgate.quantities import Kind, quantity
from wxgate.sources.base import Plan, Request, Source, Toolbox
from wxgate.sources.endpoints import Entry
from wxgate.sources.place import read_service
from wxgate.sources.plan import plan_polled
from wxgate.sources.pointjson import (
    Answer,
    Array,
    Hours,
    constant,
    coordinate,
    east,
    fault,
    forecast_of,
    needed,
    number,
    place_text,
    read_object,
    wind_fields,
)
from wxgate.sources.polled import Polled

NAME = "openmeteo"

#: Their name for each quantity at the instant; wind and weather codes are told apart.
INSTANT = {
    "temperature_2m": "air_temperature",
    "dew_point_2m": "dew_point_temperature",
    "relative_humidity_2m": "relative_humidity",
    "surface_pressure": "surface_air_pressure",
    "visibility": "visibility_in_air",
    "cloud_cover": "cloud_area_fraction",
    "cloud_cover_low": "low_type_cloud_area_fraction",
    "cape": "convective_available_potential_energy",
    "boundary_layer_height": "atmosphere_boundary_layer_thickness",
}
#: What is told of the hour before its time.
PRECEDING = {
    "wind_gusts_10m": ("wind_speed_of_gust", Kind.MAXIMUM),
    "precipitation": ("lwe_thickness_of_precipitation_amount", Kind.SUM),
}
#: Weather codes of the service (a part of WMO code table 4677) for each flag.
CODES = {
    "categorical_rain": (51, 53, 55, 61, 63, 65, 80, 81, 82, 95, 96, 99),
    "categorical_freezing_rain": (56, 57, 66, 67),
    "categorical_snow": (71, 73, 75, 77, 85, 86),
}
HOUR = timedelta(hours=1)
LAST_SECOND = 250_000_000_000  #: since 1970; what lies beyond is no time


def fetch(request: Request, tools: Toolbox) -> Forecast:
    """The blend for the point. DataError unless the use is declared as non-commercial."""
    endpoints = Entry(tools.endpoints, "")
    entry = endpoints.entry(NAME)
    _check_use(entry)
    poll = timedelta(seconds=entry.number("poll_s"))
    time = hours_axis(request.start, request.hours)
    tools.progress(0, 1, "Open-Meteo")
    with tools.client(read_service(endpoints, entry.text("service"))) as client:
        files = Polled(NAME, request.now, poll, tools, client)
        found = files.read(_address(entry, request, time), "json", _checked)
        run = _oldest_run(entry, files)
    tools.progress(1, 1, "Open-Meteo")
    answer = read_answer(
        found, Hours(time), heights=_heights(entry), clearest=entry.number("clearest_m"), run=run
    )
    return forecast_of(NAME, entry, request, time, answer, files)


def plan(request: Request, tools: Toolbox) -> Plan:
    """One file for the point, and a small one for each model's run; DataError as for a fetch."""
    entry = Entry(tools.endpoints, "").entry(NAME)
    _check_use(entry)
    url = _address(entry, request, hours_axis(request.start, request.hours))
    runs = [
        (_run_address(entry, model), entry.number("run_kb")) for model in entry.texts("runs_of")
    ]
    return plan_polled(SOURCE, request, tools, [(url, entry.number("kb")), *runs])


def _check_use(entry: Entry) -> None:
    if not entry.flag("noncommercial"):
        raise DataError(
            "Open-Meteo is free for non-commercial use only, and this use is not declared as that:"
            " it was not asked",
            where=NAME,
            remedy="If it is, write noncommercial: true below openmeteo: in your endpoints.yaml.",
        )


def read_answer(
    found: Mapping[str, Any], hours: Hours, *, heights: tuple[int, ...], clearest: float,
    run: datetime | None,
) -> Answer:  # fmt: skip
    """What the answer says of these hours; DataError for another form.

    No visibility is taken beyond ``clearest`` (m). Units are those that it tells.
    """
    table, units = needed(found, dict, "hourly"), needed(found, dict, "hourly_units")
    moments = [datetime.fromtimestamp(at, UTC) for at in table["time"]]

    def laid(theirs: str, unit: str, shift: timedelta = timedelta(0)) -> Array:
        row = table.get(theirs)
        numbers = [number(value) for value in row] if isinstance(row, list) else []
        if len(numbers) != len(moments):
            return hours.empty()
        values = hours.instants((when - shift for when in moments), numbers)
        return hours.in_units(values, units.get(theirs), unit, theirs)

    fields: dict[str, Field] = {}
    for theirs, name in INSTANT.items():
        values = laid(theirs, quantity(name).units)
        if name == "visibility_in_air":
            values = np.minimum(values, clearest)
        fields[name] = make_field(name, values, source=NAME)
    for theirs, (name, kind) in PRECEDING.items():
        values = laid(theirs, quantity(name).units, HOUR)
        fields[name] = make_field(name, values, kind=kind, source=NAME)
    fields |= wind_fields(
        {
            float(height): (
                laid(f"wind_speed_{height}m", "m s-1"),
                laid(f"wind_direction_{height}m", "degree"),
            )
            for height in heights
        },
        NAME,
    )
    codes = hours.instants(moments, map(number, _column(table, "weather_code", len(moments))))
    for name, those in CODES.items():
        flags = np.where(np.isnan(codes), np.nan, np.isin(codes, those))
        fields[name] = make_field(name, flags, source=NAME)
    height = number(found.get("elevation"))
    # Temperature and pressure are brought to this height: it stands for the model's terrain.
    fields |= constant("surface_altitude", height, NAME)
    place = place_text(number(found.get("latitude")), number(found.get("longitude")), height)
    return Answer(fields, run, place, hours.faults)


def _column(table: Mapping[str, Any], name: str, length: int) -> list[Any]:
    row = table.get(name)
    return row if isinstance(row, list) and len(row) == length else [math.nan] * length


def _checked(content: bytes) -> Mapping[str, Any]:
    """The answer, once it is one: what cannot be read must not take the place of a copy."""
    found = read_object(content)
    if found.get("error"):
        raise DataError(
            f"the service could not answer: {str(found.get('reason'))[:200]}", where=NAME,
            remedy="Correct openmeteo: in your endpoints.yaml, or use another source.",
        )  # fmt: skip
    needed(found, dict, "hourly_units")
    times = needed(found, list, "hourly", "time")
    if not all(type(at) is int and 0 <= at < LAST_SECOND for at in times):
        raise fault(f"times that are no seconds since 1970: {str(times[:2])[:60]}")
    return found


def _address(entry: Entry, request: Request, time: np.ndarray[Any, Any]) -> str:
    """The address for whole days, so that the next hour asks for the same and finds the copy."""
    names = [*INSTANT, *PRECEDING, "weather_code"]
    for height in _heights(entry):
        names += [f"wind_speed_{height}m", f"wind_direction_{height}m"]
    last = to_datetime(time[-1]) + HOUR
    parts = {
        "latitude": coordinate(request.latitude),
        "longitude": coordinate(east(request.longitude)),
        "hourly": ",".join(names),
        "models": entry.text("models"),
        "wind_speed_unit": "ms",
        "timezone": "GMT",
        "timeformat": "unixtime",
        "cell_selection": "land",
        "start_date": f"{to_datetime(time[0]):%Y-%m-%d}",
        "end_date": f"{last:%Y-%m-%d}",
    }
    if request.altitude is not None:
        parts["elevation"] = str(round(request.altitude))
    query = "&".join(f"{name}={value}" for name, value in parts.items())
    return f"{entry.text('root').rstrip('/')}/v1/forecast?{query}"


def _heights(entry: Entry) -> tuple[int, ...]:
    heights = entry.content.get("wind_heights")
    if not isinstance(heights, list) or not all(type(h) is int and h > 0 for h in heights):
        raise entry.fault("wind_heights", "must be a list of whole metres")
    return tuple(heights)


def _oldest_run(entry: Entry, files: Polled) -> datetime | None:
    """The oldest newest run of the models named; None, and a note, when one cannot be told."""
    runs = []
    for model in entry.texts("runs_of"):
        try:
            runs.append(files.read(_run_address(entry, model), "json", _read_run))
        except DataError as error:
            files.notes.append(f"the run of {model} could not be told ({error.what})")
            return None
    return min(runs, default=None)


def _run_address(entry: Entry, model: str) -> str:
    return f"{entry.text('root').rstrip('/')}/data/{model}/static/meta.json"


def _read_run(content: bytes) -> datetime:
    at = needed(read_object(content), int, "last_run_initialisation_time")
    try:
        return datetime.fromtimestamp(at, UTC)
    except (OverflowError, ValueError, OSError) as error:
        raise fault(f"the run {at}") from error


SOURCE = Source(
    name=NAME,
    title="Open-Meteo",
    gives=(
        "eastward_wind", "northward_wind", *INSTANT.values(),
        *(name for name, _ in PRECEDING.values()), *CODES, "surface_altitude",
    ),
    resolution="the best model of each place, 1 to 25 km, hourly to 16 days",
    runs="as its models have them",
    licence="CC BY 4.0; the free service is for non-commercial use",
    credit="Weather data by Open-Meteo.com (https://open-meteo.com/), modified by wxgate.",
    fetch=fetch,
    plan=plan,
)  # fmt: skip
