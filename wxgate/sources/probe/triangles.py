"""Checks of DWD's tree of files on triangles."""

from __future__ import annotations

from datetime import datetime

from wxgate.errors import DataError
from wxgate.grib import Message
from wxgate.grid import UnlocatedGrid
from wxgate.http import NotThere
from wxgate.sources import icon
from wxgate.sources.base import Source
from wxgate.sources.iconfiles import IconFiles
from wxgate.sources.probe.look import Look


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
