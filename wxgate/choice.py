"""Which models are asked for a place and its coming hours, in which order, and at what cost.

The table ``choice`` of the endpoints says which model is best where and for how long; the best one
is asked first, and the next fills the hours that it does not reach. A model that would fetch more
than the budget is passed over, and said to be; so are its places that are over it. Where everybody
else fails they are asked after all, for as many hours as the budget buys: an answer for the next
hours is worth more than none for two days.
"""

from __future__ import annotations

import math
from collections.abc import Container, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from wxgate.errors import DataError
from wxgate.sources.base import Errand, Plan, Request, Source, Toolbox
from wxgate.sources.endpoints import Entry
from wxgate.sources.registry import source


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the table: the model, where it is worth asking, and for how many hours from now.

    ``box``: south, west, north, east in degrees; it may cross the date line. None: everywhere.
    """

    model: str
    until_h: float
    box: tuple[float, float, float, float] | None = None

    def covers(self, latitude: float, longitude: float) -> bool:
        """Whether a site lies in the box."""
        if self.box is None:
            return True
        south, west, north, east = self.box
        across = (longitude - west) % 360.0 <= (east - west) % 360.0 or east - west >= 360.0
        return south <= latitude <= north and across


@dataclass(frozen=True, slots=True)
class Candidate:
    """A model to ask: until when it is worth it (None: as far as it goes), and with which tools."""

    source: Source
    until: datetime | None = None
    tools: Toolbox | None = None  #: None: those of the others
    plan: Plan | None = None
    left_out: tuple[Errand, ...] = ()  #: its places that are over the budget
    note: str = ""  #: what is to be told where it is used


@dataclass(frozen=True, slots=True)
class Passed:
    """A model that is not asked, and why in a few words; ``size`` where it costs too much."""

    name: str
    why: str
    size: int | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """The models in the order in which they are asked, and those that are passed over."""

    candidates: tuple[Candidate, ...]
    passed: tuple[Passed, ...]
    budget: float  #: bytes

    def notes(self, used: Container[str] = ()) -> tuple[str, ...]:
        """One sentence on what costs too much, and how to allow it; nothing where nothing does.

        Not of the models ``used`` all the same: those have a note of their own.
        """
        dear = [p for p in self.passed if p.size is not None and p.name not in used]
        if not dear:
            return ()
        told = ", ".join(f"{p.name} (about {_megabytes(p.size or 0)})" for p in dear)
        return (
            f"over the budget of {_megabytes(self.budget)} and passed over: {told};"
            " --budget or --sources allows it",
        )

    def remedy(self) -> str:
        """What else could be done where no model answers: more bytes, or services to set up."""
        dear = [(p.size, p.name) for p in self.passed if p.size is not None]
        dear += [
            (c.left_out[0].size, f"{c.source.name} from {c.left_out[0].what}")
            for c in self.candidates if c.left_out
        ]  # fmt: skip
        idle = [p.name for p in self.passed if p.size is None and p.why not in _NOT_HERE]
        told = []
        if dear:
            size, name = min(dear)
            told.append(f"A larger --budget allows more, first {name} ({_megabytes(size)}).")
        told += [f"Not set up: {', '.join(idle)}."] if idle else []
        return " ".join(told)


_NOT_HERE = ("the site lies outside",)
#: A model of which the budget buys less than this is not worth asking: two hours behind the last
#: one graded are needed too.
USEFUL = timedelta(hours=5)


def read_rows(endpoints: Entry) -> list[Row]:
    """The table of the endpoints; UsageError where it cannot be used."""
    return [_row(row) for row in endpoints.entry("choice").rows("models")]


def choose(request: Request, tools: Toolbox, *, budget_mb: float | None = None) -> Choice:
    """The models for a request, best first; ``budget_mb`` in place of the endpoints' budget.

    Nothing is asked of the network. Offline nothing costs anything.
    """
    endpoints = Entry(tools.endpoints, "")
    own = endpoints.entry("choice").number("budget_mb") if budget_mb is None else budget_mb
    budget = own * 1e6
    candidates: list[Candidate] = []
    passed: list[Passed] = []
    for row in read_rows(endpoints):
        found = _look_at(row, request, tools, budget)
        if isinstance(found, Candidate):
            candidates.append(found)
        else:
            passed.append(found)
    if not tools.offline:
        candidates += _last_resorts(endpoints, request, tools, budget)
    return Choice(tuple(candidates), tuple(passed), budget)


def _last_resorts(
    endpoints: Entry, request: Request, tools: Toolbox, budget: float
) -> list[Candidate]:
    """Models over the budget with the hours that it buys, those that reach furthest first."""
    found = []
    for row in read_rows(endpoints):
        until = request.now + timedelta(hours=row.until_h)
        if row.covers(request.latitude, request.longitude) and until > request.start:
            found.append(_for_fewer_hours(row.model, shortened(request, until), tools, budget))
    useful = [c for c in found if c is not None and c.until is not None]
    return sorted(useful, key=lambda c: c.until or request.now, reverse=True)


def _for_fewer_hours(
    name: str, request: Request, tools: Toolbox, budget: float
) -> Candidate | None:
    """A model's places over the budget, for the hours that it buys; None where that is nothing."""
    model, fresh = source(name), replace(tools, cache=None)
    if model.plan is None:
        return None
    try:
        plan = model.plan(request, fresh)
        ways = [way for way in (*plan.errands[:1], *plan.otherwise) if way.size > budget]
        if plan.run is None or not ways:
            return None
        dear = max(way.size for way in ways)
        count = int(budget * len(plan.steps) / dear)
        while count > 1:  # what is fetched but once makes the first steps dearer than the rest
            until = plan.run + timedelta(hours=plan.steps[count - 1])
            asked = shortened(request, until)
            placed = _with_places(fresh, name, ways)
            if until - USEFUL < request.now or asked.hours >= request.hours:
                return None
            less = model.plan(asked, placed)
            if all(way.size <= budget for way in (*less.errands[:1], *less.otherwise)):
                note = (
                    f"{name} was asked to {until:%d %b %H}Z only, as far as the budget of"
                    f" {_megabytes(budget)} goes; all hours take --budget {math.ceil(dear / 1e6)}"
                )
                placed = _with_places(tools, name, ways)
                return Candidate(model, until, placed, less, note=note)
            count -= 1
    except DataError:
        return None
    return None


def _look_at(row: Row, request: Request, tools: Toolbox, budget: float) -> Candidate | Passed:
    """One row for one request: a model to ask, or why it is not."""
    if not row.covers(request.latitude, request.longitude):
        return Passed(row.model, _NOT_HERE[0])
    until = request.now + timedelta(hours=row.until_h)
    if until <= request.start:
        return Passed(row.model, f"it is good for {row.until_h:g} h from now only")
    model = source(row.model)
    if tools.offline:
        return Candidate(model, until)
    try:
        # As if nothing were kept, so that the choice does not turn with what happens to be.
        fresh = replace(tools, cache=None)
        plan = None if model.plan is None else model.plan(shortened(request, until), fresh)
    except DataError as error:
        return Passed(row.model, error.what)
    if plan is None:
        return Candidate(model, until)
    ways = [*plan.errands[:1], *plan.otherwise] if plan.steps else list(plan.errands)
    if not ways:
        return Candidate(model, until, plan=plan)
    if not plan.steps:  # its errands are all needed
        cheap = plan.size <= budget
        return Candidate(model, until, plan=plan) if cheap else _dear(row.model, plan.size)
    within = [way for way in ways if way.size <= budget]
    if not within:
        return _dear(row.model, min(way.size for way in ways))
    if len(within) == len(ways):
        return Candidate(model, until, plan=plan)
    plan = replace(plan, errands=tuple(within[:1]), otherwise=tuple(within[1:]))
    dear = tuple(way for way in ways if way.size > budget)
    return Candidate(model, until, _with_places(tools, row.model, within), plan, dear)


def _dear(name: str, size: int) -> Passed:
    return Passed(name, f"about {_megabytes(size)}, over the budget", size)


def shortened(request: Request, until: datetime) -> Request:
    """The request up to a moment (whole hours, at least one); the same where it ends before."""
    hours = int((until - request.start) / timedelta(hours=1))
    return replace(request, hours=max(min(request.hours, hours), 1))


def _with_places(tools: Toolbox, model: str, ways: Sequence[Errand]) -> Toolbox:
    """The tools with only these places in the order of a model."""
    entry = {**tools.endpoints[model], "order": [way.what for way in ways]}
    return replace(tools, endpoints={**tools.endpoints, model: entry})


def _row(row: Entry) -> Row:
    box = row.content.get("box")
    if box is None:
        return Row(row.text("model"), row.number("until_h"))
    good = isinstance(box, list) and len(box) == 4 and all(type(d) in (int, float) for d in box)
    if not good or not -90 <= box[0] < box[2] <= 90:
        raise row.fault("box", "must be [south, west, north, east] in degrees")
    return Row(row.text("model"), row.number("until_h"), (box[0], box[1], box[2], box[3]))


def _megabytes(size: float) -> str:
    return f"{size / 1e6:.0f} MB" if size >= 1e6 else f"{size / 1e6:.2g} MB"
