"""Wind at height against real masts, sounders and balloons; run it to print the table.

Each case hides a measured level, rebuilds it from the others, and counts the errors beside those
of "the same wind as below" and of the 1/7 power law from the lowest level used. The figures are
computed by us from the files named in each row.

    python tests/benchmarks/wind_profiles.py
"""

from __future__ import annotations

import csv
import gzip
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from wxgate.derive.column import speed_of, stack
from wxgate.derive.figures import derivation
from wxgate.derive.surface_layer import ALPHA_STABLE, power_law
from wxgate.derive.wind import carry_up, components_of

SHARED = Path(__file__).resolve().parents[3] / "shared" / "data"


@dataclass(frozen=True)
class Case:
    """Winds on levels (level, time) and the level that they are to tell."""

    name: str
    heights: tuple[float, ...]
    eastward: np.ndarray
    northward: np.ndarray
    target: float
    truth: np.ndarray


@dataclass(frozen=True)
class Row:
    """How far off three ways are; m/s."""

    name: str
    cases: int
    ours: float
    same: float
    seventh: float
    bias: float
    under: float  #: share of hours in which ours is more than 1 m/s too low
    substitute: float  #: share of hours from the power law


def rms(errors: np.ndarray) -> float:
    return float(np.sqrt(np.mean(errors**2)))


def measure(case: Case) -> Row:
    """Errors of one case over the times that have every level."""
    column = stack(case.heights, case.eastward, case.northward, figures=derivation().levels)
    found, codes = carry_up(column, case.target, ALPHA_STABLE)
    lowest = speed_of(case.eastward[0], case.northward[0])
    good = np.isfinite(found.speed) & np.isfinite(case.truth) & np.isfinite(lowest)
    ours = found.speed[good] - case.truth[good]
    seventh = power_law(lowest, case.heights[0], case.target, 1 / 7)[good] - case.truth[good]
    return Row(
        case.name,
        int(good.sum()),
        rms(ours),
        rms(lowest[good] - case.truth[good]),
        rms(seventh),
        float(ours.mean()),
        float(np.mean(ours < -1)),
        float(np.mean(codes[good] > 1)),
    )


# -- the files -----------------------------------------------------------------------------------


def sodar(folder: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Heights (level,), eastward and northward wind (level, time) of a day of a sound radar."""
    blocks: list[dict[float, tuple[float, float]]] = []
    for line in (folder / "sodar.20230404.mnd").read_text().splitlines():
        words = line.split()
        if line.startswith("#    z"):
            blocks.append({})
        elif blocks and len(words) == 27:
            u, v = float(words[7]), float(words[8])
            if words[6] == "0" and max(abs(u), abs(v)) < 99:
                blocks[-1][float(words[0])] = (u, v)
    heights = sorted({z for block in blocks for z in block})
    missing = (np.nan, np.nan)
    values = np.array([[block.get(z, missing) for block in blocks] for z in heights])
    return np.array(heights), values[..., 0], values[..., 1]


def mast(folder: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Heights, eastward and northward mean wind and gust (level, time) of a 40 m mast."""
    rows = []
    with gzip.open(folder / "bReeze_winddata_20-30-40m_2009.csv.gz", "rt") as text:
        for row in csv.DictReader(text):
            rows.append(
                [
                    float(row[f"v{i}_{z}m_{what}"] or "nan")
                    for what in ("avg", "max")
                    for i, z in ((3, 20), (2, 30), (1, 40))
                ]
                + [float(row["dir2_30m_avg"] or "nan"), float(row["dir1_40m_avg"] or "nan")]
            )
    table = np.array(rows).T
    mean = np.where((table[:3] > 0) & (table[:3] < 60), table[:3], np.nan)
    # There is no vane at 20 m; the one at 30 m stands for it.
    u, v = components_of(mean, np.stack([table[6], table[6], table[7]]))
    return np.array([20.0, 30.0, 40.0]), u, v, table[3:6]


@dataclass(frozen=True)
class Sounding:
    """A balloon over a 10 m mast: what a model column there would hold."""

    surface: tuple[float, float]  #: 10 m wind of the mast, mean of the ten minutes up to launch
    heights: np.ndarray
    eastward: np.ndarray
    northward: np.ndarray
    pressure: np.ndarray  #: Pa
    altitude: np.ndarray  #: m above sea level
    temperature: np.ndarray  #: K
    ground: float

    def at(self, height: float) -> tuple[float, float]:
        """The balloon's wind components at a height above ground."""
        return (
            float(np.interp(height, self.heights, self.eastward)),
            float(np.interp(height, self.heights, self.northward)),
        )

    def speed(self, height: float) -> float:
        return float(speed_of(*self.at(height)))


SOUNDINGS = {
    "forest, 2025-06-19 05:30 UTC": (
        "bnfsondewnpnM1.b1.20250619.053000.cdf",
        "bnfmetM1.b1.20250619.000000.cdf",
    ),
    "plain, 2019-01-01 05:32 UTC": (
        "sgpsondewnpnC1.b1.20190101.053200.cdf",
        "sgpmetE13.b1.20190101.000000.cdf",
    ),
}


def sounding(folder: Path, name: str) -> Sounding:
    """One balloon with the mast beside it."""
    from netCDF4 import Dataset

    balloon, ground = SOUNDINGS[name]
    with Dataset(folder / balloon) as d:
        altitude = np.ma.filled(d["alt"][:], np.nan).astype(float)
        speed, direction = (np.ma.filled(d[k][:], np.nan).astype(float) for k in ("wspd", "deg"))
        pressure, warm = (np.ma.filled(d[k][:], np.nan).astype(float) for k in ("pres", "tdry"))
        launch = float(d["time"][0])
    with Dataset(folder / ground) as d:
        minutes = np.asarray(d["time"][:])
        upto = (minutes > launch - 600) & (minutes <= launch)
        u, v = components_of(d["wspd_arith_mean"][upto], d["wdir_vec_mean"][upto])
        # The direction of the mean vector with the mean of the speeds: an anemometer's mean.
        mean = float(np.mean(d["wspd_arith_mean"][upto]))
        scale = mean / float(speed_of(u.mean(), v.mean()))
        surface = (float(u.mean()) * scale, float(v.mean()) * scale)
    rising = np.concatenate([[True], np.diff(np.fmax.accumulate(altitude)) > 0])
    rising &= np.isfinite(altitude + speed + direction + pressure)
    e, n = components_of(speed[rising], direction[rising])
    return Sounding(
        surface, altitude[rising] - altitude[0], e, n, pressure[rising] * 100,
        altitude[rising], warm[rising] + 273.15, float(altitude[0]),
    )  # fmt: skip


def cases(folder: Path) -> Iterator[Case]:
    """Every case that the files allow."""

    def hide(name, z, u, v, use, target):  # type: ignore[no-untyped-def]
        index = [int(np.flatnonzero(z == h)[0]) for h in use]
        at = int(np.flatnonzero(z == target)[0])
        told = f"{name}: {target:g} m from {' and '.join(f'{h:g}' for h in use)} m"
        return Case(told, tuple(use), u[index], v[index], target, speed_of(u[at], v[at]))

    z, u, v = sodar(folder)
    for target in (50.0, 60.0, 80.0):
        yield hide("sodar 2023-04-04", z, u, v, (30.0, 100.0), target)
    yield hide("sodar 2023-04-04", z, u, v, (40.0, 150.0), 100.0)
    yield hide("sodar 2023-04-04", z, u, v, (30.0,), 100.0)
    z, u, v, _ = mast(folder)
    yield hide("mast 2009", z, u, v, (20.0, 40.0), 30.0)
    yield hide("mast 2009", z, u, v, (20.0,), 40.0)
    for name in SOUNDINGS:
        flight = sounding(folder, name)
        low, high = flight.surface, flight.at(100.0)
        u, v = (np.array([[low[i]], [high[i]]]) for i in (0, 1))
        for target in (30.0, 60.0, 120.0):
            told = f"balloon, {name}: {target:g} m from 10 and 100 m"
            yield Case(told, (10.0, 100.0), u, v, target, np.array([flight.speed(target)]))
        told = f"balloon, {name}: 100 m from 10 m alone"
        yield Case(told, (10.0,), u[:1], v[:1], 100.0, np.array([flight.speed(100.0)]))


def table(folder: Path) -> list[Row]:
    """All rows of the benchmark."""
    return [measure(case) for case in cases(folder)]


def main() -> None:
    head = (
        f"{'case':64} {'n':>6} {'ours':>6} {'same':>6} {'1/7':>6} {'bias':>6} {'low':>5} {'law':>5}"
    )
    print("Root mean square errors in m/s; bias of ours; share more than 1 m/s too low; share of")
    print("hours from the power law with the stable exponent, as no stability is known here.")
    print(head)
    for r in table(SHARED / "obs" / "wind"):
        print(
            f"{r.name:64} {r.cases:6d} {r.ours:6.2f} {r.same:6.2f} {r.seventh:6.2f} "
            f"{r.bias:+6.2f} {r.under:5.0%} {r.substitute:5.0%}"
        )


if __name__ == "__main__":
    main()
