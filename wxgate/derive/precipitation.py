"""Precipitation: the amount of the hour, its chance here and nearby, its kind and its class.

Arrays have time first, row i being the hour [i, i + 1 h); amounts in mm, rates in mm/h, chances
as shares. The chances are for a single model run: what the run says of this cell and hour, of the
hours beside it and of the cells around it are taken as independent signs of one wet hour, and
the chance is that at least one of them comes true. More rain anywhere never lowers it.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Literal

import numpy as np

from wxgate.derive.hours import any_of, at_hour_end, fields_aligned, flag, shifted
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field

#: An hour is wet from here on, mm (or mm/h): most small drones are not made for any rain.
WET_HOUR = 0.1
#: Snow where no flag tells: the wet-bulb temperature (K) at which half of it is snow.
SNOW_WET_BULB = 273.15 + 1.0

# How far a sign is trusted. Common practice, no source: to be set by verification.
_HERE_NOW, _HERE_HEAVY, _HERE_BESIDE = 0.6, 0.5, 0.2
_HEAVY_HOUR = 1.0  # mm
_AROUND_NOW, _AROUND_BESIDE = 0.8, 0.25
_NEARBY_NOW, _NEARBY_BESIDE = 0.75, 0.35
#: Independent looks that a dry result stands for: three hours here, or those of a neighbourhood.
_LOOKS_HERE, _LOOKS_AROUND = 3, 15


def smoothed_exceedance(count: Array, total: Array) -> Array:
    """Chance from ``count`` of ``total`` members or looks: (k + 1/2) / (n + 1).

    Never 0 and never 1: 0 of 10 is 0.045. Source: Jeffreys' prior for a proportion.
    """
    return (count + 0.5) / (total + 1.0)


def either(*chances: Array) -> Array:
    """Chance that at least one of independent signs comes true; a sign of NaN says nothing."""
    none = np.asarray(1.0)
    for chance in chances:
        none = none * (1.0 - np.nan_to_num(chance, nan=0.0))
    return 1.0 - none


def wetness(amount: Array, wet: float = WET_HOUR) -> Array:
    """0 for dry to 1 for an amount of ``wet`` or more, linear between: no cliff at 0.1 mm."""
    share: Array = np.clip(amount / wet, 0.0, 1.0)
    return share


def beside(values: Array) -> Array:
    """The larger value of the hour before and the hour after; NaN where neither is known."""
    return np.fmax(shifted(values, -1), shifted(values, 1))


def from_rate(rate: Array) -> Array:
    """An hour's amount from the rate at its two ends (mm/h): the larger; NaN if one is missing."""
    return np.maximum(rate, at_hour_end(rate))


def precipitation_probability(amount: Array, neighbourhood_fraction: Array) -> Array:
    """Chance that the hour is wet here, from one run.

    ``amount`` (mm) of the cell, ``neighbourhood_fraction`` the share of cells around it that are
    wet in the hour (NaN where not known). Signs: the cell in the hour and in the hours beside it,
    the cells around in the hour and beside it. A wet hour here alone gives 0.61 or more; dry
    everywhere leaves 0.03, dry here with nothing known of the cells around 0.13. NaN where the
    amount is.
    """
    fraction = neighbourhood_fraction
    chance = either(
        _nothing_seen(fraction),
        _HERE_NOW * wetness(amount),
        _HERE_HEAVY * wetness(amount, _HEAVY_HOUR),
        _HERE_BESIDE * wetness(beside(amount)),
        _AROUND_NOW * fraction,
        _AROUND_BESIDE * beside(fraction),
    )
    return np.where(np.isnan(amount), np.nan, chance)


def nearby_probability(here: Array, around: Array, wet: float = WET_HOUR) -> Array:
    """Chance of ``wet`` (mm) or more in the hour anywhere nearby, from one run.

    ``here`` is the amount of the cell, ``around`` the largest among the cells around it (NaN
    where not known). It is the chance of an event *somewhere* within the radius, which is larger
    than that of an event at the site: Schwartz and Sobash 2017 (Mon. Wea. Rev. 145) keep the two
    apart. NaN where neither amount is known.
    """
    most = np.fmax(here, around)
    chance = either(
        _nothing_seen(around),
        _NEARBY_NOW * wetness(most, wet),
        _NEARBY_BESIDE * wetness(beside(most), wet),
    )
    return np.where(np.isnan(most), np.nan, chance)


def _nothing_seen(around: Array) -> Array:
    """The chance that is left when every sign is dry; larger where nothing is known around."""
    looks = np.where(np.isnan(around), _LOOKS_HERE, _LOOKS_AROUND)
    return smoothed_exceedance(np.zeros(()), looks)


class Hydrometeor(IntEnum):
    """What falls."""

    NOTHING = 0
    RAIN = 1
    FREEZING_RAIN = 2
    ICE_PELLETS = 3
    SNOW = 4


def precipitation_kind(
    amount: Array, wet_bulb: Array, freezing: Array, pellets: Array, snow: Array
) -> Array:
    """What falls, as :class:`Hydrometeor`, by the model's flags, else by the wet bulb (K).

    A flag counts when it is above 0 (means over an interval are shares); the most dangerous flag
    wins. Without flags snow up to a wet bulb of 1 degC, else rain. NaN where the amount is NaN,
    or where neither flags nor wet bulb tell.
    """
    h = Hydrometeor
    kinds = [h.NOTHING, h.FREEZING_RAIN, h.ICE_PELLETS, h.SNOW, h.SNOW, h.RAIN]
    tests = [amount <= 0, freezing > 0, pellets > 0, snow > 0,
             wet_bulb <= SNOW_WET_BULB, wet_bulb > SNOW_WET_BULB]  # fmt: skip
    kind = np.select(tests, [float(k) for k in kinds], np.nan)
    return np.where(np.isnan(amount), np.nan, kind)


def is_shower(total: Array, convective: Array, low_cloud: Array) -> Array:
    """Flag: does rain come in showers? More than half convective, or low cloud below 70 %.

    Amounts in mm, cloud as a share. 0 in a dry hour; NaN where it cannot be told. Source: common
    practice, no source.
    """
    shower = any_of(
        flag(convective > 0.5 * total, convective, total), flag(low_cloud < 0.7, low_cloud)
    )
    return np.where(total > 0, shower, np.where(np.isnan(total), np.nan, 0.0))


#: Upper bounds (mm/h) and words of the classes, and whether a bound belongs to the class below.
#: AMS Glossary, "rain"; UK Met Office usage (rain and showers apart); WMO-No. 8 from memory.
RAIN_CLASSES: dict[str, tuple[tuple[float, ...], tuple[str, ...], bool]] = {
    "AMS": ((2.5, 7.6), ("light", "moderate", "heavy"), True),
    "UK rain": ((0.5, 4.0), ("slight", "moderate", "heavy"), True),
    "UK shower": ((2.0, 10.0, 50.0), ("slight", "moderate", "heavy", "violent"), True),
    "WMO": ((2.5, 10.0, 50.0), ("slight", "moderate", "heavy", "violent"), False),
}


def rain_class(rate: float, scheme: str) -> str:
    """The word for a rain rate (mm/h) in a scheme of ``RAIN_CLASSES``; name it, for they differ.

    "none" without rain, "unknown" for NaN.
    """
    if np.isnan(rate):
        return "unknown"
    bounds, words, bound_is_below = RAIN_CLASSES[scheme]
    side: Literal["left", "right"] = "left" if bound_is_below else "right"
    return words[int(np.searchsorted(bounds, rate, side=side))] if rate > 0 else "none"


# ---------------------------------------------------------------------- recipes

_AMOUNT, _RATE = "lwe_thickness_of_precipitation_amount", "lwe_precipitation_rate"
_FRACTION = "precipitation_neighbourhood_fraction"
_MOST = "precipitation_neighbourhood_maximum"


def _precipitation(inputs: Inputs) -> Field | None:
    if inputs.get(_AMOUNT) is None and inputs.get(_RATE) is None:
        return None
    amount, rate = fields_aligned(inputs, _AMOUNT, _RATE)
    substitute = from_rate(rate)
    used = np.isnan(amount) & ~np.isnan(substitute)
    values = np.where(used, substitute, amount)
    return make_field(
        "precipitation", values, origin=used.astype(np.uint8), origins=("direct", "from rate")
    )


def _probability(inputs: Inputs) -> Field:
    amount, rate, fraction = fields_aligned(inputs, "precipitation", _RATE, _FRACTION)
    # A rate at either end tells of rain that the amount has rounded away.
    wettest = np.where(np.isnan(amount), np.nan, np.fmax(amount, np.fmax(rate, at_hour_end(rate))))
    values = precipitation_probability(wettest, fraction)
    return _chance_field("precipitation_probability", values, fraction)


def _nearby(inputs: Inputs) -> Field:
    here, around, chance_here = fields_aligned(
        inputs, "precipitation", _MOST, "precipitation_probability"
    )
    values = np.maximum(nearby_probability(here, around), chance_here)
    return _chance_field("precipitation_nearby_probability", values, around)


def _chance_field(name: str, values: Array, around: Array) -> Field:
    alone = np.broadcast_to(np.isnan(around), values.shape).astype(np.uint8)
    return make_field(name, values, origin=alone, origins=("direct", "site alone"))


_SIGNS = "common practice, no source, until verification sets the weights; "

RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "precipitation", (), _precipitation,
        "the amount of the hour; else the larger rate at its two ends for an hour",
        "definition", uses=(_AMOUNT, _RATE),
        validity="rates at the full hours can miss a shower; missing where neither is known",
    ),
    Recipe(
        "precipitation_probability", ("precipitation",), _probability,
        "at least one sign comes true: rain here in the hour, beside it, in the cells around",
        _SIGNS + "chance of nothing seen: (k + 1/2) / (n + 1)", uses=(_RATE, _FRACTION),
        validity="one model run; event 0.1 mm in the hour at the site",
    ),
    Recipe(
        "precipitation_nearby_probability", ("precipitation", "precipitation_probability"), _nearby,
        "as the chance here, for the wettest cell around; at least the chance here",
        _SIGNS + "two kinds of neighbourhood chance: Schwartz and Sobash 2017", uses=(_MOST,),
        validity="one model run; event 0.1 mm in the hour anywhere in the neighbourhood",
    ),
)  # fmt: skip
