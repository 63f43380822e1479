"""Contract: the benchmark of a fetch runs, and the bytes of a mirror are those that are needed."""

from __future__ import annotations

import pytest
from test_benchmarks import benchmark

pytestmark = [pytest.mark.contract, pytest.mark.slow]


def test_the_benchmark_of_a_fetch_runs(capsys: pytest.CaptureFixture[str]) -> None:
    rows = benchmark("fetch").main(quick=True)
    assert all(row.ratio > 0 for row in rows)
    of_bytes = [row.ratio for row in rows if "bytes of" in row.what]
    assert len(of_bytes) == 2
    assert all(1.0 <= ratio <= 1.1 for ratio in of_bytes)
    assert "| ratio |" in capsys.readouterr().out
