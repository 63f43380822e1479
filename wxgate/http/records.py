"""What is asked for, of whom, and what comes back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from wxgate.http.meter import server_time

Expect = Literal["grib", "json", "text", "any"]
Range = tuple[int, int | None]

BUCKET_MISSING = frozenset({403, 404})  #: a bucket that may not be listed says 403 for 404
MAX_BYTES = 64 * 1024 * 1024  #: a range or a point file; never a whole global file by mistake


@dataclass(frozen=True, slots=True)
class Validators:
    """What tells one upload of a file from the next; the exact strings of the response."""

    etag: str | None = None
    last_modified: str | None = None


@dataclass(frozen=True, slots=True)
class Body:
    """A checked response; ``headers`` have lower-case names, ``url`` is the one that answered.

    ``status`` is 200 or 203, 206 (a range), 204 (valid request, nothing to tell: no content) or
    304 (unchanged since the validators that were sent: no content).
    """

    url: str
    status: int
    content: bytes
    headers: Mapping[str, str]
    validators: Validators

    @property
    def server_time(self) -> datetime | None:
        """What time it was at the service, UTC; None where it did not tell (a file: address)."""
        return server_time(self.headers)


@dataclass(frozen=True, slots=True)
class Service:
    """How one service wants to be treated.

    ``min_interval_s`` lies between the starts of two requests. ``missing_statuses`` mean "not
    there", ``flaky_statuses`` come and go without meaning anything and are worth another try.
    ``redirect_is_throttle``: a redirect is a plea to slow down, not a moved file.
    """

    name: str
    connections: int = 4
    min_interval_s: float = 0.0
    missing_statuses: frozenset[int] = frozenset({404})
    flaky_statuses: frozenset[int] = frozenset()
    redirect_is_throttle: bool = False
    follow_redirects: bool = False


@dataclass(frozen=True, slots=True)
class Request:
    """One thing to get; ``byte_range`` is (first, last) with the last byte included, or None."""

    url: str
    byte_range: Range | None = None
    expect: Expect = "any"
    validators: Validators | None = None
    max_bytes: int = MAX_BYTES
    params: Mapping[str, str] | None = None
