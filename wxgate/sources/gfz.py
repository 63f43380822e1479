"""The planetary K index of GFZ, who make the definitive one: what was observed, a second opinion.

It tells nothing of the hours to come. Definitive and preliminary values are observed; a nowcast,
and the value of three hours that are not over yet, is an estimate that may still change.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from wxgate.errors import DataError
from wxgate.forecast import Forecast, Provenance, digest, hours_axis, to_datetime
from wxgate.http import Expect
from wxgate.sources.base import Request, Source, Toolbox
from wxgate.sources.endpoints import Entry, fill
from wxgate.sources.place import gone, read_service
from wxgate.sources.pointjson import fault, moment, needed, number, read_object
from wxgate.sources.polled import Polled
from wxgate.sources.swpc import QUANTITY, Slots, lay
from wxgate.sources.swpc_formats import KINDS, KP_MAX, SLOT, Slot, SlotKind, merged

NAME = "gfz"

#: What a value is, by its status: definitive, preliminary, nowcast.
STATUS: dict[str, SlotKind] = {"def": "observed", "pre": "observed", "now": "estimated"}
#: A difference of a whole unit or more changes the word for the storm.
WORTH_TELLING = 1.0

_BACK = timedelta(days=2)  # enough to hold the services against each other


def fetch(request: Request, tools: Toolbox) -> Forecast:
    """The K index on the request's hours up to now; later ones are NaN.

    ``origin`` tells observed and estimated values apart. DataError when none of these hours is
    told.
    """
    time = hours_axis(request.start, request.hours)
    if not request.wants(QUANTITY):
        return Forecast(time, {})
    endpoints = Entry(tools.endpoints, "")
    entry = endpoints.entry(NAME)
    poll = timedelta(seconds=entry.number("poll_s"))
    tools.progress(0, 1, "planetary K index of GFZ")
    with tools.client(read_service(endpoints, entry.text("service"))) as client:
        files = Polled(NAME, request.now, poll, tools, client)
        slots, notes = _read(entry, files, min(to_datetime(time[0]), request.now), request.now)
    tools.progress(1, 1, "planetary K index of GFZ")
    found = replace(lay(slots, time), source=NAME)
    if np.isnan(found.values).all():
        raise DataError(
            f"there is no K index between {time[0]}Z and {time[-1]}Z",
            where=NAME,
            remedy="It tells only what was observed; ask NOAA SWPC for the hours to come.",
        )
    told = tuple(f"K index of GFZ: {note}" for note in (*notes, *files.notes))
    provenance = Provenance(
        source=NAME,
        title=entry.text("title"),
        run=None,
        fetched=min(files.fetched),
        sha256=digest(files.contents),
        credit=entry.text("credit"),
        licence=entry.text("licence"),
        quantities=(QUANTITY,),
    )
    return Forecast(time, {QUANTITY: found}, (provenance,), told)


def _read(entry: Entry, files: Polled, first: datetime, now: datetime) -> tuple[Slots, list[str]]:
    """The slots since two days before the first hour, and what went wrong with the JSON."""
    root, names = entry.text("root").rstrip("/"), entry.entry("files")
    # Whole days, so that the next question is the same and finds the copy.
    start = f"{first - _BACK:%Y-%m-%d}T00:00:00Z"
    asked = fill(names.text("json"), names, start=start, end=f"{now:%Y-%m-%d}T23:59:59Z")
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
        return datetime(year, month, day, tzinfo=UTC) + timedelta(hours=hour)
    except (ValueError, OverflowError) as error:
        raise fault(f"the date of {line[:40]!r}") from error


# ------------------------------------------------------------------------------- second opinion


@dataclass(frozen=True, slots=True)
class Difference:
    """The hour at which two K indices lie furthest apart; ``hours`` is how many both tell."""

    own: float
    other: float
    at: datetime
    hours: int

    @property
    def size(self) -> float:
        """How far apart they lie."""
        return abs(self.own - self.other)

    @property
    def worth_telling(self) -> bool:
        """Whether they lie a whole unit or more apart; thirds are told to two or three digits."""
        return self.size > WORTH_TELLING - 0.01

    def note(self) -> str:
        """The largest difference in a sentence."""
        return (
            f"K index: GFZ and NOAA differ by at most {self.size:.2f} in {self.hours} h "
            f"({self.own:.2f} and {self.other:.2f} at {self.at:%d %b %H} UTC)"
        )


def compare(gfz: Forecast, swpc: Forecast) -> Difference | None:
    """The largest difference in the hours that both tell, predictions left out; None: no such hour.

    Of equal differences the latest counts.
    """
    own, other = gfz.get(QUANTITY), swpc.get(QUANTITY)
    if own is None or other is None:
        return None
    common, here, there = np.intersect1d(gfz.time, swpc.time, return_indices=True)
    predicted = np.zeros(there.shape, dtype=bool)
    if other.origin is not None:
        predicted = other.origin[there] == other.origins.index(KINDS[-1])
    a, b = own.values[here].astype(float), other.values[there].astype(float)
    apart = np.where(predicted, np.nan, np.abs(a - b))
    if np.isnan(apart).all():
        return None
    at = apart.size - 1 - int(np.nanargmax(apart[::-1]))
    hours = int((~np.isnan(apart)).sum())
    return Difference(float(a[at]), float(b[at]), to_datetime(common[at]), hours)


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
)
