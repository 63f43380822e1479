"""What the tests of NCEP's models share: two hosts, the endpoints that lead there, and a fetch.

Not a test file.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from local_server import LocalServer

from wxgate.cache import Cache
from wxgate.forecast import Forecast
from wxgate.http import Client
from wxgate.sources.base import Request, Source, Toolbox
from wxgate.sources.endpoints import load_endpoints

SERVICES = {
    "bucket": {"connections": 2, "missing_statuses": [403, 404]},
    "nomads": {"connections": 1, "redirect_is_throttle": True},
}


@dataclass
class Stage:
    """A source with two hosts: ``server`` has crop and aws (under two names), ``other`` google."""

    source: Source
    server: LocalServer
    other: LocalServer
    now: datetime
    place: tuple[float, float]
    hours: int
    endpoints: dict[str, Any] = field(default_factory=load_endpoints)
    cache: Cache | None = None
    offline: bool = False
    told: list[tuple[int, int, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.endpoints["services"] = SERVICES
        self.entry["mirrors"] = {
            name: {"service": "bucket", "root": host.url(f"/{name}"), "costly": True}
            for name, host in (("aws", self.server), ("google", self.other))
        }
        self.order("crop", "aws", "google")

    @property
    def entry(self) -> dict[str, Any]:
        """The source's entry of the endpoints."""
        found: dict[str, Any] = self.endpoints[self.source.name]
        return found

    def crop_url(self, path: str) -> str:
        """The address of a crop script: the server under its other name."""
        return self.server.url(path).replace("127.0.0.1", "localhost")

    def order(self, *names: str) -> Stage:
        self.entry["order"] = list(names)
        return self

    def fetch(self, place: tuple[float, float] | None = None, **changes: Any) -> Forecast:
        request = Request(*(place or self.place), start=self.now, hours=self.hours, now=self.now)
        return self.source.fetch(replace(request, **changes), self.tools())

    def tools(self) -> Toolbox:
        def client(what: Any) -> Client:
            return Client(
                what, user_agent="wxgate-test", sleep=lambda s: None, jitter=random.Random(1)
            )

        return Toolbox(
            self.endpoints, self.cache, client, lambda *what: self.told.append(what), self.offline
        )

    def asked(self, part: str) -> list[str]:
        """The paths with this in them that the server was asked for."""
        return [path for path in self.server.paths() if part in path]
