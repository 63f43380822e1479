"""Small tools on the time axis: laying arrays side by side, an hour's other end, hours past.

Arrays have time first. Flags are 0 or 1, and NaN where it cannot be told; they combine by the
three-valued logic of Kleene, so that a missing input matters exactly where it could decide.
"""

from __future__ import annotations

from functools import reduce

import numpy as np
from numpy.typing import NDArray

from wxgate.derive.recipe import Array, Field, Inputs

Flags = NDArray[np.bool_]

#: Flags are float32 like the fields that they become.
NO, YES, UNTOLD = np.float32(0), np.float32(1), np.float32(np.nan)


def aligned(*arrays: Array) -> tuple[Array, ...]:
    """The arrays with axes of length 1 added behind, so that time meets time.

    A site's sun has a time axis alone, an ensemble's rain has members too.
    """
    most = max(a.ndim for a in arrays)
    return tuple(a.reshape(a.shape + (1,) * (most - a.ndim)) for a in arrays)


def fields_aligned(inputs: Inputs, *names: str) -> tuple[Array, ...]:
    """The values of fields with a time axis, aligned; NaN for a field that is not there."""
    nothing = np.full(inputs.time.shape, np.nan, np.float32)
    found = (inputs.values(name) for name in names)
    return aligned(*(nothing if values is None else values for values in found))


def origin_of(made_of: Field | None) -> tuple[NDArray[np.uint8] | None, tuple[str, ...]]:
    """The origin of a field, to hand on to what is made of it."""
    return (None, ("direct",)) if made_of is None else (made_of.origin, made_of.origins)


def at_hour_end(values: Array) -> Array:
    """The value at the other end of each hour; NaN for the last, whose other end is not there."""
    return shifted(values, 1)


def larger_end(values: Array) -> Array:
    """The larger of the values at both ends of each hour; NaN where either is missing."""
    larger: Array = np.maximum(values, at_hour_end(values))
    return larger


def shifted(values: Array, hours: int) -> Array:
    """The value ``hours`` later (earlier when negative); NaN beyond the ends of the axis."""
    nothing = np.full((min(abs(hours), len(values)), *values.shape[1:]), np.nan, values.dtype)
    if hours >= 0:
        return np.concatenate([values[hours:], nothing])
    return np.concatenate([nothing, values[:hours]])


def flag(condition: Flags, *of: Array) -> Array:
    """A condition as a flag: NaN where one of the arrays that it was made of is NaN."""
    missing = reduce(np.logical_or, (np.isnan(a) for a in of))
    return np.where(missing, UNTOLD, condition)


def all_of(*flags: Array) -> Array:
    """1 where all are 1; 0 where any is 0, whatever is missing; else NaN."""
    return np.where(reduce(np.fmin, flags) == 0, NO, reduce(np.minimum, flags))


def any_of(*flags: Array) -> Array:
    """1 where any is 1, whatever is missing; 0 where all are 0; else NaN."""
    return np.where(reduce(np.fmax, flags) == 1, YES, reduce(np.maximum, flags))


def any_in_last(flags: Array, hours: int) -> Array:
    """:func:`any_of` over this and the ``hours`` rows before; before the axis all is missing."""
    seen_one = _in_window(flags == 1, hours, before=0)
    missing = _in_window(np.isnan(flags), hours, before=1)
    return np.where(seen_one > 0, YES, np.where(missing > 0, UNTOLD, NO))


def lowest_in_last(values: Array, hours: int) -> Array:
    """The lowest known value of this and the ``hours`` rows before; NaN where none is known."""
    # The lowest of 2, 4, 8, ... rows, as long as they fit, and then of two such that overlap.
    lowest, rows = values, 1
    while 2 * rows <= hours + 1:
        lowest = np.fmin(lowest, shifted(lowest, -rows))
        rows *= 2
    return np.fmin(lowest, shifted(lowest, rows - hours - 1))


def _in_window(condition: Flags, hours: int, before: int) -> NDArray[np.int16]:
    """How often a condition holds in this and the ``hours`` rows before (``before`` the axis)."""
    ahead = np.full((hours + 1, *condition.shape[1:]), before, np.int8)
    count = np.cumsum(np.concatenate([ahead, condition]), axis=0, dtype=np.int16)
    result: NDArray[np.int16] = count[hours + 1 :] - count[: len(condition)]
    return result
