"""What the services' clocks said of this computer's, kept for the runs that ask none of them.

A run whose messages are all in the cache makes no request, and would not notice a wrong clock.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

from wxgate import places
from wxgate.sources.base import Toolbox
from wxgate.wholefile import make_private_folder, write_whole


def clocks(tools: Toolbox) -> Mapping[str, timedelta]:
    """By host how far its clock is ahead of ours: as just heard, else as it was the last time."""
    heard = {} if tools.meter is None else tools.meter.ahead
    # The demonstration reads a folder, and what it does is no other brief's business.
    if tools.cache is None:
        return heard
    if not heard:
        return remembered()
    _remember(_file(), heard)
    return heard


def _file() -> Path:
    return places.cache_folder() / "clocks.json"


def remembered() -> dict[str, timedelta]:
    """What the services said when one was last heard."""
    try:
        found = json.loads(_file().read_text(encoding="utf-8"))
        hours = {str(host): float(ahead) for host, ahead in found.items()}
        return {h: timedelta(hours=a) for h, a in hours.items() if math.isfinite(a)}
    except (OSError, ValueError, TypeError, AttributeError, OverflowError, RecursionError):
        return {}


def _remember(file: Path, heard: Mapping[str, timedelta]) -> None:
    text = json.dumps({host: ahead / timedelta(hours=1) for host, ahead in heard.items()})
    with suppress(OSError):  # a cache that cannot be written is told where messages are kept
        make_private_folder(file.parent)
        write_whole(file, text, private=True)
