"""The whole table of figures: ``python tests/benchmarks/table.py [--small] [NAME ...]``.

One row after another in Markdown, for DEVELOPERS.md; all of it takes a quarter of an hour of CPU.
``--small`` runs everything once at a small size, as CI does. The names choose among the parts.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from importlib import import_module
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.measure import Row, tell

PARTS = ("start", "fetch", "globe", "recipes", "chances", "watch", "lessons", "journal")


def rows(names: Sequence[str] = PARTS, *, small: bool = False) -> Iterator[Row]:
    """The rows of these parts."""
    for name in names:
        yield from import_module(f"benchmarks.{name}").rows(small=small)


if __name__ == "__main__":
    words = [word for word in sys.argv[1:] if word != "--small"]
    tell(rows(words or PARTS, small="--small" in sys.argv))
