"""Checks of a model that is read by crop or from mirrors with sidecars."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from wxgate.errors import DataError
from wxgate.grib import Message
from wxgate.grid import ProjectedGrid, RegularGrid
from wxgate.http import FetchError, NotThere
from wxgate.sources.base import Source
from wxgate.sources.crop import Crop
from wxgate.sources.domain import read_lambert
from wxgate.sources.gridmodel import GridModel, Member
from wxgate.sources.mirror import Mirror, Sidecar
from wxgate.sources.probe.look import Check, Look, UntriedError
from wxgate.sources.wanted import Wanted

_RUNS = 4  #: so many of the newest runs are looked for
#: A ceiling may lie a little below the smooth terrain of a neighbouring point.
_BELOW_GROUND_M = 100.0


@dataclass(frozen=True, slots=True)
class Step:
    """A step of a run with its sidecar, or why that cannot be read."""

    run: datetime
    step: int
    mirror: Mirror
    sidecar: Sidecar | DataError

    @property
    def read(self) -> Sidecar:
        """The sidecar; the DataError when it could not be read."""
        if isinstance(self.sidecar, DataError):
            raise self.sidecar
        return self.sidecar


class Grids:
    """The checks of a model that is read by crop or from mirrors with sidecars."""

    def __init__(
        self, source: Source, open_model: Callable[..., GridModel] = GridModel,
        *, product: str = "", member: Member | None = None,
    ) -> None:  # fmt: skip
        self._source, self._open = source, open_model
        self._product, self._member = product, member

    def model(self, look: Look) -> GridModel:
        """The model put to work."""

        def make() -> GridModel:
            request = replace(look.request, wanted=frozenset(self._source.gives))
            found: GridModel = look.open(self._open(self._source, request, look.tools))
            return found

        return look.once(f"model {self._source.name}", make)

    def wanted(self, look: Look) -> tuple[Wanted, ...]:
        """What is read of a step."""
        return self.model(look).wanted(self._product, self._member)

    def step(self, look: Look) -> Step:
        """The first step behind now of the newest run that has it on the first mirror."""

        def make() -> Step:
            model = self.model(look)
            places = model.places(self._product, self._member)
            mirror = next((p for p in places if isinstance(p, Mirror)), None)
            if mirror is None:
                raise UntriedError("the endpoints list no mirror")
            timetable = model.timetable(self._product)
            for run in timetable.runs(look.request.now, model.first, model.last)[:_RUNS]:
                steps = [s for s in timetable.steps(run, model.first, model.last) if s > 0]
                if not steps:
                    continue
                try:
                    return Step(run, steps[0], mirror, mirror.sidecar(run, steps[0]))
                except NotThere:
                    continue
                except FetchError:
                    raise
                except DataError as error:
                    return Step(run, steps[0], mirror, error)
            raise DataError("none of the newest runs is at its address")

        return look.once(f"step {self._product}", make)

    # ----- checks

    def is_there(self, look: Look) -> None:
        """Whether a run is found at all."""
        self.step(look)

    def can_be_read(self, look: Look) -> None:
        """Whether the sidecar is one."""
        _ = self.step(look).read

    def lists(self, which: Callable[[Wanted], bool]) -> Check:
        """Whether the sidecar lists what is read, as far as ``which`` says."""

        def check(look: Look) -> str | None:
            found = self.step(look)
            asked = [w for w in self.wanted(look) if which(w)]
            absent = found.mirror.unlisted(found.read, found.step, asked)
            windows = sorted({
                line.window_text for w in absent for line in found.read.lines
                if line.element == w.element and line.level == w.level
            })  # fmt: skip
            told = f" (there: {', '.join(windows[:4])})" if windows else ""
            return f"not listed: {named(absent)}{told}" if absent else None

        return check

    def crop(self, look: Look) -> tuple[Step, Crop, list[Message]]:
        """What the crop script answers for the step."""

        def make() -> tuple[Step, Crop, list[Message]]:
            found = self.step(look)
            places = self.model(look).places(self._product, self._member)
            crop = next((p for p in places if isinstance(p, Crop)), None)
            if crop is None:
                raise UntriedError("the endpoints list no crop script")
            wanted = self.wanted(look)
            ((_, answer),) = crop.fetch(found.run, [found.step], wanted)
            if isinstance(answer, DataError):
                raise answer
            return found, crop, answer

        return look.once(f"crop {self._product}", make)

    def crop_answers(self, look: Look) -> None:
        """Whether the script answers with GRIB."""
        self.crop(look)

    def crop_is_whole(self, look: Look) -> str | None:
        """Whether all that is read comes, by its numbers."""
        found, _, messages = self.crop(look)
        asked = [w for w in self.wanted(look) if w.exists_at(found.step) and not w.optional]
        absent = [w for w in asked if not any(w.matches(m, found.step) for m in messages)]
        return f"not there: {named(absent)}" if absent else None

    def cells(self, look: Look) -> str | None:
        """Whether the points lie where the grid of the endpoints has them."""
        _, _, messages = self.crop(look)
        grid, entry = messages[0].grid, self.model(look).entry
        if "domain" in entry.content:
            return _other_lambert(grid, read_lambert(entry.entry("domain")))
        cell = entry.entry("crop").number("cell_deg")
        if not isinstance(grid, RegularGrid):
            return f"another kind of grid ({type(grid).__name__})"
        seen = abs(grid.latitude_step), abs(grid.longitude_step)
        return None if np.allclose(seen, cell, atol=1e-4) else f"{seen[0]:g} by {seen[1]:g} degrees"

    def ceiling(self, look: Look) -> str | None:
        """Whether no ceiling lies below the ground, read as the endpoints say."""
        found, _, messages = self.crop(look)
        by_name = {
            w.quantity: m.values for w in self.wanted(look) for m in messages
            if w.quantity in ("ceiling_height", "surface_altitude") and w.matches(m, found.step)
        }  # fmt: skip
        if len(by_name) < 2:
            raise UntriedError("no ceiling, or no terrain, came")
        entry = self.model(look).entry
        ground = by_name["surface_altitude"]
        if entry.text("ceiling_reference") == "agl":
            ground = np.zeros_like(ground)
        above = by_name["ceiling_height"] - ground
        told = above[by_name["ceiling_height"] < entry.number("no_ceiling_from_m")]
        if not told.size:
            raise UntriedError("no cloud is low enough near the site now")
        lowest = float(told.min())
        return f"one {-lowest:.0f} m below ground" if lowest < -_BELOW_GROUND_M else None

    def largest(self, quantity: str, ranges: Sequence[tuple[float, float]]) -> Check:
        """Whether the largest value of a whole field lies in one of the ranges."""

        def check(look: Look) -> str | None:
            found = self.step(look)
            wanted = [w for w in self.wanted(look) if w.quantity == quantity][:1]
            ((_, answer),) = found.mirror.fetch(found.run, [found.step], wanted)
            if isinstance(answer, DataError):
                raise answer
            top = max(float(np.nanmax(message.values)) for message in answer)
            return None if any(a <= top <= b for a, b in ranges) else f"the largest is {top:g}"

        return check

    def members(self, count: Callable[[Look], int]) -> Check:
        """Whether the sidecar has so many members."""

        def check(look: Look) -> str | None:
            told = {line.extra for line in self.step(look).read.lines if line.extra}
            return None if len(told) == count(look) else f"{len(told)} members"

        return check


def named(wanted: Iterable[Wanted]) -> str:
    """The first few of these by name and level, and how many more there are."""
    names = list(dict.fromkeys(f"{w.element} {w.level}" for w in wanted))
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    return ", ".join(names[:4]) + more


def _other_lambert(grid: Any, domain: ProjectedGrid) -> str | None:
    if not isinstance(grid, ProjectedGrid):
        return f"another kind of grid ({type(grid).__name__})"
    if not np.allclose((grid.x_step, abs(grid.y_step)), domain.x_step, rtol=1e-3):
        return f"{grid.x_step:g} by {abs(grid.y_step):g} m"
    same = np.allclose((grid.cone, grid.central_longitude % 360),
                       (domain.cone, domain.central_longitude % 360), atol=1e-3)  # fmt: skip
    return None if same else f"the projection {grid.projection[:60]}"
