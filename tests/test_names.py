"""Law: names are the trade's words, or say what a thing does; not words that say nothing.

The glossary stands in DEVELOPERS.md. A word counts where it is a whole part of a name that we
chose: of a module, a class, a function, an argument or a variable.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from test_imports import PACKAGE, module_files

pytestmark = pytest.mark.law

AVOIDED = frozenset({"score", "risk", "safe", "data", "manager", "process", "handler"})
#: Not ours to choose, each with whose it is.
NOT_OURS = {
    "DataError": "the usual name, as in the DB-API of PEP 249",
    "risk_matrix": "the measure's published name, and that of the library that computes it",
    "proxy_manager_for": "a method of requests' adapter that we replace",
}


def parts(name: str) -> set[str]:
    return {part.lower() for part in re.findall(r"[A-Z]?[a-z0-9]+|[A-Z]+", name)}


def chosen(tree: ast.Module) -> Iterator[tuple[str, int]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield node.name, node.lineno
        elif isinstance(node, ast.arg):
            yield node.arg, node.lineno
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id, node.lineno


@pytest.mark.parametrize("path", module_files(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_names_avoid_words_that_say_nothing(path: Path) -> None:
    names = [*chosen(ast.parse(path.read_text(encoding="utf-8"))), (path.stem, 0)]
    found = [f"{n} (line {i})" for n, i in names if parts(n) & AVOIDED and n not in NOT_OURS]
    assert not found


def test_the_law_sees_what_it_is_for() -> None:
    names = {name for name, _ in chosen(ast.parse("def f(raw_data): riskOfRain = 1\nclass S: ..."))}
    assert {n for n in names if parts(n) & AVOIDED} == {"raw_data", "riskOfRain"}
