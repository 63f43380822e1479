"""The air of the model's terrain, moved to the height of the site before anything is derived of it.

A grid cell's terrain can lie hundreds of metres above or below the field. A site that lies higher
is colder, at all times. One that lies lower is warmer only if the air is mixed: on clear nights the
coldest air lies in the valley. So down there the air is made warmer only where it is warm already,
and nothing is asked of it that fears the cold; for cold, icing, fog and dew it stays as it is.
A ceiling stays where it is above the sea, so that a higher site is nearer to it, however little
higher; over a lower one nothing is made of the greater room, for cloud follows the ground at times.
Pressure is moved by the
recipe of the density.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from wxgate.derive.air import LAPSE_RATE
from wxgate.derive.figures import SiteHeight
from wxgate.derive.moisture import DEW_POINT_NOISE, dew_point_from_humidity, relative_humidity
from wxgate.forecast import Array, Field, make_field
from wxgate.profiles import Site
from wxgate.quantities import NO_CEILING

TEMPERATURE, DEW_POINT, HUMIDITY = (
    "air_temperature", "dew_point_temperature", "relative_humidity",
)  # fmt: skip
ALOFT, TERRAIN, CEILING = "air_temperature_at_heights", "surface_altitude", "ceiling_height"

#: The dew point falls by so much a metre in air that is lifted (K/m): 1.8 K/km (FAA texts have
#: 1 degF in 1000 ft), which follows from an unchanged mixing ratio.
DEW_POINT_LAPSE = 0.0018
#: The origin of a temperature that was moved.
MOVED = "moved to the site's height"


def climb_to_site(fields: Mapping[str, Field], site: Site) -> float:
    """How far (m) the site lies above the model's terrain; 0 where that is not known.

    On a map the air of each cell is that of its own terrain: 0.
    """
    terrain = fields.get(TERRAIN)
    if terrain is None or site.altitude is None or terrain.values.size != 1:
        return 0.0
    climb = site.altitude - float(terrain.values.reshape(()))
    return climb if np.isfinite(climb) else 0.0


def temperature_shift(temperature: Array, climb: float, figures: SiteHeight) -> Array:
    """What is to be added (K) to an air temperature (K) for ``climb`` metres upwards.

    6.5 K/km, the lapse of the standard atmosphere; downwards 0 in air that is not warm. NaN stays.
    Source: ICAO Doc 7488/3.
    """
    whole = np.where(np.isnan(temperature), np.nan, -LAPSE_RATE * climb)
    return whole if climb >= 0 else np.where(temperature < figures.warm, 0.0, whole)


def moved_dew_point(
    temperature: Array, dew_point: Array, climb: float, figures: SiteHeight
) -> Array:
    """The dew point (K) where :func:`temperature_shift` was added to the temperature.

    Upwards it falls by 1.8 K/km and is never above the temperature there; downwards the spread
    stays. A dew point that is too far above its temperature to be true stays so.
    """
    shift = temperature_shift(temperature, climb, figures)
    if climb < 0:
        return dew_point + shift
    lifted = dew_point - DEW_POINT_LAPSE * climb
    is_true = dew_point <= temperature + DEW_POINT_NOISE
    return np.where(is_true, np.minimum(lifted, temperature + shift), lifted)


def lowered_ceiling(ceiling: Array, climb: float) -> Array:
    """A ceiling (m) above ground that is ``climb`` m higher, 0 within cloud; none stays none."""
    lower = np.where(ceiling >= NO_CEILING, ceiling, np.maximum(ceiling - climb, 0.0))
    return lower.astype(np.float32)


def at_site_height(
    fields: Mapping[str, Field], site: Site, figures: SiteHeight
) -> tuple[dict[str, Field], str]:
    """The fields with air and ceiling moved to the site's height, and a note of it.

    The same fields and "" where nothing is moved. Air aloft goes along with that at the ground, so
    that its stability stays. Air is moved, and a note made, where the difference is large.
    """
    moved, climb = dict(fields), climb_to_site(fields, site)
    ground, ceiling = fields.get(TEMPERATURE), fields.get(CEILING)
    told = ""
    if ceiling is not None and climb > 0:
        moved[CEILING] = ceiling.with_values(lowered_ceiling(ceiling.values, climb))
        told = f"ceiling lowered by {climb:.0f} m to the site above the model's terrain"
    if abs(climb) <= figures.least_difference:
        return moved, ""
    if ground is None:
        return moved, told
    before = ground.values.astype(np.float64)
    shift = temperature_shift(before, climb, figures)
    moved[TEMPERATURE] = _told(ground, before + shift, shift)
    dew_point, humidity = fields.get(DEW_POINT), fields.get(HUMIDITY)
    if dew_point is not None:
        moved[DEW_POINT] = dew_point.with_values(
            moved_dew_point(before, dew_point.values, climb, figures).astype(np.float32)
        )
    if humidity is not None:
        moist = dew_point_from_humidity(before, humidity.values)
        lifted = moved_dew_point(before, moist, climb, figures)
        share = relative_humidity(before + shift, lifted)
        # No dew point belongs to air without any moisture.
        share = np.where(humidity.values <= 0, humidity.values, share)
        moved[HUMIDITY] = humidity.with_values(share.astype(np.float32))
    aloft = fields.get(ALOFT)
    if aloft is not None:
        moved[ALOFT] = aloft.with_values(
            (aloft.values + np.nan_to_num(shift)[:, None]).astype(np.float32)
        )
    return moved, _note(climb, shift, has_ceiling=ceiling is not None)


def _told(field: Field, values: Array, shift: Array) -> Field:
    """The field with what was moved marked as such."""
    before = np.zeros(values.shape, np.uint8) if field.origin is None else field.origin
    origin = np.where(np.nan_to_num(shift) != 0, np.uint8(len(field.origins)), before)
    return make_field(
        TEMPERATURE, values, kind=field.kind, source=field.source, origin=origin,
        origins=(*field.origins, MOVED),
    )  # fmt: skip


def _note(climb: float, shift: Array, *, has_ceiling: bool) -> str:
    size = f"{LAPSE_RATE * abs(climb):.1f} K"
    if climb > 0:
        ceiling = f", the ceiling by {climb:.0f} m," if has_ceiling else ""
        where = f"{climb:.0f} m above the model's terrain"
        return f"temperature lowered by {size}{ceiling} to the site, {where}"
    where = f"the site lies {-climb:.0f} m below the model's terrain"
    if np.nan_to_num(shift).any():
        return f"temperature raised by {size} where it is warm: {where}"
    return f"temperature is left as it is, for cold air lies low: {where}"
