"""Signs of the wind: Beaufort's force, a jet aloft at night, a swing, the onset of a sea breeze."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wxgate.derive.column import Column, beside, column_of, strongest_below
from wxgate.derive.figures import Breeze, Jet
from wxgate.derive.handheld import beaufort
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field

#: The swing looks at the hour's ends and one instant either side.
SWING_BEFORE, SWING_AFTER = 1, 2


def low_level_jet(column: Column, wind: ArrayLike, sun: ArrayLike, cloud: ArrayLike,
                  *, figures: Jet) -> Array:  # fmt: skip
    """1 where a nocturnal low-level jet shows, 0 where it is ruled out, NaN where none can tell.

    A jet: low sun, little cloud, a weak 10 m ``wind``, and either a level near the ground with
    much more wind than at 10 m, or one higher up with a strong wind. Without any level from
    ``figures.witness`` to ``figures.top`` the absence of a jet is not known.
    Source: Baas et al. 2009; Luiz & Fiedler 2022; the limits are common practice.
    """
    u10, s, c = (np.asarray(x, dtype=np.float64) for x in (wind, sun, cloud))
    near = strongest_below(column, np.nextafter(figures.step_top, np.inf))
    higher = strongest_below(column, figures.top)
    aloft = (near - u10 > figures.step) | (higher > figures.speed)
    z = column.heights
    witness = ((z >= figures.witness) & (z < figures.top)).any(axis=0)
    ruled_out = (s >= figures.sun) | (c >= figures.cloud) | (u10 >= figures.surface_wind)
    ruled_out = ruled_out | (witness & ~aloft & np.isfinite(u10))
    quiet = (s < figures.sun) & (c < figures.cloud) & (u10 < figures.surface_wind)
    shows = quiet & aloft
    return np.where(ruled_out, 0.0, np.where(shows, 1.0, np.nan))


def angle_between(first: ArrayLike, second: ArrayLike) -> Array:
    """The smaller angle between two directions, 0..180 degrees; NaN if either is NaN."""
    a, b = (np.asarray(x, dtype=np.float64) for x in (first, second))
    return np.abs((a - b + 180.0) % 360.0 - 180.0)


def direction_swing(speed: ArrayLike, direction: ArrayLike, *, calm: float) -> Array:
    """The largest angle between any two wind directions around each hour, degrees; time first.

    Hour i looks at the instants i-1 to i+2, as far as the axis has them. A wind under ``calm`` has
    no direction and is left out. NaN where an instant that is looked at is missing, and for the
    last hour, which has no second end.
    """
    u = np.asarray(speed, dtype=np.float64)
    d = np.asarray(direction, dtype=np.float64)
    hours = u.shape[0]
    missing = np.isnan(u) | np.isnan(d)
    steady = np.where(u < calm, np.nan, d)
    swing = np.zeros(u.shape)
    unknown = np.zeros(u.shape, dtype=np.bool_)
    around = range(-SWING_BEFORE, SWING_AFTER + 1)
    for first in around:
        unknown |= _shifted(missing, first, False)
        for second in range(first + 1, SWING_AFTER + 1):
            pair = angle_between(_shifted(steady, first, np.nan), _shifted(steady, second, np.nan))
            swing = np.fmax(swing, pair)
    unknown[hours - 1 :] = True
    return np.where(unknown, np.nan, swing)


def sea_breeze_onset(
    speed: ArrayLike, direction: ArrayLike, sun: ArrayLike, *, figures: Breeze
) -> Array:
    """1 in an hour in which the sea breeze sets in, else 0; time first, for a site at a coast.

    Between the hour's two ends the wind turns, or sets in from a calm, and gains strength, with the
    sun up at the second end. An unknown sun counts as high. NaN where a wind is missing, and for
    the last hour, which has no second end. Source: common practice, no source.
    """
    u, d, s = (np.asarray(x, dtype=np.float64) for x in (speed, direction, sun))
    u2, d2, s2 = (_shifted(x, 1, np.nan) if x.shape[:1] == u.shape[:1] else x for x in (u, d, s))
    turns = (angle_between(d, d2) >= figures.turn) | (u < figures.calm)
    onset = turns & (u2 - u >= figures.rise) & ~(s2 <= figures.sun)
    return np.where(np.isnan(u + u2 + d + d2), np.nan, onset)


def _shifted(values: NDArray, by: int, beyond: object) -> NDArray:  # type: ignore[type-arg]
    """The values ``by`` hours later; ``beyond`` outside the axis."""
    out = np.full_like(values, beyond)
    hours = values.shape[0]
    if abs(by) < hours:
        out[max(0, -by) : hours - max(0, by)] = values[max(0, by) : hours - max(0, -by)]
    return out


# -- recipes -------------------------------------------------------------------------------------


def _jet(inputs: Inputs) -> Field | None:
    column = column_of(inputs)
    if column is None:
        return None
    surface = inputs.fields["wind_speed"].values
    jet = low_level_jet(
        column,
        surface,
        beside(inputs.values("solar_elevation_angle"), surface.shape),
        beside(inputs.values("cloud_area_fraction"), surface.shape),
        figures=inputs.figures.jet,
    )
    return make_field("low_level_jet", jet)


def _swing(inputs: Inputs) -> Field:
    swing = direction_swing(
        inputs.fields["wind_speed"].values,
        inputs.fields["wind_from_direction"].values,
        calm=inputs.figures.breeze.calm,
    )
    return make_field("wind_direction_swing", swing)


def _sea_breeze(inputs: Inputs) -> Field:
    speed = inputs.fields["wind_speed"].values
    if not inputs.site.coast:
        return make_field("sea_breeze_onset", np.where(np.isnan(speed), np.nan, 0.0))
    sun = beside(inputs.values("solar_elevation_angle"), speed.shape)
    direction = inputs.fields["wind_from_direction"].values
    onset = sea_breeze_onset(speed, direction, sun, figures=inputs.figures.breeze)
    return make_field("sea_breeze_onset", onset)


def _beaufort(inputs: Inputs) -> Field:
    return make_field("beaufort", beaufort(inputs.fields["wind_speed"].values))


_USES = ("eastward_wind_on_levels", "northward_wind_on_levels", "geopotential_height_on_levels",
         "surface_altitude", "solar_elevation_angle", "cloud_area_fraction")  # fmt: skip

RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "low_level_jet", ("eastward_wind", "northward_wind", "wind_speed"), _jet,
        "clear night, under {jet-surface-wind} at 10 m, {jet-step} more up to {jet-step-top} or "
        "over {jet-speed} below {jet-top}",
        "Baas et al. 2009; Luiz & Fiedler 2022; limits common practice",
        uses=_USES,
        validity="without a level from {jet-witness} to {jet-top} nobody can say that there is "
        "none",
    ),
    Recipe(
        "wind_direction_swing", ("wind_speed", "wind_from_direction"), _swing,
        "largest angle between two 10 m wind directions from an hour before to an hour after",
        "definition; common practice",
        validity="winds under {breeze-calm} have no direction",
    ),
    Recipe(
        "sea_breeze_onset", ("wind_speed", "wind_from_direction"), _sea_breeze,
        "at a coast by day: in this hour the wind turns by {breeze-turn} or more, or sets in from "
        "a calm, and gains {breeze-rise} or more",
        "common practice, no source",
        uses=("solar_elevation_angle",),
        validity="only sites that are said to lie at a coast; a model is an hour or so off",
    ),
    Recipe(
        "beaufort", ("wind_speed",), _beaufort,
        "Beaufort force of the 10 m wind by its lower bounds in m/s",
        "WMO-No. 306 Vol. I.1, code table 1100",
        validity="mean wind at 10 m; a bound belongs to the higher force",
    ),
)  # fmt: skip
