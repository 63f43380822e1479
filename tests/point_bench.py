"""A source of a point service with a local server in its place; not a test file."""

from __future__ import annotations

import json
import random
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np
from local_server import LocalServer, Response

from wxgate.cache import Cache
from wxgate.forecast import Forecast
from wxgate.http import Client, Service
from wxgate.sources.base import Request, Toolbox
from wxgate.sources.endpoints import load_endpoints

CONTACT = "pilot@example.org"


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)


def dumped(found: object) -> bytes:
    return json.dumps(found).encode()


def as_json(found: object, status: int = 200, **headers: str) -> Response:
    told = {"Content-Type": "application/json"}
    return Response(
        status, dumped(found), told | {k.replace("_", "-"): v for k, v in headers.items()}
    )


class Bench:
    """The shipped endpoints with the server as root of one source, and what was slept."""

    def __init__(
        self, name: str, server: LocalServer, cache: Cache | None, *, root: str = "",
        contact: str = CONTACT, **entry: object,
    ) -> None:  # fmt: skip
        self.server, self.cache, self.slept = server, cache, list[float]()
        self.endpoints = load_endpoints()
        self.endpoints["contact"] = contact
        self.endpoints[name] = {**self.endpoints[name], "root": server.url(root), **entry}

    def tools(self, *, offline: bool = False) -> Toolbox:
        agent = f"wxgate/test ({self.endpoints['contact']})"

        def client(service: Service) -> Client:
            return Client(
                service, user_agent=agent, sleep=self.slept.append, jitter=random.Random(1)
            )

        return Toolbox(self.endpoints, self.cache, client, lambda *_: None, offline)


def values(forecast: Forecast, name: str) -> list[float]:
    return [float(v) for v in np.asarray(forecast.fields[name].values, dtype=float).ravel()]


def ask(now: datetime, hours: int, latitude: float, longitude: float, **more: Any) -> Request:
    return Request(latitude, longitude, more.pop("start", now), hours, now, **more)


def agent_of(server: LocalServer) -> str:
    return server.requests[-1].headers.get("user-agent", "")


def too_fine(query: Mapping[str, str], *names: str) -> bool:
    """Whether a coordinate has more than four decimals."""
    return any(len(query[name].partition(".")[2]) > 4 for name in names)
