"""Geomagnetic latitude, and what the planetary K index means there.

Kp is counted in thirds (5- is 4.67, 5o is 5.00, 5+ is 5.33) and holds for slots of three hours
from 00 UTC. How much a given Kp matters depends on the geomagnetic latitude; near the magnetic
equator the evening matters more than Kp.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field
from wxgate.derive.sun import over_site

#: Share of days with K 5 or more, for when there is no forecast of Kp. Source: verification of the
#: Brussels centre (J. Space Weather Space Clim. 2014, table 4): 0.108 of 2985 days.
STORM_CLIMATOLOGY = 0.11

#: Share of days with such a storm after a day-ahead forecast of one, and of none. Source: same
#: (computed from its counts: 115 of 245 forecasts, 207 of 2740 days without one).
STORM_FORECAST, NO_STORM_FORECAST = 0.47, 0.076
#: A storm is Kp 5- or more (G1), to the nearest third.
_STORM = 4.5
#: Kp holds for so long, from 00 UTC on.
_SLOT = np.timedelta64(3 * 3600, "s")

#: Kp in thirds from which each G class holds: 5-, 6-, 7-, 8- and 9o (9- is still G4).
_G_THIRDS = np.array([14, 17, 20, 23, 27])


@cache
def _table() -> tuple[NDArray[np.float32], float]:
    """Magnetic latitude on a grid from (-90, -180), one column more to wrap, and its step."""
    with np.load(Path(__file__).with_name("quasi_dipole.npz")) as stored:
        degrees = stored["hundredths"].astype(np.float32) / np.float32(100.0)
        return np.concatenate([degrees, degrees[:, :1]], axis=1), float(stored["step"])


def geomagnetic_latitude(latitude: ArrayLike, longitude: ArrayLike) -> Array:
    """Quasi-dipole latitude (degrees) at 110 km over a place, bilinear in a 2-degree table.

    Degrees in, any broadcastable shapes, any longitude convention; NaN in gives NaN out. The table
    holds for July 2026 and ages by about 0.02 degree a year, 0.2 at most. Source: Richmond 1995, J.
    Geomag. Geoelectr. 47, 191, over IGRF-14; Shepherd 2014, AACGM-v2, towards the poles.
    """
    table, step = _table()
    lat, lon = np.broadcast_arrays(np.asarray(latitude, float), np.asarray(longitude, float))
    missing = ~(np.isfinite(lat) & np.isfinite(lon) & (np.abs(lat) <= 90.0))
    y = (np.where(missing, 0.0, lat) + 90.0) / step
    x = (np.where(missing, 0.0, lon) + 180.0) % 360.0 / step
    i = np.minimum(y.astype(int), table.shape[0] - 2)
    j = np.minimum(x.astype(int), table.shape[1] - 2)
    fy, fx = y - i, x - j
    low = (1 - fx) * table[i, j] + fx * table[i, j + 1]
    high = (1 - fx) * table[i + 1, j] + fx * table[i + 1, j + 1]
    return np.where(missing, np.nan, (1 - fy) * low + fy * high)


def kp_from_symbol(symbol: str) -> float:
    """Kp of a symbol such as ``5-``, ``5o`` or ``5+``; ValueError for anything else.

    Source: NGDC and UKSSDC, derivation of Kp. Not used by a recipe: kept as the reference of Kp by
    thirds, against which :func:`g_class` is held.
    """
    shifts = {"-": -1, "o": 0, "+": 1}
    if len(symbol) != 2 or symbol[0] not in "0123456789" or symbol[1] not in shifts:
        raise ValueError(f"{symbol!r} is not a Kp symbol such as 5-, 5o or 5+")
    thirds = 3 * int(symbol[0]) + shifts[symbol[1]]
    if not 0 <= thirds <= 27:
        raise ValueError(f"{symbol!r} is outside the scale from 0o to 9o")
    return thirds / 3


def kp_symbol(kp: float) -> str:
    """The symbol of a Kp value, to the nearest third; ValueError outside 0 to 9 and for NaN.

    Not used by a recipe: kept as the reference of :func:`kp_from_symbol`, its inverse, against
    which that is held.
    """
    if not 0 <= kp <= 9:
        raise ValueError(f"{kp} is not a Kp value")
    whole, rest = divmod(round(3 * kp) + 1, 3)
    return f"{whole}{'-o+'[rest]}"


def g_class(kp: Array) -> Array:
    """Class of the geomagnetic storm scale, 0 (none) to 5, of Kp to the nearest third.

    NaN in gives NaN out. Source: NOAA space weather scales; AMS Glossary, G-scale: 9- is G4.
    """
    thirds = np.rint(3.0 * np.asarray(kp))
    classes = np.searchsorted(_G_THIRDS, thirds, side="right").astype(float)
    return np.where(np.isnan(thirds), np.nan, classes)


def kp_over(starts: Any, values: Array, begin: Any, end: Any) -> Array:
    """Largest Kp of the slots [start, start + 3 h) that overlap [begin, end).

    ``starts`` (datetime64) and ``values`` have one slot each, in any order; ``begin`` and ``end``
    are instants or arrays of them, such as the hours of a forecast or a session. NaN where a slot
    that overlaps is missing, or slots leave part of the time uncovered. Not used by a recipe: kept
    as the reference of slots laid on hours, against which those of the services
    (``sources.kslots.lay``) are held.
    """
    starts, values = np.asarray(starts, dtype="datetime64[s]"), np.asarray(values, dtype=float)
    begin, end = np.broadcast_arrays(np.asarray(begin), np.asarray(end))
    overlap_from = np.maximum(begin[..., None], starts)
    overlap = np.minimum(end[..., None], starts + _SLOT) - overlap_from
    touches = overlap > np.timedelta64(0, "s")
    covered = np.where(touches, overlap, np.timedelta64(0, "s")).sum(axis=-1)
    largest = np.where(touches, values, -np.inf).max(axis=-1, initial=-np.inf)
    return np.where((covered >= end - begin) & np.isfinite(largest), largest, np.nan)


def storm_probability(kp: Array, predicted: NDArray[np.bool_]) -> tuple[Array, NDArray[np.uint8]]:
    """Chance of Kp 5- or more, and how it was had: an index into ``STORM_ORIGINS``.

    ``predicted`` is True where the Kp is a forecast: it is worth what day-ahead forecasts have
    been worth. What is observed or estimated is so or not. A Kp that is missing gives the
    climatology.
    """
    storm = kp >= _STORM
    chance = np.where(predicted, np.where(storm, STORM_FORECAST, NO_STORM_FORECAST), storm)
    origin = np.where(predicted, np.where(storm, 1, 2), 0)
    missing = np.isnan(kp)
    values = np.where(missing, STORM_CLIMATOLOGY, chance)
    return values, np.where(missing, 3, origin).astype(np.uint8)


#: The poorest last: of the members of an ensemble that one counts (``members.middle_of``).
STORM_ORIGINS = (
    "direct", "forecast of a storm", "forecast of no storm", "from climatology, no K index",
)  # fmt: skip


def equatorial_scintillation(
    time: Any, longitude: ArrayLike, magnetic_latitude: ArrayLike
) -> Array:
    """1 in the evenings when satellite signals flicker near the magnetic equator, else 0.

    Within 20 degrees of the magnetic equator, 19 to 01 local solar time, within 45 days of an
    equinox; solar activity is taken as high, since no forecast of it is read. ``time`` is
    datetime64 in UTC; all broadcast. NaN or NaT in gives NaN out. From memory: textbook
    climatology of equatorial spread F, hardly dependent on Kp.
    """
    moment = np.asarray(time, dtype="datetime64[s]")
    lon, magnetic = np.asarray(longitude, float), np.asarray(magnetic_latitude, float)
    seconds = (moment - moment.astype("datetime64[D]")) / np.timedelta64(3600, "s")
    solar_hour = (seconds + lon / 15.0) % 24.0
    evening = (solar_hour >= 19.0) | (solar_hour < 1.0)
    day = (moment - moment.astype("datetime64[Y]")) / np.timedelta64(86400, "s")
    half_year = 365.25 / 2
    from_equinox = np.abs((day - 79.0 + half_year / 2) % half_year - half_year / 2)
    flag = evening & (np.abs(magnetic) < 20.0) & (from_equinox <= 45.0)
    missing = np.isnan(solar_hour) | np.isnan(magnetic)
    return np.where(missing, np.nan, flag.astype(float))


def _latitude(inputs: Inputs) -> Field:
    values = geomagnetic_latitude(inputs.site.latitude, inputs.site.longitude)
    return make_field("geomagnetic_latitude", values)


def storm_of(found: Field | None, time: NDArray[np.datetime64]) -> Field:
    """The chance of a storm by a field of the K index on hours, or without one."""
    if found is None:
        kp = np.full(time.shape, np.nan, np.float32)
        predicted = np.zeros(kp.shape, np.bool_)
    elif found.origin is None or "predicted" not in found.origins:
        kp, predicted = found.values, np.ones(found.values.shape, np.bool_)
    else:
        kp, predicted = found.values, found.origin == found.origins.index("predicted")
    values, origin = storm_probability(kp, predicted)
    # Of its kind, so that an hour one end of which has no K index counts as one without.
    kind = None if found is None else found.kind
    return make_field(
        "geomagnetic_storm_probability", values, kind=kind, origin=origin, origins=STORM_ORIGINS
    )


def _storm(inputs: Inputs) -> Field:
    return storm_of(inputs.get("planetary_k_index"), inputs.time)


def _scintillation(inputs: Inputs) -> Field:
    time, _, longitude = over_site(inputs)
    magnetic = inputs.fields["geomagnetic_latitude"].values
    values = equatorial_scintillation(time, longitude, magnetic)
    return make_field("equatorial_scintillation", values)


RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "geomagnetic_latitude", (), _latitude,
        "quasi-dipole latitude at 110 km, bilinear in a 2-degree table for July 2026",
        "Richmond 1995, J. Geomag. Geoelectr. 47, 191, over IGRF-14; Shepherd 2014, AACGM-v2",
        validity="within 0.2 degree of traced field lines; made for July 2026",
    ),
    Recipe(
        "equatorial_scintillation", ("geomagnetic_latitude",), _scintillation,
        "1 within 20 degrees of the magnetic equator, 19 to 01 solar time, 45 days of an equinox",
        "from memory: textbook climatology of equatorial spread F",
        validity="a climatology: no forecast of the ionosphere is read; computed, so never missing",
    ),
    Recipe(
        "geomagnetic_storm_probability", (), _storm,
        "share of days with Kp 5 or more after a forecast of it, after a forecast of less, or of "
        "all days where there is no K index",
        "verification at Brussels, J. Space Weather Space Clim. 2014, table 4: 0.47, 0.076, 0.108 "
        "of 2985 days",
        uses=("planetary_k_index",),
        validity="day-ahead forecasts; a forecast K index is good to about 1.3",
    ),
)  # fmt: skip
