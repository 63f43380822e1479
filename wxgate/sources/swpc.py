"""The planetary K index from NOAA's Space Weather Prediction Center: a week past, three days ahead.

The forecast file is asked first. Slots of the past that it lacks come from the observed file and
the one-minute estimate; when it cannot be had or is stale, the three-day text stands in. What a
stale forecast predicts is missing.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TypeVar

import numpy as np

from wxgate.errors import DataError
from wxgate.forecast import Forecast, to_datetime64
from wxgate.http import Expect
from wxgate.sources.base import Plan, Request, Source, Toolbox
from wxgate.sources.endpoints import Entry
from wxgate.sources.kslots import QUANTITY, Slots, Times, fetch_slots, lay
from wxgate.sources.place import gone
from wxgate.sources.plan import plan_polled
from wxgate.sources.polled import Polled, told_age
from wxgate.sources.swpc_formats import (
    SLOT,
    Slot,
    merged,
    parse_forecast_json,
    parse_observed_json,
    parse_one_minute_json,
    parse_three_day_text,
)

NAME = "swpc"
T = TypeVar("T")


def fetch(request: Request, tools: Toolbox) -> Forecast:
    """The K index on the request's hours, each the largest of the slots that overlap it.

    ``origin`` tells observed, estimated and predicted values apart. Of a forecast that is stale
    what it predicted is missing, with a note. DataError when no value for these hours could be had.
    """
    return fetch_slots(
        request,
        tools,
        lambda files, entry, time: _Reading(files, entry, request.now, time).slots(),
        name=NAME,
        label="K index",
        reach="It reaches a week back and three days ahead; ask for hours within that.",
    )


def plan(request: Request, tools: Toolbox) -> Plan:
    """The forecast file; the others are asked only for what it lacks."""
    entry = Entry(tools.endpoints, "").entry(NAME)
    url = f"{entry.text('root').rstrip('/')}/{entry.entry('files').text('forecast')}"
    return plan_polled(SOURCE, request, tools, [(url, entry.number("kb"))])


class _Reading:
    """One reading of the service: which file says what, and what could not be had."""

    def __init__(self, files: Polled, entry: Entry, now: datetime, time: Times) -> None:
        self._files, self._entry, self._now = files, entry, now
        self._past = time[time <= to_datetime64(now)]
        self._faults: dict[str, list[str]] = {}  #: what is wrong, and the files it is wrong with
        self._told: list[str] = []
        self._stale = False  #: the forecast file is too old to believe what it predicts
        self._given_up = False  #: the service refuses or is out of reach: no file will be had

    def slots(self) -> tuple[Slots, list[str]]:
        """The slots, and notes about them; DataError when no file gave any."""
        forecast = self._forecast()
        slots = forecast if forecast and not self._stale else merged((*forecast, *self._text()))
        if not forecast or self._lacks_past(slots):
            slots = merged((*slots, *self._json("observed", parse_observed_json)))
        if self._lacks_past(slots):
            slots = with_nowcast(slots, self._json("one_minute", parse_one_minute_json), self._now)
        faults = [f"{', '.join(names)}: {what}" for what, names in self._faults.items()]
        if not slots:
            remedy = "Try again later, with a network."
            raise DataError("; ".join([*faults, *self._told]), where=NAME, remedy=remedy)
        return slots, [*faults, *self._told]

    def _forecast(self) -> Slots:
        """The slots of the forecast file, which is as old as its last observed slot."""
        slots = self._json("forecast", parse_forecast_json)
        if slots:
            observed = [slot.end for slot in slots if slot.kind == "observed"]
            return self._believed(slots, max(observed, default=slots[0].start))
        return slots

    def _json(self, name: str, parse: Callable[[bytes], Slots]) -> Slots:
        """The slots of a file; none when it cannot be had or holds no value."""
        slots = self._read(name, "json", parse)
        if slots == ():
            self._faults.setdefault("the file holds no value", []).append(name)
        return slots or ()

    def _text(self) -> Slots:
        """The slots of the text; none when it cannot be had."""
        found = self._read("three_days", "text", parse_three_day_text)
        return () if found is None else self._believed(found.slots, found.issued)

    def _read(self, name: str, expect: Expect, parse: Callable[[bytes], T]) -> T | None:
        """What a file says; None, and one more fault, when it cannot be had."""
        if self._given_up:
            return None
        url = f"{self._entry.text('root').rstrip('/')}/{self._entry.entry('files').text(name)}"
        try:
            return self._files.read(url, expect, parse)
        except DataError as error:
            self._faults.setdefault(error.what, []).append(name)
            self._given_up = gone(error)
            return None

    def _believed(self, slots: Slots, made: datetime) -> Slots:
        """The slots, but for those that a stale forecast predicted."""
        age = self._now - made
        if age <= timedelta(hours=self._entry.number("stale_h")):
            return slots
        self._stale = True
        self._told.append(
            f"the forecast is {told_age(age)} old, so that what it predicts counts as missing"
        )
        return tuple(slot for slot in slots if slot.kind != "predicted")

    def _lacks_past(self, slots: Slots) -> bool:
        """Whether an hour up to the one under way has no slot."""
        return bool(np.isnan(lay(slots, self._past).values).any())


def with_nowcast(slots: Slots, estimates: Slots, now: datetime) -> Slots:
    """The slots, and those of the running estimate that they lack.

    The estimate of a slot that is still under way has only begun to grow, so it counts for no
    less than the slot before it.
    """
    known = {slot.start: slot for slot in (*estimates, *slots)}
    more = []
    for slot in estimates:
        before = known.get(slot.start - SLOT)
        if known[slot.start] is not slot:
            continue
        least = before.kp if before is not None and slot.end > now else 0.0
        more.append(Slot(slot.start, max(slot.kp, least), slot.kind))
    return merged((*slots, *more))


SOURCE = Source(
    name=NAME,
    title="NOAA SWPC planetary K index",
    gives=(QUANTITY,),
    resolution="the whole Earth, 3 h",
    runs="several a day: a week past, three days ahead",
    licence="US government work, public domain",
    credit="Planetary K index of the NOAA Space Weather Prediction Center.",
    fetch=fetch,
    plan=plan,
)
