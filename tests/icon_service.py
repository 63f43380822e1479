"""A small invented ICON behind a local server: one message a file, on bare triangles.

Not a test file. The points are a shaken lattice over Central Europe in no order, and each grid has
a UUID of its own. Values are simple formulas of place and hour, packed with CCSDS. Precipitation
is counted from the run's start in minutes, the ceiling lies above sea level, and runs are told by
listings in plain HTML.

Paths and oddities follow the open data tree of DWD of 2026 (v1).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

import numpy as np
import pyproj  # noqa: F401  (before eccodes, else the process crashes when it ends)
from local_server import LocalServer

import eccodes  # isort: skip

RUN = datetime(2026, 11, 25, 0, tzinfo=UTC)
MODEL_LEVEL, LOWEST = 150, 74
#: Heights of half levels above ground, m, by their number; full levels lie midway.
HALF_LEVELS = {75: 0.0, 74: 20.0, 73: 55.0, 72: 105.0, 71: 155.0, 70: 215.0, 69: 285.0}
FULL_LEVELS = {73: 37.5, 72: 80.0, 71: 130.0, 70: 185.0}  # those between 15 and 200 m
#: Precipitation of each hour [h, h + 1) of the run north of 50 degrees, mm.
RAIN = (0.0, 1.0, 2.0, 0.0, 0.5, 0.0, 4.0, 0.02, 0.0, 8.0, 0.25, 0.0) + (1.0,) * 150
#: Significant weather by step: drizzle, freezing rain, snow, thunderstorm, fog, nothing.
WEATHER = {4: 66, 5: 66, 6: 61, 7: 73, 8: 73, 9: 66, 10: 95}


@dataclass(frozen=True)
class Cells:
    """A grid of triangles: centres, and by what it is known."""

    number: int
    uuid: str
    latitudes: np.ndarray = field(hash=False, compare=False)
    longitudes: np.ndarray = field(hash=False, compare=False)


def make_cells(number: int = 62, seed: int = 1, step: float = 0.5) -> Cells:
    random = np.random.default_rng(seed)
    lattice = np.meshgrid(np.arange(46, 54, step), np.arange(4, 14, step), indexing="ij")
    points = np.stack([axis.ravel() for axis in lattice])
    points += random.uniform(-0.2, 0.2, points.shape)
    points = np.float32(points[:, random.permutation(points.shape[1])]).astype(float)
    return Cells(number, random.bytes(16).hex(), points[0], points[1])


CELLS = make_cells()


@dataclass(frozen=True)
class Row:
    """One parameter: its numbers, surface and kind of window."""

    param: str
    numbers: tuple[int, int, int]
    surface: int
    value: float | None = None
    kind: str = "instant"
    level: int | None = None


SINGLE = (
    Row("U_10M", (0, 2, 2), 103, 10), Row("V_10M", (0, 2, 3), 103, 10),
    Row("VMAX_10M", (0, 2, 22), 103, 10, "maximum"), Row("T_2M", (0, 0, 0), 103, 2),
    Row("TD_2M", (0, 0, 6), 103, 2), Row("PS", (0, 3, 0), 1), Row("VIS", (0, 19, 0), 1),
    Row("CEILING", (0, 6, 13), 2), Row("CLCT", (0, 6, 1), 1), Row("CLCL", (0, 6, 22), 100, 80000),
    Row("TOT_PREC", (0, 1, 52), 1, kind="total"), Row("WW", (0, 19, 25), 1),
    Row("CAPE_ML", (0, 7, 6), 192), Row("Z0", (2, 0, 1), 1),
)  # fmt: skip
ALOFT = tuple(
    Row(param, numbers, MODEL_LEVEL, level, level=level)
    for level in range(69, 75)
    for param, numbers in (("U", (0, 2, 2)), ("V", (0, 2, 3)), ("T", (0, 0, 0)))
)
STILL = (
    Row("HSURF", (0, 3, 6), 1), Row("CLAT", (0, 191, 1), 1), Row("CLON", (0, 191, 2), 1),
    *(Row("HHL", (0, 3, 6), MODEL_LEVEL, level, level=level) for level in HALF_LEVELS),
)  # fmt: skip


def value(row: Row, step: int, cells: Cells = CELLS) -> np.ndarray:
    """What the invented weather is at a step (or over the window that ends there), (points,)."""
    north, east = cells.latitudes, cells.longitudes
    plain = step / 4 + 0.1 * (east - 9) + 0.05 * (north - 50)
    ground = 300.0 + 20 * (east - 9)
    fixed: dict[str, Any] = {
        "HSURF": ground, "CLAT": north, "CLON": east,
        "HHL": ground + HALF_LEVELS.get(row.level or 0, 0.0),
        "TOT_PREC": np.where(north > 50, sum(RAIN[:step]), 0.0),
        "WW": 0 * plain + WEATHER.get(step, 0),
        "CEILING": np.where(north > 50, ground + 400 + step, 20000.0),
        "CLCT": np.where(north > 50, 90.0, 10.0), "CLCL": np.where(north > 50, 80.0, 0.0),
        "PS": 96000 + plain, "T_2M": 275 + plain, "TD_2M": 273 + plain, "T": 272 + plain,
        "VMAX_10M": 8 + np.abs(plain), "VIS": 5000 + 100 * plain, "CAPE_ML": 10 * np.abs(plain),
        "Z0": 0.2 + 0.01 * (north - 50),
    }  # fmt: skip
    if row.param in fixed:
        return np.asarray(fixed[row.param], dtype=float)
    height = 10.0 if row.level is None else {74: 10.0, 69: 250.0, **FULL_LEVELS}[row.level]
    return (1 if row.param.startswith("U") else -1) * (2 + height / 20 + step / 4) + 0 * plain


def encode(
    row: Row, run: datetime, step: int, cells: Cells = CELLS,
    values: np.ndarray | None = None, keys: Mapping[str, Any] | None = None,
) -> bytes:  # fmt: skip
    """A message on triangles; NaN in ``values`` is left out by a bitmap."""
    values = value(row, step, cells) if values is None else values
    statistic = {"instant": None, "total": 1, "maximum": 2}[row.kind]
    handle = eccodes.codes_grib_new_from_samples("regular_ll_sfc_grib2")
    try:
        settings: dict[str, Any] = {
            "centre": 78, "tablesVersion": 19, "discipline": row.numbers[0],
            "dataDate": int(f"{run:%Y%m%d}"), "dataTime": int(f"{run:%H%M}"),
            "productDefinitionTemplateNumber": 0 if statistic is None else 8,
            "parameterCategory": row.numbers[1], "parameterNumber": row.numbers[2],
            "typeOfFirstFixedSurface": row.surface, "scaleFactorOfFirstFixedSurface": 0,
            "scaledValueOfFirstFixedSurface": int(row.value or 0),
            "typeOfSecondFixedSurface": 255, "gridDefinitionTemplateNumber": 101,
            "numberOfDataPoints": values.size, "numberOfGridUsed": cells.number,
            "numberOfGridInReference": 1, "uuidOfHGrid": cells.uuid,
            "packingType": "grid_ccsds", "bitsPerValue": 24,
        }  # fmt: skip
        if statistic is None:
            settings |= {"indicatorOfUnitOfTimeRange": 0, "forecastTime": step * 60}
        else:
            start = 0 if row.kind == "total" else max(step - (1 if step <= 78 else 3), 0)
            end = run + timedelta(hours=step)
            names = ("year", "month", "day", "hour", "minute", "second")
            settings |= {
                "typeOfStatisticalProcessing": statistic, "indicatorOfUnitOfTimeRange": 0,
                "indicatorOfUnitForTimeRange": 0, "forecastTime": start * 60,
                "lengthOfTimeRange": (step - start) * 60,
            } | {
                f"{name}OfEndOfOverallTimeInterval": getattr(end, name) for name in names
            }  # fmt: skip
        if np.isnan(values).any():
            settings |= {"bitmapPresent": 1, "missingValue": -1e6}
        for key, setting in (settings | dict(keys or {})).items():
            eccodes.codes_set(handle, key, setting)
        eccodes.codes_set_values(handle, np.nan_to_num(values, nan=-1e6))
        return bytes(eccodes.codes_get_message(handle))
    finally:
        eccodes.codes_release(handle)


@lru_cache(maxsize=4096)
def message(row: Row, run: datetime, step: int, cells: Cells = CELLS) -> bytes:
    return encode(row, run, step, cells)


def file_path(row: Row, run: datetime, step: int) -> str:
    """The path below a model, as on the real server."""
    level = "" if row.level is None else f"lvt1/{MODEL_LEVEL}/lv1/{row.level}/"
    return f"/p/{row.param}/{level}r/{run:%Y-%m-%dT%H}%3A00/s/PT{step:03d}H00M.grib2"


def serve(
    server: LocalServer, prefix: str, run: datetime, steps: Iterable[int], cells: Cells = CELLS,
    *, still: bool = True,
) -> None:  # fmt: skip
    """Put a run on a server: its steps, and what stands still."""
    for step in steps:
        for row in (*SINGLE, *ALOFT):
            server.blob(prefix + file_path(row, run, step), message(row, run, step, cells))
    for row in STILL if still else ():
        server.blob(prefix + file_path(row, run, 0), message(row, run, 0, cells))


def serve_listing(server: LocalServer, prefix: str, *runs: datetime, param: str = "T_2M") -> None:
    """The list of a parameter's runs, as the real server writes such pages."""
    links = "".join(
        f'<a href="{run:%Y-%m-%dT%H:00}/">{run:%Y-%m-%dT%H:00}/</a>   25-Nov-2026 03:00   -\n'
        for run in runs
    )
    page = f'<html><head><title>Index of /</title></head><body><pre><a href="../">../</a>\n{links}'
    server.blob(f"{prefix}/p/{param}/r/", page.encode(), content_type="text/html")
