"""A small invented HRRR behind a local server: Lambert files with sidecars, quarters, and a crop.

Not a test file. The grid has HRRR's cone, first point and reach, but 60 km between points. Values
are simple formulas of place and time; winds are true winds turned onto the grid by the meridian
convergence that PROJ computes. What a file holds, in which order, and how its lines are spelled
follow sidecars of real runs of 2022 to 2025: the run's total of precipitation before that of the
hour, layers whose names begin alike, minutes in the files of quarters, no interval at step 0.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

import numpy as np
import pyproj
from local_server import LocalServer, Response

import eccodes  # isort: skip

RUN = datetime(2026, 3, 1, 6, tzinfo=UTC)
STEP_M, COLUMNS, ROWS = 60_000.0, 90, 53
FIRST = (21.138123, 237.280472)
PROJ = pyproj.Proj("+proj=lcc +lat_1=38.5 +lat_2=38.5 +lat_0=38.5 +lon_0=262.5 +R=6371229")
_X0, _Y0 = PROJ(FIRST[1], FIRST[0])
X, Y = np.meshgrid(_X0 + STEP_M * np.arange(COLUMNS), _Y0 + STEP_M * np.arange(ROWS))
LONGITUDES, LATITUDES = PROJ(X, Y, inverse=True)
CONVERGENCE = np.radians(PROJ.get_factors(LONGITUDES, LATITUDES).meridian_convergence)
WEST = X < 0  #: it rains there, clouds are low, and the ground is high
#: Precipitation of each hour [h, h + 1) of the run in the west, mm.
RAIN = tuple(float(hour % 4) / 2 for hour in range(60))
MISSING = 9999.0


@dataclass(frozen=True)
class Row:
    """One message: names in the sidecar, numbers, surface, and its kind of window."""

    element: str
    level: str
    numbers: tuple[int, int, int]
    surface: int
    value: float = 0
    kind: str = "instant"


def _hourly() -> Iterator[Row]:
    yield Row("REFC", "entire atmosphere", (0, 16, 196), 10)
    yield Row("VIS", "surface", (0, 19, 0), 1)
    yield Row("GUST", "surface", (0, 2, 22), 1)
    yield Row("UGRD", "250 mb", (0, 2, 2), 100, 25000)
    for pressure in (700, 850, 925, 1000):
        if pressure != 925:
            yield Row("HGT", f"{pressure} mb", (0, 3, 5), 100, pressure * 100)
        yield Row("TMP", f"{pressure} mb", (0, 0, 0), 100, pressure * 100)
        yield Row("UGRD", f"{pressure} mb", (0, 2, 2), 100, pressure * 100)
        yield Row("VGRD", f"{pressure} mb", (0, 2, 3), 100, pressure * 100)
    yield Row("LTNGSD", "1 m above ground", (0, 17, 0), 103, 1)
    yield Row("LTNG", "entire atmosphere", (0, 17, 192), 10)
    yield Row("UGRD", "80 m above ground", (0, 2, 2), 103, 80)
    yield Row("VGRD", "80 m above ground", (0, 2, 3), 103, 80)
    yield Row("PRES", "surface", (0, 3, 0), 1)
    yield Row("HGT", "surface", (0, 3, 5), 1)
    yield Row("TMP", "2 m above ground", (0, 0, 0), 103, 2)
    yield Row("DPT", "2 m above ground", (0, 0, 6), 103, 2)
    yield Row("UGRD", "10 m above ground", (0, 2, 2), 103, 10)
    yield Row("VGRD", "10 m above ground", (0, 2, 3), 103, 10)
    yield Row("WIND", "10 m above ground", (0, 2, 1), 103, 10, "max")
    yield Row("MAXUW", "10 m above ground", (0, 2, 222), 103, 10, "max")
    yield Row("MAXVW", "10 m above ground", (0, 2, 223), 103, 10, "max")
    yield Row("PRATE", "surface", (0, 1, 7), 1)
    yield Row("APCP", "surface", (0, 1, 8), 1, kind="total")
    yield Row("APCP", "surface", (0, 1, 8), 1, kind="acc")
    # The shipped files of 2023 have the WMO's number for freezing rain, others the local one.
    for element, number in (("CSNOW", 195), ("CICEP", 194), ("CFRZR", 34), ("CRAIN", 192)):
        yield Row(element, "surface", (0, 1, number), 1)
    yield Row("SFCR", "surface", (2, 0, 1), 1)
    yield Row("SHTFL", "surface", (0, 0, 11), 1)
    yield Row("CAPE", "surface", (0, 7, 6), 1)
    yield Row("CIN", "surface", (0, 7, 7), 1)
    yield Row("TCDC", "boundary layer cloud layer", (0, 6, 1), 211)
    yield Row("LCDC", "low cloud layer", (0, 6, 3), 214)
    yield Row("TCDC", "entire atmosphere", (0, 6, 1), 10)
    yield Row("HGT", "cloud ceiling", (0, 3, 5), 215)
    yield Row("HGT", "cloud base", (0, 3, 5), 2)
    yield Row("HPBL", "surface", (0, 3, 196), 1)


HOURLY = tuple(_hourly())
QUARTERLY = (
    Row("VIS", "surface", (0, 19, 0), 1),
    Row("GUST", "surface", (0, 2, 22), 1),
    Row("UGRD", "10 m above ground", (0, 2, 2), 103, 10),
    Row("PRATE", "surface", (0, 1, 7), 1),
)


def true_wind(row: Row, minutes: int) -> tuple[np.ndarray, np.ndarray]:
    """Eastward and northward wind, m/s, as the earth has it."""
    height = row.value % 1000 / 10 + minutes / 240
    if row.kind == "max":
        height = height + 5
    return 8.0 + height + 0 * X, -3.0 + height + Y / 1e6


def value(row: Row, minutes: int) -> np.ndarray:
    """What the invented weather is, minutes after the run (or over the window that ends there)."""
    if row.element in ("UGRD", "VGRD", "MAXUW", "MAXVW", "WIND"):
        east, north = true_wind(row, minutes)
        if row.element == "WIND":
            return np.hypot(east, north)
        cos, sin = np.cos(CONVERGENCE), np.sin(CONVERGENCE)
        along = "U" in row.element[:4] and row.element != "MAXVW"
        return east * cos - north * sin if along else east * sin + north * cos
    if row.element == "APCP":
        step = minutes // 60
        start = 0 if row.kind == "total" else step - 1
        return np.where(WEST, sum(RAIN[start:step]), 0.0)
    # Between the full hours it gusts, and the view is short; the second quarter is the worst.
    squall = {0: 0.0, 15: 4.0, 30: 6.0, 45: 5.0}[minutes % 60]
    place = X / 1e6 + Y / 1e7
    made: dict[tuple[str, str], Any] = {
        ("GUST", "surface"): 10.0 + minutes / 60 + squall + np.abs(place),
        ("VIS", "surface"): 20000.0 - 100 * minutes / 60 - 2000 * squall + 100 * place,
        ("PRATE", "surface"): np.where(WEST, (1 + squall) / 3600, 0.0),
        ("HGT", "surface"): np.where(WEST, 1500.0, 200.0),
        ("HGT", "cloud ceiling"): np.where(WEST, 1500.0 + 400 + minutes / 60, MISSING),
        ("HGT", "cloud base"): 3000.0,
        ("TMP", "2 m above ground"): 280.0 + minutes / 600 + place,
        ("DPT", "2 m above ground"): 275.0 + place,
        ("PRES", "surface"): 90000.0 + 1000 * place,
        ("LTNG", "entire atmosphere"): np.where(WEST, minutes % 180 == 0, 0.0),
        ("LTNGSD", "1 m above ground"): 77.0,
        ("LCDC", "low cloud layer"): np.where(WEST, 100.2, -0.2),
        ("TCDC", "entire atmosphere"): 60.0,
        ("TCDC", "boundary layer cloud layer"): 7.0,
        ("CRAIN", "surface"): np.where(WEST, 1.0, 0.0),
        ("CIN", "surface"): -50.0,
        ("CAPE", "surface"): 500.0 + 10 * place,
        ("HPBL", "surface"): 800.0,
        ("SFCR", "surface"): 0.3,
        ("SHTFL", "surface"): 120.0,
    }
    key = (row.element, row.level)
    if key in made:
        return made[key] + 0 * X
    if row.element == "HGT":
        return (100000 - row.value) / 12 + 0 * X
    return (260.0 if row.element == "TMP" else 0.0) + 0 * X


def window_text(row: Row, minutes: int, *, in_minutes: bool = False) -> str:
    """As wgrib2 writes it."""
    if row.kind == "instant":
        if minutes == 0:
            return "anl"
        return f"{minutes} min fcst" if in_minutes else f"{minutes // 60} hour fcst"
    step, name = minutes // 60, "max" if row.kind == "max" else "acc"
    if row.kind == "total" and step % 24 == 0:
        return f"0-{step // 24} day {name} fcst"
    return f"{0 if row.kind == 'total' else step - 1}-{step} hour {name} fcst"


def encode(row: Row, run: datetime, minutes: int, values: np.ndarray, first: tuple[float, float],
           *, in_minutes: bool = False) -> bytes:  # fmt: skip
    """A GRIB2 message on a part of the grid that begins at ``first``."""
    handle = eccodes.codes_grib_new_from_samples("regular_ll_sfc_grib2")
    statistic = {"instant": None, "max": 2}.get(row.kind, 1)
    rows, columns = values.shape
    try:
        settings: dict[str, Any] = {
            "centre": 7, "tablesVersion": 2, "localTablesVersion": 1,
            "discipline": row.numbers[0],
            "dataDate": int(f"{run:%Y%m%d}"), "dataTime": int(f"{run:%H%M}"),
            "gridType": "lambert", "shapeOfTheEarth": 6, "Nx": columns, "Ny": rows,
            "latitudeOfFirstGridPoint": round(first[0] * 1e6),
            "longitudeOfFirstGridPoint": round(first[1] % 360 * 1e6),
            "LaD": 38500000, "LoV": 262500000, "Dx": int(STEP_M * 1000), "Dy": int(STEP_M * 1000),
            "Latin1": 38500000, "Latin2": 38500000, "resolutionAndComponentFlags": 8,
            "scanningMode": 64,
            "productDefinitionTemplateNumber": 0 if statistic is None else 8,
            "parameterCategory": row.numbers[1], "parameterNumber": row.numbers[2],
            "typeOfFirstFixedSurface": row.surface, "scaleFactorOfFirstFixedSurface": 0,
            "scaledValueOfFirstFixedSurface": int(row.value), "typeOfSecondFixedSurface": 255,
            "bitsPerValue": 24, "missingValue": MISSING,
            "bitmapPresent": int(bool((values == MISSING).any())),
        }  # fmt: skip
        if statistic is None:
            unit, lead = (0, minutes) if in_minutes else (1, minutes // 60)
            settings |= {"indicatorOfUnitOfTimeRange": unit, "forecastTime": lead}
        else:
            end, length = run + timedelta(minutes=minutes), 1
            if row.kind == "total":
                length = minutes // 60
            names = ("year", "month", "day", "hour", "minute", "second")
            settings |= {
                "typeOfStatisticalProcessing": statistic,
                "indicatorOfUnitForTimeRange": 1,
                "indicatorOfUnitOfTimeRange": 1,
                "forecastTime": minutes // 60 - length,
                "lengthOfTimeRange": length,
            } | {f"{name}OfEndOfOverallTimeInterval": getattr(end, name) for name in names}
        for key, setting in settings.items():
            eccodes.codes_set(handle, key, setting)
        eccodes.codes_set_values(handle, np.ascontiguousarray(values, dtype=float).ravel())
        return bytes(eccodes.codes_get_message(handle))
    finally:
        eccodes.codes_release(handle)


@dataclass(frozen=True)
class Part:
    """One message of a file with what it is."""

    row: Row
    minutes: int
    message: bytes
    in_minutes: bool


@dataclass(frozen=True)
class File:
    """A step's file."""

    run: datetime
    step: int
    parts: tuple[Part, ...]

    @property
    def content(self) -> bytes:
        return b"".join(part.message for part in self.parts)

    @property
    def sidecar(self) -> str:
        lines, at = [], 0
        for number, part in enumerate(self.parts, 1):
            window = window_text(part.row, part.minutes, in_minutes=part.in_minutes)
            lines.append(
                f"{number}:{at}:d={self.run:%Y%m%d%H}:{part.row.element}:{part.row.level}:{window}:"
            )
            at += len(part.message)
        return "\n".join(lines) + "\n"


@cache
def make_file(run: datetime, step: int, only: str = "") -> File:
    """The file of a full hour (or one element of it); at step 0 nothing over an interval."""
    rows = [row for row in HOURLY if step or row.kind == "instant"]
    rows = [row for row in rows if only in ("", row.element)]
    return File(run, step, tuple(_part(row, run, step * 60, False) for row in rows))


@cache
def make_quarters(run: datetime, step: int) -> File:
    """The file of the four quarters up to a full hour."""
    minutes = [step * 60 - before for before in (45, 30, 15, 0)]
    return File(
        run, step, tuple(_part(row, run, m, True) for m in minutes for row in QUARTERLY)
    )  # fmt: skip


def _part(row: Row, run: datetime, minutes: int, in_minutes: bool) -> Part:
    message = encode(row, run, minutes, value(row, minutes), FIRST, in_minutes=in_minutes)
    return Part(row, minutes, message, in_minutes)


def file_path(run: datetime, step: int) -> str:
    """The path of a full hour's file on a mirror, as on the real ones."""
    return f"/hrrr.{run:%Y%m%d}/conus/hrrr.t{run:%H}z.wrfsfcf{step:02d}.grib2"


def quarters_path(run: datetime, step: int) -> str:
    """The path of a file of quarters."""
    return f"/hrrr.{run:%Y%m%d}/conus/hrrr.t{run:%H}z.wrfsubhf{step:02d}.grib2"


def serve(server: LocalServer, prefix: str, file: File,
          path: Callable[[datetime, int], str] = file_path) -> None:  # fmt: skip
    """Put a file with its sidecar on a server."""
    where = prefix + path(file.run, file.step)
    server.blob(where, file.content)
    server.blob(f"{where}.idx", file.sidecar.encode(), content_type="text/plain")


@dataclass
class Crop:
    """The crop script: the smallest part of the grid that holds all points within the box."""

    files: dict[str, File] = field(default_factory=dict)
    queries: list[Mapping[str, str]] = field(default_factory=list)

    def add(self, file: File, path: Callable[[datetime, int], str] = file_path) -> None:
        self.files[path(file.run, file.step)] = file

    def answer(self, query: dict[str, str]) -> Response:
        self.queries.append(query)
        file = self.files.get(f"{query['dir']}/{query['file']}")
        if file is None:
            return Response(404, b"<html>data file is not present</html>",
                            {"Content-Type": "text/html"})  # fmt: skip
        top, bottom = float(query["toplat"]), float(query["bottomlat"])
        left, right = float(query["leftlon"]) % 360, float(query["rightlon"]) % 360
        east = LONGITUDES % 360
        inside = (top >= LATITUDES) & (bottom <= LATITUDES) & (left <= east) & (right >= east)
        rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
        box = (int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1)
        chosen = [
            _cut(part, file.run, box) for part in file.parts
            if query.get(f"var_{part.row.element}") == "on"
            and query.get(f"lev_{part.row.level.replace(' ', '_')}") == "on"
        ]  # fmt: skip
        return Response(200, b"".join(chosen), {"Content-Type": "application/octet-stream"})


@cache
def _cut(part: Part, run: datetime, box: tuple[int, int, int, int]) -> bytes:
    top, bottom, left, right = box
    values = value(part.row, part.minutes)[top:bottom, left:right]
    first = float(LATITUDES[top, left]), float(LONGITUDES[top, left])
    return encode(part.row, run, part.minutes, values, first, in_minutes=part.in_minutes)
