"""The chance of thunder: instability times a trigger, and the stability index that goes with it.

Arrays have time first, row i being the hour [i, i + 1 h). CAPE without rain that releases it
gives little thunder; rain without CAPE gives none.
"""

from __future__ import annotations

import numpy as np

from wxgate.derive.figures import Thunder
from wxgate.derive.hours import fields_aligned, larger_end
from wxgate.derive.precipitation import nearby_probability
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field


def chance_with_trigger(cape: Array, *, figures: Thunder) -> Array:
    """Chance of thunder with a trigger by CAPE (J/kg), in steps; a bound belongs to the upper.

    A CAPE that is missing gives the largest step: no more can come of it.
    """
    steps = np.asarray(figures.chances)
    # NaN sorts behind every bound, and so lands on the largest step by itself.
    return steps[np.searchsorted(figures.cape_bounds, cape, side="right")]


def thunder_probability(
    trigger: Array, cape: Array, lightning: Array, *, figures: Thunder
) -> Array:
    """Chance of thunder within some 25 km in the hour.

    ``trigger`` is the chance of convective precipitation nearby (share), ``cape`` the larger of
    the hour's two ends (J/kg), ``lightning`` the model's own field, NaN where it has none. NaN
    where the trigger is, unless there is lightning.
    """
    chance = trigger * chance_with_trigger(cape, figures=figures)
    return np.where(lightning > 0, np.fmax(chance, figures.lightning_chance), chance)


def k_index(t850: Array, t700: Array, t500: Array, td850: Array, td700: Array) -> Array:
    """K index (degC) from temperatures and dew points (K) at 850, 700 and 500 hPa; George 1960."""
    return (t850 - t500) + (td850 - 273.15) - (t700 - td700)


# ---------------------------------------------------------------------- recipe

_CAPE = "convective_available_potential_energy"
_CONVECTIVE = "lwe_thickness_of_convective_precipitation_amount"
_MOST = "precipitation_neighbourhood_maximum"
_ORIGINS = (
    "direct",
    "total for convective precipitation",
    "CAPE missing",
    "CAPE missing, total for convective precipitation",
)


def _thunder(inputs: Inputs) -> Field:
    total, convective, around, cape, lightning = fields_aligned(
        inputs, "precipitation", _CONVECTIVE, _MOST, _CAPE, "lightning"
    )
    no_convective = np.isnan(convective)
    here = np.where(no_convective, total, convective)
    # Of the cells around only the total is known; all of it is taken for convective.
    figures = inputs.figures.thunder
    trigger = nearby_probability(here, around, figures.convective_hour, figures=inputs.figures.rain)
    trigger = np.where(np.isnan(here), np.nan, trigger)
    strongest = larger_end(cape)
    values = thunder_probability(trigger, strongest, lightning, figures=figures)
    origin = no_convective + 2 * np.isnan(strongest)
    return make_field(
        "thunder_probability", values,
        origin=np.broadcast_to(origin, values.shape).astype(np.uint8), origins=_ORIGINS,
    )  # fmt: skip


RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "thunder_probability", ("precipitation",), _thunder,
        "chance of {thunder-convective-hour} convective precipitation nearby, times "
        "{thunder-chances} by CAPE (steps at {thunder-cape-bounds}); at least "
        "{thunder-lightning-chance} with model lightning",
        "common practice, no source, until verification sets the figures; form after Westermayer "
        "et al. (CAPE saturates near 800 J/kg)",
        uses=(_CONVECTIVE, _MOST, _CAPE, "lightning"),
        validity="without CAPE its largest chance; without a convective part the total",
    ),
)  # fmt: skip
