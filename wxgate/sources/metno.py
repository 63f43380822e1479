"""MET Norway's Locationforecast 2.0: global, hourly for two to three days, then every six hours.

It tells the wind at 10 m only, a gust in the Nordic countries only, and neither visibility nor
ceiling nor pressure at the ground; all of that stays missing. A gust is taken as a value at the
instant: whether it is meant at the hour or for the hour before it, it then counts in both hours
beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any

import numpy as np

from wxgate.cache import Cache, Key
from wxgate.errors import CacheError, DataError
from wxgate.forecast import Field, Forecast, hours_axis, make_field
from wxgate.http import Body, Refused, Validators
from wxgate.quantities import quantity
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
    forecast_of,
    member,
    moment,
    needed,
    number,
    place_text,
    read_object,
    wind_fields,
)
from wxgate.sources.polled import Polled

NAME = "metno"

#: Their name for each quantity at the instant; wind is told apart.
INSTANT = {
    "air_temperature": "air_temperature",
    "dew_point_temperature": "dew_point_temperature",
    "relative_humidity": "relative_humidity",
    "cloud_area_fraction": "cloud_area_fraction",
    "cloud_area_fraction_low": "low_type_cloud_area_fraction",
    "wind_speed_of_gust": "wind_speed_of_gust",
}
RAIN, THEIR_RAIN = "lwe_thickness_of_precipitation_amount", "precipitation_amount"


def fetch(request: Request, tools: Toolbox) -> Forecast:
    """The forecast for the point, with the service's own update as its run.

    DataError without a contact (the service demands one), outside its coverage, and when nothing
    could be had.
    """
    endpoints = Entry(tools.endpoints, "")
    entry = endpoints.entry(NAME)
    if not tools.offline:
        _check_contact(tools.endpoints.get("contact"))
    url = _address(entry, request)
    expiry = _Expiry(tools.cache, url, request.now)
    poll = max(timedelta(seconds=entry.number("poll_s")), expiry.fresh_for())
    tools.progress(0, 1, "MET Norway")
    with tools.client(read_service(endpoints, entry.text("service"))) as client:
        files = Polled(NAME, request.now, poll, tools, client)
        try:
            found = files.read(url, "json", _checked)
        except Refused as error:
            raise _explained(error) from error
    tools.progress(1, 1, "MET Norway")
    for body in files.answers:
        expiry.keep(body)
    time = hours_axis(request.start, request.hours)
    answer = read_answer(found, Hours(time))
    if any(body.status == 203 for body in files.answers):
        files.notes.append("the service says that this product is a beta or will be withdrawn")
    return forecast_of(NAME, entry, request, time, answer, files)


def plan(request: Request, tools: Toolbox) -> Plan:
    """One file, unless the one that is kept holds still; DataError without a contact."""
    entry = Entry(tools.endpoints, "").entry(NAME)
    _check_contact(tools.endpoints.get("contact"))
    url = _address(entry, request)
    fresh_for = _Expiry(tools.cache, url, request.now).fresh_for()
    return plan_polled(SOURCE, request, tools, [(url, entry.number("kb"))], fresh_for=fresh_for)


def read_answer(found: Mapping[str, Any], hours: Hours) -> Answer:
    """What the answer says of these hours; DataError for another form.

    ``next_1_hours`` is the rain of the hour that begins at its time. Where it is not there, the
    rain of ``next_6_hours`` is laid whole on each of its hours: it is the most that any can have.
    """
    units = needed(found, dict, "properties", "meta", "units")
    rows = needed(found, list, "properties", "timeseries")
    moments = [moment(member(row, "time")) for row in rows]
    details = [member(row, "data", "instant", "details") for row in rows]

    def laid(theirs: str, unit: str) -> Array:
        values = hours.instants(moments, (number(member(one, theirs)) for one in details))
        return hours.in_units(values, units.get(theirs), unit, theirs)

    fields: dict[str, Field] = {
        name: make_field(name, laid(theirs, quantity(name).units), source=NAME)
        for theirs, name in INSTANT.items()
    }
    wind = (laid("wind_speed", "m s-1"), laid("wind_from_direction", "degree"))
    fields |= wind_fields({10.0: wind}, NAME)
    rain = hours.in_units(_rain(rows, moments, hours), units.get(THEIR_RAIN), "mm", THEIR_RAIN)
    fields[RAIN] = make_field(RAIN, rain, source=NAME)
    point = member(found, "geometry", "coordinates")
    parts = [number(part) for part in point] if isinstance(point, list) else []
    longitude, latitude, altitude = (*parts, *[np.nan] * 3)[:3]
    # Temperatures are brought to this height, so it takes the place of the model's terrain.
    fields |= constant("surface_altitude", altitude, NAME)
    updated = moment(needed(found, str, "properties", "meta", "updated_at"))
    return Answer(fields, updated, place_text(latitude, longitude, altitude), hours.faults)


def _rain(rows: list[Any], moments: list[datetime], hours: Hours) -> Array:
    hourly, wide = hours.empty(), hours.empty()
    for row, when in zip(rows, moments, strict=True):
        at = hours.at(when)
        if at is None:
            continue
        one = number(member(row, "data", "next_1_hours", "details", THEIR_RAIN))
        if not np.isnan(one):
            if 0 <= at < hourly.size:
                hourly[at] = one
            continue
        six = number(member(row, "data", "next_6_hours", "details", THEIR_RAIN))
        window = wide[max(at, 0) : max(at + 6, 0)]
        np.fmax(window, six, out=window)
    return np.where(np.isnan(hourly), wide, hourly)


def _checked(content: bytes) -> Mapping[str, Any]:
    """The answer, once it is one: what cannot be read must not take the place of a copy."""
    found = read_object(content)
    needed(found, dict, "properties", "meta", "units")
    moment(needed(found, str, "properties", "meta", "updated_at"))
    for row in needed(found, list, "properties", "timeseries"):
        moment(member(row, "time"))
    return found


def _address(entry: Entry, request: Request) -> str:
    where = f"lat={coordinate(request.latitude)}&lon={coordinate(east(request.longitude))}"
    if request.altitude is not None:
        where += f"&altitude={round(request.altitude)}"
    return f"{entry.text('root').rstrip('/')}/{entry.text('product')}?{where}"


def _check_contact(contact: object) -> None:
    if not (isinstance(contact, str) and contact.strip()):
        raise DataError(
            "MET Norway answers only callers who tell how they can be reached, and no contact is "
            "configured: it was not asked",
            where=NAME,
            remedy="Write your e-mail address or page as contact: in your endpoints.yaml.",
        )


def _explained(error: Refused) -> DataError:
    if error.status == 422:
        return DataError(
            "the place lies outside what MET Norway covers", where=NAME,
            remedy="Use another source.",
        )  # fmt: skip
    if error.status == 403:
        return DataError(
            "MET Norway refused the request (403): it does not accept the caller or the address",
            where=NAME,
            remedy="Check the contact: in your endpoints.yaml, and do not repeat the request.",
        )
    return error


class _Expiry:
    """How long an answer holds, as the service said with it, kept beside the copy."""

    def __init__(self, cache: Cache | None, url: str, now: datetime) -> None:
        self._cache, self._url, self._now = cache, url, now
        self._key = Key(NAME, "expires", "seconds", url)

    def fresh_for(self) -> timedelta:
        """From the fetch of the copy to its end; nothing when that is not known."""
        try:
            entry = None if self._cache is None else self._cache.get(self._key)
            return timedelta(seconds=0 if entry is None else int(entry.content))
        except (CacheError, ValueError, OverflowError):
            return timedelta(0)

    def keep(self, body: Body) -> None:
        """Remember what the answer says: Expires, measured from the service's own clock."""
        try:
            ends = parsedate_to_datetime(body.headers.get("expires", ""))
            said = parsedate_to_datetime(body.headers.get("date", ""))
            seconds = max(int((ends - said).total_seconds()), 0)
        except (TypeError, ValueError):
            seconds = 0
        if self._cache is None:
            return
        try:
            self._cache.put(
                self._key, str(seconds).encode(), validators=Validators(), url=self._url,
                fetched=self._now,
            )  # fmt: skip
        except CacheError:
            return  # the copy itself could not be kept either, and that is told


SOURCE = Source(
    name=NAME,
    title="MET Norway Locationforecast",
    gives=("eastward_wind", "northward_wind", *INSTANT.values(), RAIN, "surface_altitude"),
    resolution="2.5 km in the Nordic countries, else 9 km; hourly to 2.5 days, then every 6 h",
    runs="hourly in the Nordic countries, else four times a day",
    licence="CC BY 4.0 and NLOD 2.0; a contact must be configured",
    credit="Based on data from MET Norway (https://www.met.no), modified by wxgate.",
    fetch=fetch,
    plan=plan,
)
