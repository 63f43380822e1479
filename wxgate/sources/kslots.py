"""The planetary K index in slots of three hours: laid on hours, and fetched from those who tell it.

The services differ in which files say what; all else of a fetch is here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import timedelta
from typing import Any

import numpy as np

from wxgate.errors import DataError
from wxgate.forecast import (
    HOUR,
    Field,
    Forecast,
    Provenance,
    digest,
    hours_axis,
    make_field,
    to_datetime64,
)
from wxgate.quantities import Kind
from wxgate.sources.base import Request, Toolbox
from wxgate.sources.endpoints import Entry
from wxgate.sources.place import read_service
from wxgate.sources.polled import Polled
from wxgate.sources.swpc_formats import KINDS, Slot

QUANTITY = "planetary_k_index"
Times = np.ndarray[Any, np.dtype[np.datetime64]]
Slots = tuple[Slot, ...]
#: Reads the files of a service: the slots on this axis of hours, and notes about them.
Reading = Callable[[Polled, Entry, Times], tuple[Slots, list[str]]]


def fetch_slots(
    request: Request, tools: Toolbox, read: Reading, *, name: str, label: str, reach: str
) -> Forecast:
    """The K index on the request's hours, as ``read`` finds it in the files of the service.

    ``label`` begins each note; ``reach`` is the remedy where no hour has a value, which is a
    DataError.
    """
    time = hours_axis(request.start, request.hours)
    if not request.wants(QUANTITY):
        return Forecast(time, {})
    endpoints = Entry(tools.endpoints, "")
    entry = endpoints.entry(name)
    poll = timedelta(seconds=entry.number("poll_s"))
    tools.progress(0, 1, f"planetary {label}")
    with tools.client(read_service(endpoints, entry.text("service"))) as client:
        files = Polled(name, request.now, poll, tools, client)
        slots, notes = read(files, entry, time)
    tools.progress(1, 1, f"planetary {label}")
    found = lay(slots, time, source=name)
    if np.isnan(found.values).all():
        why = f" ({'; '.join(notes)})" if notes else ""
        what = f"there is no K index between {time[0]}Z and {time[-1]}Z{why}"
        raise DataError(what, where=name, remedy=reach)
    provenance = Provenance(
        source=name,
        title=entry.text("title"),
        run=None,
        fetched=min(files.fetched),
        sha256=digest(files.contents),
        credit=entry.text("credit"),
        licence=entry.text("licence"),
        quantities=(QUANTITY,),
    )
    told = dict.fromkeys(f"{label}: {note}" for note in (*notes, *files.notes))
    return Forecast(time, {QUANTITY: found}, (provenance,), tuple(told))


def lay(slots: Iterable[Slot], time: Times, *, source: str = "") -> Field:
    """Each slot on every hour that it overlaps; hours without a slot are NaN.

    Where two overlap the same hour the larger value counts, with its origin.
    """
    values = np.full(time.shape, np.nan)
    origin = np.zeros(time.shape, dtype=np.uint8)
    for slot in slots:
        start, end = to_datetime64(slot.start), to_datetime64(slot.end)
        over = (time < end) & (time + HOUR > start) & ~(values >= slot.kp)
        values[over] = slot.kp
        origin[over] = KINDS.index(slot.kind)
    return make_field(
        QUANTITY, values, kind=Kind.MAXIMUM, source=source, origin=origin, origins=KINDS
    )
