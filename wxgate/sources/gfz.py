"""The planetary K index of GFZ, who make the definitive one: what was observed, a second opinion.

It tells nothing of the hours to come. Definitive and preliminary values are observed; a nowcast,
and the value of three hours that are not over yet, is an estimate that may still change.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from wxgate.errors import DataError
from wxgate.forecast import Forecast, hours_axis, to_datetime
from wxgate.http import Expect
from wxgate.sources.base import Plan, Request, Source, Toolbox
from wxgate.sources.endpoints import Entry, fill
from wxgate.sources.kslots import QUANTITY, Slots, fetch_slots
from wxgate.sources.place import gone
from wxgate.sources.plan import plan_polled
from wxgate.sources.pointjson import (
    EARLIEST,
    LATEST,
    fault,
    moment,
    needed,
    number,
    read_object,
)
from wxgate.sources.polled import Polled
from wxgate.sources.swpc_formats import KP_MAX, SLOT, Slot, SlotKind, merged

NAME = "gfz"

#: What a value is, by its status: definitive, preliminary, nowcast.
STATUS: dict[str, SlotKind] = {"def": "observed", "pre": "observed", "now": "estimated"}

_BACK = timedelta(days=2)  # enough to hold the services against each other


def fetch(request: Request, tools: Toolbox) -> Forecast:
    """The K index on the request's hours up to now; later ones are NaN.

    ``origin`` tells observed and estimated values apart. DataError when none of these hours is
    told.
    """
    return fetch_slots(
        request,
        tools,
        lambda files, entry, time: _read(
            entry, files, min(to_datetime(time[0]), request.now), request.now
        ),
        name=NAME,
        label="K index of GFZ",
        reach="It tells only what was observed; ask NOAA SWPC for the hours to come.",
    )


def _read(entry: Entry, files: Polled, first: datetime, now: datetime) -> tuple[Slots, list[str]]:
    """The slots since two days before the first hour, and what went wrong with the JSON."""
    root, names = entry.text("root").rstrip("/"), entry.entry("files")
    asked = _asked(names, first, now)
    ways: list[tuple[str, Expect, Callable[[bytes], Slots]]] = [
        (asked, "json", parse_json), (names.text("nowcast"), "text", parse_nowcast_text),
    ]  # fmt: skip
    faults: list[str] = []
    for path, expect, parse in ways:
        try:
            slots = files.read(f"{root}/{path}", expect, parse)
        except DataError as error:
            faults.append(error.what)
            if gone(error):
                break
        else:
            return unfinished(slots, now), faults
    raise DataError("; ".join(dict.fromkeys(faults)), where=NAME, remedy="Try again later.")


def _asked(names: Entry, first: datetime, now: datetime) -> str:
    # Whole days, so that the next question is the same and finds the copy.
    start = f"{first - _BACK:%Y-%m-%d}T00:00:00Z"
    return fill(names.text("json"), names, start=start, end=f"{now:%Y-%m-%d}T23:59:59Z")


def plan(request: Request, tools: Toolbox) -> Plan:
    """One small file."""
    entry = Entry(tools.endpoints, "").entry(NAME)
    first = to_datetime(hours_axis(request.start, request.hours)[0])
    path = _asked(entry.entry("files"), min(first, request.now), request.now)
    url = f"{entry.text('root').rstrip('/')}/{path}"
    return plan_polled(SOURCE, request, tools, [(url, entry.number("kb"))])


def unfinished(slots: Slots, now: datetime) -> Slots:
    """The slots that have begun; the one under way is an estimate, whatever its status."""
    return tuple(
        slot if slot.end <= now else replace(slot, kind="estimated")
        for slot in slots
        if slot.start <= now
    )


# -------------------------------------------------------------------------------------- formats


def parse_json(content: bytes) -> Slots:
    """The slots of the JSON answer: parallel lists of values, starts and states.

    What is missing (null, -1) is left out; a state that is not known claims the least. DataError
    for another form.
    """
    found = read_object(content)
    values, starts = needed(found, list, "Kp"), needed(found, list, "datetime")
    states = found.get("status")
    if not isinstance(states, list):
        states = ["now"] * len(values)
    if not len(values) == len(starts) == len(states):
        raise fault(f"{len(values)} values, {len(starts)} times and {len(states)} states")
    return merged(
        Slot(moment(start), kp, STATUS.get(str(state), "estimated"))
        for value, start, state in zip(values, starts, states, strict=True)
        if 0 <= (kp := number(value)) <= KP_MAX
    )


def parse_nowcast_text(content: bytes) -> Slots:
    """The slots of a text of GFZ: a line for each three hours, or a line with the eight of a day.

    Lines that begin with # are comments. What is missing (-1.000) is left out. A value is observed
    where its last column says that it is definitive, else estimated. DataError for another form.
    """
    slots = []
    for line in content.decode("ascii", "replace").splitlines():
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        cells = line.split()
        if len(cells) not in _COLUMNS or not all(map(_NUMBER.fullmatch, cells)):
            raise fault(f"the line {line[:60]!r}")
        first, count, state = _COLUMNS[len(cells)]
        kind: SlotKind = "observed" if cells[state] != "0" else "estimated"
        begin = _begin(cells, line, float(cells[3]) if count == 1 else 0.0)
        for n, cell in enumerate(cells[first : first + count]):
            if 0 <= float(cell) <= KP_MAX:
                slots.append(Slot(begin + n * SLOT, float(cell), kind))
    if not slots:
        raise fault("a text without any value")
    return merged(slots)


#: By the number of columns: where Kp begins, how many values there are, where their state stands.
_COLUMNS = {10: (7, 1, 9), 28: (7, 8, 27)}
_NUMBER = re.compile(r"-?\d+(?:\.\d*)?", re.ASCII)


def _begin(cells: list[str], line: str, hour: float) -> datetime:
    try:
        year, month, day = (int(cell) for cell in cells[:3])
        if not EARLIEST <= year <= LATEST:
            raise ValueError("no year that can be")
        return datetime(year, month, day, tzinfo=UTC) + timedelta(hours=hour)
    except (ValueError, OverflowError) as error:
        raise fault(f"the date of {line[:40]!r}") from error


SOURCE = Source(
    name=NAME,
    title="GFZ planetary K index",
    gives=(QUANTITY,),
    resolution="the whole Earth, 3 h",
    runs="renewed during each three hours; nothing ahead",
    licence="CC BY 4.0",
    credit=(
        "Kp index: GFZ Helmholtz Centre for Geosciences, CC BY 4.0, doi 10.5880/Kp.0001; "
        "Matzka et al. 2021, doi 10.1029/2020SW002641."
    ),
    fetch=fetch,
    plan=plan,
)
