"""What went over the line, and what time it is there."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from urllib.parse import urlsplit


def server_time(headers: Mapping[str, str]) -> datetime | None:
    """The service's time in an answer (lower-case names), UTC; None where it does not tell.

    ``Date`` is when the answer was made and ``Age`` for how many seconds a cache on the way has
    held it since (RFC 9110, 6.6.1; RFC 9111, 5.1).
    """
    from email.utils import parsedate_to_datetime

    try:
        made = parsedate_to_datetime(headers.get("date", ""))
        made = made.replace(tzinfo=UTC) if made.tzinfo is None else made.astimezone(UTC)
        held = headers.get("age", "0").strip()
        return made + timedelta(seconds=int(held) if held.isascii() and held.isdigit() else 0)
    except (TypeError, ValueError, OverflowError):
        return None


class Meter:
    """Counts requests and bytes, and compares clocks; clients and threads share it.

    ``clock`` gives this computer's time (aware); without one no clock is compared. Bytes are those
    of bodies as they came, those of answers that were then refused included.
    """

    def __init__(self, clock: Callable[[], datetime] | None = None) -> None:
        self.requests = 0
        self.bytes_received = 0
        self._clock = clock
        self._lock = threading.Lock()
        self._ahead: dict[str, timedelta] = {}

    def answered(self, url: str, headers: Mapping[str, str]) -> None:
        """Note an answer whose headers (lower-case names) have come."""
        there = None if self._clock is None else server_time(headers)
        with self._lock:
            self.requests += 1
            if self._clock is not None and there is not None:
                host = urlsplit(url).hostname or url
                self._ahead[host] = there - self._clock()

    def received(self, count: int) -> None:
        """Note bytes of a body."""
        with self._lock:
            self.bytes_received += count

    @property
    def ahead(self) -> dict[str, timedelta]:
        """By host how far its clock was ahead of this computer's; negative where it was behind."""
        with self._lock:
            return dict(self._ahead)
