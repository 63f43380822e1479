"""Ratios, each taken in one run: ``python tests/benchmarks/run.py [--quick]``.

Absolute times depend on the machine and on what else it does; a ratio of two things timed side by
side does not, much. No test asserts a time.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    what: str
    ratio: float
    against: str
    seconds: float

    def __str__(self) -> str:
        return f"| {self.what} | {self.ratio:.2f} | {self.against} | {self.seconds * 1e3:.0f} |"


def best(run: Callable[[], object], times: int) -> float:
    """The shortest of several runs, in seconds."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        found.append(time.perf_counter() - start)
    return min(found)


def process(code: str, folder: str) -> Callable[[], object]:
    """A fresh interpreter that runs ``code`` with a cache folder of its own."""
    environment = {**os.environ, "WXGATE_CACHE": folder, "NO_COLOR": "1"}
    words = [sys.executable, "-c", code]
    return lambda: subprocess.run(words, check=True, capture_output=True, env=environment)


BRIEF = (
    "import sys; sys.argv = ['wxgate', 'brief', '--demo']; from wxgate.cli.main import run; run()"
)


def second_brief(quick: bool) -> Row:
    """A brief from stored derived hours against importing the three libraries that it needs."""
    times = 3 if quick else 15
    with tempfile.TemporaryDirectory() as folder:
        stored = process(BRIEF, folder)
        stored()
        imports = process("import typer, numpy, rich", folder)
        pairs = [(best(stored, 1), best(imports, 1)) for _ in range(times)]
    mine, theirs = (min(column) for column in zip(*pairs, strict=True))
    return Row("brief from stored hours", mine / theirs, "`import typer, numpy, rich`", mine)


def fresh_brief(quick: bool) -> Row:
    """Decode, derive, grade and print from fresh bytes against the brief from stored hours."""
    times = 1 if quick else 5

    def fresh() -> None:
        with tempfile.TemporaryDirectory() as folder:
            process(BRIEF, folder)()

    with tempfile.TemporaryDirectory() as folder:
        stored = process(BRIEF, folder)
        stored()
        theirs = best(stored, times + 1)
    mine = best(fresh, times)
    return Row("brief from fresh bytes (52 steps)", mine / theirs, "brief from stored hours", mine)


def grade_map(quick: bool) -> Row:
    """Three rules over a map of hours against a plain copy of the same bytes."""
    from hours import MID, forecast_of
    from test_grade import GUST, VISIBILITY, book

    from wxgate.forecast import make_field
    from wxgate.grade import grade
    from wxgate.profiles import Skill

    shape = (8, 40, 40) if quick else (49, 300, 300)
    random = np.random.default_rng(1)
    gust = random.uniform(0, 12, shape).astype(np.float32)
    visibility = random.uniform(0, 2e4, shape).astype(np.float32)
    forecast = forecast_of(
        {
            "gust_at_flight_height": make_field("gust_at_flight_height", gust),
            "visibility": make_field("visibility", visibility),
        }
    )
    rulebook = book(GUST, VISIBILITY)
    mine = best(lambda: grade(forecast, rulebook, aircraft=MID, skill=Skill.NOVICE, height=60.0), 3)
    theirs = best(lambda: (gust.copy(), visibility.copy()), 3)
    return Row("grade a map, two rules", mine / theirs, "copy of the same bytes", mine)


def fetch_plan(quick: bool) -> Row | None:
    """Bytes fetched of one step by merged ranges, sidecar included, against the messages' own.

    Planned on a complete sidecar of a real run; None where the shared folder is not there.
    """
    sidecar = HERE.parents[2] / "shared/data/forecast/index/20250801/gfs.t00z.pgrb2.0p25.f007.idx"
    if not sidecar.is_file():
        return None
    from wxgate.sources.dialect import find_line
    from wxgate.sources.endpoints import Entry, load_endpoints
    from wxgate.sources.sidecar import merge, parse_sidecar
    from wxgate.sources.wanted import read_wanted

    entry = Entry(load_endpoints(), "").entry("gfs")
    lines = parse_sidecar(sidecar.read_text(encoding="ascii"))
    asked = [w for w in read_wanted(entry) if not w.costly]
    start = time.perf_counter()
    picked = {line.start: line for w in asked if (line := find_line(lines, w, 7))}
    spans = merge(picked.values(), entry.whole("merge_gap_bytes"))
    seconds = time.perf_counter() - start
    needed = sum(line.end - line.start + 1 for line in picked.values() if line.end)
    fetched = sum(s.end - s.start + 1 for s in spans if s.end) + sidecar.stat().st_size
    what = f"bytes of a step by {len(spans)} ranges ({fetched / 1e6:.1f} MB)"
    return Row(what, fetched / needed, "bytes of the messages needed", seconds)


BENCHMARKS = (second_brief, fresh_brief, grade_map, fetch_plan)


def main(quick: bool = False) -> list[Row]:
    """Run all and print the table."""
    print("| what | ratio | against | ms |\n|---|---|---|---|")
    rows = []
    for benchmark in BENCHMARKS:
        row = benchmark(quick)
        if row is not None:
            rows.append(row)
            print(row)
    return rows


if __name__ == "__main__":
    main(quick="--quick" in sys.argv)
