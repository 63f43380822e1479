"""What the ground around a site does to the wind: hills and shelter.

Pure functions of arrays of any broadcastable shape; lengths in metres, factors without unit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wxgate.derive.figures import Terrain
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field

if TYPE_CHECKING:
    from wxgate.profiles import Hill, Shelter

#: (largest speed-up per h/Lh, decay with height, reach behind the crest in Lh); NBC of Canada
#: 4.1.7.4 has the form, the constants are from memory. A round hill is an axisymmetric one.
HILL_SHAPES = {
    "ridge": (2.2, 3.0, 1.5),
    "escarpment": (1.3, 2.5, 4.0),
    "round": (1.6, 4.0, 1.5),
}
#: Features flatter than this do nothing (ASCE 7, 26.8).
FLATTEST = 0.2
#: Steeper ones are counted as this steep: the flow separates and rides over its own bubble.
STEEPEST = 0.5
#: A lee slope steeper than this separates (17 degrees; Taylor & Lee 1984).
SEPARATION_SLOPE = 0.3

#: Share of the wind that a moderately dense belt takes away, by distance in belt heights
#: (Univ. of Nebraska EC1763, stored copy read 2026-11).
BELT_DISTANCE = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0)
BELT_REDUCTION = (0.78, 0.66, 0.35, 0.14, 0.10, 0.04)
#: Porosity of a moderately dense belt, 55 to 85 % of which is solid (Iowa State University,
#: Farmstead windbreaks: planning, stored copy read 2026-11). A wall has eddies out to 6 heights and
#: a shorter lee; behind more open trees less is known.
BELT_POROSITY = (0.15, 0.45)


def hill_speedup(height: ArrayLike, hill: Hill | None) -> Array:
    """The factor (1 or more) by which a hill raises the mean wind at ``height`` above its ground.

    1 without a hill and for one with h/Lh under 0.2. The wind is taken to blow straight over it,
    as its direction against the hill is not stated. For h/Lh above 0.5 the hill counts as 0.5,
    with Lh = 2 h in its decay. ``hill.position`` is the distance of the site from the crest,
    positive on the far (plateau) side.
    Source: National Building Code of Canada 4.1.7.4; Taylor & Lee 1984 (constants from memory).
    """
    z = np.asarray(height, dtype=np.float64)
    if hill is None or hill.height / hill.half_length < FLATTEST:
        return np.where(np.isnan(z), np.nan, 1.0)
    steepness = min(hill.height / hill.half_length, STEEPEST)
    half_length = max(hill.half_length, hill.height / STEEPEST)
    largest, decay, reach = HILL_SHAPES[hill.shape]
    if hill.position < 0:
        reach = 1.5
    along = max(0.0, 1 - abs(hill.position) / (reach * half_length))
    return 1 + largest * steepness * along * np.exp(-decay * z / half_length)


def flow_separates(hill: Hill) -> bool:
    """Whether the flow behind the crest separates: half height over half length above 0.3.

    Source: Taylor & Lee 1984, validity of the speed-up guideline (slope up to 0.3).
    """
    return hill.height / (2 * hill.half_length) > SEPARATION_SLOPE


def in_lee(hill: Hill | None, *, reach: float) -> bool:
    """Whether a site can lie in the separated flow behind a hill: reversed, gusty.

    Away from the crest of a hill that separates, up to ``reach`` of its heights. On either side, as
    the side that is stated as downwind is so for one wind only. Source: common practice, no source.
    """
    if hill is None or not flow_separates(hill):
        return False
    return 0 < abs(hill.position) <= reach * hill.height


def is_moderately_dense(shelter: Shelter) -> bool:
    """Whether the lee is that of a belt of trees, as measured: porosity of 0.15 to 0.45, both in.

    Outside it the lee may not be counted on. Source: Iowa State University, Farmstead windbreaks:
    planning (density 55 to 85 %).
    """
    least, most = BELT_POROSITY
    return least <= shelter.porosity <= most


def shelter_factor(height: ArrayLike, shelter: Shelter | None, *, figures: Terrain) -> Array:
    """The share of the wind that is left behind a belt or wall, at ``height`` above ground.

    For the launch area only; it never lowers the wind at flight height. 1 (no shelter) too high,
    too near and too far for the height of the belt, and for a belt without leaves, whose
    effect is far less and not known. A belt of any porosity: whoever counts on the lee asks
    :func:`is_moderately_dense` too. Source: Univ. of Nebraska EC1763 (reductions); the bounds are
    common practice, no source.
    """
    z = np.asarray(height, dtype=np.float64)
    if shelter is None or not shelter.leaf:
        return np.where(np.isnan(z), np.nan, 1.0)
    distance = shelter.distance / shelter.height
    if not figures.shelter_nearest <= distance <= figures.shelter_farthest:
        return np.where(np.isnan(z), np.nan, 1.0)
    left = 1 - float(np.interp(distance, BELT_DISTANCE, BELT_REDUCTION))
    low = z < figures.shelter_top * shelter.height
    return np.where(np.isnan(z), np.nan, np.where(low, left, 1.0))


def in_wake(height: ArrayLike, shelter: Shelter, *, figures: Terrain) -> NDArray[np.bool_]:
    """True where the wake of a belt or wall may be turbulent: not far above it, not far from it.

    Source: common practice, no source.
    """
    z = np.asarray(height, dtype=np.float64)
    within = shelter.distance <= figures.wake_reach * shelter.height
    return np.asarray(~(z >= figures.wake_top * shelter.height) & within)


# -- recipes -------------------------------------------------------------------------------------


def _lee(inputs: Inputs) -> Field:
    lee = in_lee(inputs.site.hill, reach=inputs.figures.terrain.lee_reach)
    return make_field("lee_separation", np.asarray(float(lee)))


def _wake(inputs: Inputs) -> Field:
    shelter, figures = inputs.site.shelter, inputs.figures.terrain
    wake = False if shelter is None else bool(in_wake(inputs.height, shelter, figures=figures))
    return make_field("wake_turbulence", np.asarray(float(wake)))


def _difference(inputs: Inputs) -> Field | None:
    terrain, altitude = inputs.values("surface_altitude"), inputs.site.altitude
    if terrain is None or altitude is None:
        return None
    return make_field("terrain_difference", np.abs(altitude - terrain))


RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "lee_separation", (), _lee,
        "1 up to ten hill heights from the crest of a stated hill with a slope above 0.3",
        "Taylor & Lee 1984 (slope); reach common practice, no source",
        validity="a site that states no hill has 0",
    ),
    Recipe(
        "wake_turbulence", (), _wake,
        "1 under two heights of the stated shelter and within 15 of them",
        "common practice, no source",
        validity="a site that states no shelter has 0; climbing out of it is in the wind step",
    ),
    Recipe(
        "terrain_difference", (), _difference,
        "stated altitude of the site less that of the model's terrain, without sign",
        "definition", uses=("surface_altitude",),
        validity="needs the site's altitude; beyond 100 m the temperature is moved to it",
    ),
)  # fmt: skip
