"""Visibility: the lowest of its mechanisms, and how far a small aircraft can be seen.

Plain arrays of any broadcastable shape. Content in g/m3, rates in mm/h, particles in ug/m3,
extinction in 1/km, distances in m. NaN in gives NaN out.
"""

from __future__ import annotations

import numpy as np

from wxgate.derive.figures import Derivation, Sight
from wxgate.derive.hours import at_hour_end, fields_aligned
from wxgate.derive.moisture import relative_humidity
from wxgate.derive.precipitation import Hydrometeor, precipitation_kind
from wxgate.derive.recipe import Array, Field, Inputs, Recipe, make_field
from wxgate.quantities import Kind

#: -ln of the contrast still seen: 2 % is the meteorological range of Koschmieder, 5 % (rounded)
#: what observers report, and what NOAA's HRRR takes. The two are 30 % apart.
METEOROLOGICAL_RANGE, OPTICAL_RANGE = 3.912, 3.0
#: Extinction = coefficient x content ** exponent. Stoelinga and Warner 1999 (J. Appl. Meteor. 38).
EXTINCTION = {
    "cloud water": (144.7, 0.88),
    "rain": (2.24, 0.75),
    "cloud ice": (327.8, 1.0),
    "snow": (10.36, 0.7776),
}
#: What NOAA's post-processor writes for clear air (15 statute miles): no restriction modelled, m.
UNRESTRICTED = 24135.0
#: Fog is visibility below this, m (WMO, ICAO Annex 3).
FOG = 1000.0

_DRY_SNOW, _WET_SNOW = 10.0, 6.0
_CLEAN_AIR, _PER_PARTICLE = 0.012, 0.0045


def visibility_from_extinction(extinction: Array, contrast: float = OPTICAL_RANGE) -> Array:
    """Visibility (m) from extinction (1/km), Koschmieder's law; infinite for no extinction.

    ``contrast`` is ``OPTICAL_RANGE`` or ``METEOROLOGICAL_RANGE``. The smaller, which is the
    default, never shows more than an observer would report.
    """
    with np.errstate(divide="ignore"):
        return 1000.0 * contrast / extinction


def hydrometeor_extinction(content: Array, of: str) -> Array:
    """Extinction (1/km) by a content (g/m3) of one row of ``EXTINCTION``; the rows add up."""
    coefficient, exponent = EXTINCTION[of]
    return coefficient * content**exponent


def rain_extinction(rate: Array) -> Array:
    """Extinction (1/km) by rain of a rate (mm/h).

    Content 0.072 rate ** 0.88 g/m3 (Marshall-Palmer drops, from memory), then
    :func:`hydrometeor_extinction`.
    """
    return hydrometeor_extinction(0.072 * rate**0.88, "rain")


def snow_extinction(rate: Array, temperature: Array, *, fall: float) -> Array:
    """Extinction (1/km) by snow of a rate (mm/h of water) at a temperature (K).

    Snow falling at ``fall`` (m/s), and 10 (dry, to -2 degC) to 6 (wet, from -1 degC) times its
    content. Source: NOAA-EMC/UPP, CALVIS_GSD.f, read 2026-11.
    """
    wet: Array = np.clip(temperature - 271.15, 0.0, 1.0)
    return (_DRY_SNOW * (1.0 - wet) + _WET_SNOW * wet) * rate / (3.6 * fall)


def smoke_extinction(pm2p5: Array, humidity: Array, *, humid: float) -> Array:
    """Extinction (1/km) by clean air and fine particles (ug/m3), doubled above ``humid`` (share).

    Few models forecast particles: where they are missing the air counts as clean. A humidity
    (share) that is missing counts as humid. Source: dry smoke, from memory.
    """
    dry = _CLEAN_AIR + _PER_PARTICLE * np.nan_to_num(pm2p5, nan=0.0)
    return np.where(humidity <= humid, dry, 2.0 * dry)


def precipitation_extinction(
    rate: Array, temperature: Array, kind: Array, *, figures: Sight
) -> Array:
    """Extinction (1/km) by precipitation of a rate (mm/h) and a kind (``Hydrometeor``, as float).

    Where the kind cannot be told it is snow up to the warmest, and dry snow where the temperature
    (K) is missing too: snow hides more than rain.
    """
    snow = np.where(np.isnan(kind), ~(temperature > figures.warmest_snow), kind == Hydrometeor.SNOW)
    cold = np.where(np.isnan(temperature), 0.0, temperature)
    through_snow = snow_extinction(rate, cold, fall=figures.snow_fall)
    return np.where(snow, through_snow, rain_extinction(rate))


def visibility(
    model: Array, in_precipitation: Array, in_smoke: Array, fog_points: Array, *, likely: float
) -> Array:
    """The lowest of the mechanisms (m).

    ``in_precipitation`` and ``in_smoke`` are extinctions (1/km). Where the model has a visibility,
    fog is in it and the fog points stay a matter of their own. Where it has none, the estimate
    starts at ``UNRESTRICTED`` and fog of ``likely`` points or more is at ``FOG``; it is NaN where
    precipitation or fog points are missing.
    """
    through_all = visibility_from_extinction(in_precipitation + in_smoke)
    estimate = np.minimum(np.where(fog_points >= likely, FOG, UNRESTRICTED), through_all)
    estimate = np.where(np.isnan(fog_points), np.nan, estimate)
    through_known = np.fmin(through_all, visibility_from_extinction(in_smoke))
    return np.where(np.isnan(model), estimate, np.fmin(model, through_known))


def attitude_line_of_sight(dimension: Array) -> Array:
    """Distance (m) at which the attitude of a multirotor of this largest dimension (m) is seen.

    327 x dimension + 20 m. Source: EASA method, as the Danish authority publishes it.
    """
    return 327.0 * dimension + 20.0


def detection_line_of_sight(ground_visibility: Array) -> Array:
    """Distance (m) at which other aircraft are seen in time: 0.3 x visibility; source as above."""
    return 0.3 * ground_visibility


def visual_range(dimension: Array, ground_visibility: Array) -> Array:
    """How far (m) the aircraft may be in visual line of sight: the shorter of the two."""
    return np.minimum(attitude_line_of_sight(dimension), detection_line_of_sight(ground_visibility))


def visual_radius(line_of_sight: Array, height: float) -> Array:
    """How far out (m) an aircraft at ``height`` (m) is in line of sight; 0 where it never is.

    Source: Pythagoras.
    """
    radius: Array = np.sqrt(np.maximum(line_of_sight**2 - height**2, 0.0))
    return radius


def required_visibility(dimension: Array, height: float = 0.0) -> Array:
    """Visibility (m) below which fog, not the size of the aircraft, limits the range.

    At least such that the aircraft is seen at ``height`` (m) overhead. Source: as the two above.
    """
    return np.maximum(attitude_line_of_sight(dimension), height) / 0.3


# ---------------------------------------------------------------------- recipe

_USES = ("visibility_in_air", "precipitation", "fog_points", "pm2p5", "air_temperature",
         "dew_point_spread", "wet_bulb_temperature", "categorical_freezing_rain",
         "categorical_ice_pellets", "categorical_snow")  # fmt: skip


def _visibility(inputs: Inputs) -> Field | None:
    if inputs.get("visibility_in_air") is None and inputs.get("precipitation") is None:
        return None
    model, amount, *points = fields_aligned(inputs, *_USES)
    later = (at_hour_end(p) for p in points)
    start = _at_instant(model, amount, *points, figures=inputs.figures)
    end = _at_instant(at_hour_end(model), amount, *later, figures=inputs.figures)
    values = np.minimum(start, end)
    missing = np.isnan(model) | np.isnan(at_hour_end(model))
    return make_field(
        "visibility", values, kind=Kind.MINIMUM,
        origin=np.broadcast_to(missing, values.shape).astype(np.uint8),
        origins=("direct", "estimated from rain, fog and smoke"),
    )  # fmt: skip


def _at_instant(
    model: Array, amount: Array, fog_points: Array, pm2p5: Array, temperature: Array,
    spread: Array, wet_bulb: Array, *types: Array, figures: Derivation,
) -> Array:  # fmt: skip
    """Visibility at one end of the hour, in the precipitation of the whole hour."""
    kind = precipitation_kind(amount, wet_bulb, *types, snow_wet_bulb=figures.rain.snow_wet_bulb)
    humidity = relative_humidity(temperature, temperature - spread)
    smoke = smoke_extinction(pm2p5, humidity, humid=figures.sight.humid)
    rain_or_snow = precipitation_extinction(amount, temperature, kind, figures=figures.sight)
    return visibility(model, rain_or_snow, smoke, fog_points, likely=figures.fog.likely)


def _attitude(inputs: Inputs) -> Field:
    size = np.asarray(inputs.aircraft.dimension)
    return make_field("attitude_line_of_sight", attitude_line_of_sight(size))


def _detection(inputs: Inputs) -> Field:
    seen = inputs.fields["visibility"]
    return make_field(
        "detection_line_of_sight", detection_line_of_sight(seen.values),
        origin=seen.origin, origins=seen.origins,
    )  # fmt: skip


def _range(inputs: Inputs) -> Field:
    seen = inputs.fields["visibility"]
    values = visual_range(np.asarray(inputs.aircraft.dimension), seen.values)
    return make_field("visual_range", values, origin=seen.origin, origins=seen.origins)


def _radius(inputs: Inputs) -> Field:
    sight = inputs.fields["visual_range"]
    values = visual_radius(sight.values, inputs.height)
    return make_field("visual_radius", values, origin=sight.origin, origins=sight.origins)


def _required(inputs: Inputs) -> Field:
    size = np.asarray(inputs.aircraft.dimension)
    return make_field("required_visibility", required_visibility(size, inputs.height))


_EASA = "EASA method for line of sight, as the Danish authority publishes it"

RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "visibility", (), _visibility,
        "the lowest of the model's visibility and that in the hour's rain or snow and in smoke; "
        "without the model's, below 1 km where fog is likely",
        "extinction by Stoelinga and Warner 1999, snow by NOAA-EMC/UPP CALVIS_GSD.f; visibility "
        "= 3.0 / extinction; smoke from memory",
        uses=_USES,
        validity="24 km or more: no restriction modelled; lowest of the hour's two ends; particles "
        "that are missing count as none",
    ),
    Recipe(
        "attitude_line_of_sight", (), _attitude,
        "327 times the largest dimension of the aircraft + 20 m", _EASA,
        validity="multirotors by day",
    ),
    Recipe(
        "detection_line_of_sight", ("visibility",), _detection, "0.3 times the visibility", _EASA,
        validity="by day; better than 5 km of visibility is recommended",
    ),
    Recipe(
        "visual_range", ("visibility",), _range,
        "the shorter of the distances at which the attitude and other traffic are seen", _EASA,
        validity="multirotors by day; missing where the visibility is",
    ),
    Recipe(
        "visual_radius", ("visual_range",), _radius,
        "horizontal distance of an aircraft at flight height and at the end of its visual range",
        "Pythagoras", validity="0 where the flight height is beyond the visual range",
    ),
    Recipe(
        "required_visibility", (), _required,
        "visibility in which fog does not shorten the line of sight, nor hides the flight height",
        _EASA, validity="the law of the place can ask for more",
    ),
)  # fmt: skip
