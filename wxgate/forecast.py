"""The forecast as it travels from a source to the grade: fields on one hourly UTC time axis.

:class:`Forecast` is plain numpy, so that a brief from stored hours needs neither xarray nor
pandas. ``wxgate.contract`` turns it into the xarray Dataset that the data contract describes, and
back.

The time axis: ``time[i]`` (UTC) stands for the hour [time[i], time[i] + 1 h). A point value is the
value at ``time[i]``, the first end of that hour; its other end is ``time[i + 1]``. A value over an
interval is laid on every hour that it overlaps. What is not there is NaN, never a number.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wxgate.errors import ContractError
from wxgate.quantities import Kind, quantity

Array = NDArray[np.floating[Any]]
HOUR = np.timedelta64(3600, "s")
#: The attribute of a forecast that tells how many hours this computer's clock was behind the
#: services' when it was fetched; its data are older by as much.
CLOCK_BEHIND_H = "clock_behind_h"
#: Attribute of a forecast whose air was moved to the site's height.
AT_SITE_HEIGHT = "at_site_height"
#: Attributes of a forecast that speaks for some of its hours only: seconds since 1970.
FROM, UNTIL = "from", "until"


@dataclass(frozen=True, slots=True)
class Field:
    """The values of one quantity.

    ``values`` has time first (no time axis when ``kind`` is CONSTANT), then the level where there
    is one (``levels``: metres above ground, or Pa), then member and grid dimensions. Units are
    those of the quantity's row. ``origin`` (uint8, the shape of ``values`` without level; or None
    for all direct) points into ``origins``: 0 is direct, any other a named substitute that the
    rules may cap.
    """

    values: Array
    kind: Kind
    source: str = ""
    levels: Array | None = None
    origin: NDArray[np.uint8] | None = None
    origins: tuple[str, ...] = ("direct",)

    def with_values(self, values: Array) -> Field:
        """The same field with other values."""
        return replace(self, values=values)


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where numbers came from: which run, when it was fetched, and the hash of what was read."""

    source: str
    title: str
    run: datetime | None  #: forecast reference time, UTC; None where a source has no runs
    fetched: datetime
    sha256: str
    credit: str = ""
    licence: str = ""
    cycle_h: float | None = None  #: hours between runs; the measure of staleness
    place: str = ""  #: the grid point used and how far it lies from the site
    notes: tuple[str, ...] = ()
    quantities: tuple[str, ...] = ()  #: what it gave; empty: everything


@dataclass(frozen=True, slots=True)
class Forecast:
    """Fields on one time axis, with where they came from.

    ``earlier``: where a run begins but now, an earlier run of the same source up to this one's
    first instant. Rules that look back look there; nothing else does, and no value of the one is
    ever joined to one of the other.
    """

    time: NDArray[np.datetime64]  #: datetime64[s], UTC, hourly, rising
    fields: Mapping[str, Field]
    provenance: tuple[Provenance, ...] = ()
    notes: tuple[str, ...] = ()
    attributes: Mapping[str, Any] = field(default_factory=dict)
    earlier: Forecast | None = None

    def get(self, name: str) -> Field | None:
        """The field of a quantity, None when the forecast has none."""
        return self.fields.get(name)

    @property
    def speaks_for(self) -> tuple[np.datetime64, np.datetime64]:
        """The hours [from, until) that it speaks for: all of its own unless it says otherwise.

        Another forecast speaks for the rest; values beyond are there for an hour's neighbours.
        """
        if FROM not in self.attributes:
            return self.time[0], self.time[-1] + HOUR
        since, until = (np.datetime64(int(self.attributes[n]), "s") for n in (FROM, UNTIL))
        return since, until

    def with_fields(self, more: Mapping[str, Field]) -> Forecast:
        """A forecast with these fields added or replaced."""
        return replace(self, fields={**self.fields, **more})

    def with_notes(self, *more: str) -> Forecast:
        """A forecast with notes added, each once."""
        return replace(self, notes=tuple(dict.fromkeys((*self.notes, *more))))

    def between(self, start: np.datetime64, end: np.datetime64) -> Forecast:
        """The hours that begin in [start, end], the closing end included."""
        keep = (self.time >= start) & (self.time <= end)
        cut = {
            name: f if f.kind is Kind.CONSTANT else replace(
                f, values=f.values[keep], origin=None if f.origin is None else f.origin[keep]
            )
            for name, f in self.fields.items()
        }  # fmt: skip
        return replace(self, time=self.time[keep], fields=cut)


def make_field(
    name: str,
    values: Array,
    *,
    kind: Kind | None = None,
    source: str = "",
    levels: Array | None = None,
    origin: NDArray[np.uint8] | None = None,
    origins: tuple[str, ...] = ("direct",),
) -> Field:
    """A field of a known quantity as float32, implausible values turned into NaN.

    ``values`` is in the quantity's own unit, shape as :class:`Field` says. Infinite values and
    values outside the plausible range of the quantity become NaN: a data error is missing, never
    a number. UsageError for a name that is not in the vocabulary.
    """
    row = quantity(name)
    low, high = np.float32(row.low), np.float32(row.high)
    with np.errstate(invalid="ignore", over="ignore"):
        array = np.asarray(values, dtype=np.float32)
        # Two passes tell most arrays right; NaN anywhere makes both NaN.
        if array.size and not (array.min() >= low and array.max() <= high):
            array = np.where((array >= low) & (array <= high), array, np.float32(np.nan))
    return Field(array, kind or row.kind, source, levels, origin, origins)


def hours_axis(start: datetime, hours: int) -> NDArray[np.datetime64]:
    """``hours`` + 1 instants from the full hour at or before ``start``: each hour has both ends."""
    first = to_datetime64(start).astype("datetime64[h]").astype("datetime64[s]")
    steps: NDArray[np.datetime64] = first + np.arange(hours + 1) * HOUR
    return steps


def to_datetime64(when: datetime) -> np.datetime64:
    """An aware datetime as datetime64[s] in UTC; ContractError for one without a zone."""
    if when.tzinfo is None:
        raise ContractError(
            f"the time {when.isoformat()} has no zone",
            remedy=f"Write {when.isoformat()}Z for UTC, or an offset such as +02:00.",
        )
    return np.datetime64(when.astimezone(UTC).replace(tzinfo=None), "s")


def to_datetime(when: np.datetime64) -> datetime:
    """A datetime64 as an aware UTC datetime."""
    value: datetime = when.astype("datetime64[s]").item()
    return value.replace(tzinfo=UTC)


def check_axis(time: NDArray[np.datetime64], where: str = "") -> None:
    """ContractError unless the axis rises by exactly one hour each."""
    if time.ndim != 1 or time.size == 0:
        raise ContractError("the forecast has no hours", where=where, remedy="Give it a time axis.")
    steps = np.diff(time)
    if steps.size and not np.all(steps == HOUR):
        at = int(np.argmax(steps != HOUR))
        raise ContractError(
            f"time steps from {time[at]} to {time[at + 1]} are not one hour apart",
            where=where,
            remedy="Give every full hour; fill hours that are not there with NaN.",
        )


def digest(parts: Iterable[bytes]) -> str:
    """SHA-256 over parts in order."""
    whole = hashlib.sha256()
    for part in parts:
        whole.update(part)
    return whole.hexdigest()
