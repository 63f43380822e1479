"""Contract: the benchmark of many watches runs, and its counts hold at a small size."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

pytestmark = [pytest.mark.contract, pytest.mark.slow]


def test_many_watches_share_what_is_fetched(capsys: pytest.CaptureFixture[str]) -> None:
    path = Path(__file__).parent / "benchmarks" / "watch.py"
    spec = importlib.util.spec_from_file_location("benchmark_watch", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    rows = module.main(quick=True)
    assert all(row.ratio > 0 for row in rows)
    assert "none twice" in capsys.readouterr().out
