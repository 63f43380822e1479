"""What a fetch of 48 hours costs: ``python tests/benchmarks/fetch.py [--small]``.

A local GFS server answers each request after a latency of 50 ms. Its messages are noise on 100 by
100 points, 15 kB each; the gap over which ranges are merged is as much smaller than in the
endpoints as they are smaller than real ones. The crop script answers with all messages on 20 by 20
points. Two ratios by crop and by byte ranges of a mirror, with four connections:

* bytes received / bytes of the messages that are needed. By crop, what is needed is what the script
  answers to the product of elements and levels: one answer a step.
* wall time / best possible. The best possible is measured: a bare session of requests for each
  allowed connection asks for the very same addresses and ranges, in rounds where one answer must
  come before the next can be asked for (first the newest run's last step; sidecars before ranges),
  without looking at what comes; to that is added decoding the same bytes with the reader alone and
  sampling nothing. It is about requests x latency / connections + decode.

And one of the index: looking up a whole ensemble's messages by name against walking the lines.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.measure import Row, cpu, in_turn, tell, wall

LATENCY_S = 0.05
POINTS, CELL = 100, 0.1
#: 64 kB for real messages of 700 kB.
GAP = 1400


@cache
def noisy_file(run: datetime, step: int, points: int = POINTS) -> Any:
    """A step's file whose messages are as incompressible as real ones, around the site."""
    import gfs_service as service
    import numpy as np
    from bad_days import calm

    noise = np.random.default_rng(step)
    messages = []
    for row in service.ROWS:
        start = {"instant": step, "total": 0}.get(row.kind, (step - 1) // 6 * 6)
        values = calm(row) + noise.uniform(0, 1, (points, points))
        message = service.encode(
            row.numbers, row.surface, row.value, run, step, values, cell=CELL,
            north=52.0 + points * CELL / 2, west=358.5 - points * CELL / 2, start=start,
            statistic={"instant": None, "ave": 0}.get(row.kind, 1),
        )  # fmt: skip
        messages.append((row, message))
    return service.File(run, step, tuple(messages))


def fetched(order: str, hours: int, connections: int, times: int) -> Iterable[Row]:
    """The two ratios of one way."""
    import tempfile

    from bad_days import RUN, SITE, Day
    from local_server import Fault, LocalServer, Response

    from wxgate.http import Client, Meter
    from wxgate.sources import gfs
    from wxgate.sources.base import Request, Toolbox
    from wxgate.sources.endpoints import load_endpoints

    now = RUN + timedelta(hours=5)
    with LocalServer() as server, tempfile.TemporaryDirectory() as folder:
        day = Day(server, Path(folder))
        day.serve(noisy_file(RUN, step) for step in range(5, hours + 6))

        def crop(query: dict[str, str]) -> Any:
            step = int(query["file"][-3:])
            good = 5 <= step < hours + 6 and f"{RUN:%Y%m%d}/{RUN:%H}" in query["dir"]
            return noisy_file(RUN, step, 20).content if good else Response(404)

        for step in range(5, hours + 6):
            noisy_file(RUN, step, 20)
        server.handler("/cgi/filter", crop)
        day.write(order, merge_gap_bytes=GAP, crop={
            "scripts": [server.url("/cgi/filter")], "cell_deg": CELL})  # fmt: skip
        entries = (
            (Path(folder) / "endpoints.yaml").read_text().replace("costly: true", "costly: false")
        )
        (Path(folder) / "endpoints.yaml").write_text(entries)
        found = load_endpoints(Path(folder) / "endpoints.yaml")
        for name in ("bucket", "nomads"):
            found["services"][name]["connections"] = connections
        meter = Meter()
        tools = Toolbox(
            found, None,
            lambda s: Client(s, user_agent="wxgate-test", jitter=random.Random(1), meter=meter),
            lambda *_: None, meter=meter,
        )  # fmt: skip
        request = Request(*SITE, now, hours, now)
        gfs.fetch(request, tools)  # imports, and the answers of the script
        server.fault("/*", Fault.LATENCY, seconds=LATENCY_S)
        server.forget()
        before = meter.bytes_received
        gfs.fetch(request, tools)
        got = meter.bytes_received - before
        asked = list(server.requests)
        needed = _needed(asked, day, server)
        mine, best = in_turn(
            times, lambda: gfs.fetch(request, tools), lambda: _bare(server, asked, connections),
            clock=wall,
        )  # fmt: skip
    what = f"{hours} h of GFS by {order}"
    yield Row(f"{what}: bytes", got / needed, "the messages needed", mine,
              f"{len(asked)} requests, {got / 1e6:.1f} MB")  # fmt: skip
    yield Row(f"{what}: wall", mine / best, "the same requests by bare sessions", mine,
              f"{LATENCY_S * 1e3:.0f} ms a request, {connections} connections")  # fmt: skip


def _needed(asked: Sequence[Any], day: Any, server: Any) -> int:
    """The bytes of the messages that are wanted, told by the lines of the sidecars."""
    from wxgate.sources.dialect import find_line
    from wxgate.sources.endpoints import Entry, load_endpoints
    from wxgate.sources.sidecar import parse_sidecar
    from wxgate.sources.wanted import read_wanted

    entry = Entry(load_endpoints(), "").entry("gfs")
    # The last step is asked for first, and with what does not change with time.
    every = [w for w in read_wanted(entry) if not w.costly]
    whole = 0
    for seen in asked:
        if "cgi" in seen.path:
            whole += len(server.plain(seen).content)
        elif seen.path.endswith(".idx"):
            step = int(seen.path.removesuffix(".idx")[-3:])
            lines = parse_sidecar(server.plain(seen).content.decode())
            picked = {
                line.start: line for w in every
                if w.exists_at(step) and (whole == 0 or not w.once)
                and (line := find_line(lines, w, step))
            }  # fmt: skip
            whole += sum(line.end - line.start + 1 for line in picked.values() if line.end)
    return whole


def _bare(server: Any, asked: Sequence[Any], connections: int) -> None:
    """The best possible: the same requests by bare sessions in rounds, and the decoding alone."""
    import threading

    import requests

    from wxgate.grib import read_messages

    local = threading.local()

    def get(seen: Any) -> bytes:
        if not hasattr(local, "session"):
            local.session = requests.Session()
        headers = {"Accept-Encoding": "identity"} | ({"Range": seen.range} if seen.range else {})
        return local.session.get(
            server.url(seen.path), params=dict(seen.query), headers=headers
        ).content

    sidecars = [seen for seen in asked if seen.path.endswith(".idx")]
    others = [seen for seen in asked if not seen.path.endswith(".idx")]
    last = [
        seen for seen in others if seen.path == others[0].path and seen.query == others[0].query
    ]
    rest = [seen for seen in others if seen not in last]
    rounds = [part for part in (sidecars[:1], last, sidecars[1:], rest) if part]
    with ThreadPoolExecutor(connections) as pool:
        contents = [list(pool.map(get, part)) for part in rounds]
    for part in contents:
        for content in part:
            at = content.find(b"GRIB") == 0
            for message in read_messages(content, skip_strays=True) if at else ():
                message.values  # noqa: B018


def step() -> Iterator[Row]:
    """Bytes fetched of one real step by merged ranges, sidecar included, against the messages' own.

    Planned on a complete sidecar of a real run; no row where the shared folder is not there.
    """
    from wxgate.sources.dialect import find_line
    from wxgate.sources.endpoints import Entry, load_endpoints
    from wxgate.sources.sidecar import merge, parse_sidecar
    from wxgate.sources.wanted import read_wanted

    root = Path(__file__).resolve().parents[3] / "shared/data/forecast/index"
    sidecar = root / "20250801/gfs.t00z.pgrb2.0p25.f007.idx"
    if not sidecar.is_file():
        return
    entry = Entry(load_endpoints(), "").entry("gfs")
    lines = parse_sidecar(sidecar.read_text(encoding="ascii"))
    asked = [w for w in read_wanted(entry) if not w.costly]
    picked = {line.start: line for w in asked if (line := find_line(lines, w, 7))}
    spans = merge(picked.values(), entry.whole("merge_gap_bytes"))
    planned = cpu(lambda: merge(picked.values(), entry.whole("merge_gap_bytes")))
    needed = sum(line.end - line.start + 1 for line in picked.values() if line.end)
    got = sum(s.end - s.start + 1 for s in spans if s.end) + sidecar.stat().st_size
    yield Row("a real step of GFS from a mirror: bytes", got / needed, "the messages needed",
              planned, f"{len(spans)} ranges, {got / 1e6:.1f} MB")  # fmt: skip


def index(members: int, names: int) -> Row:
    """All messages of an ensemble's step found in its index, against walking the lines for each."""
    import json
    from dataclasses import replace

    from wxgate.sources.endpoints import Entry, load_endpoints
    from wxgate.sources.jsonindex import find_in_index, parse_index
    from wxgate.sources.wanted import read_wanted

    every = [w for w in read_wanted(Entry(load_endpoints(), "").entry("ecmwf")) if w.exists_at(3)]
    every = every[:names]
    keys = {"date": "20261125", "time": "0000", "step": "3", "_offset": 0, "_length": 1}
    rows = [
        json.dumps({**keys, "param": w.element, "levtype": w.level, "number": str(member)})
        for member in range(1, members + 1) for w in every
    ]  # fmt: skip
    lines = parse_index("\n".join(rows))
    asked = [replace(w, member=m) for m in range(1, members + 1) for w in every]

    def walk(wanted: Any) -> Any:
        for line in lines:
            if (line.element, line.level, line.window_text, line.extra) == (
                wanted.element, wanted.level, "3", (str(wanted.member),),
            ):  # fmt: skip
                return line
        return None

    start = time.perf_counter()
    theirs = [walk(w) for w in asked]
    walked = time.perf_counter() - start
    start = time.perf_counter()
    mine = [find_in_index(lines, w, 3) for w in asked]
    seconds = time.perf_counter() - start
    if mine != theirs:
        raise AssertionError("the look-up finds other lines than the walk")
    return Row(f"{len(asked)} look-ups in an index of {len(rows)} lines", seconds / walked,
               "walking the lines", seconds)  # fmt: skip


def rows(*, small: bool = False) -> Iterator[Row]:
    """By crop and from a mirror, and the index."""
    hours, times = (2, 1) if small else (48, 3)
    yield from fetched("crop", hours, 4, times)
    yield from fetched("mirror", hours, 4, times)
    yield from step()
    yield index(5 if small else 50, 10 if small else 25)


if __name__ == "__main__":
    tell(rows(small="--small" in sys.argv))
