"""Where the sun stands, how dark it is by two laws, and when the sun dazzles.

Positions come from one numpy formula, so that a point and the same cell of a grid agree bit for
bit; it stays within 0.02 degree of the full NREL algorithm. Times of rise and set are in
``daylight``.

Elevations are geometric: the centre of the sun, no refraction. The refraction of the horizon and
the radius of the disc are in the threshold instead (:data:`HORIZON`), as almanacs do it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field

Times = NDArray[np.datetime64]

#: Elevation of the centre at sunrise and sunset: 34' of refraction and 16' of radius below.
HORIZON = -50 / 60
#: Elevation at the beginning and end of civil twilight.
CIVIL = -6.0

_SINE_HORIZON, _SINE_CIVIL = np.sin(np.radians(HORIZON)), np.sin(np.radians(CIVIL))

DAY, TWILIGHT, NIGHT = 0.0, 1.0, 2.0

#: Flown as far out as it is high an aircraft stands no higher than this, degrees.
HIGHEST_SIGHT = 45.0

_J2000 = np.datetime64("2000-01-01T12:00:00", "s")
#: Terrestrial time runs ahead of UTC by so much in the 2020s; a minute of error is 0.001 degree.
_TERRESTRIAL_LEAD = 69.2 / 86400
_QUARTER = np.timedelta64(15 * 60, "s")


def solar_position(time: Any, latitude: ArrayLike, longitude: ArrayLike) -> tuple[Array, Array]:
    """Elevation and azimuth of the centre of the sun, in degrees.

    ``time`` is datetime64 in UTC, ``latitude`` and ``longitude`` (east positive) are degrees; the
    three broadcast together. Azimuth runs clockwise from true north. No refraction and no
    parallax. NaT or NaN in gives NaN out. Source: Meeus, Astronomical Algorithms, chapters 12, 13
    and 25 (lower accuracy), the formulas behind NOAA's solar calculator.
    """
    declination, hour_angle, phi = _angles(time, latitude, longitude)
    north = np.sin(declination) * np.cos(phi)
    north = north - np.cos(declination) * np.cos(hour_angle) * np.sin(phi)
    east = -np.cos(declination) * np.sin(hour_angle)
    return solar_elevation(time, latitude, longitude), np.degrees(np.arctan2(east, north)) % 360.0


def solar_elevation(time: Any, latitude: ArrayLike, longitude: ArrayLike) -> Array:
    """The elevation of :func:`solar_position` alone, at a third of the cost on a grid."""
    elevation: Array = np.degrees(np.arcsin(_sine(time, latitude, longitude)))
    return elevation


def _sine(time: Any, latitude: ArrayLike, longitude: ArrayLike) -> Array:
    """Sine of the elevation; to compare it with the sine of a threshold spares the arcsine."""
    declination, hour_angle, phi = _angles(time, latitude, longitude)
    sine = np.sin(declination) * np.sin(phi)
    sine = sine + np.cos(declination) * np.cos(hour_angle) * np.cos(phi)
    clipped: Array = np.clip(sine, -1.0, 1.0)
    return clipped


def _angles(time: Any, latitude: ArrayLike, longitude: ArrayLike) -> tuple[Array, Array, Array]:
    """Declination, local hour angle and latitude in radians, each in its own small shape."""
    declination, greenwich_angle = _apparent_sun(np.asarray(time, dtype="datetime64[s]"))
    hour_angle = greenwich_angle + np.radians(np.asarray(longitude, dtype=float))
    return declination, hour_angle, np.radians(np.asarray(latitude, dtype=float))


def _apparent_sun(time: Times) -> tuple[Array, Array]:
    """Declination, and hour angle at Greenwich, in radians."""
    days = (time - _J2000) / np.timedelta64(86400, "s")
    century = (days + _TERRESTRIAL_LEAD) / 36525.0
    mean_longitude = 280.46646 + century * (36000.76983 + 0.0003032 * century)
    anomaly = np.radians(357.52911 + century * (35999.05029 - 0.0001537 * century))
    centre = (
        (1.914602 - century * (0.004817 + 0.000014 * century)) * np.sin(anomaly)
        + (0.019993 - 0.000101 * century) * np.sin(2 * anomaly)
        + 0.000289 * np.sin(3 * anomaly)
    )
    node = np.radians(125.04 - 1934.136 * century)
    nutation = -0.00478 * np.sin(node)
    longitude = np.radians(mean_longitude + centre - 0.00569 + nutation)
    obliquity = np.radians(23.439291 - 0.0130042 * century + 0.00256 * np.cos(node))
    declination = np.arcsin(np.sin(obliquity) * np.sin(longitude))
    ascension = np.arctan2(np.cos(obliquity) * np.sin(longitude), np.cos(longitude))
    sidereal = 280.46061837 + 360.98564736629 * days + nutation * np.cos(obliquity)
    return declination, np.radians(sidereal % 360.0) - ascension


def civil_twilight(time: Any, latitude: ArrayLike, longitude: ArrayLike) -> Array:
    """Darkness by the almanac: 0 day, 1 civil twilight (sun down to -6 degrees), 2 night.

    Shapes as :func:`solar_position`; NaN where the time or the place is missing. The elevation
    that begins a class belongs to the lighter one. Source: definitions of the US Naval Observatory.
    """
    sine = _sine(time, latitude, longitude)
    return _darkness(sine >= _SINE_HORIZON, sine >= _SINE_CIVIL, np.isnan(sine))


def fixed_twilight(time: Any, latitude: ArrayLike, longitude: ArrayLike) -> Array:
    """Darkness by the clock: 0 day, 1 within 30 minutes of a risen sun, 2 night.

    Both ends of the 30 minutes belong to twilight. Where the sun does not rise there is none.
    Shapes as :func:`solar_position`; NaN where the time or the place is missing. Source: 14 CFR
    107.29(c), outside Alaska.
    """
    sine = _sines(time, latitude, longitude, range(-2, 3))
    up = sine >= _SINE_HORIZON
    return _darkness(up[2], up.any(axis=0), np.isnan(sine[2]))


def darkest_civil_twilight(time: Any, latitude: ArrayLike, longitude: ArrayLike) -> Array:
    """The darkest class of :func:`civil_twilight` in the hour [time, time + 1 h], by quarters.

    Looked at inside the hour too: near midsummer a whole night can lie between two full hours.
    """
    sine = _sines(time, latitude, longitude, range(5)).min(axis=0)
    return _darkness(sine >= _SINE_HORIZON, sine >= _SINE_CIVIL, np.isnan(sine))


def darkest_fixed_twilight(time: Any, latitude: ArrayLike, longitude: ArrayLike) -> Array:
    """The darkest class of :func:`fixed_twilight` in the hour [time, time + 1 h], by quarters."""
    sine = _sines(time, latitude, longitude, range(-2, 7))
    up = sine >= _SINE_HORIZON
    near = np.stack([up[i : i + 5].any(axis=0) for i in range(5)])
    return _darkness(up[2:7].all(axis=0), near.all(axis=0), np.isnan(sine[0]))


def _sines(time: Any, latitude: ArrayLike, longitude: ArrayLike, quarters: range) -> Array:
    """Sine of the elevation each quarter of an hour from ``time``, along a new first axis."""
    moments = np.asarray(time, dtype="datetime64[s]")
    ndim = max(moments.ndim, np.ndim(latitude), np.ndim(longitude))
    offsets = (np.array(quarters) * _QUARTER).reshape(-1, *[1] * ndim)
    return _sine(moments + offsets, latitude, longitude)


def _darkness(day: Any, lit: Any, missing: Any) -> Array:
    classes = np.where(day, DAY, np.where(lit, TWILIGHT, NIGHT))
    return np.where(missing, np.nan, classes)


def glare_angle(
    sun_elevation: Array, sun_azimuth: Array, sight_elevation: Array, sight_azimuth: Array
) -> Array:
    """Angle in degrees between the sun and the line of sight to the aircraft.

    All four in degrees, any broadcastable shapes. The elevation of the line of sight is the
    arctangent of height over distance. Source: spherical law of cosines.
    """
    es, ed = np.radians(sun_elevation), np.radians(sight_elevation)
    aside = np.radians(np.subtract(sun_azimuth, sight_azimuth))
    cosine = np.sin(es) * np.sin(ed) + np.cos(es) * np.cos(ed) * np.cos(aside)
    angle: Array = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return angle


def glare_half_width(sun_elevation: Array, sight_elevation: Array, limit: float) -> Array:
    """How far to each side of the sun's azimuth the glare angle stays below ``limit``.

    Degrees in and out, any broadcastable shapes; 0 where no azimuth dazzles, 180 where all do.
    """
    es, ed = np.radians(sun_elevation), np.radians(sight_elevation)
    with np.errstate(divide="ignore", invalid="ignore"):
        cosine = (np.cos(np.radians(limit)) - np.sin(es) * np.sin(ed)) / (np.cos(es) * np.cos(ed))
    width: Array = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return width


def sight_towards_sun(sun_elevation: Array, aside: Array) -> Array:
    """The elevation (degrees, 0 to ``HIGHEST_SIGHT``) at which the sight comes nearest to the sun.

    ``aside`` is the angle between the azimuths of sun and sight.
    """
    es = np.radians(np.maximum(sun_elevation, 0.0))
    towards = np.cos(es) * np.cos(np.radians(aside))
    nearest: Array = np.degrees(np.arctan2(np.sin(es), towards))
    return np.clip(nearest, 0.0, HIGHEST_SIGHT)


def smallest_glare_angle(sun_elevation: Array, aside: Array) -> Array:
    """Smallest angle (degrees) between the sun and an aircraft on its way up and out.

    The aircraft is flown ``aside`` degrees from the sun's azimuth, at least as far out as it is
    high. 180 with the sun down. Source: :func:`glare_angle`, least over the elevations of sight.
    """
    sight = sight_towards_sun(sun_elevation, aside)
    angle = glare_angle(sun_elevation, np.zeros(()), sight, aside)
    return np.where(sun_elevation < HORIZON, 180.0, angle)


def widest_glare(sun_elevation: Array, limit: float) -> Array:
    """How far to each side of the sun's azimuth an aircraft on its way up and out dazzles.

    Degrees; the aircraft is flown at least as far out as it is high. 0 with the sun down. Source:
    :func:`glare_half_width`, widest over the elevations of sight.
    """
    # The width is stationary where sin(sight) = sin(sun) / cos(limit).
    sine = np.sin(np.radians(sun_elevation)) / np.cos(np.radians(limit))
    sight = np.degrees(np.arcsin(np.clip(sine, 0.0, np.sin(np.radians(HIGHEST_SIGHT)))))
    width = glare_half_width(sun_elevation, sight, limit)
    return np.where(sun_elevation < HORIZON, 0.0, width)


def over_site(inputs: Inputs) -> tuple[Times, Any, Any]:
    """The hours and the place, shaped to broadcast: time first, then the grid if there is one."""
    latitude, longitude = np.asarray(inputs.site.latitude), np.asarray(inputs.site.longitude)
    ndim = max(latitude.ndim, longitude.ndim)
    return inputs.time.reshape(-1, *[1] * ndim), latitude, longitude


def _elevation(inputs: Inputs) -> Field:
    return make_field("solar_elevation_angle", solar_elevation(*over_site(inputs)))


def _azimuth(inputs: Inputs) -> Field:
    return make_field("solar_azimuth_angle", solar_position(*over_site(inputs))[1])


def _glare_angle(inputs: Inputs) -> Field:
    elevation = inputs.fields["solar_elevation_angle"].values
    flown = inputs.site.flight_direction
    if flown is None:
        aside = np.full(elevation.shape, 180.0)
    else:
        aside = inputs.fields["solar_azimuth_angle"].values - flown
    turned = np.full(elevation.shape, flown is None, np.uint8)
    return make_field(
        "glare_angle", smallest_glare_angle(elevation, aside),
        origin=turned, origins=("direct", "sun behind the pilot"),
    )  # fmt: skip


def _glare_width(inputs: Inputs) -> Field:
    elevation = inputs.fields["solar_elevation_angle"].values
    return make_field("glare_half_width", widest_glare(elevation, inputs.figures.glare.dazzle))


def _civil(inputs: Inputs) -> Field:
    return make_field("civil_twilight", darkest_civil_twilight(*over_site(inputs)))


def _fixed(inputs: Inputs) -> Field:
    return make_field("fixed_twilight", darkest_fixed_twilight(*over_site(inputs)))


_MEEUS = "Meeus, Astronomical Algorithms (2nd ed. 1998), chapters 12, 13 and 25"

RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "solar_elevation_angle", (), _elevation,
        "elevation of the sun's centre over the horizon, without refraction", _MEEUS,
        validity="within 0.02 degree of NREL SPA, 1950 to 2100",
    ),
    Recipe(
        "solar_azimuth_angle", (), _azimuth,
        "azimuth of the sun, clockwise from true north", _MEEUS,
        validity="within 0.02 degree of NREL SPA along the sky, 1950 to 2100",
    ),
    Recipe(
        "civil_twilight", (), _civil,
        "darkest moment of the hour: 0 day, 1 sun between -0.83 and -6 degrees, 2 night",
        "US Naval Observatory, definitions of sunrise and civil twilight",
        validity="looked at by quarters of the hour; computed, so never missing",
    ),
    Recipe(
        "fixed_twilight", (), _fixed,
        "darkest moment of the hour: 0 day, 1 within 30 minutes of sunrise or sunset, 2 night",
        "14 CFR 107.29(c), outside Alaska",
        validity="not in Alaska; looked at by quarters of the hour; computed, so never missing",
    ),
    Recipe(
        "glare_angle", ("solar_elevation_angle", "solar_azimuth_angle"), _glare_angle,
        "smallest angle between the sun and the aircraft on its way up and out, flown where the "
        "site says or else with the sun behind the pilot",
        "spherical law of cosines",
        validity="flown at least as far out as high; 180 with the sun down; cloud not counted",
    ),
    Recipe(
        "glare_half_width", ("solar_elevation_angle",), _glare_width,
        "directions to keep out of: so far to each side of the sun's azimuth the aircraft comes "
        "nearer to the sun than {glare-dazzle}",
        "spherical law of cosines; the angle common practice, no source",
        validity="flown at least as far out as high; cloud not counted",
    ),
)  # fmt: skip
