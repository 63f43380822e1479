"""The US National Weather Service's forecast for a grid cell of 2.5 km, edited by its offices.

Equal hours come merged into one interval, whose value holds at every hour in it; sums of rain are
not merged and belong to their own interval, so each is laid whole on every hour that it overlaps:
it is the most that any of them can have. A gust is taken as a value at the instant: whether it is
meant at the hour or during it, it then counts in the hours on both sides.

Visibility and ceiling are filled by some offices only. Chances of rain and thunder are no quantity
of the vocabulary and are left out.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import numpy as np

from wxgate.errors import DataError
from wxgate.forecast import HOUR, Field, Forecast, hours_axis, make_field, to_datetime64
from wxgate.http import NotThere
from wxgate.quantities import quantity
from wxgate.sources.base import Plan, Request, Source, Toolbox
from wxgate.sources.endpoints import Entry
from wxgate.sources.nwscell import (
    NAME,
    Cell,
    cell_of,
    grid_address,
    points_address,
    read_cell,
)
from wxgate.sources.place import read_service
from wxgate.sources.plan import kept_copy, plan_polled
from wxgate.sources.pointjson import (
    Answer,
    Array,
    Hours,
    constant,
    fault,
    forecast_of,
    member,
    moment,
    needed,
    number,
    place_text,
    read_object,
    told,
    wind_fields,
)
from wxgate.sources.polled import Polled

#: The layer of each quantity at the instant; wind, rain and weather are told apart.
LAYERS = {
    "temperature": "air_temperature",
    "dewpoint": "dew_point_temperature",
    "relativeHumidity": "relative_humidity",
    "skyCover": "cloud_area_fraction",
    "visibility": "visibility_in_air",
    "ceilingHeight": "ceiling_height",
    "windGust": "wind_speed_of_gust",
}
RAIN = "lwe_thickness_of_precipitation_amount"
#: What is falling, as the weather layer has it, for each flag.
FALLING = {
    "categorical_rain": {"rain", "rain_showers", "drizzle", "thunderstorms"},
    "categorical_freezing_rain": {"freezing_rain", "freezing_drizzle"},
    "categorical_ice_pellets": {"sleet", "ice_pellets"},
    "categorical_snow": {"snow", "snow_showers"},
}

_N = r"(\d{1,9})"  # more figures than that are no length of time
_DURATION = re.compile(rf"P(?:{_N}W)?(?:{_N}D)?(?:T(?:{_N}H)?(?:{_N}M)?(?:{_N}S)?)?", re.ASCII)


def fetch(request: Request, tools: Toolbox) -> Forecast:
    """The forecast of the cell that holds the site, with the office's update as its run.

    DataError outside the United States, and when nothing could be had.
    """
    endpoints = Entry(tools.endpoints, "")
    entry = endpoints.entry(NAME)
    service = read_service(endpoints, entry.text("service"))
    tools.progress(0, 2, "National Weather Service")
    with tools.client(service) as to_points, tools.client(service) as to_grid:
        poll = timedelta(seconds=entry.number("poll_s"))
        files = Polled(NAME, request.now, poll, tools, to_grid)

        def cell(days: float) -> Cell:
            points = Polled(NAME, request.now, timedelta(days=days), tools, to_points)
            return cell_of(entry, request, points)

        found = _grid(entry, files, cell, entry.number("point_days"))
    tools.progress(2, 2, "National Weather Service")
    time = hours_axis(request.start, request.hours)
    return forecast_of(NAME, entry, request, time, read_answer(found, Hours(time)), files)


def plan(request: Request, tools: Toolbox) -> Plan:
    """The cell, and the look-up of which cell it is where that is not kept."""
    entry = Entry(tools.endpoints, "").entry(NAME)
    points = points_address(entry, request)
    days = timedelta(days=entry.number("point_days"))
    copy = kept_copy(NAME, points, tools)
    files = [("", entry.number("kb"))]
    if copy is not None and request.now - copy.fetched < days:
        with suppress(DataError):
            files = [(grid_address(entry, read_cell(copy.content)), entry.number("kb"))]
    else:
        files.append((points, entry.number("point_kb")))
    return plan_polled(SOURCE, request, tools, files)


def read_answer(found: Mapping[str, Any], hours: Hours) -> Answer:
    """What the gridpoint says of these hours; DataError for another form."""
    layers = needed(found, dict, "properties")
    updated = moment(needed(layers, str, "updateTime"))

    def laid(name: str, unit: str) -> Array:
        layer = _Layer(name, layers.get(name))
        return hours.in_units(layer.at_hours(hours, number), layer.unit, unit, name)

    fields: dict[str, Field] = {
        name: make_field(name, laid(theirs, quantity(name).units), source=NAME)
        for theirs, name in LAYERS.items()
    }
    fields |= wind_fields(
        {10.0: (laid("windSpeed", "m s-1"), laid("windDirection", "degree"))}, NAME
    )
    rain = _Layer("quantitativePrecipitation", layers.get("quantitativePrecipitation"))
    sums = hours.in_units(rain.over_hours(hours), rain.unit, "mm", rain.name)
    fields[RAIN] = make_field(RAIN, sums, source=NAME)
    weather = _Layer("weather", layers.get("weather"))
    for name, words in FALLING.items():
        flags = weather.at_hours(hours, partial(_falls, words))
        fields[name] = make_field(name, flags, source=NAME)
    height = number(member(layers, "elevation", "value"))
    if member(layers, "elevation", "unitCode") not in ("wmoUnit:m", "unit:m"):
        height = math.nan
    fields |= constant("surface_altitude", height, NAME)
    return Answer(fields, updated, place_text(*_middle(found), height), hours.faults)


class _Layer:
    """One layer: a unit, and values that hold over intervals."""

    def __init__(self, name: str, found: Any) -> None:
        self.name = name
        uom = member(found, "uom")
        # "wmoUnit:km_h-1", and "unit:km_h-1" in former years.
        self.unit = uom.rsplit(":", 1)[-1] if isinstance(uom, str) else None
        values = member(found, "values")
        self._values = values if isinstance(values, list) else []

    def at_hours(self, hours: Hours, read: Callable[[Any], float]) -> Array:
        """The value that holds at each hour, NaN where none does."""
        laid = hours.empty()
        for start, end, value in self._intervals():
            laid[(hours.time >= start) & (hours.time < end)] = read(value)
        return laid

    def over_hours(self, hours: Hours) -> Array:
        """The sum of the whole intervals that overlap each hour, NaN where none does."""
        total, told_of = np.zeros(hours.time.shape), np.zeros(hours.time.shape, dtype=bool)
        for start, end, value in self._intervals():
            over = (hours.time < end) & (hours.time + HOUR > start)
            total[over] += number(value)
            told_of |= over
        return np.where(told_of, total, np.nan)

    def _intervals(self) -> Iterator[tuple[np.datetime64, np.datetime64, Any]]:
        for row in self._values:
            start, end = interval(member(row, "validTime"))
            yield to_datetime64(start), to_datetime64(end), member(row, "value")


def interval(found: Any) -> tuple[datetime, datetime]:
    """Start and end of ``2026-11-25T18:00:00+00:00/PT3H``; DataError for another form."""
    start, _, length = found.partition("/") if isinstance(found, str) else ("", "", "")
    match = _DURATION.fullmatch(length)
    if match is None or not any(match.groups()):
        raise fault(f"the interval {str(found)[:60]!r}")
    weeks, days, hours, minutes, seconds = (int(part or 0) for part in match.groups())
    begin = moment(start)
    try:
        return begin, begin + timedelta(days, seconds, 0, 0, minutes, hours, weeks)
    except OverflowError as error:
        raise fault(f"the interval {found[:60]!r}") from error


def _falls(words: set[str], value: Any) -> float:
    """Whether any of the weathers at that hour is one of the words; NaN where none are told."""
    if not isinstance(value, list):
        return math.nan
    told = [member(one, "weather") for one in value]
    if not all(word is None or isinstance(word, str) for word in told):
        return math.nan
    return float(any(word in words for word in told))


def _middle(found: Mapping[str, Any]) -> tuple[float, float]:
    """The middle of the cell's outline, latitude and longitude; NaN where it has none."""
    rings = member(found, "geometry", "coordinates")
    try:
        corners = np.asarray(rings[0][:-1], dtype=np.float64)
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            longitude, latitude = corners.sum(axis=0) / len(corners)
    except (TypeError, ValueError, IndexError, KeyError, OverflowError):
        return math.nan, math.nan
    if not (abs(latitude) <= 90 and abs(longitude) <= 360):
        return math.nan, math.nan
    return float(latitude), float(longitude)


# ------------------------------------------------------------------------------------- asking


def _grid(
    entry: Entry, files: Polled, cell: Callable[[float], Cell], point_days: float
) -> Mapping[str, Any]:
    """The answer of the cell; once more by a fresh look-up when the cell is no longer there."""
    known = cell(point_days)
    read = _NeverOlder()
    try:
        return files.read(grid_address(entry, known), "json", read)
    except NotThere:
        now = cell(0.0)
        if now == known:
            raise
    return files.read(grid_address(entry, now), "json", _NeverOlder())


class _NeverOlder:
    """Reads the gridpoint, and refuses one that is older than one read before.

    The network in front of the service now and then hands out an older copy than the time before.
    The reader sees the copy that is kept first, so that an older answer leaves that copy in place.
    """

    def __init__(self) -> None:
        self._newest: datetime | None = None

    def __call__(self, content: bytes) -> Mapping[str, Any]:
        found = read_object(content)
        if not isinstance(member(found, "properties"), dict):
            # A problem document: its own words are the best that can be told.
            problem = member(found, "title") or member(found, "detail")
            raise fault(f"the problem {problem!r}" if problem else f"an object with {told(found)}")
        updated = moment(needed(found, str, "properties", "updateTime"))
        for name in (*LAYERS, "windSpeed", "windDirection", "quantitativePrecipitation", "weather"):
            list(_Layer(name, found["properties"].get(name))._intervals())
        if self._newest is not None and updated < self._newest:
            raise DataError(
                f"the service handed out a forecast of {updated:%d %b %H:%M} UTC, older than the "
                f"one of {self._newest:%d %b %H:%M} UTC that is kept",
                where=NAME,
                remedy="Try again later.",
            )
        self._newest = updated
        return found


SOURCE = Source(
    name=NAME,
    title="US National Weather Service gridpoint forecast",
    gives=(
        "eastward_wind", "northward_wind", *LAYERS.values(), RAIN, *FALLING, "surface_altitude",
    ),
    resolution="2.5 km, hourly at first, then every 3 to 6 h; United States",
    runs="edited by the offices several times a day",
    licence="US government work, public domain",
    credit=(
        "Contains data of the US National Oceanic and Atmospheric Administration (NOAA), "
        "modified by wxgate. NOAA does not endorse this tool."
    ),
    fetch=fetch,
    plan=plan,
)  # fmt: skip
