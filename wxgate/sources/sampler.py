"""The values of a site, step by step: messages come in, what the site needs of them stays.

A global field is four megabytes and a site needs one cell of it, so nothing else is kept. The
value is the nearest cell's, bit for bit the model's number (winds along a projected grid are
turned).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wxgate.errors import DataError
from wxgate.grib import Message
from wxgate.grid import Grid, Index, turn_to_earth, wrap_degrees
from wxgate.sources.wanted import Wanted

Array = NDArray[np.floating[Any]]
Layer = tuple[str, float | None]  #: quantity, and its height or pressure where it has one

#: Components that are turned together where they run along the grid.
_PAIRS = (
    ("eastward_wind", "northward_wind"),
    ("eastward_wind_on_levels", "northward_wind_on_levels"),
    ("eastward_wind_at_maximum", "northward_wind_at_maximum"),
)


@dataclass(frozen=True, slots=True)
class Spot:
    """Where the site lies on a grid.

    ``around`` are the cells around it, its own first, the others in an order that depends on their
    ``places`` alone: a crop and the whole field give the same.
    """

    distance_km: float
    latitude: float
    longitude: float
    around: NDArray[np.intp]
    places: tuple[tuple[float, float], ...]


class Sampler:
    """Values at one site of one run.

    ``nearby`` names the quantities of which the cells within ``radius_km`` are kept, the site's
    own first; of the others only the site's own. ``samples`` has an array (cells,) for each layer
    and step, with the start of its window, hours of the run.
    """

    def __init__(
        self,
        latitude: float,
        longitude: float,
        run: datetime,
        wanted: Sequence[Wanted],
        *,
        nearby: frozenset[str] = frozenset(),
        radius_km: float = 0.0,
    ) -> None:
        self.latitude, self.longitude, self.run = latitude, longitude, run
        self.wanted = tuple(wanted)
        self.samples: dict[Layer, dict[int, tuple[int, Array]]] = {}
        self.steps: set[int] = set()
        self.spot: Spot | None = None
        self._nearby, self._radius_km = nearby, radius_km
        self._spots: dict[Grid, Spot] = {}
        self._places: dict[Layer, tuple[tuple[float, float], ...]] = {}
        self._digest = hashlib.sha256()

    @property
    def sha256(self) -> str:
        """Over the bytes of all messages that gave a value, in the order in which they came."""
        return self._digest.hexdigest()

    def has(self, wanted: Wanted) -> bool:
        """Whether there is a value of it at any step."""
        return wanted.layer in self.samples

    def add(self, step: int, messages: Iterable[Message]) -> tuple[Wanted, ...]:
        """Take from a step's messages what is wanted; what else should be there comes back.

        Messages of another run or step match nothing. DataError, and nothing is taken, when the
        values cannot be unpacked or no message covers the site.
        """
        found = self._find(step, messages)
        taken: dict[Layer, tuple[int, Array]] = {}
        turned: dict[Layer, float] = {}
        for wanted, message in found.items():
            spot = self._spot(message.grid)
            layer = wanted.layer
            if not _alike(self._places.setdefault(layer, spot.places), spot.places):
                continue  # sums of different cells must not be subtracted from each other
            taken[layer] = (message.start_min // 60, self._values(wanted, message, spot))
            if message.relative_to_grid:
                turned[layer] = message.grid.north_angle(spot.latitude, spot.longitude)
        _turn_winds(taken, turned)
        for layer, sample in taken.items():
            self.samples.setdefault(layer, {})[step] = sample
        for raw in dict.fromkeys(message.raw for message in found.values()):
            self._digest.update(raw)
        if taken:
            self.steps.add(step)
        return tuple(
            w for w in self.wanted
            if w.exists_at(step) and not w.optional and w.layer not in taken
        )  # fmt: skip

    def join(self, other: Sampler) -> None:
        """Take over what was sampled elsewhere of the same run and site; one's own goes before."""
        self.wanted = (*self.wanted, *(w for w in other.wanted if w not in self.wanted))
        self.samples = {**other.samples, **self.samples}

    def _find(self, step: int, messages: Iterable[Message]) -> dict[Wanted, Message]:
        found: dict[Wanted, Message] = {}
        outside: DataError | None = None
        for message in messages:
            if message.run != self.run:
                continue
            for wanted in self.wanted:
                if not wanted.matches(message, step):
                    continue
                try:
                    self._spot(message.grid)
                except DataError as error:
                    outside = error
                    continue
                # Of two that are alike the first counts; of windows left open the shortest.
                old = found.get(wanted)
                if old is None or message.start_min > old.start_min:
                    found[wanted] = message
        if outside is not None and not found:
            raise outside
        return found

    def _values(self, wanted: Wanted, message: Message, spot: Spot) -> Array:
        cells = spot.around if wanted.quantity in self._nearby else spot.around[:1]
        return _plain(wanted, message.values, message.values[tuple(cells.T)])

    def _spot(self, grid: Grid) -> Spot:
        """The site on a grid; DataError outside it."""
        if grid not in self._spots:
            cell, away = grid.nearest(self.latitude, self.longitude)
            self._spots[grid] = _look_around(
                grid, cell, away, grid.neighbours(self.latitude, self.longitude, self._radius_km)
            )
        spot = self._spots[grid]
        self.spot = self.spot or spot
        return spot


def _plain(wanted: Wanted, field: Array, values: Array) -> Array:
    """Values of cells in the unit that is told: "missing" taken out, codes told as yes or no."""
    for number in wanted.missing:
        values = np.where(np.isclose(values, number, rtol=1e-4), np.float32(np.nan), values)
    if wanted.codes is not None:
        known = np.isin(values, list(wanted.codes)).astype(values.dtype)
        return np.where(np.isnan(values), values, known)
    factor = wanted.times
    if wanted.below is not None and not np.any(field >= wanted.below[0]):
        factor = wanted.below[1]
    return values if factor == 1.0 else (values * factor).astype(values.dtype)


def _look_around(grid: Grid, cell: Index, away: float, near: NDArray[np.intp]) -> Spot:
    places = {tuple(int(n) for n in index): grid.latlon(tuple(index)) for index in near}
    places.pop(cell, None)
    latitude, longitude = grid.latlon(cell)

    def by_place(index: Index) -> tuple[float, float]:
        north, east = places[index]
        return round(north, 4), round(wrap_degrees(east - longitude), 4)

    others = sorted(places, key=by_place)
    around = np.asarray([cell, *others], dtype=np.intp)
    return Spot(away, latitude, longitude, around, tuple(by_place(index) for index in others))


def _alike(some: Sequence[tuple[float, float]], others: Sequence[tuple[float, float]]) -> bool:
    """Whether cells lie at the same places, but for the rounding of a cut-out's first point."""
    return len(some) == len(others) and bool(np.allclose(some, others, rtol=0, atol=0.001))


def _turn_winds(taken: dict[Layer, tuple[int, Array]], turned: dict[Layer, float]) -> None:
    """Turn components along a grid to east and north; one without its fellow is dropped."""
    for east, north in _PAIRS:
        for level in {level for name, level in turned if name in (east, north)}:
            u, v = (east, level), (north, level)
            if u in turned and v in turned:
                (start, along), (_, across) = taken[u], taken[v]
                eastward, northward = turn_to_earth(along, across, np.float32(turned[u]))
                taken[u], taken[v] = (start, eastward), (start, northward)
            else:
                taken.pop(u, None)
                taken.pop(v, None)
