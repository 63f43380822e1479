"""Law: every bad day that DEVELOPERS.md lists has a test that shows it, and the test exists."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

pytestmark = pytest.mark.law

HERE = Path(__file__).parent
DEVELOPERS = HERE.parent / "DEVELOPERS.md"
_NAMED = re.compile(r"`(test_\w+)::(test_\w+)`")


def rows(text: str) -> list[list[str]]:
    """The cells of the section's table, without its head."""
    section = text.split("### Bad days\n", 1)[1].split("\n### ", 1)[0]
    lines = [line for line in section.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


@cache
def defined_in(name: str) -> frozenset[str]:
    """The tests that a file defines; none for a file that is not there."""
    file = HERE / f"{name}.py"
    if not file.is_file():
        return frozenset()
    tree = ast.parse(file.read_text(encoding="utf-8"))
    return frozenset(node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))


def faults(text: str) -> list[str]:
    """What is wrong with the table, in sentences."""
    found = []
    for cells in rows(text):
        if len(cells) != 3 or not all(cells):
            found.append(f"a row of {len(cells)} cells: {cells[0]}")
            continue
        named = _NAMED.findall(cells[2])
        if not named:
            found.append(f"no test shows: {cells[0]}")
        if _NAMED.sub("", cells[2]).strip(" ,"):
            found.append(f"not only tests: {cells[2]}")
        found += [f"{f}::{t} is not there" for f, t in named if t not in defined_in(f)]
    return found


def test_every_row_has_a_test_that_exists() -> None:
    text = DEVELOPERS.read_text(encoding="utf-8")
    assert faults(text) == []
    days = [cells[0] for cells in rows(text)]
    assert len(set(days)) == len(days)
    # Every failure mode that users of other libraries told of has a row.
    assert {f"M{n}" for n in range(1, 16)} <= {day.split()[0] for day in days}


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("| rain | wet | `test_cache::test_what_is_put_is_got` |", ""),
        ("| rain | wet | |", "a row"),
        ("| rain | wet | seen |", "no test shows: rain"),
        ("| rain | wet | `test_cache::test_of_nothing` |", "test_of_nothing is not there"),
        ("| rain | wet | `test_nothing::test_of_nothing` |", "is not there"),
        ("| rain | `test_cache::test_what_is_put_is_got` |", "a row of 2 cells"),
    ],
)
def test_what_is_wrong_is_found(row: str, told: str) -> None:
    found = faults(f"### Bad days\n\n| day | what | by |\n|---|---|---|\n{row}\n\n### More\n")
    assert bool(found) == bool(told)
    assert told in " ".join(found)
