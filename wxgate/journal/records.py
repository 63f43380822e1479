"""What stands in the journal: verdicts issued, readings on the field, what was done, reports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from wxgate.verdict import Grade


class Done(StrEnum):
    """What became of a flight or a lesson."""

    FLOWN = "flown"
    CUT_SHORT = "cut-short"
    CANCELLED = "cancelled"


@dataclass(frozen=True, slots=True)
class IssuedBrief:
    """A brief as it was issued: for whom, by which rules, from which forecast.

    Times are aware (UTC). ``provenance`` has a dict for each source: source, run, fetched, sha256.
    """

    id: int
    made: datetime
    site: str
    site_name: str
    latitude: float
    longitude: float
    zone: str
    aircraft: str
    pilot: str
    skill: str
    height: float  #: m above ground
    grade: Grade
    window: tuple[datetime, datetime] | None
    rulebook: str
    rulebook_sha256: str
    graded_by: str  #: limits, or chance
    version: str
    demonstration: bool
    provenance: tuple[Mapping[str, Any], ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class IssuedHour:
    """The verdict on the hour [start, start + 1 h) as a brief told it."""

    brief: int
    start: datetime
    grade: Grade
    margin: float | None
    limiting: str | None
    chance: float | None
    made: datetime

    @property
    def lead_h(self) -> float:
        """Hours from the moment of the brief to the start of the hour; negative: under way."""
        return (self.start - self.made).total_seconds() / 3600


@dataclass(frozen=True, slots=True)
class Quantities:
    """The numbers behind the verdicts of a brief: one value for each hour; None: missing.

    ``graded`` has what each rule looked at, by the rule: the worse end of each hour (``rules``
    tells which quantity). ``at_start`` has quantities, by name, at each hour's first instant and
    at the last hour's end, one more than there are hours; they are to be held against reports of
    stations. In the quantities' own units.
    """

    start: tuple[datetime, ...]
    rules: Mapping[str, str]
    graded: Mapping[str, tuple[float | None, ...]]
    at_start: Mapping[str, tuple[float | None, ...]]


@dataclass(frozen=True, slots=True)
class Spread:
    """The quantiles of the weathers behind a brief; None: could not be told.

    ``at_start`` by quantity: for each of ``shares`` one value for each hour's first instant and
    for the last hour's end, in the quantity's own unit.
    """

    shares: tuple[float, ...]
    at_start: Mapping[str, tuple[tuple[float | None, ...], ...]]


@dataclass(frozen=True, slots=True)
class Reading:
    """What a pilot measured and saw on the field; None: not looked at. SI units."""

    made: datetime
    site: str
    mean: float | None = None  #: m/s, on the meter
    maximum: float | None = None  #: m/s
    height: float | None = None  #: m above ground
    surface: str | None = None
    minutes: float | None = None
    sheltered: bool | None = None
    beaufort: int | None = None
    hover: float | None = None  #: m/s, wind that a hover at flight height told
    hover_height: float | None = None  #: m
    cloud: float | None = None  #: share of the sky
    cloud_base: float | None = None  #: m above ground
    rain: bool | None = None
    thunder: bool | None = None
    visibility: float | None = None  #: m
    temperature: float | None = None  #: K
    grade: Grade | None = None  #: what the check on the field said
    answer: str = ""  #: and in words
    notes: str = ""


@dataclass(frozen=True, slots=True)
class Deed:
    """What was done: flown, cut short or cancelled, from ``start`` to ``end`` (aware)."""

    made: datetime
    site: str
    start: datetime
    end: datetime | None
    done: Done
    aircraft: str = ""
    pilot: str = ""
    reason: str = ""
    notes: str = ""


@dataclass(frozen=True, slots=True)
class Observation:
    """A report of a station, as written."""

    station: str
    time: datetime
    raw: str
    distance_km: float | None = None


@dataclass(frozen=True, slots=True)
class Selection:
    """Which rows: of a site, of the time [since, until) by the hour or act meant; None: all."""

    site: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    demonstration: bool = False  #: whether invented demonstrations count too
