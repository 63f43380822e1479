"""A place that serves the steps of a run: a crop service, or a mirror of whole files."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from email.utils import parsedate_to_datetime
from typing import Protocol
from urllib.parse import urlsplit

from wxgate.errors import DataError
from wxgate.grib import Message
from wxgate.http import (
    Body,
    NotThere,
    RangeIgnored,
    Refused,
    Request,
    Service,
    Throttled,
    TooLarge,
    Unreachable,
)
from wxgate.sources.endpoints import Entry, fill
from wxgate.sources.wanted import Wanted

#: What a place answers for a step: its messages, or why there are none.
Answer = list[Message] | DataError
#: The remedy where only what is kept may be used.
NOT_KEPT = "Run once without --offline."


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

    def request_of(self, run: datetime, step: int) -> Request:
        """A light request that shows whether the place answers, and has the run."""

    def fetch(
        self, run: datetime, steps: Sequence[int], wanted: Sequence[Wanted]
    ) -> Iterator[tuple[int, Answer]]:
        """An answer for each step, in order."""


def host_of(url: str) -> str:
    """The host of an address; of what is no address the text itself, which the client refuses."""
    try:
        return urlsplit(url).netloc
    except ValueError:
        return url


def gone(error: DataError) -> bool:
    """Whether a place is to be left alone: refusing, throttling, silent, endless or rangeless."""
    return isinstance(error, Refused | Throttled | Unreachable | RangeIgnored | TooLarge)


def unpacks(message: Message) -> bool:
    """Whether its values can be had; they stay with the message."""
    try:
        return bool(message.values.size)
    except DataError:
        return False


def check_settled(body: Body, now: datetime, settle_s: float) -> None:
    """NotThere for a file that was changed a moment ago: it may still be growing."""
    changed = body.headers.get("last-modified")
    if changed is None:
        return
    try:
        age = (now - parsedate_to_datetime(changed)).total_seconds()
    except (TypeError, ValueError):
        return
    if 0 <= age < settle_s:
        raise NotThere(f"it was uploaded {age:.0f} s ago and may not be whole", body.url)


def read_service(endpoints: Entry, name: str) -> Service:
    """The manners of a service, from the table of services."""
    manners = endpoints.entry("services").entry(name)
    return Service(
        name,
        connections=max(manners.whole("connections", 1), 1),
        min_interval_s=manners.number("min_interval_s", 0.0),
        missing_statuses=_statuses(manners, "missing_statuses", 404),
        flaky_statuses=_statuses(manners, "flaky_statuses"),
        redirect_is_throttle=manners.flag("redirect_is_throttle"),
        follow_redirects=manners.flag("follow_redirects"),
    )


def _statuses(manners: Entry, key: str, *usual: int) -> frozenset[int]:
    statuses = manners.content.get(key, list(usual))
    if not isinstance(statuses, list) or not all(isinstance(s, int) for s in statuses):
        raise manners.fault(key, "must be a list of HTTP statuses")
    return frozenset(statuses)


def fill_run(template: str, entry: Entry, run: datetime, step: int, **more: str) -> str:
    """A template with {date}, {hour} and the step (7: {step} 007, {step2} 07, {lead} 7) in it."""
    return fill(
        template, entry, date=f"{run:%Y%m%d}", hour=f"{run:%H}",
        step=f"{step:03d}", step2=f"{step:02d}", lead=str(step), **more,
    )  # fmt: skip
