"""Amounts and means that a model keeps adding up, taken apart into hours.

Models publish precipitation as a total since the start of the run (ECMWF, ICON, HRRR) or since
the last six-hour reset (GFS, GEFS), and mean rates over the same buckets. The functions here are
pure: arrays with the messages first (any shape behind), the hours of each message since the start
of the run, and back comes one row an hour, ``row[i]`` being the hour [i, i + 1) of the run. Hours
that no message covers are NaN.

A sum over several hours is laid whole on each of them: it is the most that can have fallen in any
one, and a shower may well drop all of it in one. Dividing would call a wet hour drizzle.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wxgate.errors import ContractError

Array = NDArray[np.floating[Any]]

#: A fall of a running total that packing alone explains, mm.
PACKING_NOISE_MM = 0.05
#: More than this in an hour is a unit mistaken (m for mm), not weather, mm/h.
LARGEST_RATE_MM_H = 200.0
#: A sum over more hours than this (steps that are missing) tells nothing of one hour.
LONGEST_INTERVAL_H = 6


def hourly_from_buckets(values: ArrayLike, start_h: Sequence[int], end_h: Sequence[int]) -> Array:
    """Hourly amounts, mm, from sums over [start, end) of which several may share a start.

    ``values[k]`` is the sum from hour ``start_h[k]`` to hour ``end_h[k]`` of the run, mm. Messages
    in any order; of two with the same window the first counts. Sums that share a start are
    differenced; a step that is missing leaves a wider interval, whose sum is laid on all of its
    hours (NaN when wider than ``LONGEST_INTERVAL_H``). Where windows overlap the shorter counts.

    A difference down to ``-PACKING_NOISE_MM`` is 0; one further below, or above
    ``LARGEST_RATE_MM_H`` times the hours, is NaN; NaN in gives NaN out. Returns ``max(end_h)``
    rows. ContractError when the windows do not fit the values or are not whole, positive hours.
    """
    sums = _messages_first(values, len(end_h))
    pieces = []
    for start, end, last, before in _steps(start_h, end_h):
        amount = sums[last] if before is None else sums[last] - sums[before]
        pieces.append((start, end, _amount_or_nan(amount, end - start)))
    return _lay(pieces, max(end_h, default=0), sums)


def hourly_mean_from_bucket_means(
    values: ArrayLike, start_h: Sequence[int], end_h: Sequence[int]
) -> Array:
    """Hourly means from means over [start, end) of which several may share a start.

    ``values[k]`` is the mean from hour ``start_h[k]`` to hour ``end_h[k]``, in any unit (the
    result has the same), so the last hour of n is n mean(n) - (n - 1) mean(n - 1). Nothing is
    clipped, for a heat flux may be negative; pass rates through :func:`clip_packing_noise`.
    Windows, gaps, NaN, rows and errors as in :func:`hourly_from_buckets`.
    """
    means = _messages_first(values, len(end_h))
    pieces = []
    for start, end, last, before in _steps(start_h, end_h):
        mean = means[last]
        if before is not None:
            whole, part = end - start_h[last], start - start_h[last]
            mean = (whole * means[last] - part * means[before]) / (end - start)
        pieces.append((start, end, mean))
    return _lay(pieces, max(end_h, default=0), means)


def clip_packing_noise(amount: Array, noise: float = PACKING_NOISE_MM) -> Array:
    """Negative amounts down to ``-noise`` become 0, those further below NaN; NaN stays NaN."""
    clipped = np.where(amount >= 0, amount, np.where(amount >= -noise, 0.0, np.nan))
    return clipped.astype(amount.dtype)


def _amount_or_nan(amount: Array, hours: int) -> Array:
    clipped = clip_packing_noise(amount)
    return np.where(clipped <= LARGEST_RATE_MM_H * hours, clipped, np.nan).astype(amount.dtype)


def _steps(
    start_h: Sequence[int], end_h: Sequence[int]
) -> Iterator[tuple[int, int, int, int | None]]:
    """The intervals that the messages resolve: start, end, and the messages to subtract."""
    _check_windows(start_h, end_h)
    first: dict[tuple[int, int], int] = {}
    for k, window in enumerate(zip(start_h, end_h, strict=True)):
        first.setdefault(window, k)
    before: tuple[int, int] | None = None
    for start, end in sorted(first):
        if before is not None and before[0] == start:
            yield before[1], end, first[start, end], first[before]
        else:
            yield start, end, first[start, end], None
        before = (start, end)


def _lay(pieces: list[tuple[int, int, Array]], hours: int, like: Array) -> Array:
    laid = np.full((hours, *like.shape[1:]), np.nan, dtype=like.dtype)
    # Long intervals first, so that a shorter one, which knows more, is laid over them.
    for start, end, piece in sorted(pieces, key=lambda p: p[0] - p[1]):
        if end - start <= LONGEST_INTERVAL_H:
            laid[start:end] = piece
    return laid


def _messages_first(values: ArrayLike, count: int) -> Array:
    given = np.asarray(values)
    array: Array = given if given.dtype.kind == "f" else given.astype(np.float64)
    if array.ndim == 0 or array.shape[0] != count:
        raise ContractError(
            f"values of shape {array.shape} do not go with {count} windows",
            remedy="Give one window a message, and the messages as the first dimension.",
        )
    return array


def _check_windows(start_h: Sequence[int], end_h: Sequence[int]) -> None:
    for start, end in zip(start_h, end_h, strict=True):
        if int(start) != start or int(end) != end or not 0 <= start < end:
            raise ContractError(
                f"the window from hour {start} to hour {end} of the run is not one of whole hours",
                remedy="Give windows whose start is at least 0 and lies before their end.",
            )
