"""How much stronger than the mean wind a gust is: published factors, and what reports call a gust.

A forecast gust and a reported one differ in the periods of the gust and of the mean. Speeds in m/s,
periods in s, heights in m.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wxgate.derive.recipe import Array
from wxgate.errors import UsageError

#: Factor of a 3 s gust over the mean of so many seconds (WMO/TD-No. 1555, Harper, Kepert & Ginger
#: 2010, table 1.1). The hourly factor at sea is left out: copies of the table disagree on it.
GUST_FACTOR_3_S: dict[str, dict[int, float]] = {
    "in-land": {3600: 1.75, 600: 1.66, 180: 1.58, 120: 1.55, 60: 1.49},
    "off-land": {3600: 1.60, 600: 1.52, 180: 1.44, 120: 1.42, 60: 1.36},
    "off-sea": {3600: 1.45, 600: 1.38, 180: 1.31, 120: 1.28, 60: 1.23},
    "at-sea": {600: 1.23, 180: 1.17, 120: 1.15, 60: 1.11},
}
#: A report names a gust from so many m/s beyond the mean: 10 kt, written as 5 m/s by ICAO.
_TEN_KNOTS = 10 * 1852 / 3600
_ROUNDING = 1e-6


def gust_factor_3_s(exposure: str, period: int) -> float:
    """The factor of a 3 s gust over the mean of ``period`` seconds for an exposure class.

    UsageError for a class or period that the table does not have: it is not interpolated.
    Source: WMO/TD-No. 1555, table 1.1. Not used by a recipe: kept as the reference of gusts over a
    mean, against which the estimate of a missing gust (``gust.gust_from_turbulence``) is held.
    """
    row = GUST_FACTOR_3_S.get(exposure)
    if row is None:
        raise UsageError(
            f"exposure {exposure!r} is not known",
            remedy=f"Write one of {', '.join(GUST_FACTOR_3_S)}.",
        )
    if period not in row:
        raise UsageError(
            f"there is no gust factor over {period} s for {exposure!r}",
            remedy=f"Periods are {', '.join(str(p) for p in row)} s.",
        )
    return row[period]


def gust_factor(intensity: ArrayLike, peak_factor: ArrayLike = 3.0) -> Array:
    """Gust factor 1 + g I of a turbulence intensity. Source: WMO/TD-No. 1555, eq. 14."""
    return 1 + np.asarray(peak_factor, dtype=np.float64) * np.asarray(intensity, dtype=np.float64)


def peak_factor(height: float, gust_period: float, mean_period: float) -> float:
    """The peak factor g of a gust of ``gust_period`` within ``mean_period`` at ``height`` m.

    Source: WMO/TD-No. 1555, appendix D (zero-crossing rate read; peak and filter from memory). Not
    used by a recipe: kept as the reference of the peak factor over an hour, against which the 3 of
    :func:`gust_factor` is held.
    """
    integral = 3.13 * height**0.2
    ratio = integral / gust_period
    crossings = (0.007 + 0.213 * ratio**0.654) / integral * mean_period
    peak = np.sqrt(2 * np.log(crossings))
    kept = 1 - 0.193 * (ratio + 0.1) ** -0.68
    return float((peak + 0.577 / peak) * kept)


def durst(period: ArrayLike) -> Array:
    """Mean over ``period`` s against the hourly mean: the fit to Durst 1960 in ASCE 7-05.

    Not used by a recipe: kept as the reference of gusts in open country, against which the estimate
    of a missing gust (``gust.gust_from_turbulence``) is held.
    """
    t = np.asarray(period, dtype=np.float64)
    return 0.977 + 0.64 / (1 + (t / 38.14) ** 0.685)


def krayer_marshall(period: ArrayLike) -> Array:
    """As :func:`durst`, for hurricanes (Krayer & Marshall 1992).

    Not used by a recipe: kept as the reference of gusts in hurricanes, against which :func:`durst`
    is held: its gusts of up to a minute are weaker.
    """
    t = np.asarray(period, dtype=np.float64)
    return 0.96 + 0.839 / (1 + (t / 36.27) ** 0.655)


def cook(period: ArrayLike, intensity: ArrayLike) -> Array:
    """As :func:`durst`, for a turbulence intensity: 1 + 0.42 I ln(3600/t) (Cook 1985).

    Not used by a recipe: kept as the reference of gusts by turbulence, against which the 3 of
    :func:`gust_factor` is held.
    """
    t = np.asarray(period, dtype=np.float64)
    return 1 + 0.42 * np.asarray(intensity, dtype=np.float64) * np.log(3600 / t)


def mixed_down(surface: ArrayLike, winds: ArrayLike, heights: ArrayLike) -> Array:
    """The gust (m/s) that the levels (first axis, up to the boundary-layer top) could bring down.

    max over levels of Us + (U - Us)(1 - min(0.5, z/2000)), the rapid-refresh branch of NCEP's
    post-processor. It is not clipped at the mean wind there, and neither here: a gust below the
    wind comes out where the wind falls with height. Source: NOAA UPP, CALGUST.f. Not used by a
    recipe: kept as the reference of the gusts that such models tell, against which the recipe of
    the gust is held: it tells none below the wind.
    """
    us, u, z = (np.asarray(x, dtype=np.float64) for x in (surface, winds, heights))
    z = z.reshape(z.shape + (1,) * (u.ndim - z.ndim))
    mixed = us + (u - us) * (1 - np.minimum(0.5, z / 2000.0))
    return np.asarray(mixed.max(axis=0))


def reported_by_icao(mean: ArrayLike, peak: ArrayLike) -> NDArray[np.bool_]:
    """Whether an ICAO report names the gust: at least 10 kt (5 m/s) over the 10 min mean.

    "No gust group" says no more than that; it is no gust of zero. Source: ICAO Annex 3, app. 3. Not
    used by a recipe: kept as the reference of reports without a gust, against which the bounds that
    they leave open (``verify.gust_bounds``) are held.
    """
    excess = np.asarray(peak, dtype=np.float64) - np.asarray(mean, dtype=np.float64)
    return np.asarray(excess >= _TEN_KNOTS - _ROUNDING)


def reported_by_us(lull: ArrayLike, peak: ArrayLike) -> NDArray[np.bool_]:
    """Whether a US report names the gust: at least 10 kt between peaks and lulls in 10 min.

    Source: FMH-1; AFMAN 15-111, 7.4.3. Not used by a recipe: kept as the reference of US reports,
    against which that of ICAO's is held: what ICAO names is named here too.
    """
    spread = np.asarray(peak, dtype=np.float64) - np.asarray(lull, dtype=np.float64)
    return np.asarray(spread >= _TEN_KNOTS - _ROUNDING)
