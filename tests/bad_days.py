"""A calm, dry, sunny day as the invented GFS gives it, behind a local server, and who asks for it.

Not a test file. On this day every hour is go for the aircraft and pilot below, so that a test can
spoil one thing and see what it does to the grade.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import gfs_service as service
import numpy as np
from gfs_service import ROWS, File, Row, encode
from local_server import LocalServer

RUN = datetime(2026, 6, 15, 6, tzinfo=UTC)
NOW = RUN + timedelta(hours=5)
HOURS = 4
STEPS = range(15)
SITE = (52.0, -1.5)
KP_FILE = "/kp/products/noaa-planetary-k-index-forecast.json"

_VALUES = {
    ("GUST", "surface"): 4.0,
    ("VIS", "surface"): 24100.0,
    ("TMP", "2 m above ground"): 291.0,
    ("DPT", "2 m above ground"): 278.0,
    ("PRES", "surface"): 101000.0,
    ("HGT", "surface"): 100.0,
    ("HGT", "cloud ceiling"): 20000.0,
    ("SFCR", "surface"): 0.1,
    ("HPBL", "surface"): 900.0,
    ("TCDC", "entire atmosphere"): 20.0,
    ("SHTFL", "surface"): 20.0,
}


def calm(row: Row) -> float:
    """What a message says everywhere and always on the good day; what is not named is 0."""
    if row.element == "UGRD":
        return 2.0 + row.value / 100 if row.surface == 103 else 3.5
    if row.element == "VGRD":
        return 0.5
    if row.element == "HGT" and row.surface == 100:
        return (101000 - row.value) / 12 + 100
    if row.element == "TMP" and row.surface != 103:
        return 285.0
    if row.element == "TMP" and row.value >= 80:
        return 290.0
    return _VALUES.get((row.element, row.level), 0.0)


@cache
def good_file(run: datetime, step: int) -> File:
    """The file of a step of the good day."""
    messages = []
    for row in ROWS:
        if step == 0 and row.kind != "instant":
            continue
        start = {"instant": step, "total": 0}.get(row.kind, (step - 1) // 6 * 6)
        values = np.full((service.LATITUDES.size, service.LONGITUDES.size), calm(row))
        message = encode(
            row.numbers, row.surface, row.value, run, step, values, north=90.0, west=0.0,
            cell=service.CELL, start=start,
            statistic={"instant": None, "ave": 0}.get(row.kind, 1),
        )  # fmt: skip
        messages.append((row, message))
    return File(run, step, tuple(messages))


def kp_rows(now: datetime, kp: float = 2.0) -> str:
    """The K index forecast as its service writes it: rows of objects, slots of three hours."""
    import json

    first = now.replace(hour=0, minute=0) - timedelta(days=1)
    slots = [first + timedelta(hours=3 * n) for n in range(32)]
    return json.dumps([
        {"time_tag": f"{slot:%Y-%m-%dT%H:%M:%S}", "kp": kp,
         "observed": "observed" if slot < now else "predicted", "noaa_scale": None}
        for slot in slots
    ])  # fmt: skip


@dataclass
class Day:
    """The services of one day on one local server, and the configuration that leads there.

    Two ways: ``crop`` (a script) and ``mirror`` (files with sidecars).
    """

    server: LocalServer
    config: Path
    nomads: service.Nomads = field(default_factory=service.Nomads)
    entries: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.server.handler("/cgi/filter", self.nomads.answer)
        self.serve(good_file(RUN, step) for step in STEPS)
        self.server.blob(KP_FILE, kp_rows(NOW).encode(), content_type="application/json")
        self.write("crop")

    def serve(self, files: Any) -> None:
        """Put files on the crop script and on the mirror."""
        files = list(files)
        for file in files:
            self.nomads.add(file)
        service.serve_mirror(self.server, "/mirror", files)

    def write(self, *order: str, **gfs: Any) -> None:
        """The user's endpoints.yaml: ask these places in this order."""
        import yaml

        entries = {
            "usual": {"models": ["gfs"], "indices": ["swpc"]},
            "services": {
                "bucket": {"connections": 2},
                "nomads": {"connections": 1, "min_interval_s": 0, "redirect_is_throttle": True},
                "swpc": {"connections": 1},
            },
            "gfs": {
                "order": list(order),
                "crop": {"scripts": [self.server.url("/cgi/filter")], "cell_deg": service.CELL},
                "mirrors": {
                    "mirror": {"service": "bucket", "root": self.server.url("/mirror"),
                               "costly": True},
                },
                **gfs,
            },
            "swpc": {"root": self.server.url("/kp")},
        }  # fmt: skip
        self.config.mkdir(parents=True, exist_ok=True)
        (self.config / "endpoints.yaml").write_text(yaml.safe_dump(entries))
