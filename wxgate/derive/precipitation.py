"""Precipitation: the amount of the hour, its chance here and nearby, its kind and its class.

Arrays have time first, row i being the hour [i, i + 1 h); amounts in mm, rates in mm/h, chances
as shares. The chances are for a single model run: what the run says of this cell and hour, of the
hours beside it and of the cells around it are taken as independent signs of one wet hour, and
the chance is that at least one of them comes true. More rain anywhere never lowers it.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np

from wxgate.derive.figures import Rain
from wxgate.derive.hours import at_hour_end, fields_aligned, larger_end, shifted
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field


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


def wetness(amount: Array, wet: float) -> Array:
    """0 for dry to 1 for an amount of ``wet`` or more, linear between: no cliff at a wet hour."""
    share: Array = np.clip(amount / wet, 0.0, 1.0)
    return share


def beside(values: Array) -> Array:
    """The larger value of the hour before and the hour after; NaN where neither is known."""
    return np.fmax(shifted(values, -1), shifted(values, 1))


def from_rate(rate: Array) -> Array:
    """An hour's amount from the rate at its two ends (mm/h): the larger; NaN if one is missing."""
    return larger_end(rate)


def precipitation_probability(
    amount: Array, neighbourhood_fraction: Array, *, figures: Rain
) -> Array:
    """Chance that the hour is wet here, from one run.

    ``amount`` (mm) of the cell, ``neighbourhood_fraction`` the share of cells around it that are
    wet in the hour (NaN where not known). Signs: the cell in the hour and in the hours beside it,
    the cells around in the hour and beside it. By the figures that ship a wet hour here alone gives
    0.61 or more; dry everywhere leaves 0.03, dry here with nothing known of the cells around 0.13.
    NaN where the amount is.
    """
    fraction, wet = neighbourhood_fraction, figures.wet_hour
    chance = either(
        _nothing_seen(fraction, figures),
        figures.here_now * wetness(amount, wet),
        figures.here_heavy * wetness(amount, figures.heavy_hour),
        figures.here_beside * wetness(beside(amount), wet),
        figures.around_now * fraction,
        figures.around_beside * beside(fraction),
    )
    return np.where(np.isnan(amount), np.nan, chance)


def nearby_probability(here: Array, around: Array, wet: float, *, figures: Rain) -> Array:
    """Chance of ``wet`` (mm) or more in the hour anywhere nearby, from one run.

    ``here`` is the amount of the cell, ``around`` the largest among the cells around it (NaN
    where not known). It is the chance of an event *somewhere* within the radius, which is larger
    than that of an event at the site: Schwartz and Sobash 2017 (Mon. Wea. Rev. 145) keep the two
    apart. NaN where neither amount is known.
    """
    most = np.fmax(here, around)
    chance = either(
        _nothing_seen(around, figures),
        figures.nearby_now * wetness(most, wet),
        figures.nearby_beside * wetness(beside(most), wet),
    )
    return np.where(np.isnan(most), np.nan, chance)


def _nothing_seen(around: Array, figures: Rain) -> Array:
    """The chance that is left when every sign is dry; larger where nothing is known around."""
    looks = np.where(np.isnan(around), figures.looks_here, figures.looks_around)
    return smoothed_exceedance(np.zeros(()), looks)


class Hydrometeor(IntEnum):
    """What falls."""

    NOTHING = 0
    RAIN = 1
    FREEZING_RAIN = 2
    ICE_PELLETS = 3
    SNOW = 4


def precipitation_kind(
    amount: Array,
    wet_bulb: Array,
    freezing: Array,
    pellets: Array,
    snow: Array,
    *,
    snow_wet_bulb: float,
) -> Array:
    """What falls, as :class:`Hydrometeor`, by the model's flags, else by the wet bulb (K).

    A flag counts when it is above 0 (means over an interval are shares); the most dangerous flag
    wins. Without flags snow up to a wet bulb of ``snow_wet_bulb``, else rain. NaN where the amount
    is NaN, or where neither flags nor wet bulb tell.
    """
    h = Hydrometeor
    kinds = [h.NOTHING, h.FREEZING_RAIN, h.ICE_PELLETS, h.SNOW, h.SNOW, h.RAIN]
    tests = [amount <= 0, freezing > 0, pellets > 0, snow > 0,
             wet_bulb <= snow_wet_bulb, wet_bulb > snow_wet_bulb]  # fmt: skip
    kind = np.select(tests, [float(k) for k in kinds], np.nan)
    return np.where(np.isnan(amount), np.nan, kind)


#: Words for a rain rate in each scheme, each with the bound (mm/h) up to which it holds and whether
#: it holds at the bound. AMS Glossary, "rain"; UK Met Office usage (rain and showers apart; which
#: side 10 mm/h is on is not told, here the heavier); WMO-No. 8 from memory.
RAIN_CLASSES: dict[str, tuple[tuple[str, float, bool], ...]] = {
    "AMS": (("light", 2.5, True), ("moderate", 7.6, True), ("heavy", np.inf, True)),
    "UK rain": (("slight", 0.5, False), ("moderate", 4.0, True), ("heavy", np.inf, True)),
    "UK shower": (("slight", 2.0, False), ("moderate", 10.0, False), ("heavy", 50.0, True),
                  ("violent", np.inf, True)),
    "WMO": (("slight", 2.5, False), ("moderate", 10.0, False), ("heavy", 50.0, False),
            ("violent", np.inf, True)),
}  # fmt: skip


def rain_class(rate: float, scheme: str) -> str:
    """The word for a rain rate (mm/h) in a scheme of ``RAIN_CLASSES``; name it, for they differ.

    "none" without rain, "unknown" for NaN and what is no rate. Not used by a recipe: kept as the
    reference of words for rain, against which the figures of a wet and of a heavy hour are held.
    """
    if not rate >= 0:
        return "unknown"
    classes = RAIN_CLASSES[scheme]
    held = (word for word, bound, closed in classes if rate < bound or (closed and rate == bound))
    return next(held) if rate > 0 else "none"


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
    values = precipitation_probability(wettest, fraction, figures=inputs.figures.rain)
    return _chance_field("precipitation_probability", values, fraction)


def _nearby(inputs: Inputs) -> Field:
    here, around, chance_here = fields_aligned(
        inputs, "precipitation", _MOST, "precipitation_probability"
    )
    figures = inputs.figures.rain
    nearby = nearby_probability(here, around, figures.wet_hour, figures=figures)
    values = np.maximum(nearby, chance_here)
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
        validity="one model run; event {rain-wet-hour} in the hour at the site",
    ),
    Recipe(
        "precipitation_nearby_probability", ("precipitation", "precipitation_probability"), _nearby,
        "as the chance here, for the wettest cell around; at least the chance here",
        _SIGNS + "two kinds of neighbourhood chance: Schwartz and Sobash 2017", uses=(_MOST,),
        validity="one model run; event {rain-wet-hour} in the hour anywhere in the neighbourhood",
    ),
)  # fmt: skip
