"""Endpoints, cache and network for the sources: the paths and the waiting are chosen here."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from wxgate import places

if TYPE_CHECKING:
    from wxgate.sources.base import Toolbox

#: How the network waits between two requests; tests put something quicker here.
pause: Callable[[float], object] = time.sleep


def clock() -> datetime:
    """This computer's time, which the services' is held against."""
    return datetime.now(UTC)


def toolbox(
    progress: Callable[[int, int, str], None],
    *,
    demo: bool = False,
    offline: bool = False,
    patience_s: float | None = None,
) -> Toolbox:
    """What the sources work with; the demonstration's stands in its folder.

    ``patience_s`` bounds every request, which then is made but once; None: as is usual.
    """
    from wxgate import __version__
    from wxgate.cache import Cache
    from wxgate.http import Client, Meter
    from wxgate.sources.base import Toolbox

    found, meter = endpoints(), Meter(clock)
    contact = " ".join(str(found.get("contact") or "no contact given").split())
    # A header holds plain letters only.
    agent = f"wxgate/{__version__} ({contact})".encode("ascii", "replace").decode("ascii")
    bounds: dict[str, Any] = {}
    if patience_s is not None:
        part = patience_s / 2
        bounds = {"connect_s": part, "read_s": part, "total_s": patience_s, "tries": 1}
    return Toolbox(
        endpoints=_demonstration(found) if demo else found,
        cache=None if demo else Cache(places.cache_folder() / "messages"),
        client=lambda service: Client(
            service,
            user_agent=agent,
            sleep=pause,
            jitter=random.Random(),  # noqa: S311
            meter=meter,
            **bounds,
        ),
        progress=progress,
        offline=offline,
        meter=meter,
    )


def endpoints() -> dict[str, Any]:
    """The endpoints that ship, with the user's own laid over them."""
    from wxgate.sources.endpoints import load_endpoints

    return load_endpoints(places.config_folder() / "endpoints.yaml")


def _demonstration(found: dict[str, Any]) -> dict[str, Any]:
    """The endpoints with the demonstration's folder as the only mirror and index service."""
    root = places.shipped("cached_forecasts")
    mirror = {"service": "bucket", "root": root.as_uri(), "costly": True}
    return {
        **found,
        "gfs": {
            **found["gfs"],
            "title": "invented forecast in the form of the GFS",
            "credit": "Invented by the wxgate developers.",
            "licence": "MIT, as wxgate itself",
            "order": ["demonstration"],
            "mirrors": {"demonstration": mirror},
        },
        "swpc": {
            **found["swpc"],
            "title": "invented K index",
            "credit": "Invented by the wxgate developers.",
            "licence": "MIT, as wxgate itself",
            "root": (root / "swpc").as_uri(),
        },
    }
