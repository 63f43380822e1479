"""The wind below 10 m: what a hand-held meter says, what Beaufort's signs say, how to use them.

Pure functions of arrays of any broadcastable shape; speeds in m/s, heights and lengths in metres.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from wxgate.derive.figures import Meter
from wxgate.derive.recipe import Array
from wxgate.derive.surface_layer import log_profile

#: Lower bounds of forces 1 to 12 in m/s (WMO-No. 306 Vol. I.1, code table 1100). As float32 like
#: the forecast itself, so that a wind of 13.9 m/s is force 7 in either precision.
BEAUFORT_BOUNDS = np.array(
    [0.3, 1.6, 3.4, 5.5, 8.0, 10.8, 13.9, 17.2, 20.8, 24.5, 28.5, 32.7], dtype=np.float32
)
#: What a pilot sees on land at forces 0 to 12 (WMO-No. 8; an observatory's table).
BEAUFORT_SIGNS = (
    "smoke rises straight",
    "smoke drifts, the vane stands still",
    "wind felt on the face, leaves rustle, the vane moves",
    "leaves and twigs in constant motion, a light flag extends",
    "dust and paper lifted, small branches move",
    "small trees in leaf sway",
    "large branches move, an umbrella is hard to hold",
    "whole trees move, hard to walk into the wind",
    "twigs break, walking is impeded",
    "slight damage to buildings",
    "trees uprooted, considerable damage",
    "widespread damage",
    "devastation",
)


def beaufort(speed: ArrayLike) -> Array:
    """Beaufort force (0 to 12, as a float) of a 10 m mean wind in m/s; NaN stays NaN.

    A bound belongs to the higher force. Source: WMO-No. 306 Vol. I.1, code table 1100.
    """
    u = np.asarray(speed, dtype=np.float32)
    force = np.searchsorted(BEAUFORT_BOUNDS, u, side="right").astype(np.float64)
    return np.where(np.isnan(u), np.nan, force)


def height_factor(to_height: ArrayLike, from_height: float, roughness: ArrayLike) -> Array:
    """How many times stronger the neutral wind is at ``to_height`` than at ``from_height``.

    Source: log profile (Hau 2008; FAO-56 gives 1.34 from 2 to 10 m over its grass).
    """
    return log_profile(1.0, from_height, to_height, roughness)


def stop_number(limit: ArrayLike, flight_height: ArrayLike, meter_height: float,
                roughness: ArrayLike) -> Array:  # fmt: skip
    """The mean wind on a meter at ``meter_height`` that ends the flying, m/s.

    ``limit`` is the wind limit at ``flight_height``. Only the careful way round: a reading above
    it stops the flight, a reading below it allows nothing in stable air or in shelter.
    """
    return np.asarray(limit, dtype=np.float64) / height_factor(
        flight_height, meter_height, roughness
    )


def forecast_scale(reading: ArrayLike, forecast_10_m: ArrayLike, meter_height: float,
                   roughness: ArrayLike, *, figures: Meter) -> Array:  # fmt: skip
    """The factor for all later forecast winds that a hand reading calls for: never below 1.

    The reading is held against the forecast 10 m wind brought down to the meter. Much more than
    that, and more than a light wind, raises the forecast, up to the largest raise. Less never
    lowers it: shelter and decoupled air are far likelier than so wrong a forecast. NaN if either is
    NaN. Source: common practice, no source.
    """
    seen, u10 = (np.asarray(x, dtype=np.float64) for x in (reading, forecast_10_m))
    expected = u10 / height_factor(10.0, meter_height, roughness)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        ratio = seen / expected
    raised = (ratio > figures.raise_from_ratio) & (seen > figures.raise_from_speed)
    scale = np.where(raised, np.minimum(ratio, figures.largest_raise), 1.0)
    return np.where(np.isnan(seen) | np.isnan(expected), np.nan, scale)
