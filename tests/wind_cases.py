"""Forecasts of a few invented hours, put through the wind and gust recipes alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from wxgate.derive import gust, terrain, thermals, wind, wind_signs
from wxgate.derive.recipe import Inputs
from wxgate.derive.run import in_order
from wxgate.forecast import Field, make_field
from wxgate.profiles import Aircraft, Site
from wxgate.quantities import Kind

FIELD = Site("field", "an invented field", 51.5, 0.0, "Europe/London")
AIRCRAFT = Aircraft("mid-900g", "an invented aircraft", 0.9, 12.0, 0.35, 263.15, 313.15, 13.0)


def field(name: str, values: ArrayLike, levels: Sequence[float] | None = None,
          kind: Kind | None = None) -> Field:  # fmt: skip
    return make_field(
        name,
        np.asarray(values, dtype=float),
        kind=kind,
        levels=None if levels is None else np.asarray(levels, dtype=float),
    )


def winds(levels: Sequence[float], eastward: ArrayLike, northward: ArrayLike) -> dict[str, Field]:
    """Wind fields on height levels, shape (time, level, ...)."""
    return {
        "eastward_wind": field("eastward_wind", eastward, levels),
        "northward_wind": field("northward_wind", northward, levels),
    }


def steady(levels: Sequence[float], speeds: Sequence[float], directions: Sequence[float] = (),
           hours: int = 3) -> dict[str, Field]:  # fmt: skip
    """The same wind on each of ``hours`` instants."""
    u, v = wind.components_of(speeds, directions or [270.0] * len(speeds))
    return winds(levels, np.tile(u, (hours, 1)), np.tile(v, (hours, 1)))


def derived(
    fields: Mapping[str, Field], height: float, *, site: Site = FIELD, **more: Any
) -> dict[str, Field]:
    """The fields with all that the wind and gust recipes make of them.

    ``more`` are further quantities: a number for every instant, an array, or a field.
    """
    found = dict(fields)
    hours = found["eastward_wind"].values.shape[0]
    for name, values in more.items():
        if isinstance(values, Field):
            found[name] = values
        else:
            found[name] = field(name, np.broadcast_to(values, (hours,)) if np.ndim(values) == 0
                                else values)  # fmt: skip
    time = np.datetime64("2026-05-01T00:00:00") + np.arange(hours) * np.timedelta64(3600, "s")
    for recipe in in_order(
        r for m in (terrain, wind, wind_signs, gust, thermals) for r in m.RECIPES
    ):
        if all(need in found for need in recipe.needs):
            made = recipe.make(Inputs(time, found, site, AIRCRAFT, height))
            if made is not None:
                found[recipe.name] = made
    return found


def origin(found: Field, at: Any = 0) -> str:
    """The name of how a value was had."""
    return "direct" if found.origin is None else found.origins[int(found.origin[at])]


#: The neutral hours of the worked scenarios: sun too low for thermals, too high for a stable night.
NEUTRAL = {"solar_elevation_angle": 5.0, "cloud_area_fraction": 0.9}
CLEAR_NIGHT = {"solar_elevation_angle": -5.0, "cloud_area_fraction": 0.0}
