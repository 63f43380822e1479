"""Wind at 10 m, at launch and at flight height: speed, direction, layer and step.

``wind_speed_at_flight_height`` is the wind U(z) at the planned height itself and
``wind_speed_layer_maximum`` the strongest up to that height and 50 m beyond: a flight "up to z"
passes everything below, and a jet may sag. A level 50 m or more above the planned height is left
out of both, so a jet at 80 m does not forbid 20 m.

Speed and direction follow MetPy's conventions (calm: direction 0; north: 360), which the tests
hold them against. They are computed with numpy because MetPy takes 1.2 s to import.

The file is long for its recipes alone: each carries its reason, source and range with it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wxgate.derive.column import (
    POWER_LAW_FROM_10_M,
    POWER_LAW_FROM_TOP,
    WIND_ORIGINS,
    Column,
    WindAtHeight,
    beside,
    column_of,
    level_of,
    speed_of,
    strongest_below,
    top_level,
    wind_at,
)
from wxgate.derive.figures import Terrain
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field
from wxgate.derive.surface_layer import (
    ALPHA_NEUTRAL,
    STABLE_WIND,
    neutral_exponent,
    stability_exponent,
)
from wxgate.derive.terrain import hill_speedup, is_moderately_dense, shelter_factor

if TYPE_CHECKING:
    from wxgate.profiles import Hill, Shelter

REFERENCE_HEIGHT = 10.0  #: m, the height of a wind "at the ground"
#: Where the pilot stands with a hand-held meter, m.
LAUNCH_HEIGHT = 2.0


def direction_from(eastward: ArrayLike, northward: ArrayLike) -> Array:
    """Direction the wind comes from, degrees true in (0, 360]; 0 means calm; NaN if either is NaN.

    Source: MetPy 1.7 ``wind_direction``, convention "from".
    """
    u = np.asarray(eastward, dtype=np.float64)
    v = np.asarray(northward, dtype=np.float64)
    direction = 90.0 - np.degrees(np.arctan2(-v, -u))
    direction = np.where(direction <= 0, direction + 360.0, direction)
    return np.where((u == 0) & (v == 0), 0.0, direction)


def components_of(speed: ArrayLike, direction: ArrayLike) -> tuple[Array, Array]:
    """Eastward and northward wind of a speed and the direction (degrees) that it comes from."""
    u = np.asarray(speed, dtype=np.float64)
    angle = np.radians(np.asarray(direction, dtype=np.float64))
    return -u * np.sin(angle), -u * np.cos(angle)


def carry_up(
    column: Column,
    height: ArrayLike,
    exponent: ArrayLike,
    *,
    calmer: tuple[ArrayLike, ArrayLike] | None = None,
) -> tuple[WindAtHeight, NDArray[np.uint8]]:
    """The wind at ``height`` (m above ground), and how it was had (index of ``WIND_ORIGINS``).

    Between levels as :func:`wxgate.derive.column.wind_at`. Where the levels end too low, the power
    law with ``exponent`` carries the top level up: from 10 m only where nothing higher is there.
    ``calmer`` is a share of the wind and the exponent that holds for so much of it: what that much
    would be aloft the whole wind is at least. NaN where there is no level at or below the height.
    """
    found = wind_at(column, height)
    z = np.broadcast_to(np.asarray(height, dtype=np.float64), found.speed.shape)
    top, u, v = top_level(column)
    lacking = np.isnan(found.speed) & (z > top)
    ratio = np.where(lacking, z / top, 1.0)
    factor = ratio ** np.asarray(exponent, dtype=np.float64)
    if calmer is not None:
        share, steeper = (np.asarray(part, dtype=np.float64) for part in calmer)
        factor = np.maximum(factor, share * ratio**steeper)
    how = np.where(top > REFERENCE_HEIGHT + 0.5, POWER_LAW_FROM_TOP, POWER_LAW_FROM_10_M)
    codes = np.where(lacking, how, found.from_pressure.astype(np.uint8)).astype(np.uint8)
    carried = WindAtHeight(
        np.where(lacking, u * factor, found.eastward),
        np.where(lacking, v * factor, found.northward),
        np.where(lacking, speed_of(u, v) * factor, found.speed),
        found.from_pressure,
    )
    return carried, codes


def launch_wind(
    speed: ArrayLike, hill: Hill | None, shelter: Shelter | None, *, figures: Terrain
) -> Array:
    """The mean wind at the launch place, m/s, where ``speed`` is the 10 m wind of the model.

    Raised by the hill that the site stands on, lowered by a moderately dense belt of trees: gusts
    reach the lee of a wall and blow through open trees.
    """
    raised = np.asarray(speed, dtype=np.float64) * hill_speedup(REFERENCE_HEIGHT, hill)
    counted = shelter if shelter is not None and is_moderately_dense(shelter) else None
    return raised * shelter_factor(LAUNCH_HEIGHT, counted, figures=figures)


def wind_step(wind: WindAtHeight, eastward: ArrayLike, northward: ArrayLike,
              launch_share: ArrayLike = 1.0) -> Array:  # fmt: skip
    """The step in the wind vector from launch to flight height, m/s; NaN if anything is NaN.

    ``eastward`` and ``northward`` are the 10 m wind; ``launch_share`` is what shelter leaves of it
    at launch. Shelter can only enlarge the step.
    """
    u, v = (np.asarray(x, dtype=np.float64) for x in (eastward, northward))
    share = np.asarray(launch_share, dtype=np.float64)
    in_the_open = speed_of(wind.eastward - u, wind.northward - v)
    sheltered = speed_of(wind.eastward - share * u, wind.northward - share * v)
    along = wind.speed - share * speed_of(u, v)
    return np.maximum(np.maximum(in_the_open, sheltered), along)


# -- recipes -------------------------------------------------------------------------------------


def surface_components(inputs: Inputs) -> tuple[Array, Array] | None:
    """Eastward and northward wind of a forecast at 10 m, None where it has no such level."""
    return inputs.once("wind at 10 m", _surface_components)


def _surface_components(inputs: Inputs) -> tuple[Array, Array] | None:
    u = level_of(inputs.get("eastward_wind"), REFERENCE_HEIGHT)
    v = level_of(inputs.get("northward_wind"), REFERENCE_HEIGHT)
    return None if u is None or v is None else (u, v)


def _planned(inputs: Inputs) -> float:
    """The height to read the wind at: below 10 m the 10 m wind stands for the weaker one there."""
    return max(inputs.height, REFERENCE_HEIGHT)


def _at_flight_height(inputs: Inputs) -> tuple[WindAtHeight, NDArray[np.uint8]] | None:
    """The wind at the planned height with the speed-up of the site's hill."""
    return inputs.once("wind at flight height", _make_at_flight_height)


def _make_at_flight_height(inputs: Inputs) -> tuple[WindAtHeight, NDArray[np.uint8]] | None:
    column, surface = column_of(inputs), surface_components(inputs)
    if column is None or surface is None:
        return None
    shape = column.shape
    sun = beside(inputs.values("solar_elevation_angle"), shape)
    cloud = beside(inputs.values("cloud_area_fraction"), shape)
    speed, neutral = speed_of(*surface), _neutral(inputs)
    exponent = stability_exponent(sun, cloud, speed, neutral=neutral)
    # Stable air ends at a wind of 5 m/s; without this, more wind below would mean less aloft.
    weaker = np.minimum(speed, STABLE_WIND)
    calmer = stability_exponent(sun, cloud, np.nextafter(weaker, 0.0), neutral=neutral)
    share = np.divide(weaker, speed, out=np.ones_like(speed), where=speed > 0)
    height = _planned(inputs)
    wind, codes = carry_up(column, height, exponent, calmer=(share, calmer))
    raised = hill_speedup(height, inputs.site.hill)
    return (
        WindAtHeight(
            wind.eastward * raised, wind.northward * raised, wind.speed * raised, wind.from_pressure
        ),
        codes,
    )


def _neutral(inputs: Inputs) -> float:
    """The neutral exponent over the site's own roughness, at least that of open grass."""
    roughness = inputs.site.roughness_length
    if roughness is None:
        return ALPHA_NEUTRAL
    return max(ALPHA_NEUTRAL, float(neutral_exponent(10.0, _planned(inputs), roughness)))


def _speed(inputs: Inputs) -> Field | None:
    surface = surface_components(inputs)
    return None if surface is None else make_field("wind_speed", speed_of(*surface))


def _direction(inputs: Inputs) -> Field | None:
    surface = surface_components(inputs)
    return None if surface is None else make_field("wind_from_direction", direction_from(*surface))


def _flight_speed(inputs: Inputs) -> Field | None:
    found = _at_flight_height(inputs)
    if found is None:
        return None
    return make_field(
        "wind_speed_at_flight_height", found[0].speed, origin=found[1], origins=WIND_ORIGINS
    )


def _flight_direction(inputs: Inputs) -> Field | None:
    found = _at_flight_height(inputs)
    if found is None:
        return None
    return make_field(
        "wind_from_direction_at_flight_height",
        direction_from(found[0].eastward, found[0].northward),
        origin=found[1],
        origins=WIND_ORIGINS,
    )


def _layer(inputs: Inputs) -> Field | None:
    column = column_of(inputs)
    surface = inputs.fields["wind_speed"].values
    aloft = inputs.fields["wind_speed_at_flight_height"]
    if column is None:
        return None
    hill = inputs.site.hill
    levels = strongest_below(
        column,
        _planned(inputs) + inputs.figures.levels.layer_above,
        column.speed * hill_speedup(column.heights, hill),
    )
    at_10_m = surface * hill_speedup(REFERENCE_HEIGHT, hill)
    strongest = np.maximum(np.maximum(levels, at_10_m), aloft.values)
    return make_field(
        "wind_speed_layer_maximum", strongest, origin=aloft.origin, origins=aloft.origins
    )


def _launch(inputs: Inputs) -> Field:
    site, wind = inputs.site, inputs.fields["wind_speed"].values
    launch = launch_wind(wind, site.hill, site.shelter, figures=inputs.figures.terrain)
    return make_field("launch_wind_speed", launch)


def _step(inputs: Inputs) -> Field | None:
    found, surface = _at_flight_height(inputs), surface_components(inputs)
    if found is None or surface is None:
        return None
    raised = hill_speedup(REFERENCE_HEIGHT, inputs.site.hill)
    u, v = (raised * component for component in surface)
    # Calm behind a wall makes a step too, though nobody may count on it.
    share = shelter_factor(LAUNCH_HEIGHT, inputs.site.shelter, figures=inputs.figures.terrain)
    return make_field(
        "wind_step", wind_step(found[0], u, v, share), origin=found[1], origins=WIND_ORIGINS
    )


_COMPONENTS = ("eastward_wind", "northward_wind")
_ALOFT = (
    "eastward_wind_on_levels",
    "northward_wind_on_levels",
    "geopotential_height_on_levels",
    "surface_altitude",
)
_AIR = ("solar_elevation_angle", "cloud_area_fraction")

RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "wind_speed", _COMPONENTS, _speed,
        "length of the 10 m wind vector", "definition; held against MetPy 1.7",
        validity="mean wind over the roughness of the model's cell, not of the site",
    ),
    Recipe(
        "wind_from_direction", _COMPONENTS, _direction,
        "where the 10 m wind comes from; 0 is calm, 360 is north",
        "convention of MetPy 1.7",
        validity="degrees from true north; under 1 m/s it means little",
    ),
    Recipe(
        "wind_speed_at_flight_height", _COMPONENTS, _flight_speed,
        "log interpolation between levels, the larger of vector and weighted speed; without "
        "levels aloft the power law; raised on a hill",
        "log law between levels (Stull 1988); exponents from memory; hill: NBC of Canada 4.1.7.4",
        uses=(*_ALOFT, *_AIR),
        validity="10 to 120 m; under 10 m the 10 m wind; the power law says nothing of a jet on a "
        "clear night; missing without the 10 m wind",
    ),
    Recipe(
        "wind_from_direction_at_flight_height", _COMPONENTS, _flight_direction,
        "where the interpolated wind vector comes from; 0 is calm, 360 is north",
        "log law between levels (Stull 1988); convention of MetPy 1.7",
        uses=(*_ALOFT, *_AIR),
        validity="the power law keeps the direction of the level that it starts from",
    ),
    Recipe(
        "wind_speed_layer_maximum",
        (*_COMPONENTS, "wind_speed", "wind_speed_at_flight_height"), _layer,
        "strongest wind at 10 m, at flight height and on every level less than "
        "{levels-layer-above} above it",
        "common practice, no source",
        uses=_ALOFT,
        validity="between the levels that the model has it may blow harder still",
    ),
    Recipe(
        "launch_wind_speed", ("wind_speed",), _launch,
        "10 m wind, raised by the hill and lowered by the trees that the site states",
        "hill: NBC of Canada 4.1.7.4; shelter: Univ. of Nebraska EC1763, Iowa State University",
        validity="a site that states neither has the 10 m wind; bare or far trees, walls (porosity "
        "below 15 %) and open trees (above 45 %) shelter nothing",
    ),
    Recipe(
        "wind_step", _COMPONENTS, _step,
        "length of the difference of the wind vectors at flight height and at launch, where hill "
        "and shelter of the site count",
        "vector difference, by definition; shelter: Univ. of Nebraska EC1763",
        uses=(*_ALOFT, *_AIR),
        validity="as the wind at flight height",
    ),
)  # fmt: skip
