"""Whether this computer's clock agrees with the services': old data must not look fresh."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

from wxgate.errors import DataError
from wxgate.forecast import CLOCK_BEHIND_H, Forecast

#: A difference that no network explains, and that changes which run is the newest.
TOLERANCE = timedelta(hours=1)


def with_clock(forecast: Forecast, ahead: Mapping[str, timedelta]) -> Forecast:
    """The forecast with what the services' clocks say of ours, where they differ by over an hour.

    ``ahead``: by host, how far its clock was ahead. A clock that is behind makes data look younger
    than they are, so how far is told to whoever works out their age; of several the largest counts.
    """
    note = clock_note(ahead)
    if note is None:
        return forecast
    behind = max(ahead.values()) / timedelta(hours=1)
    told = {CLOCK_BEHIND_H: behind} if max(ahead.values()) > TOLERANCE else {}
    # First, so that a brief of few lines does not leave it out.
    notes = tuple(dict.fromkeys((note, *forecast.notes)))
    return replace(forecast, notes=notes, attributes={**forecast.attributes, **told})


def clock_note(ahead: Mapping[str, timedelta]) -> str | None:
    """The difference in a sentence; None when no clock differs by over an hour."""
    host = max(ahead, key=lambda h: abs(ahead[h]), default=None)
    # One clock ahead of ours counts for more than one behind it: only the first makes data fresh.
    if ahead and max(ahead.values()) > TOLERANCE:
        host = max(ahead, key=lambda h: ahead[h])
    if host is None or abs(ahead[host]) <= TOLERANCE:
        return None
    side = "behind" if ahead[host] > timedelta(0) else "ahead of"
    return f"this computer's clock is {_told(abs(ahead[host]))} {side} that of {host}: set it"


def blame_clock(error: DataError, ahead: Mapping[str, timedelta]) -> DataError:
    """The error, with the clock named where it is wrong: then the wrong runs were asked for."""
    note = clock_note(ahead)
    if note is None:
        return error
    return DataError(f"{error.what.rstrip('. ')}; {note}", where=error.where, remedy=error.remedy)


def _told(span: timedelta) -> str:
    hours = span / timedelta(hours=1)
    return f"{hours:.1f} h" if hours < 48 else f"{hours / 24:.0f} days"
