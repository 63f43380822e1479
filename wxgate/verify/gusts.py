"""What a report says about the gust: a value, or only that it was below the mean plus 10 kt."""

from __future__ import annotations

from typing import Any

import numpy as np

Array = np.ndarray[Any, np.dtype[Any]]

KNOT = 1852 / 3600  #: m/s
#: A gust is reported from this much above the mean on (ICAO Annex 3, 10 kt; 5 m/s where in m/s).
REPORTED_FROM = 10 * KNOT


def gust_bounds(
    mean: Any, gust: Any, *, reported_from: float = REPORTED_FROM, step: float = KNOT
) -> tuple[Array, Array]:
    """Between which two speeds (m/s) the gust lay: from ``low`` up to, not including, ``high``.

    ``mean`` and ``gust`` (m/s) of reports, any shape; ``gust`` NaN: the report has no gust group,
    and the gust was at least the mean and less than the mean + ``reported_from``. ``step`` is the
    rounding of the report. NaN where the mean is missing and no gust is given.
    """
    mean, gust = np.broadcast_arrays(np.asarray(mean, dtype=float), np.asarray(gust, dtype=float))
    given = np.isfinite(gust)
    low = np.where(given, gust, mean) - step / 2
    high = np.where(given, gust, mean + reported_from) + step / 2
    return np.where(np.isfinite(low), np.maximum(low, 0.0), np.nan), high


def gust_outcome(low: Any, high: Any, limit: Any) -> Array:
    """1.0 where the gust was surely above the limit, 0.0 where surely not, NaN in between."""
    low, high, limit = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (low, high, limit))
    )
    answer = np.where(low > limit, 1.0, np.where(high <= limit, 0.0, np.nan))
    return np.where(np.isfinite(low) & np.isfinite(high) & np.isfinite(limit), answer, np.nan)


def reported_gust(mean: Any, gust: Any) -> Array:
    """The event that every report settles: 1.0 with a gust group, 0.0 without, NaN without mean.

    Hold it against the forecast probability that the gust is at least the mean + 10 kt.
    """
    mean, gust = np.broadcast_arrays(np.asarray(mean, dtype=float), np.asarray(gust, dtype=float))
    return np.where(np.isfinite(gust), 1.0, np.where(np.isfinite(mean), 0.0, np.nan))
