"""Contract: every benchmark still runs; none of them asserts a time."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest
import verify_sets

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


def test_the_journal_of_many_verdicts_answers(capsys: pytest.CaptureFixture[str]) -> None:
    benchmark("journal").main(2000)
    told = capsys.readouterr().out
    assert told.startswith("20")
    assert "times SELECT 1" in told
    assert "bare commits" in told


def test_what_chances_cost_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    rows = benchmark("chances").main(quick=True)
    assert len(rows) == 3
    assert all(row.ratio > 0 for row in rows)
    assert "| ratio |" in capsys.readouterr().out


def test_what_a_plan_of_lessons_costs_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    rows = benchmark("lessons").main(quick=True)
    assert len(rows) == 2
    assert all(ratio > 0 and seconds > 0 for _, ratio, seconds in rows)
    assert "times a bare assignment" in capsys.readouterr().out


def test_what_calibration_gains_is_told(
    shared_data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    module = benchmark("verify")
    # The smallest set alone: two airports, one winter.
    module.main(shared_data, sets=(verify_sets.two_airports,))
    told = capsys.readouterr().out.splitlines()
    assert told[0].endswith("method")
    assert len(told) == 4, "a row for each of its three limits"
    assert all(line.startswith("Two airports") for line in told[1:])
