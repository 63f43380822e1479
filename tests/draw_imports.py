"""Draw the house: the floors and who imports whom. Run by hand; not a test file.

    python tests/draw_imports.py          # the floors as text, each part with what it imports
    python tests/draw_imports.py --dot    # the same for Graphviz (| dot -Tsvg -o house.svg)

It walks what ``tests/test_imports.py`` walks, so that the drawing is never older than the code.
"""

from __future__ import annotations

import sys
from collections import defaultdict

from test_imports import FLOORS, imported, module_files, name_of

#: Everybody may use these; their edges would hide all others.
COMMON = frozenset(
    {"__init__", "errors", "units", "wholefile", "quantities", "forecast", "verdict"}
)


def edges() -> dict[str, set[str]]:
    """Each part of the package with the other parts that any of its files imports."""
    found: dict[str, set[str]] = {name: set() for name in FLOORS}
    for path in module_files():
        found[name_of(path)] |= imported(path) - {name_of(path)}
    return found


def floors() -> dict[int, list[str]]:
    """The parts by their floor, the lowest first."""
    found: dict[int, list[str]] = defaultdict(list)
    for name, floor in sorted(FLOORS.items(), key=lambda item: (item[1], item[0])):
        if not name.startswith("__"):
            found[floor].append(name)
    return found


def as_text() -> str:
    """The floors from the top down; a line a part: what it imports, without the common ones."""
    drawn, lines = (
        edges(),
        [f"(used by all, not drawn: {', '.join(sorted(COMMON - {'__init__'}))})"],
    )
    for floor, names in sorted(floors().items(), reverse=True):
        lines.append(f"--- {floor} {'-' * 70}")
        lines += [f"{n:>13} > {' '.join(sorted(drawn[n] - COMMON))}".rstrip(" >") for n in names]
    return "\n".join(lines)


def as_dot() -> str:
    """The same as a graph for Graphviz."""
    lines = ["digraph wxgate {", "  rankdir=TB; node [shape=box];"]
    for names in floors().values():
        lines.append("  { rank=same; " + " ".join(f'"{name}";' for name in names) + " }")
    for name, targets in edges().items():
        lines += [
            f'  "{name}" -> "{target}";'
            for target in sorted(targets - COMMON) if not name.startswith("__")
        ]  # fmt: skip
    return "\n".join([*lines, "}"])


if __name__ == "__main__":
    print(as_dot() if "--dot" in sys.argv[1:] else as_text())
