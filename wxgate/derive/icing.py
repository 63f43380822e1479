"""Icing of a small multirotor: visible moisture and a temperature at which it freezes on.

Flags are 0 or 1; NaN where it cannot be told because an input that could make it 1 is missing.
Arrays of any broadcastable shape in SI units.
"""

from __future__ import annotations

import numpy as np

from wxgate.derive.figures import Icing
from wxgate.derive.hours import NO, UNTOLD, YES, all_of, any_of, at_hour_end, fields_aligned, flag
from wxgate.derive.moisture import relative_humidity
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field
from wxgate.quantities import Kind

_LAPSE = 0.0065


def in_fog(visibility: Array, humidity: Array, *, figures: Icing) -> Array:
    """Flag: fog that wets, by visibility (m) and relative humidity (share)."""
    return all_of(
        flag(visibility < figures.fog_visibility, visibility),
        flag(humidity >= figures.fog_humidity, humidity),
    )


def near_cloud(cloud_base: Array, height: float, *, margin: float) -> Array:
    """Flag: the flight height (m) is in cloud, or less than ``margin`` (m) below its base."""
    return flag(height >= cloud_base - margin, cloud_base)


def sticking_precipitation(
    amount: Array,
    temperature: Array,
    rain: Array,
    freezing: Array,
    pellets: Array,
    snow: Array,
    *,
    figures: Icing,
) -> Array:
    """Flag: precipitation (mm in the hour) that is liquid or wet, so that it can freeze on.

    Down to where snow is dry all of it is. Colder, the model's flags must tell dry snow from
    freezing drizzle; where none is up it cannot be told.
    """
    liquid = np.where(snow > 0, NO, UNTOLD)
    liquid = np.where((rain > 0) | (freezing > 0) | (pellets > 0), YES, liquid)
    sticks = any_of(flag(temperature >= figures.dry_snow, temperature), liquid)
    return all_of(flag(amount >= figures.trace, amount), sticks)


def icing(
    *,
    temperature: Array,
    wet_bulb: Array,
    fog: Array,
    cloud: Array,
    precipitation: Array,
    freezing_rain: Array,
    height: float,
    figures: Icing,
) -> Array:
    """Flag: ice will form on blades and sensors between the ground and the flight height.

    ``fog``, ``cloud`` and ``precipitation`` are the flags of visible moisture made above,
    ``temperature`` and ``wet_bulb`` (K) at 2 m; the flight height (m) is colder by 6.5 K/km. The
    model's ``freezing_rain`` flag decides by itself. Source: bands of FAA AC 00-6B par. 18.3.4
    (0 to -20 degC); the margins for wet bulb and blades are common practice, no source.
    """
    colder = _LAPSE * height
    drops_freeze = flag(wet_bulb - colder <= figures.warmest_drop, wet_bulb)
    fog_freezes = flag(temperature - colder <= figures.warmest_fog, temperature)
    not_too_cold = flag(temperature >= figures.coldest, temperature)
    wet_and_cold = any_of(
        all_of(precipitation, drops_freeze), all_of(any_of(fog, cloud), fog_freezes)
    )
    # A flag that is missing adds nothing: the wet bulb finds freezing rain as well.
    freezing = np.where(freezing_rain > 0, YES, NO)
    return any_of(all_of(wet_and_cold, not_too_cold), freezing)


# ---------------------------------------------------------------------- recipe

_USES = ("dew_point_spread", "wet_bulb_temperature", "visibility", "cloud_base_height",
         "precipitation", "categorical_rain", "categorical_freezing_rain",
         "categorical_ice_pellets", "categorical_snow")  # fmt: skip


def _icing(inputs: Inputs) -> Field:
    temperature, spread, wet_bulb, visibility, base, amount, *types = fields_aligned(
        inputs, "air_temperature", *_USES
    )
    humidity = relative_humidity(temperature, temperature - spread)
    points = (temperature, humidity, wet_bulb, base, *types)
    figures = inputs.figures.icing

    def at(
        temperature: Array, humidity: Array, wet_bulb: Array, base: Array, *types: Array
    ) -> Array:
        return icing(
            temperature=temperature,
            wet_bulb=wet_bulb,
            fog=in_fog(visibility, humidity, figures=figures),
            cloud=near_cloud(base, inputs.height, margin=figures.cloud_margin),
            precipitation=sticking_precipitation(amount, temperature, *types, figures=figures),
            freezing_rain=types[1],
            height=inputs.height,
            figures=figures,
        )

    hour = any_of(at(*points), at(*(at_hour_end(p) for p in points)))
    return make_field("icing", hour, kind=Kind.MAXIMUM)


RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "icing", ("air_temperature",), _icing,
        "precipitation with a wet bulb up to {icing-warmest-drop}, or fog or cloud up to "
        "{icing-warmest-fog}, down to {icing-coldest}, between the ground and flight height; or "
        "the freezing-rain flag",
        "FAA AC 00-6B par. 18.3.4 for the band; margins common practice, no source",
        uses=_USES, validity="temperature falls by 6.5 K/km up to flight height",
    ),
)  # fmt: skip
