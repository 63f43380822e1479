"""On the ground and on the way home: room, where to stand, return, drift."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from wxgate.brief import Brief
from wxgate.daylimits.figures import Figures
from wxgate.daylimits.span import values_over, worst
from wxgate.derive.energy import drift_distance, drift_sector, return_ground_speed
from wxgate.derive.figures import derivation
from wxgate.derive.wind_signs import angle_between
from wxgate.forecast import Array
from wxgate.profiles import Aircraft


@dataclass(frozen=True, slots=True)
class Room:
    """The room to practise in: a cylinder round the pilot. Metres; None where it is not known."""

    planned_radius: float
    height: float
    clear_needed: float  #: clear ground that the planned radius wants
    clear: float | None  #: clear ground of the field
    room_radius: float | None  #: the widest flight radius that the field has room for
    sight_radius: float | None  #: how far out the aircraft is seen at flight height
    radius: float | None  #: the widest allowed; None where sight is unknown or there is none

    @property
    def fits(self) -> bool | None:
        """Whether the planned radius fits the field; None where its clear ground is not stated."""
        return None if self.clear is None else self.clear >= self.clear_needed

    @property
    def in_sight(self) -> bool:
        """Whether the aircraft is seen out to the planned radius; False where it is not known."""
        return self.sight_radius is not None and self.sight_radius >= self.planned_radius


@dataclass(frozen=True, slots=True)
class Wind:
    """The wind at flight height over the hours; None where it is not known."""

    speed: float | None  #: m/s, the strongest mean
    gust: float | None  #: m/s
    from_direction: float | None  #: degrees true; None too where it is too light to have one
    deviation: float | None  #: degrees that it swings to either side of that


@dataclass(frozen=True, slots=True)
class Return:
    """The way home straight into the wind in one mode of flight."""

    mode: str
    airspeed: float  #: m/s
    published: bool  #: False: the usual figure of the trade stands in for the maker's
    wind: float | None  #: m/s, the strongest at the highest height of the way home
    ground_speed: float | None  #: m/s; None: no way home, or the wind is not known
    distance: float  #: m
    time: float | None  #: s
    gust_stops: bool  #: a gust (or one that is not known) can hold it where it is


@dataclass(frozen=True, slots=True)
class Drift:
    """Where an aircraft goes that has lost its link and its position, on its way down."""

    height: float  #: m
    descent_speed: float | None  #: m/s; None where the aircraft's file has none
    distance: float | None  #: m
    sector: tuple[float, float] | None  #: first and last bearing, clockwise; None: any direction


def clear_needed(radius: float, figures: Figures) -> float:
    """Clear ground (m) that a flight radius (m) wants: the trade's share, or the position error.

    Common practice, no source: 20 m want about 30 m.
    """
    share = figures.value("clear-ground", "m") / figures.value("flight-radius", "m")
    return max(radius * share, radius + figures.value("position-error", "m"))


def widest_radius(clear: float, figures: Figures) -> float:
    """The widest flight radius (m) for so much clear ground (m): the inverse of clear_needed."""
    share = figures.value("clear-ground", "m") / figures.value("flight-radius", "m")
    return max(min(clear / share, clear - figures.value("position-error", "m")), 0.0)


def room(
    brief: Brief, start: datetime, end: datetime, figures: Figures, planned: float | None = None
) -> Room:
    """The room for the hours of [start, end); ``planned`` is the flight radius in m."""
    radius = figures.value("flight-radius", "m") if planned is None else planned
    clear = brief.site.field_radius
    widest = None if clear is None else widest_radius(clear, figures)
    sight = worst(brief.forecasts, "visual_radius", start, end, np.min)
    allowed = None if sight is None else sight if widest is None else min(sight, widest)
    return Room(
        planned_radius=radius,
        height=brief.height,
        clear_needed=clear_needed(radius, figures),
        clear=clear,
        room_radius=widest,
        sight_radius=sight,
        radius=allowed or None,
    )


def wind(brief: Brief, start: datetime, end: datetime) -> Wind:
    """The wind at flight height over [start, end), of all forecasts together."""
    name = "wind_from_direction_at_flight_height"
    speed = worst(brief.forecasts, "wind_speed_at_flight_height", start, end, np.max)
    middle, deviation = mean_direction(
        values_over(brief.forecasts, "wind_speed_at_flight_height", start, end),
        values_over(brief.forecasts, name, start, end),
    )
    return Wind(
        speed=speed,
        gust=worst(brief.forecasts, "gust_at_flight_height", start, end, np.max),
        from_direction=middle,
        deviation=deviation,
    )


def mean_direction(speeds: Array, directions: Array) -> tuple[float | None, float | None]:
    """The direction of the mean wind vector, and the widest swing from it (degrees).

    None for both where a value is missing, or where the wind is too light to have a direction.
    """
    if speeds.shape != directions.shape or np.isnan(speeds).any() or np.isnan(directions).any():
        return None, None
    calm = derivation().breeze.calm
    blows = speeds >= calm
    if not blows.all():
        return None, None
    angle = np.radians(directions)
    east, north = (speeds * np.sin(angle)).sum(), (speeds * np.cos(angle)).sum()
    if math.hypot(east, north) < calm:  # it turns all the way round
        return None, None
    middle = math.degrees(math.atan2(east, north)) % 360.0
    return middle, float(np.max(angle_between(directions, middle)))


def returns(
    brief: Brief, start: datetime, end: datetime, figures: Figures, distance: float
) -> tuple[Return, ...]:
    """The way home from ``distance`` (m) by mode, against the strongest wind of the layer."""
    strongest = worst(brief.forecasts, "wind_speed_layer_maximum", start, end, np.max)
    gust = worst(brief.forecasts, "gust_layer_maximum", start, end, np.max)
    return tuple(
        way_home(mode, airspeed, published, strongest, gust, distance)
        for mode, airspeed, published in modes(brief.aircraft, figures)
    )


def modes(aircraft: Aircraft, figures: Figures) -> tuple[tuple[str, float, bool], ...]:
    """Name, airspeed (m/s) and whether the maker tells it, of the modes of flight."""
    slow = aircraft.slow_airspeed
    usual = min(figures.value("slow-mode-speed", "m s-1"), aircraft.airspeed)
    return (
        ("normal mode", aircraft.airspeed, True),
        ("slow mode", usual if slow is None else slow, slow is not None),
    )


def way_home(
    mode: str, airspeed: float, published: bool, wind_speed: float | None, gust: float | None,
    distance: float,
) -> Return:  # fmt: skip
    """The way home of one mode straight into the wind (m/s) from ``distance`` (m)."""
    speed = math.nan if wind_speed is None else float(return_ground_speed(airspeed, wind_speed))
    can = math.isfinite(speed) and speed > 0
    return Return(
        mode=mode,
        airspeed=airspeed,
        published=published,
        wind=wind_speed,
        ground_speed=speed if can else None,
        distance=distance,
        time=distance / speed if can else None,
        gust_stops=not (gust is not None and airspeed > gust),
    )


def drift(brief: Brief, start: datetime, end: datetime, figures: Figures) -> Drift:
    """The drift of an aircraft that comes down from flight height without its position."""
    strongest = worst(brief.forecasts, "wind_speed_at_flight_height", start, end, np.max)
    descent = brief.aircraft.descent_speed
    distance = None
    if strongest is not None and descent is not None:
        distance = float(drift_distance(brief.height, descent, np.asarray(strongest)))
    told = wind(brief, start, end)
    sector = None
    if told.from_direction is not None and told.deviation is not None:
        half = figures.value("drift-half-width", "degree") + told.deviation
        if half < 180:
            first, last = drift_sector(np.asarray(told.from_direction), half)
            sector = float(first), float(last)
    return Drift(brief.height, descent, distance, sector)
