"""Reports and forecasts of the nearest airports, from the Aviation Weather Center.

They are no forecast of the site: a check on its first hour, on fog and on the ceiling, and never
carried further. An airport is an open place, often with fewer gusts than a field between trees.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Generic, TypeVar

from wxgate.errors import DataError
from wxgate.forecast import Provenance, digest
from wxgate.grid import KM_PER_DEGREE
from wxgate.grid.sphere import distance_km
from wxgate.sources.aviation_formats import AirportForecast, Report, read_report
from wxgate.sources.aviation_taf import read_taf
from wxgate.sources.base import Request, Toolbox
from wxgate.sources.endpoints import Entry
from wxgate.sources.place import read_service
from wxgate.sources.pointjson import east, fault, number
from wxgate.sources.polled import Polled

NAME = "aviation"
T = TypeVar("T", Report, AirportForecast)

#: Names of what is read of a row: the service has renamed its fields more than once.
RAW = ("rawOb", "rawTAF", "rawText", "raw_text", "raw")
LATITUDE, LONGITUDE = ("lat", "latitude"), ("lon", "lng", "longitude")
TIME = ("obsTime", "issueTime", "observationTime", "reportTime", "bulletinTime", "receiptTime")

_LOOKS_RAW = re.compile(r"(?:(?:METAR|SPECI|TAF|AMD|COR) )*[A-Z][A-Z0-9]{3} \d{6}Z\b")
_AHEAD = timedelta(minutes=15)  # what a clock that is off may make of a report just made


@dataclass(frozen=True, slots=True)
class Nearby(Generic[T]):
    """What the nearest airports say, the nearest first; empty when none says anything."""

    found: tuple[T, ...]
    provenance: Provenance
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the service: the raw text, which is the authority, and where it comes from."""

    raw: str
    latitude: float
    longitude: float
    time: datetime | None  #: roughly when; the raw text tells exactly


def nearest_reports(
    request: Request, tools: Toolbox, *, stations: int | None = None
) -> Nearby[Report]:
    """The newest report of each of the nearest stations, none too old or too far.

    DataError when the service cannot be asked and no copy is kept.
    """
    entry = Entry(tools.endpoints, "").entry(NAME)
    oldest = timedelta(minutes=entry.number("oldest_min"))

    def usable(report: Report) -> bool:
        return request.now - oldest <= report.time <= request.now + _AHEAD

    return _nearest("metar", request, tools, stations, read_report, usable, lambda r: r.time)


def nearest_forecasts(
    request: Request, tools: Toolbox, *, stations: int | None = None
) -> Nearby[AirportForecast]:
    """The newest forecast of each of the nearest airports that have one in force now or later.

    DataError as above.
    """

    def usable(taf: AirportForecast) -> bool:
        return taf.issued <= request.now + _AHEAD and taf.end > request.now

    return _nearest("taf", request, tools, stations, read_taf, usable, lambda t: t.issued)


def _nearest(
    kind: str,
    request: Request,
    tools: Toolbox,
    stations: int | None,
    read: Callable[[str, datetime, float], T | None],
    usable: Callable[[T], bool],
    age: Callable[[T], datetime],
) -> Nearby[T]:
    endpoints = Entry(tools.endpoints, "")
    entry = endpoints.entry(NAME)
    poll = timedelta(seconds=max(entry.number("poll_s"), 60.0))
    radius = entry.number("radius_km")
    notes: list[str]
    files: Polled
    box, notes = box_around(request.latitude, request.longitude, radius)
    url = f"{entry.text('root').rstrip('/')}/{kind}?bbox={box}&format=json"
    tools.progress(0, 1, f"airports ({kind.upper()})")
    with tools.client(read_service(endpoints, entry.text("service"))) as client:
        files = Polled(NAME, request.now, poll, tools, client)
        rows = files.read(url, "json", parse_rows)
    tools.progress(1, 1, f"airports ({kind.upper()})")
    newest: dict[str, T] = {}
    for row, far in _within(rows, request, radius):
        try:
            one = read(row.raw, row.time or request.now, far)
        except DataError as error:
            notes.append(error.what)
            continue
        if one is None or not usable(one):
            continue
        rival = newest.get(one.station)
        if rival is None or age(one) >= age(rival):
            newest[one.station] = one
    nearest = sorted(newest.values(), key=lambda one: one.distance_km)
    limit = entry.whole("stations") if stations is None else stations
    told = tuple(f"{NAME}: {note}" for note in dict.fromkeys((*notes, *files.notes)))
    return Nearby(tuple(nearest[:limit]), _provenance(entry, files), told)


def _within(rows: Iterable[Row], request: Request, radius: float) -> Iterable[tuple[Row, float]]:
    for row in rows:
        far = float(distance_km(request.latitude, request.longitude, row.latitude, row.longitude))
        if far <= radius:
            yield row, far


def _provenance(entry: Entry, files: Polled) -> Provenance:
    return Provenance(
        source=NAME,
        title=entry.text("title"),
        run=None,
        fetched=min(files.fetched),
        sha256=digest(files.contents),
        credit=entry.text("credit"),
        licence=entry.text("licence"),
    )


def box_around(latitude: float, longitude: float, radius_km: float) -> tuple[str, list[str]]:
    """South, west, north, east of a box that holds the circle, and what it leaves out.

    To whole tenths of a degree, so that neighbouring sites ask for the same. It ends at the
    antimeridian, which a box of the service cannot cross.
    """
    up = radius_km / KM_PER_DEGREE
    widest = min(abs(latitude) + up, 89.0)
    aside = min(up / math.cos(math.radians(widest)), 180.0)
    here = east(longitude)
    notes = []
    if here - aside < -180 or here + aside > 180:
        notes.append("airports beyond the antimeridian were not looked for")
    south = max(math.floor((latitude - up) * 10) / 10, -90.0)
    north = min(math.ceil((latitude + up) * 10) / 10, 90.0)
    west = max(math.floor((here - aside) * 10) / 10, -180.0)
    far_east = min(math.ceil((here + aside) * 10) / 10, 180.0)
    return f"{south:.1f},{west:.1f},{north:.1f},{far_east:.1f}", notes


# --------------------------------------------------------------------------------------- format


def parse_rows(content: bytes) -> tuple[Row, ...]:
    """The rows of an answer; an empty answer (204) has none. DataError for another form.

    Rows that have no raw text or no place are left out; DataError when that is all of them.
    """
    if not content.strip():
        return ()
    try:
        found = json.loads(content)
    except (ValueError, RecursionError) as error:
        raise fault(f"no JSON ({error})") from error
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        raise fault(f"{str(found)[:60]} where a list of reports was expected")
    rows = [row for one in found if (row := _row(one)) is not None]
    if found and not rows:
        raise fault(f"reports without raw text or place, with {', '.join(list(found[0])[:8])}")
    return tuple(rows)


def _row(one: Mapping[str, Any]) -> Row | None:
    by_name = {str(name).lower(): value for name, value in one.items()}
    raw = _first(by_name, RAW)
    if not (isinstance(raw, str) and _LOOKS_RAW.match(" ".join(raw.split()))):
        texts = (" ".join(v.split()) for v in by_name.values() if isinstance(v, str))
        raw = next((text for text in texts if _LOOKS_RAW.match(text)), None)
    latitude = number(_first(by_name, LATITUDE))
    longitude = number(_first(by_name, LONGITUDE))
    if raw is None or not (abs(latitude) <= 90 and abs(longitude) <= 360):
        return None
    return Row(" ".join(raw.split()), latitude, longitude, _when(by_name))


def _first(by_name: Mapping[str, Any], names: Iterable[str]) -> Any:
    values = (by_name.get(name.lower()) for name in names)
    return next((value for value in values if value is not None), None)


def _when(by_name: Mapping[str, Any]) -> datetime | None:
    """Roughly when: seconds since 1970 or a text, in UTC; None when neither can be read."""
    for name in TIME:
        value = by_name.get(name.lower())
        try:
            if isinstance(value, str):
                when = datetime.fromisoformat(value)
                return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)
            if type(value) is int:
                return datetime.fromtimestamp(value, UTC)
        except (ValueError, OverflowError, OSError):
            continue
    return None
