"""A forecast with what was seen laid over it: only ever windier, wetter and thicker.

Where the forecast has a gap, what was seen is only a bound: a gust of 3 m/s on the meter does not
tell that no stronger one comes. So everything is laid over twice, once with what was seen in the
gaps (``filling``) and once with the gaps left as they are, and the worse of both counts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from wxgate.derive.figures import derivation
from wxgate.derive.handheld import height_factor
from wxgate.derive.recipe import Array
from wxgate.fieldcheck.seen import STANDARD_HEIGHT, Seen
from wxgate.forecast import HOUR, Forecast, make_field, to_datetime64
from wxgate.quantities import Kind

Flags = NDArray[np.bool_]
#: What stands for "it rains" and "it thunders" where nobody measured how much: more than any limit
#: of a rule that means rain at all, and a certainty.
RAIN_MM = 0.2
#: Winds that a raised forecast raises.
_SCALED = (
    "eastward_wind", "northward_wind", "eastward_wind_on_levels", "northward_wind_on_levels",
    "wind_speed_of_gust", "wind_speed_maximum", "eastward_wind_at_maximum",
    "northward_wind_at_maximum",
)  # fmt: skip


def raised(forecast: Forecast, scale: float, now: datetime) -> Forecast:
    """All winds of the hour of ``now`` and later times ``scale`` (1 to 2)."""
    if not 1 <= scale <= derivation().meter.largest_raise:
        raise ValueError(f"a forecast is never scaled by {scale}")
    later = forecast.time >= _hour(now)
    fields = {}
    for name in _SCALED:
        found = forecast.get(name)
        if found is not None and found.kind is not Kind.CONSTANT:
            values = found.values.copy()
            values[later] *= np.float32(scale)
            fields[name] = found.with_values(values)
    return forecast.with_fields(fields)


def overlaid(
    forecast: Forecast, seen: Seen, now: datetime, *, hours: int, roughness: float, filling: bool
) -> Forecast:
    """The fetched fields of ``hours`` hours from that of ``now`` made no better than what was seen.

    A mean wind raises every level by the neutral profile over ``roughness`` (m). With ``filling``
    gaps are filled, and the temperature that was read takes the place of the forecast one. Hours
    that the forecast does not have stay away. Derive anew afterwards, then put :func:`certain`
    over the result.
    """
    points, whole = _instants(forecast, now, hours), _whole_hours(forecast, now, hours)
    over = _Over(forecast, filling)
    if seen.wind is not None:
        over.lift(seen.wind, STANDARD_HEIGHT, points, roughness)
    if seen.aloft is not None and seen.aloft_height is not None:
        over.lift(seen.aloft, seen.aloft_height, points, roughness)
    if seen.gust is not None:
        over.at_least("wind_speed_of_gust", seen.gust, points)
    if seen.rain:
        over.at_least("lwe_thickness_of_precipitation_amount", RAIN_MM, whole)
        over.at_least("precipitation_neighbourhood_maximum", RAIN_MM, whole)
        over.at_least("precipitation_neighbourhood_fraction", 1.0, whole)
        over.at_least("lwe_precipitation_rate", RAIN_MM, points)
    for name, most in (("visibility_in_air", seen.visibility), ("ceiling_height", seen.ceiling)):
        if most is not None:
            over.at_most(name, most, points)
    for name, value in (
        ("air_temperature", seen.temperature), ("dew_point_temperature", seen.dew_point),
    ):  # fmt: skip
        if value is not None and filling:
            over.as_seen(name, value, points)
    return replace(forecast, fields=over.fields)


def certain(derived: Forecast, seen: Seen, now: datetime, *, hours: int, filling: bool) -> Forecast:
    """Derived chances of what was seen or heard, turned into certainty."""
    whole, over = _whole_hours(derived, now, hours), _Over(derived, filling)
    if seen.rain:
        for name in ("precipitation_probability", "precipitation_nearby_probability"):
            over.at_least(name, 1.0, whole)
        over.at_least("precipitation", RAIN_MM, whole)
    if seen.thunder:
        over.at_least("thunder_probability", 1.0, whole)
    return replace(derived, fields=over.fields)


def _hour(now: datetime) -> np.datetime64:
    hour: np.datetime64 = to_datetime64(now).astype("datetime64[h]").astype("datetime64[s]")
    return hour


def _whole_hours(forecast: Forecast, now: datetime, hours: int) -> Flags:
    since = _hour(now)
    inside: Flags = (forecast.time >= since) & (forecast.time < since + hours * HOUR)
    return inside


def _instants(forecast: Forecast, now: datetime, hours: int) -> Flags:
    """Both ends of those hours."""
    since = _hour(now)
    inside: Flags = (forecast.time >= since) & (forecast.time <= since + hours * HOUR)
    return inside


class _Over:
    """The fields of a forecast, changed at some of its times; the forecast stays as it is."""

    def __init__(self, forecast: Forecast, filling: bool) -> None:
        self.fields = dict(forecast.fields)
        self.filling = filling

    def at_least(self, name: str, least: float, at: Flags) -> None:
        """Make a quantity no less than this."""
        self._change(name, np.float32(least), at, np.fmax if self.filling else np.maximum)

    def at_most(self, name: str, most: float, at: Flags) -> None:
        """Make a quantity no more than this."""
        self._change(name, np.float32(most), at, np.fmin if self.filling else np.minimum)

    def as_seen(self, name: str, value: float, at: Flags) -> None:
        """Make a quantity this."""
        self._change(name, np.float32(value), at, lambda part, seen: np.full_like(part, seen))

    def lift(self, speed: float, height: float, at: Flags, roughness: float) -> None:
        """Make the wind at every height no less than ``speed`` carried there, its direction kept.

        A wind without a direction, or none at all, is taken as one from the west.
        """
        east, north = self.fields.get("eastward_wind"), self.fields.get("northward_wind")
        if east is None or north is None or east.levels is None:
            return
        least = speed * np.asarray(height_factor(east.levels, height, roughness), np.float64)
        u, v = east.values.astype(np.float64), north.values.astype(np.float64)
        there = np.hypot(u[at], v[at])
        gap = (np.isnan(there) & self.filling) | (there == 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            times = np.maximum(least / there, 1.0)
            u[at], v[at] = np.where(gap, least, u[at] * times), np.where(gap, 0.0, v[at] * times)
        self.fields["eastward_wind"] = east.with_values(u.astype(np.float32))
        self.fields["northward_wind"] = north.with_values(v.astype(np.float32))

    def _change(self, name: str, value: np.float32, at: Flags, pick: Callable[..., Array]) -> None:
        found = self.fields.get(name)
        if found is None:
            self._make(name, value, at)
            return
        values, origin = found.values.copy(), found.origin
        values[at] = pick(values[at], value)
        if origin is not None and origin.shape == values.shape:
            # What was seen is not estimated; what stayed as it was is what it was.
            origin = np.where(at & (values == value), np.uint8(0), origin)
        self.fields[name] = replace(found, values=values, origin=origin)

    def _make(self, name: str, value: np.float32, at: Flags) -> None:
        """A field that is not there, with that part alone known."""
        if self.filling and at.any():
            values = np.where(at, value, np.float32(np.nan))
            self.fields[name] = make_field(name, values, source="seen on the field")
