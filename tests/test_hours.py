"""Law: flags combine as if what is missing could be either, and rows keep their hour."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxgate.derive.hours import (
    aligned,
    all_of,
    any_in_last,
    any_of,
    at_hour_end,
    lowest_in_last,
    shifted,
)

pytestmark = pytest.mark.law

flags = st.lists(st.sampled_from([0.0, 1.0, np.nan]), min_size=1, max_size=12)


def told(values: list[float], combine) -> float:
    """What ``combine`` gives for every way to fill what is missing; NaN where they differ."""
    ways = [(0.0, 1.0) if np.isnan(v) else (v,) for v in values]
    results = {float(combine(filled)) for filled in product(*ways)}
    return results.pop() if len(results) == 1 else np.nan


@given(flags)
def test_any_and_all_are_told_exactly_where_they_can_be(values: list[float]) -> None:
    arrays = [np.asarray(v) for v in values]
    np.testing.assert_equal(float(any_of(*arrays)), told(values, max))
    np.testing.assert_equal(float(all_of(*arrays)), told(values, min))


@given(flags, st.integers(0, 15))
def test_any_in_last_is_any_of_the_rows_before(values: list[float], hours: int) -> None:
    found = any_in_last(np.array(values), hours)
    for i in range(len(values)):
        rows = [values[j] if j >= 0 else np.nan for j in range(i - hours, i + 1)]
        np.testing.assert_equal(found[i], float(any_of(*map(np.asarray, rows))))


@given(st.lists(st.one_of(st.floats(-5, 5), st.just(np.nan)), min_size=1, max_size=12),
       st.integers(0, 15))  # fmt: skip
def test_lowest_in_last_is_the_lowest_known(values: list[float], hours: int) -> None:
    found = lowest_in_last(np.array(values), hours)
    for i in range(len(values)):
        known = [v for v in values[max(i - hours, 0) : i + 1] if not np.isnan(v)]
        np.testing.assert_equal(found[i], min(known, default=np.nan))


def test_shifting_leaves_nothing_beyond_the_axis() -> None:
    values = np.array([1.0, 2.0, 3.0])
    np.testing.assert_array_equal(at_hour_end(values), [2, 3, np.nan])
    np.testing.assert_array_equal(shifted(values, -2), [np.nan, np.nan, 1])
    np.testing.assert_array_equal(shifted(values, 5), [np.nan] * 3)
    np.testing.assert_array_equal(shifted(values, 0), values)


def test_time_is_laid_beside_time() -> None:
    sun, members = aligned(np.arange(4.0), np.zeros((4, 2)))
    assert sun.shape == (4, 1)
    assert (sun + members).shape == (4, 2)
