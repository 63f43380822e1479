"""What wxgate takes for granted of the models' files: addresses, sidecars, fields, grids.

The file is long because it is one table: an assumption is a row and the few lines that look.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from wxgate.errors import DataError
from wxgate.grib import Message
from wxgate.grid import ProjectedGrid, RegularGrid, UnlocatedGrid
from wxgate.http import FetchError, NotThere
from wxgate.sources import ecmwf, ecmwf_ens, gefs, gfs, hrrr, icon
from wxgate.sources.base import Source
from wxgate.sources.crop import Crop
from wxgate.sources.domain import read_lambert
from wxgate.sources.gridmodel import GridModel, Member
from wxgate.sources.iconfiles import IconFiles
from wxgate.sources.mirror import Mirror, Sidecar
from wxgate.sources.probe import Assumption, Look, UntriedError
from wxgate.sources.wanted import Wanted

Check = Callable[[Look], str | None]

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
            return f"not listed: {_named(absent)}{told}" if absent else None

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
        return f"not there: {_named(absent)}" if absent else None

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


class Triangles:
    """The checks of DWD's tree of files."""

    def __init__(self, source: Source) -> None:
        self._source = source

    def _files(self, look: Look) -> tuple[icon.IconModel, IconFiles]:
        def make() -> tuple[icon.IconModel, IconFiles]:
            opened = icon.IconModel(self._source, look.request, look.tools)
            model: icon.IconModel = look.open(opened)
            (files, *_) = [p for p in model.places() if isinstance(p, IconFiles)]
            return model, files

        return look.once("files", make)

    def run(self, look: Look) -> datetime:
        """The newest run but one of the listing: the newest is still being written."""

        def make() -> datetime:
            model, files = self._files(look)
            told = files.runs(model.entry.text("listed"))
            if not told:
                raise DataError("the listing tells no run")
            return sorted(told)[-2:][0]

        return look.once("run", make)

    def listing(self, look: Look) -> None:
        """Whether runs are listed."""
        self.run(look)

    def message(self, look: Look) -> Message:
        """The temperature at 2 m at the run's first hour."""

        def make() -> Message:
            model, files = self._files(look)
            wanted = [w for w in model.wanted() if w.element == model.entry.text("listed")]
            ((_, answer),) = files.fetch(self.run(look), [1], wanted)
            if isinstance(answer, DataError):
                raise answer
            if not any(w.matches(m, 1) for w in wanted for m in answer):
                raise DataError("another field, level or hour than its name says")
            return answer[0]

        return look.once("message", make)

    def pattern(self, look: Look) -> None:
        """Whether a file is where its address says, and what its name says."""
        self.message(look)

    def triangles(self, look: Look) -> str | None:
        """Whether the field is on a grid that is known by its UUID."""
        grid = self.message(look).grid
        if isinstance(grid, UnlocatedGrid) and len(grid.identity) == 32:
            return None
        return f"another kind of grid ({type(grid).__name__})"

    def coordinates(self, look: Look) -> str | None:
        """Whether the coordinates are those of the field's grid; by the first bytes alone."""
        _, files = self._files(look)
        grid = self.message(look).grid
        url = files.address("CLAT", self.run(look), 0)
        body = files.client.get(url, byte_range=(0, 255))
        uuid = bytes.fromhex(grid.identity) if isinstance(grid, UnlocatedGrid) else b""
        return None if uuid and uuid in body.content else "CLAT is on another grid"

    def parameters(self, look: Look) -> str | None:
        """Whether there is a file of every parameter that is read; by HEAD alone."""
        model, files = self._files(look)
        self.message(look)
        absent = []
        lowest = str(model.entry.entry("model_levels").whole("lowest"))
        for wanted in {w.element: w for w in model.wanted() if not w.optional}.values():
            step = 0 if wanted.once else max(1, wanted.first_step)
            level = lowest if icon.on_model_levels(wanted) else ""
            try:
                files.client.head(files.address(wanted.element, self.run(look), step, level))
            except NotThere:
                absent.append(wanted.element)
        return f"not there: {', '.join(absent)}" if absent else None


def _named(wanted: Iterable[Wanted]) -> str:
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


def _state(wanted: Wanted) -> bool:
    return wanted.statistic is None and not wanted.once


def _once(wanted: Wanted) -> bool:
    return wanted.once


def _summed(wanted: Wanted) -> bool:
    return wanted.statistic in (0, 1)


def _maximum(wanted: Wanted) -> bool:
    return wanted.statistic == 2


def _sidecars(grids: Grids, what: str) -> tuple[Assumption, ...]:
    return (
        Assumption("a run of the last day is at its address", grids.is_there),
        Assumption(f"its {what} can be read", grids.can_be_read),
        Assumption("the fields of an instant are listed by their names", grids.lists(_state)),
    )


def _cropped(grids: Grids) -> tuple[Assumption, ...]:
    return (
        Assumption("the crop script answers with GRIB", grids.crop_answers),
        Assumption("the crop holds all that is read, by number", grids.crop_is_whole),
        Assumption("its points are those of the grid", grids.cells),
    )


_GFS, _HRRR = Grids(gfs.SOURCE), Grids(hrrr.SOURCE)
_QUARTERS = Grids(hrrr.SOURCE, product=hrrr.QUARTERS)
_CONTROL = Grids(gefs.SOURCE, member=Member("c00", 0, ("ENS=low-res ctl",)))
_FIRST = Grids(gefs.SOURCE, product=gefs.ALOFT, member=Member("p01", 1, ("ENS=+1",)))
_ECMWF = Grids(ecmwf.SOURCE, ecmwf.open_model)
_ENSEMBLE = Grids(ecmwf_ens.SOURCE, ecmwf.open_model, member=Member("", 1, ()))


def _dwd(source: Source) -> tuple[Assumption, ...]:
    tree = Triangles(source)
    return (
        Assumption("runs are listed in a page", tree.listing),
        Assumption("a file is at its address and what it is called", tree.pattern),
        Assumption("it is on triangles that have a UUID", tree.triangles),
        Assumption("the coordinates are of the same grid", tree.coordinates),
        Assumption("every parameter that is read has a file", tree.parameters),
    )


MODEL_ASSUMPTIONS: Mapping[str, Sequence[Assumption]] = {
    "gfs": (
        *_sidecars(_GFS, "sidecar"),
        Assumption("sums and means begin anew every 6 h", _GFS.lists(_summed)),
        Assumption("terrain and roughness are listed", _GFS.lists(_once)),
        *_cropped(_GFS),
        Assumption("ceilings lie above sea level, and so above ground", _GFS.ceiling),
    ),
    "hrrr": (
        *_sidecars(_HRRR, "sidecar"),
        Assumption("the rain of the last hour is listed", _HRRR.lists(_summed)),
        Assumption("the largest wind of the hour is listed", _HRRR.lists(_maximum)),
        Assumption("a file of quarters is at its address", _QUARTERS.is_there),
        Assumption("quarters are told in minutes", _QUARTERS.lists(_state)),
        *_cropped(_HRRR),
    ),
    "gefs": (
        *_sidecars(_CONTROL, "sidecar"),
        Assumption("sums and means begin anew every 6 h", _CONTROL.lists(_summed)),
        Assumption("the coarser file has winds aloft, of a member", _FIRST.lists(_state)),
    ),
    "ecmwf": (
        *_sidecars(_ECMWF, "index"),
        Assumption("totals from the run's start are listed", _ECMWF.lists(_summed)),
        Assumption("the gust goes by a name that is known", _ECMWF.lists(_maximum)),
        # Somewhere on earth it has always rained since the run began: 0.5 mm to 1 m, our bounds.
        Assumption(
            "rain is in metres or millimetres, told by its size",
            _ECMWF.largest("lwe_thickness_of_precipitation_amount", ((0.0005, 1.0), (5.0, 1000.0))),
        ),
    ),
    "ecmwf-ens": (
        *_sidecars(_ENSEMBLE, "index"),
        Assumption(
            "the index has all members",
            _ENSEMBLE.members(lambda look: look.entry.whole("members")),
        ),
    ),
    "icon-eu": _dwd(icon.EU),
    "icon-d2": _dwd(icon.D2),
}  # fmt: skip
