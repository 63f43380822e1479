"""Many watches in one run: ``python tests/benchmarks/watch.py [--quick]``.

200 watches (aircraft and pilots in turn) over 40 sites against a local stand-in for the forecast
service, 20 recipients, a real mail server on loopback. What is downloaded is counted at the
service, and asserted: each file of each place once. Times are told as ratios to one brief from
stored hours, taken in the same run; none is asserted.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

HOURS = 7
CAST = [("light-249g", "novice"), ("mid-900g", "intermediate"), ("heavy-4kg", "experienced"),
        ("mid-900g", "novice"), ("heavy-4kg", "intermediate")]  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    what: str
    ratio: float
    seconds: float

    def __str__(self) -> str:
        return f"| {self.what} | {self.ratio:.2f} | {self.seconds * 1e3:.0f} |"


def config_of(folder: Path, box: object, sites: int, watches: int, people: int) -> Path:
    """A watch file of so many watches, with its sites beside it."""
    from watch_world import WATCH, write

    names = tuple(f"site-{n}" for n in range(sites))
    texts = []
    for n in range(watches):
        craft, pilot = CAST[n // sites % len(CAST)]
        text = WATCH.format(
            id=f"w{n}", site=names[n % sites], hours=HOURS, to=f"p{n % people}@example.org",
            send="{change: true}",
        )  # fmt: skip
        text = text.replace("light-249g", craft).replace("novice", pilot)
        texts.append(text + "    slots: [{days: every, from: 13:00, to: 14:00}]\n")
    path = write(folder, box, "".join(texts), sites=names)  # type: ignore[arg-type]
    for n, name in enumerate(names):
        file = folder / f"{name}.yaml"
        file.write_text(file.read_text().replace("-1.5", f"{-172.5 + 8.5 * n:.1f}"))
    return path


def timed(call: Callable[[], object]) -> float:
    """Seconds of one call."""
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def main(quick: bool = False) -> list[Row]:
    """Run, assert the counts, print the table."""
    sites, watches, people = (3, 9, 2) if quick else (40, 200, 20)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        own = {f"WXGATE_{k.upper()}": str(folder / k) for k in ("cache", "config", "state")}
        before = {key: os.environ.get(key) for key in own}
        os.environ.update(own)
        try:
            return _measured(folder, sites, watches, people)
        finally:
            for key, value in before.items():
                os.environ.pop(key) if value is None else os.environ.update({key: value})


def _measured(folder: Path, sites: int, watches: int, people: int) -> list[Row]:
    from bad_days import NOW, Day
    from local_server import LocalServer
    from smtp_server import MailServer

    from wxgate.cli import watching
    from wxgate.cli.prepare import prepare
    from wxgate.cli.watchjob import read_job

    with LocalServer() as server, MailServer() as box:
        day = Day(server, folder / "config")
        config = config_of(folder, box, sites, watches, people)
        job = read_job(config, now=NOW, rules=None, demo=False, offline=False)
        fresh = timed(lambda: watching.run(job))
        asked = [tuple(sorted(q.items())) for q in day.nomads.queries]
        files = {q["file"] for q in day.nomads.queries}
        boxes = {tuple(sorted((k, v) for k, v in q.items() if k.endswith(("lat", "lon"))))
                 for q in day.nomads.queries}  # fmt: skip
        assert len(asked) == len(set(asked)) == len(boxes) * len(files), "a file was fetched twice"
        assert sites <= len(boxes) <= sites + 2, "a box over a meridian may be asked in two halves"
        assert len(box.mails) == people, "one mail for each recipient"
        again = timed(lambda: watching.run(job))
        assert len(day.nomads.queries) == len(asked), "stored hours ask nobody"
        assert len(box.mails) == people, "nothing is told twice"
        one = min(
            timed(
                lambda: prepare(
                    site=str(folder / "site-0.yaml"),
                    lat=None,
                    lon=None,
                    zone="UTC",
                    aircraft=CAST[0][0],
                    pilot=CAST[0][1],
                    height="40 m",
                    hours=HOURS,
                    minimum=1,
                    at=NOW.isoformat(),
                    rules=None,
                    forecast=None,
                    sources=None,
                    demo=False,
                    offline=False,
                )
            )
            for _ in range(5)
        )
    rows = [
        Row(f"a watch of {watches} over {sites} sites, nothing stored", fresh / watches / one,
            fresh / watches),
        Row(f"a watch of {watches} over {sites} sites, stored hours", again / watches / one,
            again / watches),
    ]  # fmt: skip
    print("| what | ratio to a brief from stored hours | ms |\n|---|---|---|")
    for row in rows:
        print(row)
    print(
        f"{len(asked)} downloads: {len(boxes)} boxes of {sites} sites, {len(files)} files each,"
        " none twice"
    )
    return rows


if __name__ == "__main__":
    main("--quick" in sys.argv)
