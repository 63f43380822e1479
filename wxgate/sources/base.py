"""What a source is: one frozen description, and one function that fetches."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from wxgate.forecast import Forecast

if TYPE_CHECKING:
    from wxgate.cache import Cache
    from wxgate.http import Client, Meter, Service


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked of a source: ``hours`` hours from the full hour at or before ``start``.

    ``start`` and ``now`` are aware. ``wanted`` names the quantities that are needed; None: all
    that the source gives. ``altitude`` (m above sea level) is that of the site, where it is known.
    A run has to begin at or before ``needed`` (aware; None: ``start``): what lies before it is good
    to have, and missing where the newest such run begins later.
    """

    latitude: float
    longitude: float
    start: datetime
    hours: int
    now: datetime
    wanted: frozenset[str] | None = None
    altitude: float | None = None
    needed: datetime | None = None

    def wants(self, quantity: str) -> bool:
        """Whether the quantity is asked for."""
        return self.wanted is None or quantity in self.wanted


@dataclass(frozen=True, slots=True)
class Toolbox:
    """What a source works with; the command line fills it.

    ``progress`` is called with how many parts are there, how many there will be, and what is being
    fetched. ``offline``: only what the cache holds. ``meter`` is that of all the clients.
    """

    endpoints: Mapping[str, Any]
    cache: Cache | None
    client: Callable[[Service], Client]
    progress: Callable[[int, int, str], None]
    offline: bool = False
    meter: Meter | None = None


@dataclass(frozen=True, slots=True)
class Errand:
    """Requests of one kind to one service, before they are made.

    ``size`` and ``kept`` are bytes: still to be fetched, and in the cache already. ``exact``: the
    size was read from a sidecar; else it is about that. ``seconds``: the least that the manners of
    the service and the line assumed let it take.
    """

    what: str
    service: str
    requests: int
    size: int
    kept: int = 0
    exact: bool = False
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What a fetch would ask for: the run expected, its steps, and the errands in their order.

    ``otherwise`` are the errands to the other places that serve the same, asked in this order where
    the first does not answer.
    """

    source: str
    run: datetime | None
    steps: tuple[int, ...]
    errands: tuple[Errand, ...]
    otherwise: tuple[Errand, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def size(self) -> int:
        """Bytes still to be fetched from the first places."""
        return sum(errand.size for errand in self.errands)

    @property
    def kept(self) -> int:
        """Bytes that the cache holds already."""
        return sum(errand.kept for errand in self.errands)

    @property
    def requests(self) -> int:
        """Requests to be made."""
        return sum(errand.requests for errand in self.errands)

    @property
    def seconds(self) -> float:
        """The least that it takes; services are asked one after the other."""
        return sum(errand.seconds for errand in self.errands)

    @property
    def exact(self) -> bool:
        """Whether all sizes are exact."""
        return all(errand.exact for errand in self.errands)


@dataclass(frozen=True, slots=True)
class Source:
    """One provider's product: what it gives, on what terms, and how it is fetched.

    ``fetch`` gives a forecast on the hourly axis of the request (hours + 1 instants), NaN where it
    has nothing, with its provenance; DataError when nothing could be had. ``plan`` raises DataError
    for a site that the source does not cover.
    """

    name: str
    title: str
    gives: tuple[str, ...]
    resolution: str
    runs: str
    licence: str
    credit: str
    fetch: Callable[[Request, Toolbox], Forecast]
    #: What a fetch would cost, told without the network; None where nothing is known of it.
    plan: Callable[[Request, Toolbox], Plan] | None = None
