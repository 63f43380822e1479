"""The fog of a morning: from when it counts, and until when the sun has cleared it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wxgate.brief import Brief
from wxgate.derive.daylight import daylight
from wxgate.derive.figures import derivation
from wxgate.derive.fog import fog_clearing_hours
from wxgate.derive.sun import solar_elevation
from wxgate.forecast import to_datetime64
from wxgate.lessons.policy import Policy
from wxgate.lessons.series import HOUR, Ends, overlapped, seconds, series

FOG = "fog_points"
_DAY = np.timedelta64(86400, "s")


@dataclass(frozen=True, slots=True)
class Fog:
    """Fog of a morning: from when it counts until when the sun has cleared it (seconds, UTC)."""

    start: int
    clear: int
    told: bool  #: False where fog could not be told


def mornings(brief: Brief, policy: Policy) -> tuple[Fog, ...]:
    """The foggy mornings: from the hours before sunrise until the sun has cleared the fog.

    Fog of the night that cannot be told counts as fog. Where the sun does not rise there is no
    morning, and the hours speak for themselves.
    """
    if not brief.hours:
        return ()
    points = series(brief, FOG)
    start, end = to_datetime64(brief.hours[0].start), to_datetime64(brief.hours[-1].end)
    place = brief.site.latitude, brief.site.longitude
    found = []
    for rise, fall in daylight(start - _DAY, end + _DAY, *place):
        if rise <= start - _DAY:  # up all along: polar day, or a day that is over
            continue
        last = int(rise.astype(np.int64))
        first = last - seconds(policy.fog_before_sunrise)
        night = [points[h] for h in overlapped(first, last) if h in points]
        if not night or not any(map(_may_be_fog, night)):
            continue
        noon = solar_elevation(np.arange(rise, fall, np.timedelta64(600, "s")), *place).max()
        clear = _clear(points, last, int(fall.astype(np.int64)), float(noon), policy)
        found.append(Fog(first, clear, any(map(_is_fog, night))))
    return tuple(found)


def _clear(points: dict[int, Ends], rise: int, fall: int, noon: float, policy: Policy) -> int:
    """When the sun has cleared the fog (seconds, UTC); sunset where it may stay all day.

    Under a noon sun too low to be sure of it, the hours after sunrise tell: all day where fog is
    still likely in one of them or cannot be told, else a long while.
    """
    hours = float(fog_clearing_hours(np.asarray(noon), figures=derivation().fog))
    if np.isfinite(hours):
        return rise + int(hours * HOUR)
    first = rise + -rise % HOUR  # the hour of sunrise itself is of the night
    morning = range(first, rise + seconds(policy.fog_morning), HOUR)
    unknown = (np.nan, np.nan)
    if any(_may_be_fog(points.get(h, unknown)) for h in morning):
        return fall
    return min(rise + seconds(policy.fog_low_sun), fall)


def _is_fog(ends: Ends) -> bool:
    return bool(np.nanmax([*ends, -1.0]) >= derivation().fog.likely)


def _may_be_fog(ends: Ends) -> bool:
    return not max(ends) < derivation().fog.likely or bool(np.isnan(ends).any())
