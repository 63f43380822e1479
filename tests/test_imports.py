"""Law: imports go only downward, and nothing heavy is loaded before it is needed."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

pytestmark = pytest.mark.law

PACKAGE = Path(__file__).resolve().parents[1] / "wxgate"

#: The floors of the house, as DEVELOPERS.md draws them. A module may import from its own floor
#: and below; a module that is not listed here makes the test fail until it has its place.
FLOORS = {
    "__init__": 0, "errors": 0, "units": 0, "wholefile": 0,
    "quantities": 1, "profiles": 1, "forecast": 1, "verdict": 1, "places": 1, "strictyaml": 1,
    "yamlkeys": 1,
    "rulebook": 2, "cache": 2, "http": 2, "grib": 2, "grid": 2, "contract": 2, "netcdf": 2,
    "accumulation": 2, "store": 2, "smtp": 2,
    "sources": 3, "derive": 3,
    "grade": 4, "lookedup": 4, "gather": 4, "choice": 4, "observed": 4,
    "chancepolicy": 2, "figures": 2,
    "windows": 5, "chances": 5, "dressing": 5, "chancegrade": 5, "spread": 5, "changes": 5,
    "weathers": 5, "hazards": 5, "errormodel": 5, "members": 5,
    "neighbourhood": 5, "learnedbias": 5, "brief": 5, "coverage": 5, "verify": 5, "daylimits": 5,
    "watch": 5, "journal": 5, "fieldcheck": 5, "hindsight": 5,
    "lessons": 5, "lessonplan": 5,
    "report": 6,
    "cli": 7, "__main__": 7,
}  # fmt: skip


def module_files() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if "shipped" not in p.parts)


def name_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(path: Path) -> set[str]:
    """The top-level parts of wxgate that a file imports, also inside functions."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names = [node.module, *(f"{node.module}.{a.name}" for a in node.names)]
        elif isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        else:
            continue
        for name in names:
            parts = name.split(".")
            if parts[0] == "wxgate":
                found.add(parts[1] if len(parts) > 1 and parts[1] in FLOORS else "__init__")
    return found


@pytest.mark.parametrize("path", module_files(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_downward(path: Path) -> None:
    assert name_of(path) in FLOORS, f"{path.name} has no floor; give it one in DEVELOPERS.md too"
    floor = FLOORS[name_of(path)]
    upward = {name for name in imported(path) if FLOORS[name] > floor}
    assert not upward, f"{path.name} (floor {floor}) imports upward: {upward}"


def dotted(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(
        ".__init__"
    )


def needed_to_run(node: ast.AST) -> Iterator[ast.AST]:
    """All nodes but those that only a type checker reads."""
    for child in ast.iter_child_nodes(node):
        if not (isinstance(child, ast.If) and ast.unparse(child.test) == "TYPE_CHECKING"):
            yield child
            yield from needed_to_run(child)


def modules() -> dict[str, set[str]]:
    """Each module with those that it imports, also inside functions."""
    files = {dotted(path): path for path in module_files()}
    found: dict[str, set[str]] = {}
    for name, path in files.items():
        found[name] = set()
        for node in needed_to_run(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and not node.level:
                whole = {f"{node.module}.{a.name}" for a in node.names}
                found[name] |= {w if w in files else node.module for w in whole} & set(files)
            elif isinstance(node, ast.Import):
                found[name] |= {a.name for a in node.names} & set(files)
    return found


def test_the_parts_of_a_floor_do_not_go_in_a_circle() -> None:
    parts: dict[str, set[str]] = {name: set() for name in FLOORS}
    for name, others in modules().items():
        own, *theirs = ([*m.split("."), "__init__"][1] for m in (name, *sorted(others)))
        parts[own] |= set(theirs) - {own}
    list(TopologicalSorter(parts).static_order())  # CycleError names the circle


def test_no_modules_import_each_other_in_a_circle() -> None:
    found = modules()
    list(TopologicalSorter({n: found[n] - {n} for n in found}).static_order())


def test_every_module_is_imported_or_looked_up_by_name() -> None:
    from wxgate.cli.main import COMMANDS
    from wxgate.sources.registry import FORECASTS, INDICES

    by_name = {f"wxgate.sources.{module}" for module, _ in {**FORECASTS, **INDICES}.values()}
    by_name |= {f"wxgate.cli.{name}" for name in COMMANDS}
    by_name |= {"wxgate.__main__", "wxgate.verify"}  # for ``python -m``, and for users' programs
    packages = {dotted(p) for p in module_files() if p.name == "__init__.py"} - {"wxgate.verify"}
    used = set().union(*modules().values())
    assert set(modules()) - packages <= used | by_name


def test_developers_md_tells_the_floor_of_every_part() -> None:
    text = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\d) \| ((?:`[a-z_]+/?`,? ?)+)\|", text, re.M)
    told = {
        name.strip("`/"): int(floor)
        for floor, names in rows
        for name in re.findall("`[^`]+`", names)
    }
    assert told == {n: f for n, f in FLOORS.items() if not n.startswith("__")}


def test_eccodes_is_imported_in_one_place_only() -> None:
    users = {
        name_of(p)
        for p in module_files()
        for node in ast.walk(ast.parse(p.read_text(encoding="utf-8")))
        if isinstance(node, ast.Import | ast.ImportFrom)
        and any("eccodes" in a.name or "eccodes" in (getattr(node, "module", "") or "")
                for a in node.names)
    }  # fmt: skip
    assert users == {"grib"}


def test_only_the_command_line_prints_or_reads_the_clock() -> None:
    offenders = []
    for path in module_files():
        if name_of(path) in {"cli", "__main__"}:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                if called in {"print", "datetime.now", "datetime.utcnow", "time.time",
                              "Path.home", "Path.cwd"}:  # fmt: skip
                    offenders.append(f"{path.name}:{node.lineno} {called}")
    assert not offenders


def test_the_command_line_starts_without_heavy_libraries() -> None:
    code = (
        "import sys; import wxgate.cli.main as m; m.build([]);"
        "print([n for n in ('xarray','pandas','metpy','eccodes','requests') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
