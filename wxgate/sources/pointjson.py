"""What the services share that answer for one point in JSON: strict reading, units, provenance.

Whatever is not a number is missing (NaN), a unit that is not known makes its values missing, and
an hour that a service does not have stays missing.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wxgate.derive.wind import components_of
from wxgate.errors import DataError, UsageError
from wxgate.forecast import HOUR, Field, Forecast, Provenance, digest, make_field, to_datetime64
from wxgate.quantities import Kind, quantity
from wxgate.sources.base import Request
from wxgate.sources.endpoints import Entry
from wxgate.sources.polled import Polled
from wxgate.units import convert

Array = NDArray[np.floating[Any]]
Times = NDArray[np.datetime64]

#: Units as the services spell them, where the table of units spells them otherwise.
SPELLINGS = {
    "celsius": "degC", "fahrenheit": "degF", "degrees": "degree", "°": "degree",
    "degree_(angle)": "degree", "km_h-1": "km h-1", "m_s-1": "m s-1", "mp/h": "mph",
    "inch": "in",
}  # fmt: skip

#: Years of any weather; what services add to their times stays within the calendar.
EARLIEST, LATEST = 1850, 2200

_REMEDY = "The service may have changed its form: use another source, and report it."


# -------------------------------------------------------------------------------------- reading


def read_object(content: bytes) -> Mapping[str, Any]:
    """The JSON object; DataError for anything else."""
    try:
        found = json.loads(content)
    except (ValueError, RecursionError) as error:
        raise fault(f"no JSON ({error})") from error
    if not isinstance(found, dict):
        raise fault(f"{type(found).__name__} where an object was expected")
    return found


def member(found: Any, *keys: str) -> Any:
    """What lies under the keys, one within the other; None where one of them is not there."""
    for key in keys:
        found = found.get(key) if isinstance(found, dict) else None
    return found


def needed(found: Any, kind: type, *keys: str) -> Any:
    """What lies under the keys; DataError unless it is of the kind."""
    value = member(found, *keys)
    if not isinstance(value, kind):
        raise fault(f"no {'.'.join(keys)} in an object with {told(found)}")
    return value


def number(found: Any) -> float:
    """A finite number; NaN for anything else, and for true and false."""
    if isinstance(found, bool) or not isinstance(found, int | float):
        return math.nan
    try:
        value = float(found)
    except OverflowError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def moment(found: Any) -> datetime:
    """A time with its zone, in UTC; DataError for anything else."""
    try:
        when = datetime.fromisoformat(found)
        if when.tzinfo is None:
            raise ValueError("no zone")
        when = when.astimezone(UTC)
        if not EARLIEST <= when.year <= LATEST:
            raise ValueError("no year that can be")
        return when
    except (TypeError, ValueError, OverflowError) as error:
        raise fault(f"the time {str(found)[:40]!r}") from error


def told(found: Any) -> str:
    """The names in an object, in a few words."""
    names = list(map(str, found))[:6] if isinstance(found, dict) else []
    return ", ".join(names) or "nothing in it"


def fault(found: str) -> DataError:
    """The error for an answer of another form."""
    return DataError(f"the answer could not be read: found {found}", remedy=_REMEDY)


def coordinate(degrees: float) -> str:
    """A latitude or longitude with at most four decimals and no trailing zero."""
    text = f"{degrees:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def east(longitude: float) -> float:
    """A longitude in [-180, 180), as all services want it."""
    return (longitude + 180.0) % 360.0 - 180.0


# ---------------------------------------------------------------------------------- on the hours


class Hours:
    """The hours of a request, and arrays of values in canonical units on them."""

    def __init__(self, time: Times) -> None:
        self.time = time
        self.faults: list[str] = []  #: units that are not known, in sentences

    def empty(self) -> Array:
        """An array of the axis with nothing in it."""
        return np.full(self.time.shape, np.nan)

    def at(self, when: datetime) -> int | None:
        """The place of a full hour, counted from the first one; None between two hours."""
        hours = (to_datetime64(when) - self.time[0]) / HOUR
        return int(hours) if hours == int(hours) else None

    def instants(self, moments: Iterable[datetime], values: Iterable[float]) -> Array:
        """Values at their own hours; hours without one are NaN."""
        laid = self.empty()
        for when, value in zip(moments, values, strict=True):
            at = self.at(when)
            if at is not None and 0 <= at < laid.size:
                laid[at] = value
        return laid

    def in_units(self, values: Array, unit: Any, to_unit: str, name: str) -> Array:
        """Values of the unit that the service tells; NaN, and a fault, for a unit not known."""
        spelt = SPELLINGS.get(unit, unit) if isinstance(unit, str) else ""
        try:
            convert(0.0, spelt, to_unit)
        except UsageError:
            if not np.isnan(values).all():
                self.faults.append(f"{name} is told in {unit!r}, which is not known: left out")
            return np.full_like(values, np.nan)
        return np.asarray([convert(float(value), spelt, to_unit) for value in values])


def wind_fields(winds: Mapping[float, tuple[Array, Array]], source: str) -> dict[str, Field]:
    """Wind components on heights (m above ground) from speed (m/s) and direction (degrees from).

    A calm needs no direction. A height without any wind is left out; no fields when all are.
    """
    heights, parts = [], []
    for height, (told, blowing) in sorted(winds.items()):
        speed = _plausible("wind_speed", told)
        direction = _plausible("wind_from_direction", blowing)
        u, v = components_of(speed, np.where(speed == 0, 0.0, direction))
        if not np.isnan(u).all():
            heights.append(height)
            parts.append((u, v))
    if not heights:
        return {}
    levels = np.asarray(heights, dtype=np.float64)
    return {
        name: make_field(name, np.stack([p[i] for p in parts], axis=1), source=source,
                         levels=levels)
        for i, name in enumerate(("eastward_wind", "northward_wind"))
    }  # fmt: skip


def _plausible(name: str, values: Array) -> Array:
    """Values as they are, NaN outside the plausible range of the quantity."""
    row = quantity(name)
    return np.where((values >= row.low) & (values <= row.high), values, np.nan)


def constant(name: str, value: float, source: str) -> dict[str, Field]:
    """The field of something that does not change; none when it is missing."""
    if math.isnan(value):
        return {}
    return {name: make_field(name, np.asarray(value), kind=Kind.CONSTANT, source=source)}


# ------------------------------------------------------------------------------------ the answer


@dataclass(frozen=True, slots=True)
class Answer:
    """What a service said of a point: fields, when it was made, and of which place."""

    fields: Mapping[str, Field]
    run: datetime | None
    place: str = ""
    notes: Sequence[str] = ()


def forecast_of(
    name: str, entry: Entry, request: Request, time: Times, answer: Answer, files: Polled
) -> Forecast:
    """The forecast with its provenance; DataError when it holds nothing for these hours."""
    fields = {
        key: found for key, found in answer.fields.items()
        if request.wants(key) and not np.isnan(found.values).all()
    }  # fmt: skip
    if all(quantity(key).kind is Kind.CONSTANT for key in fields):
        raise DataError(
            f"it has nothing between {time[0]}Z and {time[-1]}Z",
            where=name,
            remedy="Ask for hours that it reaches, or use another source.",
        )
    notes = tuple(dict.fromkeys((*answer.notes, *files.notes)))
    provenance = Provenance(
        source=name,
        title=entry.text("title"),
        run=answer.run,
        fetched=min(files.fetched),
        sha256=digest(files.contents),
        credit=entry.text("credit"),
        licence=entry.text("licence"),
        cycle_h=None if answer.run is None else entry.number("cycle_h"),
        place=answer.place,
        notes=notes,
        quantities=tuple(fields),
    )
    return Forecast(time, fields, (provenance,), tuple(f"{name}: {note}" for note in notes))


def place_text(latitude: float, longitude: float, altitude: float) -> str:
    """``point 47.05 N 8.31 E, 430 m``; without what is missing."""
    if math.isnan(latitude) or math.isnan(longitude):
        return ""
    north = f"{abs(latitude):.2f} {'N' if latitude >= 0 else 'S'}"
    far = f"{abs(longitude):.2f} {'E' if longitude >= 0 else 'W'}"
    height = "" if math.isnan(altitude) else f", {altitude:.0f} m"
    return f"point {north} {far}{height}"
