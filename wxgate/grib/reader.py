"""GRIB edition 2: splitting, checking and reading the headers (who, what, where, when).

It is done here on the bytes themselves: it costs microseconds, so that a reader looks at the
headers of a whole file and unpacks what matches. Octet numbers in comments are those of
WMO-No. 306, Vol. I.2, FM 92 GRIB.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wxgate.errors import DataError
from wxgate.grib.layout import Layout, read_layout
from wxgate.grib.octets import Octets
from wxgate.grib.packing import check_packing
from wxgate.grib.unpack import Sections, unpack
from wxgate.grid import Grid

#: Product templates by where their parts stand: octets of the ensemble member, of the derived
#: forecast, and of the end of the overall interval (0: has none).
_TEMPLATES = {
    0: (0, 0, 0), 1: (36, 0, 0), 2: (0, 35, 0),
    8: (0, 0, 35), 11: (36, 0, 38), 12: (0, 35, 37),
}  # fmt: skip
_UNIT_MINUTES = {0: 1.0, 1: 60.0, 2: 1440.0, 10: 180.0, 11: 360.0, 12: 720.0, 13: 1 / 60}


@dataclass(frozen=True)
class Message:
    """One field: what its header says, and its values when asked for.

    ``surface_value`` is in the unit of its type (m, Pa), None where the type has none; types are
    those of code table 4.5, ``statistic`` of 4.10 (0 average, 1 accumulation, 2 maximum,
    3 minimum; None at an instant), ``derived`` of 4.7 (0 is the mean of the ensemble). A message
    of a product template that is not known here has surface type None, which matches nothing.
    """

    discipline: int
    category: int
    number: int
    surface_type: int | None
    surface_value: float | None
    second_surface_type: int | None
    second_surface_value: float | None
    statistic: int | None
    start_min: int  #: minutes from the run to the start of the interval
    end_min: int  #: minutes from the run to its end; the same at an instant
    run: datetime  #: UTC
    member: int | None
    derived: int | None
    centre: int
    grid: Grid
    relative_to_grid: bool  #: winds run along the grid's axes, not east and north
    position: int  #: first byte within what was read
    layout: Layout = field(repr=False)
    packed: Sections = field(repr=False)
    raw: bytes = field(repr=False)  #: the message as it came, shared by all fields in it

    @property
    def parameter(self) -> tuple[int, int, int]:
        """Discipline, category, number."""
        return self.discipline, self.category, self.number

    @cached_property
    def values(self) -> NDArray[np.float32]:
        """The values in the message's unit, (rows, columns) or (points,); NaN where missing.

        DataError when they cannot be unpacked: a file may well hold fields packed in a way that
        is not read here, as long as nobody asks for them.
        """
        check_packing(self.packed, self.layout.points, f"byte {self.position}")
        values = unpack(self.packed, self.layout.points, self.position)
        return self.layout.arrange(values)


def read_messages(content: bytes, *, skip_strays: bool = False) -> list[Message]:
    """All fields of a GRIB2 file, in order, a message of several fields taken apart.

    Zero octets between messages are padding. Anything else there is an error, unless
    ``skip_strays``: cut-outs made with other tools often carry an octet or more of the message
    behind. DataError names the byte where the content is not GRIB, is of another edition, is cut
    off or contradicts itself, and when there is no message at all.
    """
    return list(iterate_messages(content, skip_strays=skip_strays))


def iterate_messages(content: bytes, *, skip_strays: bool = False) -> Iterator[Message]:
    """As :func:`read_messages`, one at a time."""
    start, found = _next_message(content, 0, skip_strays), False
    while start < len(content):
        end = start + message_length(content, start)
        yield from _fields(content[start:end], start)
        start, found = _next_message(content, end, skip_strays), True
    if not found:
        raise _fault("there is no GRIB message here", 0)


def _next_message(content: bytes, at: int, skip_strays: bool) -> int:
    """Where the next message should begin; the length of the content when there is none."""
    if content[at : at + 1] == b"\0":
        at = len(content) - len(content[at:].lstrip(b"\0"))
    if skip_strays and content[at : at + 4] != b"GRIB":
        found = content.find(b"GRIB", at)
        return len(content) if found < 0 else found
    return at


def message_length(content: bytes, start: int = 0) -> int:
    """The length of the message that begins at a byte; DataError unless all of it is there."""
    head = content[start : start + 16]
    if head[:4] != b"GRIB":
        raise _fault("there is no GRIB message here", start)
    if len(head) < 16:
        raise _fault("the message is cut off in its first section", start)
    if head[7] != 2:
        raise _fault(f"the message is GRIB edition {head[7]}; only edition 2 is read", start)
    length = int.from_bytes(head[8:16], "big")
    if length < 16 + 4:
        raise _fault(f"the message says that it is {length} bytes long, which none is", start)
    if start + length > len(content):
        there = len(content) - start
        raise _fault(f"the message of {length} bytes is cut off after {there}", start)
    if content[start + length - 4 : start + length] != b"7777":
        raise _fault("the message does not end in 7777", start)
    return length


def _fields(message: bytes, start: int) -> Iterator[Message]:
    """The fields of one message: sections 2 to 7, 3 to 7 or 4 to 7 come again for each."""
    current: dict[int, bytes] = {}
    bitmap = b""
    for number, section in _sections(message, start):
        current[number] = section
        if number == 6:
            # Indicator 254: the bitmap of the field before holds for this one too.
            same = section[5:6] == b"\xfe"
            if same and not bitmap:
                raise _fault("a field refers to a bitmap that is not there", start)
            current[6] = bitmap = bitmap if same else section
        if number == 7:
            missing = [n for n in (1, 3, 4, 5, 6) if n not in current]
            if missing:
                raise _fault(f"section {missing[0]} of a field is not there", start)
            yield _field(message, current, start)
            for used in (5, 6, 7):
                current.pop(used, None)


def _sections(message: bytes, start: int) -> Iterator[tuple[int, bytes]]:
    at, end = 16, len(message) - 4
    while at < end:
        length = int.from_bytes(message[at : at + 4], "big")
        if length < 5 or at + length > end:
            raise _fault(f"a section says that it is {length} bytes long", start + at)
        number = message[at + 4]
        if not 1 <= number <= 7:
            raise _fault(f"there is no section {number} in GRIB", start + at)
        yield number, message[at : at + length]
        at += length


def _field(message: bytes, sections: dict[int, bytes], start: int) -> Message:
    where = f"byte {start}"
    layout = read_layout(Octets(sections[3], 3, where))
    identity = Octets(sections[1], 1, where)
    run = _instant(identity, 13)
    return Message(
        discipline=message[6],
        **_product(Octets(sections[4], 4, where), run),
        run=run,
        centre=identity.unsigned(6, 2),
        grid=layout.grid,
        relative_to_grid=layout.relative_to_grid,
        position=start,
        layout=layout,
        packed=(sections[5], sections[6], sections[7]),
        raw=message,
    )


def _product(octets: Octets, run: datetime) -> dict[str, Any]:
    """What section 4 says; see :class:`Message` for the names."""
    template = octets.unsigned(8, 2)
    product: dict[str, Any] = {
        "category": octets.unsigned(10), "number": octets.unsigned(11),
        "surface_type": None, "surface_value": None,
        "second_surface_type": None, "second_surface_value": None,
        "statistic": None, "start_min": 0, "end_min": 0, "member": None, "derived": None,
    }  # fmt: skip
    if template not in _TEMPLATES:
        return product
    member, derived, interval = _TEMPLATES[template]
    start = octets.signed(19, 4) * _unit(octets, 18)
    product["surface_type"], product["surface_value"] = _surface(octets, 23)
    product["second_surface_type"], product["second_surface_value"] = _surface(octets, 29)
    product["member"] = octets.unsigned(member) if member else None
    product["derived"] = octets.unsigned(derived) if derived else None
    end = start
    if interval:
        product["statistic"] = octets.unsigned(interval + 12)
        end = _interval_end(octets, interval, start, run)
    if end < start:
        raise octets.fault("the interval ends before it begins")
    product["start_min"], product["end_min"] = round(start), round(end)
    return product


def _interval_end(octets: Octets, at: int, start: float, run: datetime) -> float:
    """Minutes from the run to the end of the overall interval, which begins at octet ``at``."""
    if octets.unsigned(at + 7) == 1:
        length: float = octets.unsigned(at + 15, 4) * _unit(octets, at + 14)
        return start + length
    # Several ranges nested in each other: only the date of the end tells.
    return (_instant(octets, at) - run).total_seconds() / 60


def _unit(octets: Octets, at: int) -> float:
    unit = octets.unsigned(at)
    if unit not in _UNIT_MINUTES:
        raise octets.fault(f"time unit {unit} has no fixed length")
    return _UNIT_MINUTES[unit]


def _surface(octets: Octets, at: int) -> tuple[int | None, float | None]:
    """Type and value of a fixed surface; a type of 255 and a value of all ones are missing."""
    kind = octets.unsigned(at)
    if kind == 255:
        return None, None
    if octets.unsigned(at + 1) == 255 or octets.unsigned(at + 2, 4) == 0xFFFFFFFF:
        return kind, None
    return kind, octets.scaled(at + 1)


def _instant(octets: Octets, at: int) -> datetime:
    try:
        month, day, hour, minute, second = (octets.unsigned(at + n) for n in range(2, 7))
        year = octets.unsigned(at, 2)
        return datetime(year, month, day, hour, minute, tzinfo=UTC) + timedelta(seconds=second)
    except (ValueError, OverflowError) as error:
        raise octets.fault("the date is none") from error


def _fault(what: str, position: int) -> DataError:
    return DataError(what, where=f"byte {position}", remedy="Fetch the file again.")
