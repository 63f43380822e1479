"""How long the journal takes to answer when it holds many verdicts; run by hand.

    python tests/benchmarks/journal.py [VERDICTS]

Ratios of one run: each query against reading one number from the same open file (``SELECT 1``),
a write of a brief against the bare commit of one row with the same durability, and the room on the
disk for each verdict. Figures are computed by us.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from hours import demonstration_brief

from wxgate.brief import Brief
from wxgate.journal import Journal, Selection
from wxgate.journal.taken import brief_row, hour_rows


def seconds(act: Callable[[], object], times: int = 5) -> float:
    """The least of several runs."""
    found = []
    for _ in range(times):
        begin = time.perf_counter()
        act()
        found.append(time.perf_counter() - begin)
    return min(found)


def filled(file: Path, brief: Brief, verdicts: int) -> int:
    """Fill a journal with hourly briefs of ten sites; how many briefs."""
    count = -(-verdicts // len(brief.hours))
    row, hours = list(brief_row(brief)), list(hour_rows(brief))
    with Journal(file, at=brief.now) as journal:
        write = journal._connection
        write.execute("BEGIN")
        for n in range(count):
            row[0] = int((brief.now + timedelta(hours=n // 10)).timestamp())
            row[1] = f"site-{n % 10}"
            marks = ", ".join("?" * (len(row) + 1))
            write.execute(f"INSERT INTO brief VALUES ({marks})", (n + 1, *row))  # noqa: S608
            later = 3600 * (n // 10)
            write.executemany(
                "INSERT INTO verdict VALUES (?, ?, ?, ?, ?, ?)",
                [(n + 1, hour[0] + later, *hour[1:]) for hour in hours],
            )
        write.execute("COMMIT")
    return count


def main(verdicts: int) -> None:
    """Print the figures."""
    brief = replace(demonstration_brief(), demonstration=False)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "journal.sqlite"
        count = filled(file, brief, verdicts)
        size = file.stat().st_size / (count * len(brief.hours))
        last = brief.now + timedelta(hours=count // 10 - 1)
        day = Selection("site-3", last - timedelta(days=1), last)
        with Journal(file, at=brief.now) as journal:
            bare = seconds(lambda: journal._connection.execute("SELECT 1").fetchone(), 50)
            queries: dict[str, Callable[[], object]] = {
                "verdicts on a day of one site": lambda: list(journal.hours(day)),
                "briefs of that day": lambda: list(journal.briefs(day)),
                "numbers behind one brief": lambda: journal.quantities(count // 2),
                "count of everything": journal.counts,
            }
            print(f"{count * len(brief.hours)} verdicts, {size:.0f} bytes each")
            for name, query in queries.items():
                took = seconds(query)
                print(f"{name}: {took * 1e3:.2f} ms, {took / bare:.0f} times SELECT 1")
            write = seconds(lambda: journal.add_brief(brief))
        with sqlite3.connect(Path(folder) / "bare.sqlite", isolation_level=None) as plain:
            plain.execute("PRAGMA journal_mode = WAL")
            plain.execute("PRAGMA synchronous = FULL")
            plain.execute("CREATE TABLE one (n)")
            commit = seconds(lambda: plain.execute("INSERT INTO one VALUES (1)"))
        plain.close()
        print(f"a brief written: {write * 1e3:.2f} ms, {write / commit:.1f} bare commits")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
