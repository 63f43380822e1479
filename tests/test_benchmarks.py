"""Contract: every benchmark still runs; none of them asserts a time."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

pytestmark = [pytest.mark.contract, pytest.mark.slow]


def test_the_benchmarks_run(capsys: pytest.CaptureFixture[str]) -> None:
    path = Path(__file__).parent / "benchmarks" / "run.py"
    spec = importlib.util.spec_from_file_location("benchmark_run", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    rows = module.main(quick=True)
    assert len(rows) >= len(module.BENCHMARKS) - 1, "one needs the shared folder"
    assert all(row.ratio > 0 for row in rows)
    assert "| ratio |" in capsys.readouterr().out
