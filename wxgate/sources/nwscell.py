"""In which cell of which office's grid a place lies, as the National Weather Service tells it."""

from __future__ import annotations

import re
from dataclasses import dataclass

from wxgate.errors import DataError
from wxgate.http import NotThere
from wxgate.sources.base import Request
from wxgate.sources.endpoints import Entry
from wxgate.sources.pointjson import coordinate, east, fault, needed, read_object
from wxgate.sources.polled import Polled

NAME = "nws"


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of an office's grid."""

    office: str
    x: int
    y: int


def grid_address(entry: Entry, cell: Cell) -> str:
    """The address of the forecast for a cell."""
    return f"{entry.text('root').rstrip('/')}/gridpoints/{cell.office}/{cell.x},{cell.y}"


def points_address(entry: Entry, request: Request) -> str:
    """The address of the look-up of which cell a place lies in."""
    where = f"{coordinate(request.latitude)},{coordinate(east(request.longitude))}"
    return f"{entry.text('root').rstrip('/')}/points/{where}"


def cell_of(entry: Entry, request: Request, files: Polled) -> Cell:
    """The cell that a place lies in; DataError outside the United States."""
    try:
        return files.read(points_address(entry, request), "json", read_cell)
    except NotThere as error:
        if error.status != 404:
            raise
        raise DataError(
            "the place lies outside what the US National Weather Service covers", where=NAME,
            remedy="Use another source.",
        ) from error  # fmt: skip


def read_cell(content: bytes) -> Cell:
    """The cell that a look-up names; DataError for another form."""
    about = needed(read_object(content), dict, "properties")
    office, x, y = about.get("gridId"), about.get("gridX"), about.get("gridY")
    if not (isinstance(office, str) and re.fullmatch(r"[A-Z]{3}", office, re.ASCII)):
        raise fault(f"the office {str(office)[:20]!r}")
    if type(x) is not int or type(y) is not int:
        raise fault(f"the cell {str(x)[:20]}, {str(y)[:20]}")
    return Cell(office, x, y)
