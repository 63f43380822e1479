"""NOMADS' grib filter: a box around the site out of a whole file, a few kilobytes a step.

It answers with the product of the elements and the levels asked for, so more comes than was
wanted; what is wanted is found by number afterwards.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from math import ceil, cos, floor, radians

from wxgate import cache
from wxgate.errors import DataError
from wxgate.grib import Message, read_messages
from wxgate.grid import KM_PER_DEGREE, wrap_degrees
from wxgate.http import Body, Client, FetchError, NotThere, Request
from wxgate.sources.endpoints import Entry
from wxgate.sources.kept import Kept
from wxgate.sources.place import NOT_KEPT, Answer, fill_run, gone, host_of, unpacks
from wxgate.sources.wanted import Wanted

#: The widest box there is, around a pole, has a million bytes; what sends more is no crop service.
_MOST_BYTES = 16_000_000
_AT_ONCE = 4  #: batches of as many requests a connection, so that progress can be told


@dataclass(frozen=True, slots=True)
class Box:
    """Degrees; left may be negative where the box straddles Greenwich, right beyond 180."""

    top: float
    left: float
    right: float
    bottom: float

    def params(self) -> dict[str, str]:
        """As the service wants it."""
        edges = {"toplat": self.top, "leftlon": self.left, "rightlon": self.right,
                 "bottomlat": self.bottom}  # fmt: skip
        return {"subregion": "", **{name: f"{edge:.6g}" for name, edge in edges.items()}}

    def halves(self, cell: float) -> tuple[Box, ...]:
        """West and east of Greenwich apart; nothing for a box that does not straddle it."""
        if not self.left < 0 <= self.right:
            return ()
        return (
            Box(self.top, self.left + 360.0, 360.0 - cell, self.bottom),
            Box(self.top, 0.0, self.right, self.bottom),
        )


def box_around(latitude: float, longitude: float, margin_km: float, cell: float) -> Box:
    """The box of whole cells that reaches at least ``margin_km`` from a site in each direction."""
    tall = margin_km / KM_PER_DEGREE
    top = min(ceil((latitude + tall) / cell) * cell, 90.0)
    bottom = max(floor((latitude - tall) / cell) * cell, -90.0)
    narrow = cos(radians(max(abs(top), abs(bottom))))
    if narrow * 90 <= tall:  # around a pole
        return Box(top, 0.0, 360.0 - cell, bottom)
    middle, wide = wrap_degrees(longitude), tall / narrow
    left, right = floor((middle - wide) / cell) * cell, ceil((middle + wide) / cell) * cell
    if right < 0:
        left, right = left + 360.0, right + 360.0
    return Box(top, left, right, bottom)


class Crop:
    """The crop service for one site and one list of what is wanted."""

    name = "crop"

    def __init__(
        self, entry: Entry, client: Client, kept: Kept, box: Box, wanted: Sequence[Wanted],
        *, offline: bool,
    ) -> None:  # fmt: skip
        self._entry, self._client, self._kept, self._offline = entry, client, kept, offline
        self._box, self._wanted = box, tuple(wanted)
        self._cell = entry.number("cell_deg")
        self._scripts = entry.texts("scripts")
        self._choice = {f"var_{w.element}": "on" for w in wanted}
        self._choice |= {f"lev_{w.level.replace(' ', '_')}": "on" for w in wanted}
        told = repr((sorted(self._choice), box, entry.text("directory"), entry.text("file")))
        self._label = f"crop-{hashlib.sha256(told.encode()).hexdigest()[:16]}"

    @property
    def host(self) -> str:
        """See :class:`wxgate.sources.place.Place`."""
        return host_of(self._scripts[0])

    @property
    def box(self) -> Box:
        """The box that is cut out."""
        return self._box

    def kept(self, run: datetime, step: int) -> cache.Entry | None:
        """What the cache holds of a step; None when it does not."""
        return self._kept.get(run, step, self._label)

    def request_of(self, run: datetime, step: int) -> Request:
        """The request for a step, to see whether the service answers."""
        return self._request(self._scripts[0], run, step, self._box)

    def takes(self, wanted: Wanted) -> bool:
        """Everything: another field costs a few hundred bytes."""
        return True

    def fetch(
        self, run: datetime, steps: Sequence[int], wanted: Sequence[Wanted]
    ) -> Iterator[tuple[int, Answer]]:
        """See :class:`wxgate.sources.place.Place`; what is wanted was told once for all."""
        waiting = iter(steps)
        while batch := list(islice(waiting, _AT_ONCE * self._client.service.connections)):
            kept = {step: self._kept.get(run, step, self._label) for step in batch}
            absent = [] if self._offline else [step for step in batch if kept[step] is None]
            bodies = dict(zip(absent, self._get(run, absent), strict=True))
            for step in batch:
                entry = kept[step]
                if entry is not None:
                    yield step, self._read(entry.content)
                elif step in bodies:
                    yield step, self._take(run, step, bodies[step])
                else:
                    where = f"{self.name} f{step:03d}"
                    yield step, DataError("it is not kept", where=where, remedy=NOT_KEPT)

    def _get(self, run: datetime, steps: Sequence[int]) -> list[list[Body] | DataError]:
        """A body (or two halves) for each step; each script is tried for those still without."""
        found: dict[int, list[Body] | DataError] = {}
        for script in self._scripts:
            without = [s for s in steps if not isinstance(found.get(s), list)]
            asked = [self._request(script, run, step, self._box) for step in without]
            for step, body in zip(without, self._client.get_many(asked), strict=True):
                found[step] = self._mended(script, run, step, body)
            if any(isinstance(f, DataError) and gone(f) for f in found.values()):
                break
        return [found[step] for step in steps]

    def _mended(
        self, script: str, run: datetime, step: int, body: Body | FetchError
    ) -> list[Body] | DataError:
        """The body as a list; a box over Greenwich that came back empty is asked for in halves."""
        if isinstance(body, Body):
            return [body]
        if not (isinstance(body, NotThere) and body.status == 200):
            return body
        halves = self._box.halves(self._cell)
        asked = [self._request(script, run, step, half) for half in halves]
        bodies = [b for b in self._client.get_many(asked) if isinstance(b, Body)]
        return bodies if halves and len(bodies) == len(halves) else body

    def _request(self, script: str, run: datetime, step: int, box: Box) -> Request:
        names = {
            part: fill_run(self._entry.text(key), self._entry, run, step)
            for part, key in (("dir", "directory"), ("file", "file"))
        }
        params = {**names, **self._choice, **box.params()}
        return Request(script, expect="grib", max_bytes=_MOST_BYTES, params=params)

    def _take(
        self, run: datetime, step: int, bodies: list[Body] | DataError
    ) -> list[Message] | DataError:
        if isinstance(bodies, DataError):
            return bodies
        content = b"".join(body.content for body in bodies)
        messages = self._read(content)
        # A file still being uploaded gives a part of what it will hold; that must not be kept.
        if isinstance(messages, list) and self._complete(run, step, messages):
            self._kept.put(run, step, self._label, content, bodies[0])
        return messages

    def _read(self, content: bytes) -> list[Message] | DataError:
        try:
            return read_messages(content)
        except DataError as error:
            return error

    def _complete(self, run: datetime, step: int, messages: Sequence[Message]) -> bool:
        """Whether all that is wanted is there and can be unpacked."""
        there = [m for m in messages if m.run == run]
        return all(
            any(unpacks(m) for m in there if wanted.matches(m, step))
            for wanted in self._wanted
            if wanted.exists_at(step)
        )
