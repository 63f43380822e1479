"""A place that serves the steps of a run: a crop service, or a mirror of whole files."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Protocol

from wxgate.errors import DataError
from wxgate.grib import Message
from wxgate.http import RangeIgnored, Refused, Service, Throttled, Unreachable
from wxgate.sources.endpoints import Entry, fill
from wxgate.sources.wanted import Wanted

#: What a place answers for a step: its messages, or why there are none.
Answer = list[Message] | DataError


class Place(Protocol):
    """One place."""

    @property
    def name(self) -> str:
        """What the endpoints call it."""

    @property
    def host(self) -> str:
        """Whose door it is: places of one host refuse and fall silent together."""

    def takes(self, wanted: Wanted) -> bool:
        """Whether it is asked for such a message."""

    def fetch(
        self, run: datetime, steps: Sequence[int], wanted: Sequence[Wanted]
    ) -> Iterator[tuple[int, Answer]]:
        """An answer for each step, in order."""


def gone(error: DataError) -> bool:
    """Whether a place is to be left alone: it refuses, throttles, is silent or knows no ranges."""
    return isinstance(error, Refused | Throttled | Unreachable | RangeIgnored)


def unpacks(message: Message) -> bool:
    """Whether its values can be had; they stay with the message."""
    try:
        return bool(message.values.size)
    except DataError:
        return False


def read_service(endpoints: Entry, name: str) -> Service:
    """The manners of a service, from the table of services."""
    manners = endpoints.entry("services").entry(name)
    statuses = manners.content.get("missing_statuses", [404])
    if not isinstance(statuses, list) or not all(isinstance(s, int) for s in statuses):
        raise manners.fault("missing_statuses", "must be a list of HTTP statuses")
    return Service(
        name,
        connections=max(manners.whole("connections", 1), 1),
        min_interval_s=manners.number("min_interval_s", 0.0),
        missing_statuses=frozenset(statuses),
        redirect_is_throttle=manners.flag("redirect_is_throttle"),
        follow_redirects=manners.flag("follow_redirects"),
    )


def fill_run(template: str, entry: Entry, run: datetime, step: int) -> str:
    """A template with {date}, {hour} and {step} (three digits) of a file filled in."""
    return fill(template, entry, date=f"{run:%Y%m%d}", hour=f"{run:%H}", step=f"{step:03d}")
