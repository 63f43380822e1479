"""Many watches in one run: ``python tests/benchmarks/watch.py [--small]``.

200 watches (aircraft and pilots in turn) over 40 sites against a local stand-in for the forecast
service, 20 recipients, a real mail server on loopback. What is downloaded is counted at the
service, and asserted: each file of each place once. Times are those of one watch against one brief
from stored hours, by CPU time of the thread that works: the stand-in services run in others.
"""

from __future__ import annotations

import io
import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import redirect_stderr
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.measure import Row, tell, thread_cpu

HOURS = 7
CAST = [("light-249g", "novice"), ("mid-900g", "intermediate"), ("heavy-4kg", "experienced"),
        ("mid-900g", "novice"), ("heavy-4kg", "intermediate")]  # fmt: skip


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


def rows(*, small: bool = False) -> Iterator[Row]:
    """Run, assert the counts, tell the figures."""
    sites, watches, people = (3, 9, 2) if small else (40, 200, 20)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        own = {f"WXGATE_{k.upper()}": str(folder / k) for k in ("cache", "config", "state")}
        before = {key: os.environ.get(key) for key in own}
        os.environ.update(own)
        try:
            with redirect_stderr(io.StringIO()):  # that past verdicts are not written down
                found = list(_measured(folder, sites, watches, people))
        finally:
            for key, value in before.items():
                os.environ.pop(key) if value is None else os.environ.update({key: value})
    yield from found


def _measured(folder: Path, sites: int, watches: int, people: int) -> Iterator[Row]:
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
        fresh = thread_cpu(lambda: watching.run(job))
        asked = [tuple(sorted(q.items())) for q in day.nomads.queries]
        files = {q["file"] for q in day.nomads.queries}
        boxes = {tuple(sorted((k, v) for k, v in q.items() if k.endswith(("lat", "lon"))))
                 for q in day.nomads.queries}  # fmt: skip
        assert len(asked) == len(set(asked)) == len(boxes) * len(files), "a file was fetched twice"
        assert sites <= len(boxes) <= sites + 2, "a box over a meridian may be asked in two halves"
        assert len(box.mails) == people, "one mail for each recipient"
        again = thread_cpu(lambda: watching.run(job))
        assert len(day.nomads.queries) == len(asked), "stored hours ask nobody"
        assert len(box.mails) == people, "nothing is told twice"
        one = median(
            thread_cpu(
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
    what = f"a watch of {watches} over {sites} sites"
    against = "one brief from stored hours, in process"
    yield Row(f"{what}, stored hours", again / watches / one, against, again / watches)
    yield Row(f"{what}, nothing stored", fresh / watches / one, against, fresh / watches,
              f"{len(asked)} downloads, none twice")  # fmt: skip


if __name__ == "__main__":
    tell(rows(small="--small" in sys.argv))
