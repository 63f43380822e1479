"""A small invented GFS behind a local server: a crop script and a mirror of files with sidecars.

Not a test file. :class:`World` makes the files: a global grid of 5 degrees whose values are simple
formulas of place and hour, encoded with eccodes, with the oddities of the real files (messages
that share a window, whole days in the window's text, levels whose names begin alike, a run total
beside the six-hour bucket). :class:`Nomads` serves boxes cut out of them as the grib filter does.

What a file holds, and how its lines are spelled, follows sidecars of real runs of 2025.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

import numpy as np
import pyproj  # noqa: F401  (before eccodes, else the process crashes when it ends)
from local_server import LocalServer, Response

import eccodes  # isort: skip

CELL = 5.0
LATITUDES = np.arange(90.0, -90.1, -CELL)
LONGITUDES = np.arange(0.0, 360.0, CELL)
RUN = datetime(2026, 3, 1, 6, tzinfo=UTC)
#: Precipitation of each hour [h, h + 1) of the run west of Greenwich, mm.
RAIN = (0.0, 1.0, 2.0, 0.0, 0.5, 0.0, 4.0, 0.0, 0.0, 8.0, 0.25, 0.0, 1.5, 2.5, 0.0, 0.0, 0.0, 0.0)
RAIN = RAIN + tuple(float(hour % 5) for hour in range(len(RAIN), 400))


@dataclass(frozen=True)
class Row:
    """One message of a step: names in the sidecar, numbers, surface, and its kind of window."""

    element: str
    level: str
    numbers: tuple[int, int, int]
    surface: int
    value: float = 0
    kind: str = "instant"


def _rows() -> Iterator[Row]:
    # A level that begins like "2 m above ground", and a layer: neither is to be taken for it.
    yield Row("TMP", "2 mb", (0, 0, 0), 100, 200)
    yield Row("VIS", "surface", (0, 19, 0), 1)
    yield Row("GUST", "surface", (0, 2, 22), 1)
    for pressure in (850, 900, 925, 950, 975, 1000):
        for element, numbers in (("HGT", (0, 3, 5)), ("TMP", (0, 0, 0)), ("UGRD", (0, 2, 2)),
                                 ("VGRD", (0, 2, 3))):  # fmt: skip
            yield Row(element, f"{pressure} mb", numbers, 100, pressure * 100)
    yield Row("PRES", "surface", (0, 3, 0), 1)
    yield Row("HGT", "surface", (0, 3, 5), 1)
    yield Row("TMP", "2 m above ground", (0, 0, 0), 103, 2)
    yield Row("DPT", "2 m above ground", (0, 0, 6), 103, 2)
    for height in (10, 20, 30, 40, 50, 80, 100):
        yield Row("UGRD", f"{height} m above ground", (0, 2, 2), 103, height)
        yield Row("VGRD", f"{height} m above ground", (0, 2, 3), 103, height)
        if height >= 80:
            yield Row("TMP", f"{height} m above ground", (0, 0, 0), 103, height)
    yield Row("PRATE", "surface", (0, 1, 7), 1)
    yield Row("PRATE", "surface", (0, 1, 7), 1, kind="ave")
    yield Row("APCP", "surface", (0, 1, 8), 1, kind="acc")
    yield Row("APCP", "surface", (0, 1, 8), 1, kind="total")
    yield Row("ACPCP", "surface", (0, 1, 10), 1, kind="acc")
    yield Row("ACPCP", "surface", (0, 1, 10), 1, kind="total")
    for element, number in (("CRAIN", 192), ("CFRZR", 193), ("CICEP", 194), ("CSNOW", 195)):
        yield Row(element, "surface", (0, 1, number), 1)
        yield Row(element, "surface", (0, 1, number), 1, kind="ave")
    yield Row("SFCR", "surface", (2, 0, 1), 1)
    yield Row("CAPE", "surface", (0, 7, 6), 1)
    yield Row("CIN", "surface", (0, 7, 7), 1)
    yield Row("LCDC", "low cloud layer", (0, 6, 3), 214)
    yield Row("LCDC", "low cloud layer", (0, 6, 3), 214, kind="ave")
    yield Row("TCDC", "entire atmosphere", (0, 6, 1), 10)
    yield Row("HGT", "cloud ceiling", (0, 3, 5), 215)
    yield Row("HPBL", "surface", (0, 3, 196), 1)
    yield Row("SHTFL", "surface", (0, 0, 11), 1, kind="ave")


ROWS = tuple(_rows())


def value(row: Row, step: int) -> np.ndarray:
    """What the invented weather is at a step (or over the window that ends there), (lat, lon)."""
    latitude, longitude = LATITUDES[:, None], LONGITUDES[None, :]
    east = np.where(longitude > 180, longitude - 360, longitude) + 0 * latitude
    rising = step + 0.1 * east + 0.01 * latitude
    key = (row.element, row.level)
    if row.element in ("APCP", "ACPCP"):
        start = _start(row, step)
        # West of Greenwich it rains, and half as much of it is convective.
        amount = sum(RAIN[start:step]) * (0.5 if row.element == "ACPCP" else 1.0)
        return np.where(east < 0, amount, 0.0) + 0 * latitude
    if row.element in ("UGRD", "VGRD"):
        sign = 1 if row.element == "UGRD" else -1
        return sign * (1 + row.value % 1000 / 10 + step / 4) + 0 * rising
    fixed: dict[tuple[str, str], Any] = {
        ("HGT", "surface"): 100.0 + 0 * rising,
        ("SFCR", "surface"): 0.1 + 0.001 * latitude + 0 * rising,
        ("HGT", "cloud ceiling"): np.where(east < 0, 500.0 + step, 20000.0),
        ("LCDC", "low cloud layer"): np.where(east < 0, 100.5, -0.5),
        ("TCDC", "entire atmosphere"): 50.0 + step + 0 * rising,
        ("TMP", "2 mb"): 230.0 + 0 * rising,
        ("TMP", "2 m above ground"): 280.0 + rising / 10,
        ("PRES", "surface"): 100000.0 + 10 * rising,
        ("CIN", "surface"): -(rising**2) / 100,
    }
    if key in fixed:
        return fixed[key] + 0 * latitude
    if row.element == "HGT":
        return (100000 - row.value) / 12 + 100 + 0 * rising
    if row.element.startswith(("CRAIN", "CFRZR", "CICEP", "CSNOW")):
        return np.where((east < 0) & (row.element == "CRAIN"), step % 2, 0) + 0 * latitude
    scale = {"VIS": 500.0, "GUST": 1.0, "CAPE": 10.0, "HPBL": 20.0}
    return np.abs(rising) * scale.get(row.element, 1.0) + (250 if row.element == "TMP" else 0)


def _start(row: Row, step: int) -> int:
    return {"instant": step, "total": 0}.get(row.kind, (step - 1) // 6 * 6)


def window_text(row: Row, step: int) -> str:
    """As wgrib2 writes it; whole days are told in days."""
    if row.kind == "instant":
        return "anl" if step == 0 else f"{step} hour fcst"
    start, name = _start(row, step), "ave" if row.kind == "ave" else "acc"
    if start % 24 == 0 and step % 24 == 0:
        return f"{start // 24}-{step // 24} day {name} fcst"
    return f"{start}-{step} hour {name} fcst"


def encode(
    numbers: tuple[int, int, int],
    surface: int,
    level: float,
    run: datetime,
    step: int,
    values: np.ndarray,
    *,
    north: float,
    west: float,
    cell: float,
    start: int | None = None,
    statistic: int | None = None,
    bits: int = 24,
    keys: Mapping[str, Any] | None = None,
) -> bytes:
    """A GRIB2 message of values (rows from the north, columns from the west)."""  # fmt: skip
    rows, columns = values.shape
    handle = eccodes.codes_grib_new_from_samples("regular_ll_sfc_grib2")
    try:
        east = (west + cell * (columns - 1)) % 360
        settings: dict[str, Any] = {
            "centre": 7, "tablesVersion": 2, "localTablesVersion": 1, "discipline": numbers[0],
            "dataDate": int(f"{run:%Y%m%d}"), "dataTime": int(f"{run:%H%M}"),
            "productDefinitionTemplateNumber": 0 if statistic is None else 8,
            "parameterCategory": numbers[1], "parameterNumber": numbers[2],
            "Ni": columns, "Nj": rows, "iDirectionIncrementInDegrees": cell,
            "jDirectionIncrementInDegrees": cell,
            "latitudeOfFirstGridPointInDegrees": north,
            "longitudeOfFirstGridPointInDegrees": west % 360,
            "latitudeOfLastGridPointInDegrees": north - cell * (rows - 1),
            "longitudeOfLastGridPointInDegrees": east,
            "typeOfFirstFixedSurface": surface, "scaleFactorOfFirstFixedSurface": 0,
            "scaledValueOfFirstFixedSurface": int(level), "typeOfSecondFixedSurface": 255,
            "bitsPerValue": bits,
        }  # fmt: skip
        if statistic is not None:
            end = run + timedelta(hours=step)
            names = ("year", "month", "day", "hour", "minute", "second")
            settings |= {
                "typeOfStatisticalProcessing": statistic, "indicatorOfUnitForTimeRange": 1,
                "indicatorOfUnitOfTimeRange": 1, "forecastTime": start,
                "lengthOfTimeRange": step - (start or 0),
            } | {
                f"{name}OfEndOfOverallTimeInterval": getattr(end, name) for name in names
            }  # fmt: skip
        else:
            settings |= {"indicatorOfUnitOfTimeRange": 1, "forecastTime": step}
        for key, setting in (settings | dict(keys or {})).items():
            eccodes.codes_set(handle, key, setting)
        eccodes.codes_set_values(handle, np.ascontiguousarray(values, dtype=float).ravel())
        return bytes(eccodes.codes_get_message(handle))
    finally:
        eccodes.codes_release(handle)


@dataclass(frozen=True)
class File:
    """A step's file: its messages in order with the rows that they are."""

    run: datetime
    step: int
    messages: tuple[tuple[Row, bytes], ...]

    @property
    def content(self) -> bytes:
        return b"".join(message for _, message in self.messages)

    @property
    def sidecar(self) -> str:
        lines, at = [], 0
        for number, (row, message) in enumerate(self.messages, 1):
            window = window_text(row, self.step)
            lines.append(f"{number}:{at}:d={self.run:%Y%m%d%H}:{row.element}:{row.level}:{window}:")
            at += len(message)
        return "\n".join(lines) + "\n"


@cache
def make_file(run: datetime, step: int) -> File:
    """The file of a step; at step 0 there is nothing over an interval."""
    messages = []
    for row in ROWS:
        if step == 0 and row.kind != "instant":
            continue
        statistic = {"instant": None, "ave": 0}.get(row.kind, 1)
        message = encode(
            row.numbers, row.surface, row.value, run, step, value(row, step), north=90.0,
            west=0.0, cell=CELL, start=_start(row, step), statistic=statistic,
        )  # fmt: skip
        messages.append((row, message))
    return File(run, step, tuple(messages))


def file_path(run: datetime, step: int) -> str:
    """The path on a mirror, as on the real ones."""
    return f"/gfs.{run:%Y%m%d}/{run:%H}/atmos/gfs.t{run:%H}z.pgrb2.0p25.f{step:03d}"


def serve_mirror(server: LocalServer, prefix: str, files: Iterator[File] | list[File]) -> str:
    """Put files with their sidecars on a server; returns the mirror's root."""
    for file in files:
        path = prefix + file_path(file.run, file.step)
        server.blob(path, file.content)
        server.blob(f"{path}.idx", file.sidecar.encode(), content_type="text/plain")
    return server.url(prefix)


@dataclass
class Nomads:
    """The crop script: give it files, and its :meth:`answer` as the handler of a path.

    ``straddles``: whether a box over Greenwich is understood, or answered with nothing.
    """

    files: dict[str, File] = field(default_factory=dict)
    straddles: bool = True
    queries: list[dict[str, str]] = field(default_factory=list)

    def add(self, file: File) -> None:
        self.files[file_path(file.run, file.step)] = file

    def answer(self, query: dict[str, str]) -> Response:
        self.queries.append(query)
        file = self.files.get(f"{query['dir']}/{query['file']}")
        if file is None:
            return Response(404, b"<html>data file is not present</html>",
                            {"Content-Type": "text/html"})  # fmt: skip
        left, right = float(query["leftlon"]), float(query["rightlon"])
        if left > right or (left < 0 and not self.straddles):
            return Response(200, b"")
        box = (float(query["toplat"]), left, right, float(query["bottomlat"]))
        chosen = [
            _crop(row, file.run, file.step, message, box)
            for row, message in file.messages
            if query.get(f"var_{row.element}") == "on"
            and query.get(f"lev_{row.level.replace(' ', '_')}") == "on"
        ]
        return Response(200, b"".join(chosen), {"Content-Type": "application/octet-stream"})


@cache
def _crop(
    row: Row, run: datetime, step: int, message: bytes, box: tuple[float, float, float, float]
) -> bytes:
    """The part of a message within a box, decoded and encoded again."""
    handle = eccodes.codes_new_from_message(message)
    try:
        table = eccodes.codes_get_values(handle).reshape(LATITUDES.size, LONGITUDES.size)
    finally:
        eccodes.codes_release(handle)
    top, left, right, bottom = box
    rows = np.flatnonzero((top >= LATITUDES) & (bottom <= LATITUDES))
    wanted = np.arange(np.ceil(left / CELL), np.floor(right / CELL) + 1).astype(int)
    columns = wanted % LONGITUDES.size
    statistic = {"instant": None, "ave": 0}.get(row.kind, 1)
    return encode(
        row.numbers, row.surface, row.value, run, step, table[np.ix_(rows, columns)],
        north=float(LATITUDES[rows[0]]), west=float(wanted[0] * CELL), cell=CELL,
        start=_start(row, step), statistic=statistic,
    )  # fmt: skip
