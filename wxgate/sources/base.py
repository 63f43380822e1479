"""What a source is: one frozen description, and one function that fetches."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from wxgate.forecast import Forecast

if TYPE_CHECKING:
    from wxgate.cache import Cache
    from wxgate.http import Client, Service


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked of a source: ``hours`` hours from the full hour at or before ``start``.

    ``start`` and ``now`` are aware. ``wanted`` names the quantities that are needed; None: all
    that the source gives. ``altitude`` (m above sea level) is that of the site, where it is known.
    """

    latitude: float
    longitude: float
    start: datetime
    hours: int
    now: datetime
    wanted: frozenset[str] | None = None
    altitude: float | None = None

    def wants(self, quantity: str) -> bool:
        """Whether the quantity is asked for."""
        return self.wanted is None or quantity in self.wanted


@dataclass(frozen=True, slots=True)
class Toolbox:
    """What a source works with; the command line fills it.

    ``progress`` is called with how many parts are there, how many there will be, and what is being
    fetched. ``offline``: only what the cache holds.
    """

    endpoints: Mapping[str, Any]
    cache: Cache | None
    client: Callable[[Service], Client]
    progress: Callable[[int, int, str], None]
    offline: bool = False


@dataclass(frozen=True, slots=True)
class Source:
    """One provider's product: what it gives, on what terms, and how it is fetched.

    ``fetch`` gives a forecast on the hourly axis of the request (hours + 1 instants), NaN where it
    has nothing, with its provenance; DataError when nothing could be had.
    """

    name: str
    title: str
    gives: tuple[str, ...]
    resolution: str
    runs: str
    licence: str
    credit: str
    fetch: Callable[[Request, Toolbox], Forecast]
