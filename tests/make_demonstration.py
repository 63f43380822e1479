"""Makes ``cached_forecasts/``, the invented forecast of the demonstration.

Run ``python tests/make_demonstration.py [FOLDER]``; the bytes come out the same every time. The
folder is a mirror of the GFS in the cloud (GRIB2 files with their sidecars) and of the planetary K
index service, so that the demonstration is fetched and decoded the way real bytes are.
"""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import demonstration_weather as weather
from grib2_writer import ACCUMULATION, AVERAGE, Grid, Product, message

RUN = datetime(2026, 9, 15, tzinfo=UTC)
STEPS = range(1, 57)
FIELD = (52.0, -1.5)  #: latitude, longitude; the middle point of the box
GRID = Grid(north=53_000_000, west=357_500_000, step=250_000, rows=9, columns=9)

SURFACE, BASE, ISOBARIC, ABOVE_GROUND = 1, 215, 100, 103
ENTIRE_ATMOSPHERE, LOW_CLOUD = 10, 214

#: Fields of one level by their name in the weather: the sidecar's level, and the product.
SINGLE = {
    "VIS": ("surface", Product(0, 19, 0, SURFACE, 0, 0)),
    "GUST": ("surface", Product(0, 2, 22, SURFACE, 0, 2)),
    "PRES": ("surface", Product(0, 3, 0, SURFACE, 0, 0)),
    "DPT": ("2 m above ground", Product(0, 0, 6, ABOVE_GROUND, 2, 2)),
    "CSNOW": ("surface", Product(0, 1, 195, SURFACE, 0, 0)),
    "CICEP": ("surface", Product(0, 1, 194, SURFACE, 0, 0)),
    "CFRZR": ("surface", Product(0, 1, 193, SURFACE, 0, 0)),
    "CRAIN": ("surface", Product(0, 1, 192, SURFACE, 0, 0)),
    "SFCR": ("surface", Product(2, 0, 1, SURFACE, 0, 3)),
    "CAPE": ("surface", Product(0, 7, 6, SURFACE, 0, 0)),
    "CIN": ("surface", Product(0, 7, 7, SURFACE, 0, 0)),
    "LCDC": ("low cloud layer", Product(0, 6, 3, LOW_CLOUD, 0, 1)),
    "TCDC": ("entire atmosphere", Product(0, 6, 1, ENTIRE_ATMOSPHERE, 0, 1)),
    "CEILING": ("cloud ceiling", Product(0, 3, 5, BASE, 0, 1)),
    "HPBL": ("surface", Product(0, 3, 196, SURFACE, 0, 1)),
}

#: The planetary K index in thirds, slot by slot from seven days before the run. As in the service's
#: own file the past is observed, the rest of the day estimated, and three days are predicted.
KP_FIRST = RUN - timedelta(days=7)
KP_OBSERVED, KP_ESTIMATED = 57, 64  #: how many slots are observed; up to which are estimated
KP = (
    "1.67 2.0 1.33 1.0 1.0 1.33 1.67 2.0   2.33 2.0 1.67 1.33 1.0 0.67 1.33 1.67 "
    "1.33 1.0 0.67 0.33 0.0 0.67 1.0 1.33   1.67 2.0 2.67 2.33 2.0 1.67 2.0 2.33 "
    "2.67 3.0 2.67 2.33 2.0 1.67 1.33 1.67   1.33 1.0 1.0 0.67 1.0 1.33 1.67 1.67 "
    "2.0 1.67 1.33 1.33 1.0 1.33 1.67 2.0   1.67 1.33 1.33 1.67 2.0 2.33 2.67 3.0 "
    "4.33 3.0 2.67 2.33 2.0 1.67 2.0 2.33   2.0 1.67 1.67 1.33 1.33 1.67 1.67 2.0 1.67"
)


class File:
    """A GRIB2 file of one step and its sidecar, grown message by message."""

    def __init__(self, step: int) -> None:
        self.step = step
        self.content = b""
        self.lines: list[str] = []

    def add(
        self,
        element: str,
        level: str,
        product: Product,
        values: weather.Box,
        since: int | None = None,
    ) -> None:
        """Append one message and its line."""
        self.lines.append(
            f"{len(self.lines) + 1}:{len(self.content)}:d={RUN:%Y%m%d%H}:"
            f"{element}:{level}:{_window(product, since, self.step)}:"
        )
        self.content += message(product, GRID, RUN, self.step, values, since)

    def single(self, air: weather.Air, *names: str) -> None:
        """Append surface and cloud fields by name."""
        for name in names:
            level, product = SINGLE[name]
            element = "HGT" if name == "CEILING" else name
            self.add(element, level, product, air.single[name])

    def wind(
        self, level: str, surface: int, value: int, wind: tuple[weather.Box, weather.Box]
    ) -> None:
        """Append the two components."""
        for element, number, values in (("UGRD", 2, wind[0]), ("VGRD", 3, wind[1])):
            self.add(element, level, Product(0, 2, number, surface, value, 2), values)

    def temperature(self, level: str, surface: int, value: int, values: weather.Box) -> None:
        """Append a temperature."""
        self.add("TMP", level, Product(0, 0, 0, surface, value, 2), values)


def _window(product: Product, since: int | None, step: int) -> str:
    """The window in the sidecar's words: whole days when both ends are whole days."""
    if since is None:
        return f"{step} hour fcst"
    kind = "acc" if product.statistic == ACCUMULATION else "ave"
    if since % 24 == 0 and step % 24 == 0:
        return f"{since // 24}-{step // 24} day {kind} fcst"
    return f"{since}-{step} hour {kind} fcst"


def make_step(step: int) -> File:
    """The file of one step, its messages in about the order of the operational files."""
    air = weather.air(step)
    file = File(step)
    file.single(air, "VIS", "GUST")
    for level in reversed(weather.LEVELS):
        name = f"{level // 100} mb"
        height = Product(0, 3, 5, ISOBARIC, level, 1)
        file.add("HGT", name, height, air.level_height[level])
        file.temperature(name, ISOBARIC, level, air.level_temperature[level])
        file.wind(name, ISOBARIC, level, air.level_wind[level])
    file.single(air, "PRES")
    file.add("HGT", "surface", Product(0, 3, 5, SURFACE, 0, 1), weather.TERRAIN)
    file.temperature("2 m above ground", ABOVE_GROUND, 2, air.temperature[2])
    file.single(air, "DPT")
    file.wind("10 m above ground", ABOVE_GROUND, 10, air.wind[10])
    _add_rain(file, air)
    file.single(air, "CSNOW", "CICEP", "CFRZR", "CRAIN")
    flux = weather.mean_heat_flux(bucket(step), step)
    file.add("SHTFL", "surface", Product(0, 0, 11, SURFACE, 0, 1, AVERAGE), flux, bucket(step))
    file.single(air, "SFCR", "CAPE", "CIN", "LCDC", "TCDC", "CEILING")
    for height in weather.WIND_HEIGHTS[1:]:
        name = f"{height} m above ground"
        if height in air.temperature:
            file.temperature(name, ABOVE_GROUND, height, air.temperature[height])
        file.wind(name, ABOVE_GROUND, height, air.wind[height])
    file.single(air, "HPBL")
    return file


def _add_rain(file: File, air: weather.Air) -> None:
    """Rate now and mean, then sums over the six-hour bucket and since the run began.

    Up to step 6 bucket and sum are the same, and the operational file then holds the message twice.
    """
    begin = bucket(file.step)
    amount, total = (weather.rain_amount(since, file.step) for since in (begin, 0))
    mean = amount / (file.step - begin) / 3600.0
    file.add("PRATE", "surface", Product(0, 1, 7, SURFACE, 0, 7), air.single["PRATE"])
    file.add("PRATE", "surface", Product(0, 1, 7, SURFACE, 0, 7, AVERAGE), mean, begin)
    for element, number, share in (("APCP", 8, 1.0), ("ACPCP", 10, weather.CONVECTIVE)):
        product = Product(0, 1, number, SURFACE, 0, 2, ACCUMULATION)
        file.add(element, "surface", product, share * amount, begin)
        file.add(element, "surface", product, share * total, 0)


def bucket(step: int) -> int:
    """The step at which the six-hour interval began that sums and means of a step belong to."""
    return (step - 1) // 6 * 6


def kp_forecast() -> bytes:
    """The planetary K index file in the service's present shape, an array of objects."""
    rows = []
    for i, value in enumerate(KP.split()):
        kind = "observed" if i < KP_OBSERVED else "estimated" if i < KP_ESTIMATED else "predicted"
        start = KP_FIRST + timedelta(hours=3 * i)
        rows.append({
            "time_tag": f"{start:%Y-%m-%dT%H:%M:%S}",
            "kp": float(value),
            "observed": kind,
            "noaa_scale": None,
        })  # fmt: skip
    return (json.dumps(rows, indent=0) + "\n").encode()


def make(folder: Path) -> None:
    """Write the whole demonstration into a folder."""
    run = folder / f"gfs.{RUN:%Y%m%d}" / f"{RUN:%H}" / "atmos"
    run.mkdir(parents=True, exist_ok=True)
    for step in STEPS:
        file = make_step(step)
        path = run / f"gfs.t{RUN:%H}z.pgrb2.0p25.f{step:03d}"
        path.write_bytes(file.content)
        path.with_name(path.name + ".idx").write_text("\n".join(file.lines) + "\n", newline="\n")
    products = folder / "swpc" / "products"
    products.mkdir(parents=True, exist_ok=True)
    (products / "noaa-planetary-k-index-forecast.json").write_bytes(kp_forecast())


if __name__ == "__main__":
    default = Path(__file__).resolve().parents[1] / "cached_forecasts"
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else default)
