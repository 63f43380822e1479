"""What the benchmarks share: rows of the table, CPU time of this process and of fresh ones.

Absolute times depend on the machine and on what else it does; the ratio of two things that one
program ran in turn does so far less, and less still by CPU time (user and system, all threads).
So ratios are of medians of CPU time unless a row says otherwise. No test asserts a time.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median

HEAD = "| what | ratio | against | time | beside |\n|---|---|---|---|---|"
Act = Callable[[], object]


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    what: str
    ratio: float
    against: str
    seconds: float
    beside: str = ""

    def __str__(self) -> str:
        told = f"{self.ratio:.0f}" if self.ratio >= 100 else f"{self.ratio:.3g}"
        return f"| {self.what} | {told} | {self.against} | {_time(self.seconds)} | {self.beside} |"


def _time(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds >= 1 else f"{seconds * 1e3:.3g} ms"


def tell(rows: Iterable[Row]) -> list[Row]:
    """Print the rows as they come, as a table in Markdown."""
    found = []
    print(HEAD, flush=True)
    for row in rows:
        print(row, flush=True)
        found.append(row)
    return found


def cpu(act: Act) -> float:
    """Seconds of CPU that one call takes."""
    start = time.process_time()
    act()
    return time.process_time() - start


def thread_cpu(act: Act) -> float:
    """Seconds of CPU that one call takes in its own thread."""
    start = time.thread_time()
    act()
    return time.thread_time() - start


def wall(act: Act) -> float:
    """Seconds that one call takes."""
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


def in_turn(times: int, *acts: Act, clock: Callable[[Act], float] = cpu) -> list[float]:
    """The median time of each of several things that are done in turn, so many times."""
    rounds = [[clock(act) for act in acts] for _ in range(times)]
    return [median(column) for column in zip(*rounds, strict=True)]


def peak_mb(act: Act) -> float:
    """The most memory that one call holds at a time beyond what was there (10^6 bytes)."""
    tracemalloc.start()
    try:
        act()
        return tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()


# ---------------------------------------------------------------------- fresh interpreters

_TELL_PEAK = (
    "import atexit, re, sys; atexit.register(lambda: print("
    "re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1], file=sys.stderr));"
)


@dataclass(frozen=True)
class Fresh:
    """Runs code in fresh interpreters whose byte code and kept things lie in one folder.

    With the byte code of all that they import, as after ``pip install``; with one thread for
    linear algebra, for others spin and are counted.
    """

    folder: Path

    def environment(self, **more: str) -> dict[str, str]:
        kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        own = {f"WXGATE_{n}": str(self.folder / n.lower()) for n in ("CACHE", "CONFIG", "STATE")}
        plain = {"NO_COLOR": "1", "OPENBLAS_NUM_THREADS": "1"}
        return {**kept, **own, **plain, "PYTHONPYCACHEPREFIX": str(self.folder / "code"), **more}

    def python(self, code: str, **more: str) -> None:
        """Run code."""
        words = [sys.executable, "-c", code]
        subprocess.run(words, env=self.environment(**more), check=True, capture_output=True)

    def wxgate(self, *words: str, **more: str) -> None:
        """Run a command."""
        self.python(command(*words), **more)

    def peak_mb(self, code: str) -> float:
        """The most memory that a run holds (10^6 bytes; Linux alone tells it)."""
        told = subprocess.run(
            [sys.executable, "-c", _TELL_PEAK + code], env=self.environment(), check=True,
            capture_output=True, text=True,
        )  # fmt: skip
        return int(told.stderr.split()[-1]) * 1024 / 1e6


def command(*words: str) -> str:
    """The code that runs a command as the shell would."""
    return f"import sys; sys.argv = {['wxgate', *words]!r}; from wxgate.cli.main import run; run()"


@contextmanager
def fresh() -> Iterator[Fresh]:
    """A :class:`Fresh` whose folder is gone afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        yield Fresh(Path(folder))


def children(act: Act) -> float:
    """Seconds of CPU of the processes that one call starts and waits for."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    act()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
