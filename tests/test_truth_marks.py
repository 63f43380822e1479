"""Law: whatever is checked against a published number, or limits a flight, tells where it is from.

A test of the kind truth bears a mark of origin in its docstring, comments or parametrisation, in
those of the constants and helpers of the file that it uses, or in the paragraph "Source: ..." of
the file's docstring. A mark is one of

* "read 2026-11": seen in the source that is named beside it;
* "from memory", "common practice" (which has no source), "computed by us";
* "by hand", "arithmetic", "by definition": anyone can work it out on paper;
* "independent", "measured": another's program, a brute force, a real record; a library of
  ``REFERENCES`` that is imported for the comparison says as much.

A law or a contract that stands in a file of truth says so by its own mark, and needs no origin.
"""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

pytestmark = pytest.mark.law

HERE = Path(__file__).parent
RULES = HERE.parent / "rules"

REFERENCES = frozenset(
    {
        "aacgmv2", "ambiance", "eccodes", "ephem", "fluids", "metpy", "properscoring", "pvlib",
        "pyproj", "scipy", "scores", "sklearn", "thermofeel", "windpowerlib",
    }
)  # fmt: skip
MARK = re.compile(
    r"read 20\d\d-\d\d|from memory|common practice|computed by us|by hand|arithmetic"
    r"|by definition|independent|measured",
    re.IGNORECASE,
)
#: What the source of a rule may say in place of title, place and the month in which it was read.
PHRASES = ("common practice, no source", "from memory")

Function = ast.FunctionDef


class File:
    """A test file: which of its tests are truth, and what is told beside a piece of it."""

    def __init__(self, text: str) -> None:
        self.tree = ast.parse(text)
        words = tokenize.generate_tokens(io.StringIO(text).readline)
        found = [t for t in words if t.type == tokenize.COMMENT]
        self.comments = {t.start[0]: t.string.lstrip("#: ") for t in found}
        self.above = {t.start[0] for t in found if t.start[1] == 0}
        self.defined: dict[str, ast.stmt] = {}
        for node in self.tree.body:
            if isinstance(node, ast.Assign):
                self.defined |= {t.id: node for t in node.targets if isinstance(t, ast.Name)}
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                self.defined[node.target.id] = node
            elif isinstance(node, ast.FunctionDef) and not node.name.startswith("test_"):
                self.defined[node.name] = node

    def truths(self) -> Iterator[Function]:
        """The tests whose kind is truth, by their own mark or, without one, by the file's."""
        of_file = self.defined.get("pytestmark")
        by_default = of_file is not None and "truth" in ast.unparse(of_file)
        for node in ast.walk(self.tree):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                marks = {ast.unparse(d).removeprefix("pytest.mark.") for d in node.decorator_list}
                own = marks & {"truth", "law", "contract"}
                if "truth" in own or (by_default and not own):
                    yield node

    def has_origin(self, test: Function) -> bool:
        """Whether a mark of origin, or a library to compare with, stands near a test."""
        return bool(MARK.search(self.near(test)) or self._libraries(self.pieces(test)))

    def near(self, test: Function) -> str:
        """What is told beside a test and what it uses, and of the whole file, as one text."""
        docstring = ast.get_docstring(self.tree) or ""
        sources = (p for p in docstring.split("\n\n") if p.startswith("Source: "))
        around = (self._around(piece) for piece in self.pieces(test))
        return "\n".join((*around, *(" ".join(s.split()) for s in sources)))

    def pieces(self, test: Function) -> list[ast.stmt]:
        """A test, and the constants, fixtures and helpers of the file that it names."""
        return [test, *(self.defined[name] for name in sorted(self._names(test)))]

    def _names(self, test: Function) -> set[str]:
        """The constants, fixtures and helpers of the file that a test names."""
        used = {n.id for n in ast.walk(test) if isinstance(n, ast.Name)}
        return (used | {a.arg for a in test.args.args}) & self.defined.keys() - {"pytestmark"}

    def _around(self, node: ast.stmt) -> str:
        """The docstring of a piece, and the comments in it and above it, as one line."""
        first = min([node.lineno, *(d.lineno for d in getattr(node, "decorator_list", ()))])
        while first - 1 in self.above:
            first -= 1
        told = [self.comments.get(n, "") for n in range(first, (node.end_lineno or first) + 1)]
        if isinstance(node, ast.FunctionDef):
            told.append(ast.get_docstring(node) or "")
        return " ".join(" ".join(told).split())

    def _libraries(self, near: list[ast.stmt]) -> set[str]:
        """The libraries of reference that these pieces import, or that they name."""
        of_file: dict[str, str] = {}
        for node in self.tree.body:
            of_file |= dict(_imported(node))
        found: set[str] = set()
        for node in (part for piece in near for part in ast.walk(piece)):
            found |= {library for _, library in _imported(node)}
            if isinstance(node, ast.Name) and node.id in of_file:
                found.add(of_file[node.id])
        return found & REFERENCES


def _imported(node: ast.AST) -> Iterator[tuple[str, str]]:
    """The names that a statement imports, each with the library that it is of."""
    if isinstance(node, ast.Import):
        for alias in node.names:
            yield alias.asname or alias.name.split(".")[0], alias.name.split(".")[0]
    elif isinstance(node, ast.ImportFrom) and node.module:
        for alias in node.names:
            yield alias.asname or alias.name, node.module.split(".")[0]
    elif isinstance(node, ast.Call) and ast.unparse(node.func) == "pytest.importorskip":
        name = ast.literal_eval(node.args[0])
        yield name, name.split(".")[0]


@cache
def files() -> dict[str, File]:
    """All test files by name."""
    return {p.name: File(p.read_text(encoding="utf-8")) for p in sorted(HERE.glob("test_*.py"))}


def test_every_truth_tells_where_it_is_from() -> None:
    lacking, truths = [], 0
    for name, file in files().items():
        for test in file.truths():
            truths += 1
            if not file.has_origin(test):
                lacking.append(f"{name}:{test.lineno} {test.name}")
    assert truths > 250, "the truths are looked for in the wrong place"
    assert lacking == []


def test_every_file_of_an_authority_is_held_against_something_that_names_it() -> None:
    for authority in (HERE / "authorities").iterdir():
        told = [
            test.name
            for file in files().values()
            for test in file.truths()
            if any(authority.name in ast.unparse(piece) for piece in file.pieces(test))
            and "read 20" in file.near(test)
        ]
        assert told, authority.name


PLAIN = """
pytestmark = pytest.mark.truth
# A table, read 2026-11.
TABLE = [1]
def helper(): "from memory"
def test_bare(): measured = 1 + 1; assert measured == 2
def test_marked(): "WMO-No. 8; computed by us"
def test_table(): assert TABLE
def test_helper(): helper()
def test_library():
    from metpy.calc import lcl
@pytest.mark.law
def test_law(): assert True
"""


@pytest.mark.parametrize(
    ("change", "lacking"),
    [
        (("", ""), ["test_bare"]),
        ((", read 2026-11", ", read in a book"), ["test_bare", "test_table"]),
        (("from memory", "from hearsay"), ["test_bare", "test_helper"]),
        (("computed by us", "WMO-No. 306"), ["test_bare", "test_marked"]),
        (("from metpy.calc", "from wxgate.calc"), ["test_bare", "test_library"]),
        (("@pytest.mark.law", "@pytest.mark.slow"), ["test_bare", "test_law"]),
        (("\npytestmark", '"""Truth.\n\nSource: a book, read 2026-11.\n"""\npytestmark'), []),
        (("\npytestmark", '"""Truth, read 2026-11."""\npytestmark'), ["test_bare"]),
    ],
)
def test_a_truth_without_an_origin_is_found(change: tuple[str, str], lacking: list[str]) -> None:
    file = File(PLAIN.replace(*change, 1))
    assert [t.name for t in file.truths() if not file.has_origin(t)] == lacking


# ------------------------------------------------------------------------- rules


def source_faults(text: str) -> list[str]:
    """The sources of a rules file that are neither a phrase nor title, place and month."""
    lines, found = text.splitlines(), []
    for number, line in enumerate(lines, 1):
        told = re.fullmatch(r"\s*source:(.*)", line)
        if told is None or told[1].strip() in PHRASES:
            continue
        keys = []
        for below in lines[number : number + 3]:
            key = re.fullmatch(r"\s+(title|place): \S.*|\s+(read): 20\d\d-(?:0[1-9]|1[0-2])", below)
            keys.append(key and (key[1] or key[2]))
        if told[1].strip() or keys != ["title", "place", "read"]:
            found.append(f"line {number}:{told[1]}")
    return found


@pytest.mark.parametrize("path", sorted(RULES.rglob("*.yaml")), ids=lambda p: p.name)
def test_every_source_of_a_rule_is_named_with_place_and_month(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert source_faults(text) == []
    if re.search(r"^(rules|practice|substitutes):", text, re.MULTILINE):
        assert "source:" in text


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("source: from memory", 0),
        ("source: common practice, no source", 0),
        ("source: a proposal", 1),
        ("source: common practice", 1),
        ("source:", 1),
        ("source:\n  title: A\n  place: B\n  read: 2026-11", 0),
        ("source:\n  title: A\n  place: B\n  read: 2026", 1),
        ("source:\n  title: A\n  place: B\n  read: 2026-13", 1),
        ("source:\n  title: A\n  read: 2026-11\n  place: B", 1),
        ("source:\n  title: A\n  place: B", 1),
        ("source:\n  title:\n  place: B\n  read: 2026-11", 1),
    ],
)
def test_a_source_that_names_nothing_is_found(text: str, faults: int) -> None:
    assert len(source_faults(text)) == faults
