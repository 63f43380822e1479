"""A journal of many verdicts: ``python tests/benchmarks/journal.py [--small] [VERDICTS]``.

Queries against reading one number from the same open file, a brief written against the bare commit
of one row with the same durability (both by the wall clock: it is the disk that is waited for), and
``wxgate verify`` over all verdicts in one go, which reads each of them back and grades it twice,
against reading every stored row and its numbers with sqlite and zlib alone.
"""

from __future__ import annotations

import json
import sqlite3
import sys
import tempfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.measure import Fresh, Row, children, command, cpu, in_turn, tell, wall
from hours import demonstration_brief

from wxgate.brief import Brief
from wxgate.journal import Journal, Selection
from wxgate.journal.taken import brief_row, hour_rows

SITES = 10


def filled(file: Path, brief: Brief, verdicts: int) -> int:
    """Fill a journal with hourly briefs of ten sites, each of other winds; how many briefs."""
    count = -(-verdicts // len(brief.hours))
    random = np.random.default_rng(1)
    with Journal(file, at=brief.now) as journal:
        write = journal._connection
        columns = [row[1] for row in write.execute("PRAGMA table_info(brief)")]
        made, site, numbers = (columns.index(n) - 1 for n in ("made", "site", "quantities"))
        row, hours = list(brief_row(brief)), list(hour_rows(brief))
        told = json.loads(zlib.decompress(row[numbers]))
        begin, start = row[made], told["start"]
        write.execute("BEGIN")
        for n in range(count):
            later = 3600 * (n // SITES)
            wind = random.uniform(0.5, 1.5)
            blown = {
                name: [round(v * wind, 2) for v in told["at_start"][name]]
                for name in ("wind_speed", "gust")
            }
            changed = {
                **told, "at_start": {**told["at_start"], **blown},
                "start": [seconds + later for seconds in start],
            }  # fmt: skip
            row[made], row[site] = begin + later, f"site-{n % SITES}"
            row[numbers] = zlib.compress(json.dumps(changed, separators=(",", ":")).encode())
            marks = ", ".join("?" * (len(row) + 1))
            write.execute(f"INSERT INTO brief VALUES ({marks})", (n + 1, *row))  # noqa: S608
            write.executemany(
                "INSERT INTO verdict VALUES (?, ?, ?, ?, ?, ?)",
                [(n + 1, hour[0] + later, *hour[1:]) for hour in hours],
            )
        write.execute("COMMIT")
    return count


def observations(file: Path, brief: Brief, hours: int) -> None:
    """A table of what was observed in so many hours, at random."""
    random = np.random.default_rng(2)
    heads = ("time", "wind_speed (m s-1)", "gust (m s-1)", "visibility (m)",
             "air_temperature (K)", "dew_point_temperature (K)", "precipitation (mm)")  # fmt: skip
    lines = [",".join(heads)]
    for hour in range(hours):
        when = (brief.now + timedelta(hours=hour)).isoformat()
        mean, more, sight, dew, rain = random.uniform((0, 1.1, 1e3, 278, -3), (9, 1.7, 2e4, 288, 1))
        lines.append(
            f"{when},{mean:.2f},{mean * more:.2f},{sight:.0f},288,{dew:.1f},{max(rain, 0):.1f}"
        )
    file.write_text("\n".join(lines), encoding="utf-8")


def queries(file: Path, brief: Brief, count: int, times: int) -> Iterator[Row]:
    """A site's day, everything counted, and a brief written."""
    verdicts = count * len(brief.hours)
    size = f"{verdicts} verdicts, {file.stat().st_size / verdicts:.0f} bytes each"
    last = brief.now + timedelta(hours=count // SITES - 1)
    day = Selection("site-3", last - timedelta(days=1), last)
    with Journal(file, at=brief.now) as journal:
        bare: Callable[[], object] = lambda: [  # noqa: E731
            journal._connection.execute("SELECT 1").fetchone() for _ in range(100)
        ]
        for name, query in (
            ("a day of one site", lambda: list(journal.hours(day))),
            ("everything counted", journal.counts),
        ):
            took, one = in_turn(times, query, bare)
            yield Row(f"journal: {name}", took / (one / 100), "`SELECT 1`", took, size)
        with sqlite3.connect(file.with_name("bare.sqlite"), isolation_level=None) as plain:
            for words in ("PRAGMA journal_mode = WAL", "PRAGMA synchronous = FULL",
                          "CREATE TABLE one (n)"):  # fmt: skip
                plain.execute(words)
            write, commit = in_turn(
                times, lambda: journal.add_brief(brief),
                lambda: plain.execute("INSERT INTO one VALUES (1)"), clock=wall,
            )  # fmt: skip
        plain.close()
    yield Row("journal: a brief written (wall)", write / commit, "a bare commit", write)


def verified(folder: Path, file: Path, brief: Brief, count: int) -> Row:
    """All verdicts held against observations by one command."""
    table = folder / "station.csv"
    observations(table, brief, count // SITES + len(brief.hours))

    def bare() -> None:
        with sqlite3.connect(file) as opened:
            for (content,) in opened.execute("SELECT quantities FROM brief ORDER BY made, id"):
                json.loads(zlib.decompress(content))
            for _ in opened.execute("SELECT * FROM verdict ORDER BY brief, start"):
                pass
        opened.close()

    here = Fresh(folder)
    words = ("verify", "--journal", str(file), "--observations", str(table),
             "--aircraft", brief.aircraft.id, "--pilot", brief.pilot.id)  # fmt: skip
    peak = 0.0

    def run() -> None:
        nonlocal peak
        peak = here.peak_mb(command(*words))

    mine, theirs = children(run), cpu(bare)
    return Row(f"`wxgate verify` over {count * len(brief.hours)} verdicts", mine / theirs,
               "reading the same rows", mine, f"{peak:.0f} MB at most")  # fmt: skip


def rows(*, small: bool = False, verdicts: int = 1_000_000) -> Iterator[Row]:
    """Queries, a write, and a verification."""
    brief = replace(demonstration_brief(), demonstration=False)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file = folder / "journal.sqlite"
        count = filled(file, brief, 2000 if small else verdicts)
        yield from queries(file, brief, count, 3 if small else 7)
        yield verified(folder, file, brief, count)


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    tell(rows(small="--small" in sys.argv, verdicts=numbers[0] if numbers else 1_000_000))
