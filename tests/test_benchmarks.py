"""Contract: every benchmark still runs; none of them asserts a time."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

pytestmark = [pytest.mark.contract, pytest.mark.slow]


def benchmark(name: str) -> ModuleType:
    """A benchmark as a module: they are run by hand and are no package."""
    path = Path(__file__).parent / "benchmarks" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(f"benchmark_{name}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_the_benchmarks_run(capsys: pytest.CaptureFixture[str]) -> None:
    module = benchmark("run")
    rows = module.main(quick=True)
    assert len(rows) >= len(module.BENCHMARKS) - 1, "one needs the shared folder"
    assert all(row.ratio > 0 for row in rows)
    assert "| ratio |" in capsys.readouterr().out


def test_every_recipe_has_a_raw_formula_beside_it(capsys: pytest.CaptureFixture[str]) -> None:
    rows = benchmark("recipes").main(quick=True)
    assert len({row.name for row in rows}) == len(rows) > 50
    assert all(row.ratio > 0 for row in rows)
    assert "all together" in capsys.readouterr().out


def test_the_winds_of_masts_and_balloons_are_told(
    shared_data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    module = benchmark("wind_profiles")
    module.main()
    told = capsys.readouterr().out.splitlines()
    rows = module.table(shared_data / "obs" / "wind")
    assert [line for line in told if line.startswith(("sodar", "mast", "balloon"))]
    assert len(rows) == len(told) - 3
    assert all(row.cases > 0 for row in rows)
