"""How wrong a forecast may be: drawn errors, and the size of those of the wind.

Errors are drawn once a member and shared by all quantities that are wrong together; each hour's
error is mostly that of the hour before.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Collection
from dataclasses import dataclass
from enum import IntEnum
from functools import cache

import numpy as np
from numpy.typing import NDArray

from wxgate.chancepolicy import Policy
from wxgate.forecast import HOUR, Array, Forecast, to_datetime64
from wxgate.profiles import Site
from wxgate.quantities import Kind

FLIGHT_WIND = "wind_speed_at_flight_height"
_HEIGHT_OF_LEVEL, _TERRAIN = "geopotential_height_on_levels", "surface_altitude"


class Channel(IntEnum):
    """What is wrong together shares one draw."""

    WIND = 0
    GUST = 1
    TEMPERATURE = 2
    DEW_POINT = 3
    SIGHT = 4  #: visibility and ceiling
    RAIN = 5
    K_INDEX = 6
    THUNDER = 7


@dataclass(frozen=True, slots=True)
class Errors:
    """Standard normal errors (time, channel, member), each hour's tied to the hour before."""

    unit: Array

    def of(self, channel: Channel) -> Array:
        """One channel: (time, member)."""
        found: Array = self.unit[:, channel]
        return found


def draw(
    time: NDArray[np.datetime64], origin: np.datetime64, seed: int, members: int, correlation: float
) -> Errors:
    """Errors on ``time``, the same for the same hour whatever hours are asked for beside it.

    ``origin``: an instant at or before the first of ``time`` from which hours are counted.
    """
    skipped = int((time[0] - origin) // HOUR)
    total = skipped + time.size
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((total, len(Channel), members), dtype=np.float32)
    fresh, kept = np.float32(math.sqrt(1 - correlation**2)), np.float32(correlation)
    for n in range(1, total):
        noise[n] = kept * noise[n - 1] + fresh * noise[n]
    return Errors(noise[skipped:])


def seed_of(*parts: object) -> int:
    """A seed that the same parts always give, on any machine."""
    return int.from_bytes(hashlib.sha256(repr(parts).encode()).digest()[:8], "big")


def run_of(forecast: Forecast) -> np.datetime64 | None:
    """The oldest run that a forecast is made of; None where none is told."""
    runs = [to_datetime64(p.run) for p in forecast.provenance if p.run is not None]
    return min(runs, default=None)


def lead_hours(forecast: Forecast) -> Array:
    """Hours of each instant ahead of the oldest run; NaN where no run is told."""
    run = run_of(forecast)
    if run is None:
        return np.full(forecast.time.shape, np.nan)
    found: Array = np.maximum((forecast.time - run) / HOUR, 0.0)
    return found


def wind_error(forecast: Forecast, site: Site, policy: Policy, height: float = 10.0) -> Array:
    """One standard deviation (m/s) of the wind at ``height`` (m above ground), by hour; (time,).

    By the lead time (the longest that the policy tells where the run is not known); larger with
    every metre to the nearest level of the model, for a coarse model and at a rough place; times
    the policy's factor where the wind stands on a substitute, and again for a stale run.
    """
    hours, errors = policy.curve("wind", "error")
    s = np.interp(np.nan_to_num(lead_hours(forecast), nan=hours[-1]), hours, errors)
    s += policy.number("wind", "per_100_m") * metres_off_level(forecast, height) / 100
    if from_any(forecast, policy.names("wind", "coarse_sources")):
        s += policy.number("wind", "coarse")
    if site.coast or site.valley or site.hill is not None:
        s += policy.number("wind", "rough_place")
    poor = np.float64(policy.number("wind", "poor_factor"))
    s *= np.where(_stale(forecast, policy.number("wind", "stale_cycles")), poor, 1.0)
    s *= np.where(_stands_in(forecast), poor, 1.0)
    return np.asarray(s, np.float32)


def metres_off_level(forecast: Forecast, height: float) -> float:
    """How far (m) the flight height lies from the nearest level of the model that has a wind.

    Levels are those of ``eastward_wind``, and pressure levels by their mean height above the
    model's terrain; 10 m where no level is told.
    """
    wind = forecast.get("eastward_wind")
    levels = [] if wind is None or wind.levels is None else list(wind.levels)
    aloft, terrain = forecast.get(_HEIGHT_OF_LEVEL), forecast.get(_TERRAIN)
    if aloft is not None and aloft.levels is not None and terrain is not None:
        over = aloft.values.reshape(*aloft.values.shape[:2], -1).mean(axis=(0, 2), dtype=np.float64)
        levels += [z for z in over - float(np.max(terrain.values)) if z >= 0]
    return float(min((abs(height - z) for z in levels), default=abs(height - 10.0)))


def from_any(forecast: Forecast, sources: Collection[str]) -> bool:
    """Whether one of these sources gave a part of it."""
    return any(p.source in sources for p in forecast.provenance)


def _stale(forecast: Forecast, cycles: float) -> bool:
    """Whether a run is older than so many cycles; it is where its age is not known."""
    age = forecast.get("forecast_age_in_cycles")
    return age is None or not bool(np.all(age.values <= cycles))


def _stands_in(forecast: Forecast) -> NDArray[np.bool_]:
    """Hours whose wind at flight height was had by a substitute: (time,)."""
    wind = forecast.get(FLIGHT_WIND)
    nothing = np.zeros(forecast.time.shape, np.bool_)
    if wind is None or wind.origin is None or wind.kind is Kind.CONSTANT:
        return nothing
    used = wind.origin > 0
    return nothing | used.reshape(used.shape[0], -1).any(axis=1)


# ---------------------------------------------------------------------- the normal law


_PER_UNIT = 200  #: rows of the table


@cache
def _normal_table() -> tuple[Array, Array]:
    z = np.linspace(-6, 6, 12 * _PER_UNIT + 1)
    return z, np.array([0.5 * math.erfc(-x / math.sqrt(2)) for x in z])


def share_below(unit: Array) -> Array:
    """The normal distribution function, by a table (within 1e-6)."""
    _, share = _normal_table()
    # The table's steps are even, so that no place in it has to be searched for.
    missing = np.isnan(unit)
    at = np.clip((np.where(missing, 0.0, unit) + 6) * _PER_UNIT, 0, share.size - 1.001)
    below = at.astype(np.intp)
    found: Array = share[below] + (at - below) * (share[below + 1] - share[below])
    return np.where(missing, np.nan, found)


def unit_at(share: Array) -> Array:
    """Its inverse: the standard normal value below which such a share lies, within 6 either way."""
    z, of = _normal_table()
    found: Array = np.interp(share, of, z)
    return found


def truncated(middle: Array, spread: Array, unit: Array) -> Array:
    """Values of a normal law cut off below 0, by standard normal draws; NaN stays NaN.

    ``middle`` and ``spread`` are those of the uncut law.
    """
    plain: Array = np.asarray(middle + spread * unit)
    # Only within five deviations of nought does the cut show.
    near = np.broadcast_to((middle < 5 * spread) & (np.asarray(spread) > 0), plain.shape)
    if near.any():
        m, s, u = (np.broadcast_to(a, plain.shape)[near] for a in (middle, spread, unit))
        below = share_below(-m / s)
        plain = plain.copy()
        plain[near] = m + s * unit_at(below + (1 - below) * share_below(u))
    return np.maximum(plain, np.float32(0)).astype(np.float32)
