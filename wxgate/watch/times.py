"""Local days and times of a watch as instants, over changes of the clock too.

A mail at a local time that the spring change leaves out comes as long after midnight as ever (01:30
reads 02:30 then); at one that the autumn change brings twice it comes at the first. A slot begins
at the earliest and ends at the latest instant that its times may mean: it is never shorter than it
was meant.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from wxgate.watch.config import LocalSlot, Quiet

DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, order=True)
class Slot:
    """A watched stretch [start, end), UTC."""

    start: datetime
    end: datetime


def instant(day: date, at: time, zone: ZoneInfo, *, fold: int = 0) -> datetime:
    """A local time of a day, UTC; ``fold=1`` for the second of two."""
    return datetime.combine(day, at.replace(fold=fold), zone).astimezone(UTC)


def _days(first: datetime, last: datetime, zone: ZoneInfo) -> list[date]:
    """The local days from that of ``first`` to that of ``last``."""
    day, end = first.astimezone(zone).date(), last.astimezone(zone).date()
    return [day + n * DAY for n in range((end - day).days + 1)]


def slots_between(
    slots: Iterable[LocalSlot], zone: ZoneInfo, now: datetime, until: datetime
) -> tuple[Slot, ...]:
    """The slots that are not over at ``now`` and end at or before ``until``, in order of time."""
    found = {
        Slot(
            min(instant(day, slot.start, zone, fold=n) for n in (0, 1)),
            max(instant(day, slot.end, zone, fold=n) for n in (0, 1)),
        )
        for slot in slots
        for day in _days(now, until, zone)
        if day.weekday() in slot.days
    }
    return tuple(sorted(s for s in found if now < s.end <= until))


def fixed_between(
    times: Iterable[time], zone: ZoneInfo, after: datetime, until: datetime
) -> tuple[tuple[str, datetime], ...]:
    """The fixed times in (after, until]: a name that is the same whatever the clock, and when."""
    found = [
        (f"{day} {at:%H:%M}", instant(day, at, zone))
        for day in _days(after, until, zone)
        for at in times
    ]
    return tuple(sorted((f for f in found if after < f[1] <= until), key=lambda f: f[1]))


def is_quiet(quiet: Quiet | None, zone: ZoneInfo, now: datetime) -> bool:
    """Whether it is quiet hours at the site."""
    return quiet is not None and now.astimezone(zone).time() in quiet
