"""When the sun is up at a site: intervals of daylight and of both twilights, by ephem.

The elevation is thresholded and nobody asks for "the sunset of a date": there is none in polar day
or night, and which date a sunset belongs to depends on the zone.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from wxgate.derive.sun import CIVIL, HORIZON

Interval = tuple[np.datetime64, np.datetime64]
Altitude = Callable[[np.datetime64], float]

#: What counts as twilight around sunrise and sunset where the law counts minutes.
FIXED_TWILIGHT = np.timedelta64(30 * 60, "s")

_STEP = np.timedelta64(5 * 60, "s")


def sun_above(
    start: np.datetime64, end: np.datetime64, latitude: float, longitude: float, elevation: float
) -> tuple[Interval, ...]:
    """The intervals [rise, set) inside [start, end) with the sun at ``elevation`` or higher.

    Times are datetime64[s] in UTC, exact to the second. Empty in polar night, the whole of
    [start, end) in polar day. A rise of less than five minutes can go unseen; refraction is less
    certain than that. Source: ephem (VSOP87), pressure 0, crossings of the elevation.
    """
    altitude = altitude_at(latitude, longitude)
    steps = np.arange(start, end, _STEP).astype("datetime64[s]")
    if steps.size == 0:
        return ()
    steps = np.append(steps, end.astype("datetime64[s]"))
    up = np.array([altitude(moment) >= elevation for moment in steps])
    edges = [
        _crossing(altitude, steps[i], steps[i + 1], elevation)
        for i in np.flatnonzero(up[1:] != up[:-1])
    ]
    if up[0]:
        edges.insert(0, steps[0])
    if len(edges) % 2:
        edges.append(steps[-1])
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return tuple((rise, fall) for rise, fall in pairs if rise < fall)


def altitude_at(latitude: float, longitude: float) -> Altitude:
    """A function from datetime64 to the elevation of the sun over this place, in degrees."""
    import ephem

    observer, sun = ephem.Observer(), ephem.Sun()
    observer.lat, observer.lon = np.radians(latitude), np.radians(longitude)
    observer.pressure = 0  # the threshold holds the refraction

    def altitude(moment: np.datetime64) -> float:
        observer.date = moment.astype("datetime64[s]").item()
        sun.compute(observer)
        return float(np.degrees(float(sun.alt)))

    return altitude


def _crossing(
    altitude: Altitude, before: np.datetime64, after: np.datetime64, elevation: float
) -> np.datetime64:
    """The first second in (before, after] on the side of ``after``, by bisection."""
    side = altitude(after) >= elevation
    second = np.timedelta64(1, "s")
    while after - before > second:
        middle = before + (after - before) // 2
        if (altitude(middle) >= elevation) == side:
            after = middle
        else:
            before = middle
    return after


def daylight(
    start: np.datetime64, end: np.datetime64, latitude: float, longitude: float
) -> tuple[Interval, ...]:
    """The intervals from sunrise to sunset inside [start, end); see :func:`sun_above`."""
    return sun_above(start, end, latitude, longitude, HORIZON)


def civil_light(
    start: np.datetime64, end: np.datetime64, latitude: float, longitude: float
) -> tuple[Interval, ...]:
    """Day and civil twilight by the almanac inside [start, end); see :func:`sun_above`.

    Kept as the reference of ``sun.civil_twilight``, which tells the same by another way.
    """
    return sun_above(start, end, latitude, longitude, CIVIL)


def fixed_light(
    start: np.datetime64, end: np.datetime64, latitude: float, longitude: float
) -> tuple[Interval, ...]:
    """Day and the 30 minutes on both sides of it inside [start, end); 14 CFR 107.29(c).

    Kept as the reference of ``sun.fixed_twilight``, which tells the same by another way.
    """
    lit: list[Interval] = []
    days = daylight(start - FIXED_TWILIGHT, end + FIXED_TWILIGHT, latitude, longitude)
    for rise, fall in days:
        dawn, dusk = max(rise - FIXED_TWILIGHT, start), min(fall + FIXED_TWILIGHT, end)
        if lit and dawn <= lit[-1][1]:
            lit[-1] = (lit[-1][0], dusk)
        elif dawn < dusk:
            lit.append((dawn, dusk))
    return tuple(lit)
