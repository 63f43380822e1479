"""From the steps of a run to the hours of a forecast."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wxgate.accumulation import (
    LONGEST_INTERVAL_H,
    hourly_from_buckets,
    hourly_mean_from_bucket_means,
)
from wxgate.sources.wanted import Between

Array = NDArray[np.floating[Any]]

#: Instants further apart than this are not joined by a straight line.
LONGEST_GAP_H = 3


def run_at_or_before(when: datetime, every_h: int) -> datetime:
    """The newest run time that is not after ``when``; runs begin at 00 UTC."""
    hour = when.hour // every_h * every_h
    return when.replace(hour=hour, minute=0, second=0, microsecond=0)


def runs_to_try(
    now: datetime,
    first: datetime,
    *,
    every_h: int,
    first_step_after_h: float,
    give_up_after_h: float,
) -> list[datetime]:
    """Run times worth asking for, newest first.

    Runs whose first step can be out at ``now``, that begin at or before the first hour wanted,
    and that are at most ``give_up_after_h`` older than the newest such run.
    """
    newest = run_at_or_before(min(now - timedelta(hours=first_step_after_h), first), every_h)
    count = int(give_up_after_h // every_h) + 1
    return [newest - timedelta(hours=every_h * n) for n in range(count)]


def steps_of_schedule(schedule: Sequence[tuple[int, int]], first_h: int, last_h: int) -> list[int]:
    """The steps that a run has around the hours first_h .. last_h, both ends covered.

    ``schedule``: pairs (last hour, every so many hours), in rising order. Empty when the run does
    not begin before ``first_h``; hours behind the schedule's end are left out.
    """
    steps = [0]
    for until, every in schedule:
        steps.extend(range(steps[-1] + every, until + 1, every))
    below = [s for s in steps if s <= first_h]
    if not below or first_h < 0:
        return []
    above = [s for s in steps if s >= last_h]
    end = above[0] if above else steps[-1]
    return [s for s in steps if below[-1] <= s <= end]


def lay_instants(
    samples: Mapping[int, Array], steps: Sequence[int], hours: Sequence[int], between: Between
) -> Array:
    """Values at ``hours`` of the run from values at its steps, hours first.

    ``steps`` is what the run should have, in rising order: an hour between two neighbouring steps
    that are at most ``LONGEST_GAP_H`` apart is filled from both; a step that is missing is NaN
    and so are the hours beside it. ``samples`` must not be empty.
    """
    like = next(iter(samples.values()))
    laid = np.full((len(hours), *like.shape), np.nan, dtype=like.dtype)
    for row, hour in enumerate(hours):
        if hour in samples:
            laid[row] = samples[hour]
            continue
        before = max((s for s in steps if s < hour), default=None)
        after = min((s for s in steps if s > hour), default=None)
        if hour in steps or before is None or after is None or after - before > LONGEST_GAP_H:
            continue
        if before in samples and after in samples:
            share = (hour - before) / (after - before)
            laid[row] = _between(samples[before], samples[after], share, between)
    return laid


def lay_intervals(
    samples: Mapping[int, tuple[int, Array]], hours: Sequence[int], *, means: bool
) -> Array:
    """Sums (or means) of each hour [h, h + 1) of ``hours`` from bucket values by step.

    ``samples[step]`` is (start of the window, value), hours of the run. ``samples`` must not be
    empty.
    """
    ends = sorted(samples)
    starts = [samples[end][0] for end in ends]
    values = np.stack([samples[end][1] for end in ends])
    apart = hourly_mean_from_bucket_means if means else hourly_from_buckets
    by_hour = apart(values, starts, ends)
    laid = np.full((len(hours), *values.shape[1:]), np.nan, dtype=values.dtype)
    for row, hour in enumerate(hours):
        if 0 <= hour < by_hour.shape[0]:
            laid[row] = by_hour[hour]
    return laid


def lay_maxima(samples: Mapping[int, tuple[int, Array]], hours: Sequence[int]) -> Array:
    """Largest values of each hour [h, h + 1) of ``hours`` from those of windows, by step.

    ``samples[step]`` is (start of the window, value), hours of the run: the value is laid on every
    hour of its window, the larger where windows overlap, and nothing where it is wider than
    ``LONGEST_INTERVAL_H``. ``samples`` must not be empty.
    """
    like = next(iter(samples.values()))[1]
    laid = np.full((len(hours), *like.shape), np.nan, dtype=like.dtype)
    row_of = {hour: row for row, hour in enumerate(hours)}
    for end, (start, values) in samples.items():
        if end - start > LONGEST_INTERVAL_H:
            continue
        for hour in range(start, end):
            if hour in row_of:
                row = row_of[hour]
                laid[row] = np.fmax(laid[row], values)
    return laid


def _between(before: Array, after: Array, share: float, how: Between) -> Array:
    if how == "highest":
        return np.maximum(before, after)
    if how == "lowest":
        return np.minimum(before, after)
    return (before + (after - before) * share).astype(before.dtype)
