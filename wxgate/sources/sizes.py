"""How large messages are, before they are fetched: the table ``sizes`` of a model's endpoints."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import ceil, cos, radians

from wxgate.grid import KM_PER_DEGREE
from wxgate.sources.crop import Box
from wxgate.sources.endpoints import Entry
from wxgate.sources.wanted import Wanted

_USUAL_KB = 800.0  #: of a message that the table does not name


@dataclass(frozen=True, slots=True)
class Outstanding:
    """What is still to be had of one step: requests and bytes; and the bytes that are kept.

    ``exact``: told by a sidecar or by the cache; else about that.
    """

    requests: int = 0
    size: int = 0
    kept: int = 0
    exact: bool = True


@dataclass(frozen=True, slots=True)
class Sizes:
    """The table of one model, in bytes; what it does not name is taken as ``usual``.

    Keys are elements, or ``element:level`` where the levels differ.
    """

    entry: Entry

    @classmethod
    def of(cls, model: Entry) -> Sizes:
        """The table of a model's entry; an empty one where it has none."""
        return cls(model.entry("sizes") if "sizes" in model.content else Entry({}, "sizes"))

    @property
    def sidecar(self) -> int:
        """A sidecar."""
        return self._bytes(self.entry.number("sidecar", 40.0))

    def message(self, wanted: Wanted) -> int:
        """A whole message."""
        for key in (f"{wanted.element}:{wanted.level}", wanted.element, "usual"):
            if key in self.entry.content:
                return self._bytes(self.entry.number(key))
        return self._bytes(_USUAL_KB)

    def named(self, element: str) -> int:
        """A whole message of an element that is no quantity, such as a coordinate."""
        return self._bytes(self.entry.number(element if element in self.entry.content else "usual"))

    @staticmethod
    def _bytes(kb: float) -> int:
        return round(kb * 1000)


def distinct(wanted: Iterable[Wanted]) -> list[Wanted]:
    """One of those that are read of the same message."""
    found = {
        (w.element, w.level, w.surface_value, w.statistic, w.from_run, w.before_min): w
        for w in wanted
    }
    return list(found.values())


def cropped(
    own: Entry, wanted: Sequence[Wanted], every: Sequence[Wanted], box: Box, *, first: bool
) -> int:
    """About how large the box of one step is that a crop service (``own``) cuts out, in bytes.

    It sends every message with one of the elements *and* one of the levels asked for: those of the
    model's own list (``every``), and those of other windows, which ``also`` counts by element
    (``first``: of the first step, which has none). ``message`` tells the bytes of a message and of
    each point in it.
    """
    elements, levels = {w.element for w in wanted}, {w.level for w in wanted}
    sent = distinct(w for w in every if w.element in elements and w.level in levels)
    also = own.entry("also").content if "also" in own.content and not first else {}
    count = len(sent) + sum(int(also.get(w.element, 0)) for w in sent)
    message = own.entry("message") if "message" in own.content else Entry({}, own.path)
    cell = own.number("cell_deg")
    spacing = message.number("spacing_km", 0.0)
    if spacing:  # a grid of its own, in km
        north = cos(radians((box.top + box.bottom) / 2))
        tall, wide = (box.top - box.bottom), (box.right - box.left) * north
        points = (tall * KM_PER_DEGREE / spacing + 1) * (wide * KM_PER_DEGREE / spacing + 1)
    else:
        points = ((box.top - box.bottom) / cell + 1) * ((box.right - box.left) / cell + 1)
    return ceil(count * (message.number("head", 200.0) + message.number("point", 1.5) * points))
