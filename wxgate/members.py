"""A forecast of members: how many there are, and the weather in their middle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wxgate.forecast import Array, Field, Forecast
from wxgate.quantities import Kind


def members_of(forecast: Forecast) -> int | None:
    """How many members a forecast has; None for a forecast without members."""
    dims = forecast.attributes.get("grid", {}).get("dims", ())
    if tuple(dims) not in (("member",), ("realization",)):
        return None
    sizes = [f.values.shape[-1] for f in forecast.fields.values() if has_members(f)]
    return max(sizes, default=1)


def has_members(field: Field) -> bool:
    """Whether values have a dimension beside time and level."""
    own = (field.kind is not Kind.CONSTANT) + (field.levels is not None)
    return field.values.ndim > own


def middle_of(forecast: Forecast) -> Forecast:
    """The middle weather of members: each quantity's median, missing where a member lacks it.

    Directions are those of the mean of unit vectors; an origin is the farthest from direct. The
    forecast itself where it has no members.
    """
    if members_of(forecast) is None:
        return forecast
    fields = {n: _middle(n, f) if has_members(f) else f for n, f in forecast.fields.items()}
    attributes = {k: v for k, v in forecast.attributes.items() if k != "grid"}
    earlier = None if forecast.earlier is None else middle_of(forecast.earlier)
    return replace(forecast, fields=fields, attributes=attributes, earlier=earlier)


def _middle(name: str, field: Field) -> Field:
    if "from_direction" in name:
        angle = np.deg2rad(field.values.astype(np.float64))
        mean = np.arctan2(np.sin(angle).mean(-1), np.cos(angle).mean(-1))
        values: Array = (np.rad2deg(mean) % 360).astype(np.float32)
    else:
        values = np.median(field.values, axis=-1)
    wide = field.origin is not None and field.origin.ndim > values.ndim - (field.levels is not None)
    origin = field.origin.max(axis=-1) if wide and field.origin is not None else field.origin
    return replace(field, values=values, origin=origin)
