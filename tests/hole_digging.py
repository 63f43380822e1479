"""Holes in random worlds: missing, absurd, stale and contradictory values. Not a test.

What cannot be seen is left out: a wind in knots as m/s, a visibility in km as m, a rain in m as mm,
geopotential for height. Each is a value that weather could have.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from holes import (
    CAPE,
    CEILING,
    CLOUD,
    CONVECTIVE,
    DEPTH,
    FLUX,
    FREEZES,
    GROUND,
    GUST,
    INSTANTS,
    KP,
    LARGEST,
    LOW,
    MOST,
    PELLETS,
    PM,
    RAIN,
    RAINS,
    RATE,
    RH,
    ROUGHNESS,
    SHARE,
    SNOWS,
    TD,
    UP,
    VIS,
    VP,
    WARM,
    ZP,
    Array,
    Flags,
    P,
    T,
    U,
    V,
    Worlds,
)

#: What no quantity can be: not a number, infinite, fill values of GRIB and netCDF, -9999.
NEVER = (np.nan, np.nan, np.nan, np.inf, -np.inf, -1e30, 9.999e20, 9.96921e36, -9999.0)
#: What this one cannot be: fill values, and values in another unit.
ABSURD: Mapping[str, tuple[float, ...]] = {
    U: (9999.0, 999.9), V: (9999.0, -999.9), UP: (9999.0,), VP: (9999.0,), ZP: (99999.0,),
    GUST: (-0.5, 9999.0), T: (15.0, -3.0, 59.0, 9999.0), TD: (8.0, 46.0, 9999.0),
    WARM: (15.0, 9999.0), RH: (55.0, 9999.0, -0.1), P: (1013.2, 29.9, 999999.0),
    VIS: (-1.0, 999999.0), CEILING: (-1.0, 99999.0, 20001.0), CLOUD: (35.0, 8.0, -0.1),
    LOW: (35.0, 8.0, -0.1), RAIN: (-0.5, 9999.0), CONVECTIVE: (-0.5, 9999.0),
    RATE: (-0.5, 9999.0), SHARE: (40.0, -0.1), MOST: (-0.5, 9999.0), CAPE: (-10.0, 99999.0),
    KP: (9999.0, 33.0, -1.0), PM: (-5.0, 99999.0), DEPTH: (-1.0, 9999.0), FLUX: (9999.0,),
    LARGEST: (-0.5, 9999.0), GROUND: (99999.0,), ROUGHNESS: (-1.0, 9999.0),
    **dict.fromkeys((RAINS, FREEZES, PELLETS, SNOWS), (255.0, -1.0)),
}  # fmt: skip


@dataclass
class _Spade:
    """What is being spoilt: copies of the values, and where they are still there."""

    rng: np.random.Generator
    raw: dict[str, Array]
    there: dict[str, Flags]
    contradiction: Flags
    spoilt: list[set[str]] = field(default_factory=list)
    holes: int = 0

    def dig(self, world: int) -> None:
        """One hole in one world."""
        way = self.rng.random()
        if way < 0.06:  # the file has no such hour
            self.gap(world)
        elif way < 0.10 and TD in self.raw and T in self.raw:
            self.contradict(world)
        else:
            name = str(self.rng.choice(sorted(self.raw)))
            self.fill(world, name)
        self.holes += 1

    def gap(self, world: int) -> None:
        rows = slice(at := int(self.rng.integers(INSTANTS)), at + int(self.rng.integers(1, 4)))
        for name, values in self.raw.items():
            if values.ndim > 1:
                values[rows, ..., world] = np.nan
                self.there[name][rows, ..., world] = False
                self.spoilt[world].add(name)

    def contradict(self, world: int) -> None:
        """The dew point lies above the temperature by more than packing explains."""
        rows = self.rows()
        self.raw[TD][rows, world] = self.raw[T][rows, world] + self.rng.uniform(0.5, 8)
        self.contradiction[rows, world] = True
        self.spoilt[world].add(TD)

    def fill(self, world: int, name: str) -> None:
        """No number, an infinite one, or an absurd one."""
        values, there = self.raw[name], self.there[name]
        value = float(self.rng.choice((*NEVER, *ABSURD[name])))
        self.spoilt[world].add(name)
        if values.ndim == 1:
            values[world], there[world] = value, False
            return
        rows: Any = self.rows(slot=name == KP)
        if values.ndim == 2:
            values[rows, world], there[rows, world] = value, False
            return
        levels: Any = slice(None)
        if self.rng.random() < 0.7:
            levels = int(self.rng.integers(values.shape[1]))
        values[rows, levels, world], there[rows, levels, world] = value, False

    def rows(self, *, slot: bool = False) -> Any:
        """Instants: one, a run, an end of the axis, two of each three, a slot of three, all."""
        at, way = int(self.rng.integers(INSTANTS)), self.rng.random()
        if slot and way < 0.5:
            return slice(at - at % 3, at - at % 3 + 3)
        if way < 0.35:
            return slice(at, at + 1)
        if way < 0.65:
            return slice(at, at + int(self.rng.integers(2, 9)))
        if way < 0.75:
            return slice(at, None)
        if way < 0.82:
            return slice(0, at + 1)
        if way < 0.88:
            return np.flatnonzero(np.arange(INSTANTS) % 3 != at % 3)
        return slice(None)


def spoil(rng: np.random.Generator, whole: Worlds) -> Worlds:
    """The worlds with a hole each, in some a few; in some all lack a field, or are stale."""
    spade = _Spade(
        rng, {n: v.copy() for n, v in whole.raw.items()},
        {n: v.copy() for n, v in whole.there.items()}, np.zeros((INSTANTS, whole.count), np.bool_),
        [set() for _ in range(whole.count)],
    )  # fmt: skip
    gone = rng.random() < 0.25
    if gone:
        for name in rng.choice(sorted(spade.raw), int(rng.integers(1, 3)), replace=False):
            del spade.raw[str(name)], spade.there[str(name)]
            spade.holes += whole.count
            for names in spade.spoilt:
                names.add(str(name))
    run = _run(rng, whole.now) if rng.random() < 0.12 else whole.run
    for world in range(whole.count):
        if gone and rng.random() < 0.5:
            continue
        for _ in range(1 if rng.random() < 0.8 else int(rng.integers(2, 5))):
            spade.dig(world)
    return replace(
        whole, raw=spade.raw, there=spade.there, run=run, contradiction=spade.contradiction,
        spoilt=tuple(map(frozenset, spade.spoilt)), holes=spade.holes,
    )  # fmt: skip


def _run(rng: np.random.Generator, now: datetime) -> datetime | None:
    """A run that is stale, older than two days, after now, or not told."""
    age = [float(rng.uniform(12.5, 47)), float(rng.uniform(48.5, 200)), -1.0, None]
    found = age[int(rng.integers(len(age)))]
    return None if found is None else now - timedelta(hours=found)
