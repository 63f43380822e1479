"""Quarters of an hour laid on the full hours: the worst within half an hour stands for an instant.

A shower or a gust between two full hours is not seen by them. The hourly axis stays as it is: the
value of 14:00 is the worst of those from 13:30 to 14:30, so that the hour from 14 to 15, which is
graded by its two ends, knows all of its quarters (and at most half an hour of its neighbours).
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wxgate.forecast import Field
from wxgate.quantities import quantity
from wxgate.sources.sampler import Sampler
from wxgate.sources.sitefields import hours_of_run
from wxgate.sources.wanted import Between, Wanted
from wxgate.units import convert_array

#: Minutes from a full hour within which a quarter counts for it.
REACH_MIN = 30


def with_quarters(
    fields: Mapping[str, Field], sampler: Sampler, time: NDArray[np.datetime64], run: datetime
) -> dict[str, Field]:
    """The fields with the worst of the quarters around each instant.

    ``sampler`` holds them by the step that ends their hour, its ``wanted`` telling the minutes
    before. A value that is missing at the full hour stays missing; a quarter that is missing
    counts for nothing.
    """
    hours = np.asarray(hours_of_run(time, run))
    worse = dict(fields)
    for wanted in sampler.wanted:
        base = worse.get(wanted.quantity)
        if base is None or not sampler.has(wanted):
            continue
        values = base.values.copy()
        for step, (_, cells) in sampler.samples[wanted.layer].items():
            near = np.abs(60 * hours - wanted.end_min(step)) <= REACH_MIN
            near &= ~np.isnan(values)
            values[near] = _worse(wanted.between)(values[near], _value(wanted, cells))
        worse[wanted.quantity] = base.with_values(values)
    return worse


def _worse(between: Between) -> np.ufunc:
    return np.fmin if between == "lowest" else np.fmax


def _value(wanted: Wanted, cells: NDArray[np.floating[Any]]) -> np.float32:
    """The site's own cell in the quantity's unit; NaN where it is not plausible."""
    row = quantity(wanted.quantity)
    value = np.float32(convert_array(cells[:1], wanted.units, row.units)[0])
    return value if row.low <= value <= row.high else np.float32(np.nan)
