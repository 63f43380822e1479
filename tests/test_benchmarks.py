"""Contract: every benchmark still runs; none of them asserts a time."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest
import verify_sets
from benchmarks.measure import HEAD, Row
from benchmarks.table import PARTS, rows

pytestmark = [pytest.mark.contract, pytest.mark.slow]


def small(part: str) -> list[Row]:
    """The rows of a part at a small size, each with its figures."""
    found = list(rows([part], small=True))
    assert found
    assert all(row.ratio > 0 and row.seconds > 0 and row.what and row.against for row in found)
    return found


@pytest.mark.parametrize("part", [p for p in PARTS if p not in ("fetch", "recipes", "watch")])
def test_a_part_of_the_table_is_told(part: str) -> None:
    small(part)


def test_a_mirror_gives_the_bytes_that_are_needed_and_few_more() -> None:
    of_bytes = [row.ratio for row in small("fetch") if row.what.endswith(": bytes")]
    assert len(of_bytes) >= 2
    assert all(1.0 <= ratio <= 1.1 for ratio in of_bytes)


def test_many_watches_share_what_is_fetched() -> None:
    """The counts are asserted by the benchmark itself: no file twice, one mail a recipient."""
    assert any("none twice" in row.beside for row in small("watch"))


def test_every_recipe_has_a_raw_formula_beside_it() -> None:
    found = import_module("benchmarks.recipes").timed(small=True)
    assert len({recipe.name for recipe in found}) == len(found) > 50
    assert all(recipe.ratio > 0 for recipe in found)
    assert len(small("recipes")) == 1


def test_one_command_prints_the_table_in_markdown() -> None:
    table = Path(__file__).parent / "benchmarks" / "table.py"
    told = subprocess.run(
        [sys.executable, str(table), "--small", "chances", "lessons"], check=True,
        capture_output=True, text=True,
    ).stdout.splitlines()  # fmt: skip
    assert told[:2] == HEAD.splitlines()
    assert len(told) > 4
    assert {line.count("|") for line in told} == {told[0].count("|")}


def test_the_winds_of_masts_and_balloons_are_told(
    shared_data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    module = import_module("benchmarks.wind_profiles")
    module.main()
    told = capsys.readouterr().out.splitlines()
    profiles = module.table(shared_data / "obs" / "wind")
    assert [line for line in told if line.startswith(("sodar", "mast", "balloon"))]
    assert len(profiles) == len(told) - 3
    assert all(row.cases > 0 for row in profiles)


def test_what_calibration_gains_is_told(
    shared_data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    module = import_module("benchmarks.verify")
    # The smallest set alone: two airports, one winter.
    module.main(shared_data, sets=(verify_sets.two_airports,))
    told = capsys.readouterr().out.splitlines()
    assert told[0].endswith("method")
    assert len(told) == 4, "a row for each of its three limits"
    assert all(line.startswith("Two airports") for line in told[1:])
