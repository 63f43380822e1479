"""A small invented IFS behind local mirrors: files with JSON-lines indices, and an ensemble.

Not a test file. A global grid of 5 degrees whose first longitude is 180, packed with CCSDS, with
the oddities of the real files: steps without leading noughts, keys of the index in any order, a
gust whose name changes with the step, precipitation in metres from the run's start, cloud as a
share, a precipitation type where nothing falls. Values are simple formulas of place and hour.

What a file holds, and how its lines are spelled, follows indices of real runs of 2023 to 2026.
"""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache

import numpy as np
from gfs_service import encode
from local_server import LocalServer

CELL = 5.0
LATITUDES = np.arange(90.0, -90.1, -CELL)
RUN = datetime(2026, 6, 1, 6, tzinfo=UTC)
MEMBERS = 5
#: Precipitation of each three hours [3 k, 3 k + 3) of the run west of Greenwich, mm.
RAIN = (3.0, 0.0, 0.05, 6.0, 0.0, 0.0, 1.5, 2.5, 0.0, 0.3)
RAIN = (*RAIN, *(k % 4 for k in range(10, 200)))
#: The precipitation type at each step, everywhere: freezing rain, snow, rain, none.
TYPES = (3, 12, 5, 1, 0, 8)


@dataclass(frozen=True)
class Row:
    """One message of a step: names in the index, numbers, surface, kind of window."""

    param: str
    levtype: str
    numbers: tuple[int, int, int]
    surface: int
    value: float = 0
    kind: str = "instant"

    def name(self, step: int) -> str:
        if self.param != "10fg":
            return self.param
        return "10fg" if step <= 90 else "10fg3" if step <= 144 else "10fg6"


ROWS = (
    Row("10u", "sfc", (0, 2, 2), 103, 10),
    Row("10v", "sfc", (0, 2, 3), 103, 10),
    Row("100u", "sfc", (0, 2, 2), 103, 100),
    Row("100v", "sfc", (0, 2, 3), 103, 100),
    Row("2t", "sfc", (0, 0, 0), 103, 2),
    Row("2d", "sfc", (0, 0, 6), 103, 2),
    Row("sp", "sfc", (0, 3, 0), 1),
    Row("10fg", "sfc", (0, 2, 22), 103, 10, "maximum"),
    Row("tp", "sfc", (0, 1, 193), 1, kind="total"),
    Row("ptype", "sfc", (0, 1, 19), 1),
    Row("tcc", "sfc", (0, 6, 192), 1),
    Row("mucape", "sfc", (0, 7, 6), 17),
    *(
        Row(param, "pl", numbers, 100, pressure * 100.0)
        for pressure in (850, 925, 1000)
        for param, numbers in (("u", (0, 2, 2)), ("v", (0, 2, 3)), ("t", (0, 0, 0)),
                               ("gh", (0, 3, 5)))
    ),
)  # fmt: skip
TERRAIN = Row("z", "sfc", (0, 3, 4), 1)
GROUND_M = 250.0


def longitudes(west: float) -> np.ndarray:
    return (west + np.arange(0, 360, CELL)) % 360


def since(row: Row, step: int) -> int | None:
    """The begin of the window; None at an instant."""
    if row.kind == "instant":
        return None
    return 0 if row.kind == "total" else step - (3 if step <= 144 else 6)


def value(row: Row, step: int, west: float = 180.0, member: int = 0) -> np.ndarray:
    """What the invented weather is at a step (or over the window that ends there), (lat, lon)."""
    longitude = longitudes(west)[None, :]
    east = np.where(longitude > 180, longitude - 360, longitude) + 0 * LATITUDES[:, None]
    plain = step + 0.1 * east + 0.01 * LATITUDES[:, None] + member
    whole = RAIN[: step // 3]
    fixed = {
        "tp": np.where(east < 0, sum(whole) / 1000 * (1 + member / 10), 0.0),
        "ptype": 0 * plain + TYPES[step // 3 % len(TYPES)],
        "tcc": np.where(east < 0, 0.75, 0.0),
        "z": 0 * plain + GROUND_M * 9.80665,
        "sp": 98000.0 + plain,
        "2t": 280.0 + plain / 10,
        "2d": 275.0 + plain / 10,
        "gh": 0 * plain + (100000 - row.value) / 12 + 100,
        "t": 0 * plain + 270.0,
        "10fg": np.abs(plain) / 10 + 20,
        "mucape": np.abs(plain) * 10,
    }
    if row.param in fixed:
        return fixed[row.param]
    sign = -1 if row.param.endswith("v") else 1
    return sign * (1 + row.value % 1000 / 10 + step / 4 + member) + 0 * plain


def encode_row(
    row: Row, run: datetime, step: int, *, west: float = 180.0, member: int | None = None,
    values: np.ndarray | None = None, numbers: tuple[int, int, int] | None = None,
) -> bytes:  # fmt: skip
    """One message, as ECMWF packs it."""
    keys = {"centre": 98, "tablesVersion": 30, "packingType": "grid_ccsds"}
    if member is not None:
        template = 1 if row.kind == "instant" else 11
        keys |= {"productDefinitionTemplateNumber": template, "perturbationNumber": member}
    statistic = {"instant": None, "total": 1, "maximum": 2}[row.kind]
    if values is None:
        values = value(row, step, west, member or 0)
    return encode(
        numbers or row.numbers, row.surface, row.value, run, step, values, north=90.0, west=west,
        cell=CELL, start=since(row, step), statistic=statistic, keys=keys,
    )  # fmt: skip


@dataclass(frozen=True)
class File:
    """A step's file: its messages in order, each with its row and the member."""

    run: datetime
    step: int
    stream: str
    messages: tuple[tuple[Row, int | None, bytes], ...]

    @property
    def content(self) -> bytes:
        return b"".join(message for _, _, message in self.messages)

    @property
    def index(self) -> str:
        lines, at = [], 0
        shuffled = random.Random(self.step)
        for row, member, message in self.messages:
            keys = {
                "domain": "g", "date": f"{self.run:%Y%m%d}", "time": f"{self.run:%H%M}",
                "expver": "0001", "class": "od", "type": "fc" if member is None else "pf",
                "stream": self.stream, "levtype": row.levtype, "step": str(self.step),
                "param": row.name(self.step), "_offset": at, "_length": len(message),
            }  # fmt: skip
            if row.levtype == "pl":
                keys["levelist"] = f"{row.value / 100:.0f}"
            if member is not None:
                keys["number"] = str(member)
            items = list(keys.items())
            shuffled.shuffle(items)
            lines.append(json.dumps(dict(items)))
            at += len(message)
        return "\n".join(lines) + "\n"


@cache
def make_file(run: datetime, step: int, stream: str = "oper", west: float = 180.0) -> File:
    """The file of a step; the terrain stands in that of step 0, where nothing has a window."""
    rows = [row for row in ROWS if step or row.kind == "instant"]
    rows += [TERRAIN] if step == 0 else []
    messages = tuple((row, None, encode_row(row, run, step, west=west)) for row in rows)
    return File(run, step, stream, messages)


@cache
def make_ensemble_file(run: datetime, step: int) -> File:
    """The file of all perturbed members of a step, in disorder."""
    rows = [r for r in ROWS if r.levtype == "sfc" and (step or r.kind == "instant")]
    every = [(row, member) for row in rows for member in range(1, MEMBERS + 1)]
    random.Random(7).shuffle(every)
    messages = tuple((row, m, encode_row(row, run, step, member=m)) for row, m in every)
    return File(run, step, "enfo", messages)


def file_path(file: File) -> str:
    """The path on a mirror, as on the real ones, without its ending."""
    kind = "ef" if file.stream == "enfo" else "fc"
    name = f"{file.run:%Y%m%d%H}0000-{file.step}h-{file.stream}-{kind}"
    return f"/{file.run:%Y%m%d}/{file.run:%H}z/ifs/0p25/{file.stream}/{name}"


def serve(server: LocalServer, prefix: str, file: File) -> None:
    """Put a file with its index on a server."""
    path = prefix + file_path(file)
    server.blob(f"{path}.grib2", file.content)
    server.blob(f"{path}.index", file.index.encode(), content_type="text/plain")
