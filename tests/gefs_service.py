"""A small invented GEFS behind a local server: members with sidecars in two products, and a crop.

Not a test file. Product s has points every 5 degrees, product b every 10. Values are simple
formulas of place, hour and member, so that no two members are alike. Rows, their order, and the
extra field behind the window (``ENS=+7``, ``ENS=low-res ctl``) follow sidecars of a run of 2025:
six-hour buckets, flags as averages, the terrain in product s at step 0 only, winds at 80 and
100 m in product b only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache

import gfs_service
import numpy as np
from local_server import LocalServer, Response

RUN = datetime(2026, 3, 1, 0, tzinfo=UTC)
MEMBERS = ("c00", *(f"p{n:02d}" for n in range(1, 31)))
PRODUCTS = {"s": ("pgrb2sp25", "pgrb2s.0p25", 5.0), "b": ("pgrb2bp5", "pgrb2b.0p50", 10.0)}


@dataclass(frozen=True)
class Row:
    """One message: names in the sidecar, numbers, surface, and its kind of window."""

    element: str
    level: str
    numbers: tuple[int, int, int]
    surface: int
    value: float = 0
    kind: str = "instant"


ROWS = {
    "s": (
        Row("VIS", "surface", (0, 19, 0), 1),
        Row("GUST", "surface", (0, 2, 22), 1),
        Row("PRES", "surface", (0, 3, 0), 1),
        Row("HGT", "surface", (0, 3, 5), 1, kind="analysis"),
        Row("TMP", "2 m above ground", (0, 0, 0), 103, 2),
        Row("DPT", "2 m above ground", (0, 0, 6), 103, 2),
        Row("TMAX", "2 m above ground", (0, 0, 4), 103, 2, "max"),
        Row("UGRD", "10 m above ground", (0, 2, 2), 103, 10),
        Row("VGRD", "10 m above ground", (0, 2, 3), 103, 10),
        Row("APCP", "surface", (0, 1, 8), 1, kind="acc"),
        Row("CSNOW", "surface", (0, 1, 36), 1, kind="ave"),
        Row("CICEP", "surface", (0, 1, 35), 1, kind="ave"),
        Row("CFRZR", "surface", (0, 1, 34), 1, kind="ave"),
        Row("CRAIN", "surface", (0, 1, 33), 1, kind="ave"),
        Row("SHTFL", "surface", (0, 0, 11), 1, kind="ave"),
        Row("CAPE", "surface", (0, 7, 6), 1),
        Row("CIN", "surface", (0, 7, 7), 1),
        Row("TCDC", "entire atmosphere", (0, 6, 1), 10, kind="ave"),
        Row("HGT", "cloud ceiling", (0, 3, 5), 215),
        Row("CAPE", "180-0 mb above ground", (0, 7, 6), 108, 18000),
    ),
    "b": (
        Row("GUST", "surface", (0, 2, 22), 1),
        Row("HGT", "surface", (0, 3, 5), 1),
        Row("UGRD", "80 m above ground", (0, 2, 2), 103, 80),
        Row("VGRD", "80 m above ground", (0, 2, 3), 103, 80),
        Row("UGRD", "100 m above ground", (0, 2, 2), 103, 100),
        Row("VGRD", "100 m above ground", (0, 2, 3), 103, 100),
    ),
}


def number_of(member: str) -> int:
    """0 for the control, 7 for p07."""
    return 0 if member == "c00" else int(member[1:])


def rain(member: str, start: int, end: int) -> float:
    """Precipitation of a member from hour to hour of the run, mm: more in the odd three hours."""
    n = number_of(member)
    return sum(0.25 * (1 + n % 3) * (1 if hour // 3 % 2 else 0.5) for hour in range(start, end))


def share(element: str, member: str, hour: int) -> float:
    """The share of an hour in which the flag of a member is up."""
    if element == "CRAIN":
        return 1.0
    return 0.5 if element == "CFRZR" and member == "p05" and hour // 3 == 3 else 0.0


def value(row: Row, member: str, step: int) -> float:
    """What a row is at a step (or over the bucket that ends there), everywhere the same."""
    n, start = number_of(member), (step - 1) // 6 * 6
    if row.element == "APCP":
        return rain(member, start, step)
    if row.kind == "ave" and row.element.startswith("C"):
        return float(np.mean([share(row.element, member, hour) for hour in range(start, step)]))
    fixed = {
        ("VIS", "surface"): 10000.0 - 100 * n - 50 * step,
        ("GUST", "surface"): 8.0 + n / 4 + step / 10,
        ("PRES", "surface"): 100000.0 + n,
        ("HGT", "surface"): 300.0,
        ("TMP", "2 m above ground"): 280.0 + n / 10 + step / 6,
        ("DPT", "2 m above ground"): 275.0 + n / 10,
        ("SHTFL", "surface"): 100.0 + n,
        ("TCDC", "entire atmosphere"): 50.0 + n,
        ("HGT", "cloud ceiling"): 20000.0 if n % 2 else 800.0 + n,
        ("CAPE", "surface"): 100.0 * n,
        ("CIN", "surface"): -float(n),
    }
    if row.element in ("UGRD", "VGRD"):
        return (1 if row.element == "UGRD" else -1) * (row.value / 10 + n / 4 + step / 5)
    return fixed.get((row.element, row.level), 77.0)


def window_text(row: Row, step: int) -> str:
    """As wgrib2 writes it."""
    if row.kind in ("instant", "analysis"):
        return "anl" if step == 0 else f"{step} hour fcst"
    start = (step - 1) // 6 * 6
    if start % 24 == 0 and step % 24 == 0:
        return f"{start // 24}-{step // 24} day {row.kind} fcst"
    return f"{start}-{step} hour {row.kind} fcst"


@dataclass(frozen=True)
class File:
    """A member's file of a step."""

    run: datetime
    member: str
    product: str
    step: int
    messages: tuple[tuple[Row, bytes], ...]

    @property
    def content(self) -> bytes:
        return b"".join(message for _, message in self.messages)

    @property
    def sidecar(self) -> str:
        number = number_of(self.member)
        behind = f"ENS=+{number}" if number else "ENS=low-res ctl"
        lines, at = [], 0
        for n, (row, message) in enumerate(self.messages, 1):
            window = window_text(row, self.step)
            told = f"{row.element}:{row.level}:{window}:{behind}"
            lines.append(f"{n}:{at}:d={self.run:%Y%m%d%H}:{told}")
            at += len(message)
        return "\n".join(lines) + "\n"

    @property
    def path(self) -> str:
        """The path on a mirror, as on the real ones."""
        folder, name, _ = PRODUCTS[self.product]
        return (
            f"/gefs.{self.run:%Y%m%d}/{self.run:%H}/atmos/{folder}/"
            f"ge{self.member}.t{self.run:%H}z.{name}.f{self.step:03d}"
        )


@cache
def make_file(run: datetime, member: str, product: str, step: int) -> File:
    """The file of a step; terrain at step 0 only, and nothing over an interval there."""
    rows = [
        row for row in ROWS[product]
        if row.kind == "instant" or (row.kind == "analysis") == (step == 0)
    ]  # fmt: skip
    messages = tuple(
        (row, encode(row, run, member, step, PRODUCTS[product][2], -90.0, 90.0, 0.0, 360.0))
        for row in rows
    )
    return File(run, member, product, step, messages)


def encode(
    row: Row, run: datetime, member: str, step: int, cell: float,
    bottom: float, top: float, left: float, right: float,
) -> bytes:  # fmt: skip
    """A message of a member on a box (its right edge left out)."""
    rows = int(top // cell) - int(-(-bottom // cell)) + 1
    west = -(-left // cell) * cell
    columns = int(-(-(right - west) // cell))
    statistic = {"acc": 1, "ave": 0, "max": 2}.get(row.kind)
    number = number_of(member)
    # A little of the place in every value, so that a wrong cell shows.
    north = (top // cell) * cell - cell * np.arange(rows)
    values = np.full((rows, columns), value(row, member, step))
    if row.element == "TMP":
        values = values + north[:, None] / 1000
    keys = {
        "productDefinitionTemplateNumber": 1 if statistic is None else 11,
        "typeOfEnsembleForecast": 3 if number else 1, "perturbationNumber": number,
        "numberOfForecastsInEnsemble": 30,
    }  # fmt: skip
    return gfs_service.encode(
        row.numbers, row.surface, row.value, run, step, values,
        north=(top // cell) * cell, west=west, cell=cell,
        start=(step - 1) // 6 * 6, statistic=statistic, keys=keys,
    )  # fmt: skip


def serve(server: LocalServer, prefix: str, file: File) -> None:
    """Put a file with its sidecar on a server."""
    server.blob(prefix + file.path, file.content)
    server.blob(f"{prefix}{file.path}.idx", file.sidecar.encode(), content_type="text/plain")


def unserve(server: LocalServer, prefix: str, file: File) -> None:
    """Take a file away."""
    server.remove(prefix + file.path)
    server.remove(f"{prefix}{file.path}.idx")


@dataclass
class Crop:
    """The crop script of a product."""

    files: dict[str, File] = field(default_factory=dict)
    queries: list[Mapping[str, str]] = field(default_factory=list)

    def add(self, file: File) -> None:
        self.files[file.path] = file

    def answer(self, query: dict[str, str]) -> Response:
        self.queries.append(query)
        file = self.files.get(f"{query['dir']}/{query['file']}")
        if file is None:
            return Response(404, b"<html>data file is not present</html>",
                            {"Content-Type": "text/html"})  # fmt: skip
        cell = PRODUCTS[file.product][2]
        box = [float(query[k]) for k in ("bottomlat", "toplat", "leftlon", "rightlon")]
        chosen = [
            _cut(row, file.run, file.member, file.step, cell, *box[:3], box[3] + 1e-6)
            for row, _ in file.messages
            if query.get(f"var_{row.element}") == "on"
            and query.get(f"lev_{row.level.replace(' ', '_')}") == "on"
        ]
        return Response(200, b"".join(chosen), {"Content-Type": "application/octet-stream"})


_cut = cache(encode)
